//! What every policy does.

use lowgear_onboard::{Features, Request};

/// Decides about the gear. One instance drives one vehicle; memory lives inside it.
pub trait Policy: Send {
    /// Forgets everything: a new episode begins.
    fn reset(&mut self);

    /// Decides. `mask[code]` says which requests the guard would carry out.
    fn decide(&mut self, features: &Features, mask: [bool; 3]) -> Request;
}
