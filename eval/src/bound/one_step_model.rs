//! What a decision leads to, without noise and with dogs that always enter.

use lowgear_env::Scenario;
use lowgear_env::events::stands_still;
use lowgear_env::motion::{Dogs, Plant, Selector, Track};
use lowgear_env::vehicle::Vehicle;
use lowgear_onboard::{Command, Request};

/// Durations that a decision takes, in ticks.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clocks {
    pub(super) cut_lead: u32,
    pub(super) dwell: u32,
    pub(super) decision: u32,
}

impl Clocks {
    pub(super) fn new(scenario: &Scenario) -> Clocks {
        let guard = &scenario.settings.guard;
        Clocks {
            cut_lead: u32::from(guard.cut_lead_ticks),
            dwell: u32::from(guard.min_dwell_ticks),
            decision: u32::from(scenario.settings.decision_ticks),
        }
    }
}

/// Where a decision leads.
#[derive(Clone, Copy, Debug)]
pub(super) struct Successor {
    pub(super) reward: f64,
    pub(super) x_m: f64,
    pub(super) v_m_s: f64,
    pub(super) gear: usize,
    pub(super) finished: bool,
}

/// Lets a decision happen without noise: time, stalls, stress and shifts as the reward counts them, progress
/// left out. `None` when there is no such gear.
pub(super) fn predict(
    scenario: &Scenario,
    vehicle: &Vehicle,
    track: &Track,
    plant: Plant,
    request: Request,
    clocks: &Clocks,
) -> Option<(Successor, Plant)> {
    let from = plant.gear?;
    let target = match request {
        Request::Down => from.checked_sub(1)?,
        Request::Hold => from,
        Request::Up => from + 1,
    };
    if target >= vehicle.gears.len() {
        return None;
    }
    let mut run = OneStepModel { scenario, vehicle, track, damage: plant.stress.total(), plant, reward: 0.0 };
    let duty = f64::from(scenario.episode.throttle_permille) / 1000.0;
    let finished =
        if target == from { run.ticks(clocks.decision, duty) } else { run.shift(target, duty, clocks)? };
    let stress = run.plant.stress.total() - run.damage;
    let successor = Successor {
        reward: run.reward - scenario.episode.reward.stress_s_per_life * stress,
        x_m: run.plant.x_m,
        v_m_s: run.plant.v_m_s,
        gear: target,
        finished,
    };
    Some((successor, run.plant))
}

struct OneStepModel<'a> {
    scenario: &'a Scenario,
    vehicle: &'a Vehicle,
    track: &'a Track,
    plant: Plant,
    damage: f64,
    reward: f64,
}

impl OneStepModel<'_> {
    /// Whole ticks at one duty; returns whether the course is finished. What drives on all the while is one
    /// piece, as in the episode; only at a standstill every tick counts.
    fn ticks(&mut self, count: u32, duty: f64) -> bool {
        let tick_s = self.vehicle.tick_s;
        if count > 1 && !stands_still(self.plant.v_m_s) {
            let (before, reward) = (self.plant.clone(), self.reward);
            let finished = self.pass(f64::from(count) * tick_s, duty);
            if finished || duty == 0.0 || !stands_still(self.plant.v_m_s) {
                return finished;
            }
            (self.plant, self.reward) = (before, reward);
        }
        (0..count).any(|_| self.pass(tick_s, duty))
    }

    fn pass(&mut self, dt_s: f64, duty: f64) -> bool {
        let weights = &self.scenario.episode.reward;
        let advance = self.plant.advance(self.vehicle, self.track, dt_s, duty);
        self.reward -= weights.time * advance.elapsed_s;
        if duty > 0.0 && stands_still(self.plant.v_m_s) {
            self.reward -= weights.stall * advance.elapsed_s;
        }
        advance.finished
    }

    /// Cut, move, engage, then the dwell before the next shift is allowed. `None` when torque would hold the
    /// dogs: such a shift is not worth planning.
    fn shift(&mut self, target: usize, duty: f64, clocks: &Clocks) -> Option<bool> {
        self.reward -= self.scenario.episode.reward.shift_s;
        let from = self.plant.gear?;
        if self.ticks(clocks.cut_lead, 0.0) {
            return Some(true);
        }
        let mut selector = Selector::new(self.vehicle, from, None);
        let command =
            Command { drive: false, gear: target as u8, nudge: false, recalibrate: false, park: false };
        selector.command(self.vehicle, &mut self.plant, &command);
        if selector.dogs == Dogs::Jammed {
            return None;
        }
        let tick_s = self.vehicle.tick_s;
        let move_s = selector.next_s();
        if self.pass(move_s, 0.0) {
            return Some(true);
        }
        selector.pass(self.vehicle, &mut self.plant, move_s);
        let rest_s = (move_s / tick_s).ceil() * tick_s - move_s;
        if rest_s > 1e-9 && self.pass(rest_s, 0.0) {
            return Some(true);
        }
        Some(self.ticks(clocks.dwell.max(clocks.decision.saturating_sub(clocks.cut_lead)), duty))
    }
}
