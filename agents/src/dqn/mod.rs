//! Deep Q-learning (Mnih et al. 2015) with double Q-learning, dueling, n-step returns, action masks,
//! discounting by elapsed time, and a guide whose decisions seed the replay memory.
//!
//! Start reading at [`train`]; the learning rule stands in [`update`].
//!
//! # The same seed gives the same bytes
//! Every draw comes from a stream of the learner's own, and the weights of a small network are updated on
//! one thread: the tensor library splits a matrix product over threads only from 192³ multiplications on
//! (a batch of 64 with layers of 64 has 64³). Larger products are split by rows and columns, not along the
//! sum, but run such jobs in a pool of one thread to be sure. Equality is promised for one build on one
//! kind of processor, since the library picks its instructions at run time.

mod config;
mod encode;
mod error;
mod forward;
mod gradient;
mod learner;
mod mask;
mod policy;
mod replay;
mod shape;
mod train;
pub mod update;

#[cfg(test)]
mod tests;

pub use config::{DqnConfig, Schedule, TargetUpdate};
pub use encode::{Encode, FeatureScaler};
pub use error::DqnError;
pub use forward::{Mlp, Scratch};
pub use learner::{Dqn, Learned};
pub use mask::Mask;
pub use policy::DqnPolicy;
pub use shape::Shape;
pub use train::{Episode, Guide, greedy_return, mask_of, train};
