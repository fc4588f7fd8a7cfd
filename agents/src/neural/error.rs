//! What can go wrong.

use lowgear_env::config::KeyError;
use thiserror::Error;

/// What can go wrong in a neural learner.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum NeuralError {
    /// A setting is not allowed.
    #[error(transparent)]
    Setting(#[from] KeyError),
    /// An observation, mask or weight vector has another length than the network expects.
    #[error("{what}: {got} values where {want} are expected")]
    Length {
        /// Of what.
        what: &'static str,
        /// Values given.
        got: usize,
        /// Values expected.
        want: usize,
    },
    /// The learning network left the finite numbers; its weights are as before the step.
    #[error(
        "{what} is not finite at learning step {step}; lower the learning rate or check the observations"
    )]
    Diverged {
        /// Loss or gradient.
        what: &'static str,
        /// Learning steps taken before.
        step: u64,
    },
    /// An observation or a reward is not finite.
    #[error("{0} is not finite")]
    NotFinite(&'static str),
    /// No action is possible.
    #[error("no action is possible")]
    NoAction,
    /// A step was reported before an action was chosen.
    #[error("a step was reported before an action was chosen")]
    NothingPending,
    /// A buffer was to be learned from while an action is without its outcome.
    #[error("an action was chosen whose outcome has not been reported")]
    OutcomePending,
    /// The tensor library refused.
    #[error("tensor library: {0}")]
    Tensor(&'static str),
    /// The device that networks learn on is missing or failed.
    #[error("the device that learns: {0}")]
    Device(String),
    /// The bytes are no state of this learner.
    #[error("the saved state cannot be used: {0}")]
    State(&'static str),
}

pub(crate) const fn check_length(what: &'static str, got: usize, want: usize) -> Result<(), NeuralError> {
    if got == want { Ok(()) } else { Err(NeuralError::Length { what, got, want }) }
}

/// Refuses a loss or gradient that left the finite numbers.
pub(crate) const fn finite(what: &'static str, value: f32, step: u64) -> Result<(), NeuralError> {
    if value.is_finite() { Ok(()) } else { Err(NeuralError::Diverged { what, step }) }
}
