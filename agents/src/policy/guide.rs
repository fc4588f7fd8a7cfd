//! Guide policies: demonstrators that a learner begins from.

use super::Mask;

/// A guide policy (demonstrator), whose decisions are worth following at first. May remember earlier observations.
///
/// Any closure `FnMut(&O) -> Option<usize>` is one without memory.
pub trait Guide<O: ?Sized> {
    /// Forgets everything: a new episode begins.
    fn reset(&mut self);

    /// The action it would take; asked at every decision.
    fn advise(&mut self, observation: &O) -> Option<usize>;

    /// The same, knowing what is possible. Learners ask this.
    fn advise_within(&mut self, observation: &O, mask: Mask) -> Option<usize> {
        self.advise(observation).filter(|&action| mask.allows(action))
    }
}

impl<O: ?Sized, F: FnMut(&O) -> Option<usize>> Guide<O> for F {
    fn reset(&mut self) {}

    fn advise(&mut self, observation: &O) -> Option<usize> {
        self(observation)
    }
}

/// No guide: a learner on its own. A closure `|_| None` would leave the observation's type open.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct NoGuide;

impl<O: ?Sized> Guide<O> for NoGuide {
    fn reset(&mut self) {}

    fn advise(&mut self, _observation: &O) -> Option<usize> {
        None
    }
}
