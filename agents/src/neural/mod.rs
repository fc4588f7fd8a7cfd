//! What neural learners share: networks, their gradients, and what goes in and comes out.
//!
//! Weights lie in flat vectors. Acting takes one observation through plain loops ([`Mlp`], [`Network`]); learning takes a
//! batch forward and back, in plain loops too or on the tensor library ([`Backend`]), which is the reference
//! that the loops are tested against.

mod activation;
mod adam;
pub(crate) mod chain;
mod encode;
mod error;
mod forward;
mod gradient;
pub(crate) mod limits;
mod network;
mod network_tape;
mod product;
mod recurrent;
mod reference;
pub(crate) mod shape;

pub use activation::Activation;
pub(crate) use adam::clip_norm_of;
pub use adam::{Adam, clip_norm};
pub use encode::{Encode, FeatureScaler};
pub use error::NeuralError;
pub(crate) use forward::check_length;
pub use forward::{Mlp, Scratch};
pub use gradient::Backend;
pub(crate) use gradient::{Tape, batch_values};
pub use network::{Network, NetworkShape};
pub(crate) use network_tape::{Batch, NetworkTape};
pub use shape::Shape;
