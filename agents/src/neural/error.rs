//! What can go wrong.

use thiserror::Error;

/// What can go wrong in a neural learner.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum NeuralError {
    /// A setting is out of its range.
    #[error("`{key}` is out of its range; allowed: {allowed}")]
    Config {
        /// Key as it stands in the configuration.
        key: &'static str,
        /// What may stand there.
        allowed: &'static str,
    },
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
    /// The rule that is to guide is out of its ranges.
    #[error("the guide: {0}")]
    Guide(String),
    /// The tensor library refused.
    #[error("tensor library: {0}")]
    Tensor(&'static str),
    /// The bytes are no state of this learner.
    #[error("the saved state cannot be used: {0}")]
    State(&'static str),
}
