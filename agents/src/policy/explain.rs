//! Why a policy asks for what it asks for, in lines to read: which condition held, or what each request was worth.

use crate::policy::{Mask, Policy};
use lowgear_env::request_name;
use lowgear_onboard::{Features, Request};

/// A policy that can say why.
pub trait Explain: Policy {
    /// What leads to the decision that [`Policy::decide`] would take now, a line each. Memory moves on as with a
    /// decision, so ask a copy.
    fn explain(&mut self, features: &Features, mask: Mask) -> Vec<String>;
}

impl<P: Explain + ?Sized> Explain for Box<P> {
    fn explain(&mut self, features: &Features, mask: Mask) -> Vec<String> {
        (**self).explain(features, mask)
    }
}

/// What each request is worth, with those marked that are not possible.
pub(crate) fn weighed(what: &str, worth: &[f64], mask: Mask) -> String {
    let each = Request::ALL.into_iter().zip(worth).map(|(request, worth)| {
        let barred = if mask.allows(request as usize) { "" } else { " (not possible)" };
        format!("{} {worth:.4}{barred}", request_name(request))
    });
    format!("{what}: {}", each.collect::<Vec<_>>().join(", "))
}

/// "yes" or "no" after a condition.
pub(crate) fn holds(condition: &str, holds: bool) -> String {
    format!("{condition}: {}", if holds { "yes" } else { "no" })
}

/// The lines of a policy that is asked in between, set in.
pub(crate) fn set_in(who: &str, lines: Vec<String>) -> impl Iterator<Item = String> {
    lines.into_iter().map(move |line| format!("{who}: {line}"))
}
