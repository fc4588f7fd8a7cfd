//! What every policy does, and what policies and learners share: which actions are possible, whose decisions guide,
//! why a decision was taken, and grids over features.

pub mod explain;
pub mod grid;
mod guide;
mod guided;

pub use guide::{Guide, NoGuide};
pub use guided::guided_best;
pub use lowgear_env::Mask;

use lowgear_onboard::{Features, Request};

/// Decides about the gear. One instance drives one vehicle; memory lives inside it.
pub trait Policy: Send {
    /// Forgets everything: a new episode begins.
    fn reset(&mut self);

    /// Decides. `mask` says which requests, by code, the guard would carry out.
    fn decide(&mut self, features: &Features, mask: Mask) -> Request;
}

impl<P: Policy + ?Sized> Policy for Box<P> {
    fn reset(&mut self) {
        (**self).reset();
    }

    fn decide(&mut self, features: &Features, mask: Mask) -> Request {
        (**self).decide(features, mask)
    }
}
