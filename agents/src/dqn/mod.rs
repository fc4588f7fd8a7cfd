//! Deep Q-learning (Mnih et al. 2015) with double Q-learning, dueling, several-step targets corrected for what the
//! present policy would have done, action masks,
//! discounting by elapsed time, prioritised replay, and a guide whose decisions seed the replay memory.
//!
//! Start reading at [`train`]; the learning rule stands in [`update`].
//!
//! # The same seed gives the same bytes
//! Every draw comes from a stream of the learner's own. The tensor library splits a matrix product over threads from
//! 192³ multiplications on (a batch of 64 with layers of 64 has 64³), by rows and columns and not along the sum, and
//! picks its instructions at run time: equality is promised for any number of threads on one kind of processor.

mod config;
mod learner;
mod loss;
mod policy;
mod priority;
mod replay;
mod train;
pub mod update;

#[cfg(test)]
mod tests;

pub use crate::neural::{Encode, FeatureScaler, Network, NetworkShape, NeuralError, Scratch};
pub use crate::policy::{Guide, Mask, NoGuide};
pub use crate::rule::RuleGuide;
pub use crate::schedule::Schedule;
pub use config::{DqnConfig, TargetUpdate};
pub use learner::{Dqn, UpdateStatistics};
pub use policy::DqnPolicy;
pub use priority::Priority;
pub use train::{greedy_return, train};
