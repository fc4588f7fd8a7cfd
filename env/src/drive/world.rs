//! The episode as a decision problem: one step from decision to decision.

use super::Drive;
use crate::outcome::Cause;
use crate::{End, Mask, Step, World};
use lowgear_onboard::{Features, Request};
use std::sync::Arc;

impl World for Drive {
    type Observation = Features;

    fn actions(&self) -> usize {
        Request::ALL.len()
    }

    fn reset(&mut self, episode: u64) {
        let traced = self.trace.is_some();
        let route = self.route.take();
        *self = Drive::new(Arc::clone(&self.scenario), episode);
        if traced {
            self.trace = Some(Vec::new());
        }
        if let Some(route) = route {
            self.start_route(*route);
        }
    }

    fn observation(&self) -> &Features {
        &self.observed
    }

    fn allowed(&self, action: usize) -> bool {
        self.mask().allows(action)
    }

    fn mask(&self) -> Mask {
        Drive::mask(self)
    }

    fn privileged(&self, out: &mut Vec<f32>) {
        self.append_privileged(out);
    }

    fn step(&mut self, action: usize) -> Step {
        let before = (self.reported_return_s, self.elapsed_s());
        let every_tick = self.trace.is_some();
        let mut request = Request::from_code(action as u8);
        let mut decided = true;
        while self.end.is_none() {
            let (advised, watched) = self.follow_route(request, decided);
            let most = if every_tick || watched { 1 } else { usize::MAX };
            let due = self.tick_many(advised, decided, most);
            (request, decided) = (Request::Hold, false);
            if due {
                break;
            }
        }
        self.observed = self.controller.features(&self.scenario.settings);
        self.reported_return_s = self.reward().total_s();
        let mut reward = self.reported_return_s - before.0;
        if self.end.is_some_and(|cause| cause != Cause::Finished) {
            reward += self.abort_s();
        }
        // The time limit is part of the task: what not finishing within it costs stands for all that would have come
        // after it, in training as in the comparison. A value bootstrapped from beyond would count on top.
        let end = self.end.map(|_| End::Terminated);
        Step { reward, elapsed_s: self.elapsed_s() - before.1, end }
    }
}
