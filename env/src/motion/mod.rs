//! The one definition of the physics: exact pieces of motion from event to event.

mod booking;
mod contact;
mod cruise;
mod exponential;
mod forces;
mod ledger;
mod piece;
mod plant;
mod selector;
mod step;
mod supply;
mod track;

pub use cruise::{Outlook, Straight};
pub use exponential::exp_m1;
pub use ledger::{HeatLedger, Ledger};
pub use piece::{Moment, Piece};
pub use plant::{Advance, Plant};
pub use selector::{Dogs, Selector};
pub use track::Track;

/// Standard gravity, m/s² (ISO 80000-3).
pub const GRAVITY_M_S2: f64 = 9.806_65;
