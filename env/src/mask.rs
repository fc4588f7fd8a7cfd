//! Which actions are possible.

use serde::{Deserialize, Serialize};

/// Which actions are possible, one bit each; up to 32 actions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Mask(u32);

impl Mask {
    /// Asks for each of `actions` actions.
    pub fn from_fn(actions: usize, mut allowed: impl FnMut(usize) -> bool) -> Mask {
        Mask((0..actions.min(32)).fold(0, |bits, a| bits | (u32::from(allowed(a)) << a)))
    }

    /// Every one of `actions` actions.
    #[must_use]
    pub const fn all(actions: usize) -> Mask {
        Mask(if actions < 32 { (1 << actions) - 1 } else { u32::MAX })
    }

    /// Without those from number `actions` on.
    #[must_use]
    pub fn within(self, actions: usize) -> Mask {
        Mask(self.0 & Mask::all(actions).0)
    }

    /// Whether an action is possible.
    #[must_use]
    pub const fn allows(self, action: usize) -> bool {
        action < 32 && self.0 >> action & 1 == 1
    }

    /// Number of possible actions.
    #[must_use]
    pub const fn count(self) -> usize {
        self.0.count_ones() as usize
    }

    /// The `nth` possible action, counted from 0.
    #[must_use]
    pub fn nth(self, nth: usize) -> Option<usize> {
        (0..32).filter(|&a| self.allows(a)).nth(nth)
    }

    /// The possible action with the highest value; the lowest index among equals.
    #[must_use]
    pub fn best<V: PartialOrd + Copy>(self, values: &[V]) -> Option<usize> {
        let mut best: Option<(usize, V)> = None;
        for (action, &value) in values.iter().enumerate() {
            if self.allows(action) && best.is_none_or(|(_, v)| value > v) {
                best = Some((action, value));
            }
        }
        best.map(|(action, _)| action)
    }

    /// The first `N` actions, one by one.
    #[must_use]
    pub fn to_array<const N: usize>(self) -> [bool; N] {
        std::array::from_fn(|action| self.allows(action))
    }
}

impl From<[bool; 3]> for Mask {
    fn from(allowed: [bool; 3]) -> Mask {
        Mask::from_fn(3, |a| allowed[a])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_possible_actions_are_chosen_and_ties_go_to_the_first() {
        let mask = Mask::from([false, true, true]);
        assert_eq!(mask.best(&[9.0, 1.0, 1.0]), Some(1));
        assert_eq!(mask.nth(1), Some(2));
        assert_eq!(mask.count(), 2);
        assert_eq!(mask.to_array(), [false, true, true]);
        assert_eq!(Mask::from_fn(3, |_| false).best(&[1.0, 2.0, 3.0]), None);
        assert_eq!(Mask::all(32).within(2), Mask::all(2));
        assert!(Mask::all(32).allows(31) && !Mask::all(32).allows(32));
    }
}
