//! The one definition of the physics: exact phases of motion from event to event.

mod accumulate;
mod contact;
mod crossing;
mod cruise;
mod energies;
mod exponential;
mod forces;
mod next_events;
mod phase;
mod plant;
mod selector;
mod step;
mod supply;
mod track;

pub use cruise::{Affine, PredictedInputs};
pub use energies::{EnergyBalance, HeatEnergies};
pub use exponential::exp_m1;
pub use phase::{MotionPhase, MotionState};
pub use plant::{Advance, Plant};
pub use selector::{Dogs, Selector};
pub use track::Track;

pub use crate::vehicle::GRAVITY_M_S2;
