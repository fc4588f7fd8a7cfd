//! What neural learners share: networks, their gradients, and what goes in and comes out.
//!
//! Learning is the tensor library's: a `Trainer` holds networks as one of its modules, and its automatic
//! differentiation, optimiser and clipping move their weights. On the CPU a network is one operation of the library with a
//! backward pass of its own (`operation`), whose products are loops over tiles (`product`): a small network made of single
//! operations spends its time between them. On any other device, and in the tests of that operation, it is made of single
//! ones (`unfused`).
//!
//! Acting takes one observation at a time through plain loops over the same weights ([`Network::run`]).

mod activation;
mod adam;
mod buffers;
mod dense;
mod device;
mod encode;
mod error;
pub(crate) mod limits;
mod matrix;
mod network;
mod operation;
mod pass;
mod product;
mod recurrent;
mod shape;
mod trainer;
mod unfused;

pub use activation::Activation;
pub(crate) use buffers::Buffers;
pub use device::LearningDevice;
pub(crate) use device::guarded;
pub use encode::{Encode, FeatureScaler};
pub use error::NeuralError;
pub(crate) use error::{check_length, finite};
pub(crate) use matrix::Matrix;
pub use network::{Network, Scratch};
pub(crate) use operation::BLOCK;
pub(crate) use pass::{Batch, Pass, values};
pub(crate) use shape::Layer;
pub use shape::NetworkShape;
pub(crate) use trainer::{Trainer, TrainerRecord, training_device};
