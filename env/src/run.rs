//! The loop from decision to decision until an episode is over.

use crate::{EpisodeTotals, Step, World};
use lowgear_onboard::Request;

/// A decision: an action, with whatever an observer wants to know of it.
pub trait Decision {
    /// The action, as the world counts it.
    fn action(&self) -> usize;
}

impl Decision for usize {
    #[inline]
    fn action(&self) -> usize {
        *self
    }
}

impl Decision for Request {
    #[inline]
    fn action(&self) -> usize {
        *self as usize
    }
}

/// Runs an episode from where `world` stands to its end. `decide` is asked at every decision; `observe` gets the world
/// after each step, with the decision and the step.
#[inline]
pub fn run_episode<W: World, D: Decision>(
    world: &mut W,
    mut decide: impl FnMut(&W) -> D,
    mut observe: impl FnMut(&W, D, &Step),
) -> EpisodeTotals {
    let mut totals = EpisodeTotals::default();
    while totals.end.is_none() {
        let decision = decide(world);
        let step = world.step(decision.action());
        totals.add(&step);
        observe(world, decision, &step);
    }
    totals
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::End;

    /// Ends after its third step; a step earns its action and takes two seconds.
    struct Three(usize);

    impl World for Three {
        type Observation = usize;

        fn actions(&self) -> usize {
            9
        }

        fn reset(&mut self, _: u64) {
            self.0 = 0;
        }

        fn observation(&self) -> &usize {
            &self.0
        }

        fn allowed(&self, _: usize) -> bool {
            true
        }

        fn step(&mut self, action: usize) -> Step {
            self.0 += 1;
            Step { reward: action as f64, elapsed_s: 2.0, end: (self.0 == 3).then_some(End::Truncated) }
        }
    }

    #[test]
    fn decisions_see_the_world_before_the_step_and_observers_after_it() {
        let mut seen = Vec::new();
        let totals = run_episode(
            &mut Three(0),
            |world| 4 + world.observation(),
            |world, action, step| seen.push((world.0, action, step.end)),
        );
        assert_eq!(seen, [(1, 4, None), (2, 5, None), (3, 6, Some(End::Truncated))]);
        let end = Some(End::Truncated);
        assert_eq!(totals, EpisodeTotals { decisions: 3, sum_of_rewards: 15.0, elapsed_s: 6.0, end });
    }
}
