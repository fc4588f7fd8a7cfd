//! What runs on the vehicle: features from raw sensor units, the guard, the table look-up.
//!
//! Integers only, no heap, no floats, no dependencies. The simulator, every policy and the evaluation use
//! this very code; exported firmware is proven equal to it. Units stand in the names: `_ticks` are
//! controller ticks, `_permille` are thousandths, `_ddeg` tenths of a degree, `_mv` millivolts.
//!
//! The order of one controller tick is: [`Controller::sense`], then [`Controller::act`].
#![no_std]

mod controller;
mod features;
mod guard;
mod observer;
mod order;
mod ranges;
mod table;

pub use controller::{Controller, Settings};
pub use features::{FEATURES, Feature, Features, Raw};
pub use guard::{Guard, GuardSettings, MAX_GEARS};
pub use observer::{FeatureSettings, Observer};
pub use order::{Command, Phase, Verdict};
pub use ranges::{Fault, Ranges};
pub use table::{Axis, MAX_AXES, Table, TableError};

/// What a policy may ask for. The guard decides whether it happens.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum Request {
    /// One gear lower.
    Down = 0,
    /// Keep the gear.
    Hold = 1,
    /// One gear higher.
    Up = 2,
}

impl Request {
    /// Every request, in the order of their codes.
    pub const ALL: [Request; 3] = [Request::Down, Request::Hold, Request::Up];

    /// The request with this code; codes above 2 mean [`Request::Hold`].
    #[must_use]
    pub const fn from_code(code: u8) -> Request {
        match code {
            0 => Request::Down,
            2 => Request::Up,
            _ => Request::Hold,
        }
    }
}
