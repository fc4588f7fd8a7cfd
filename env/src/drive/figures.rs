//! Outcome of an episode so far.

use super::Drive;
use crate::outcome::{Cause, Outcome, RewardTerms};

impl Drive {
    /// Figures of the episode so far; final once it is over.
    #[must_use]
    pub fn outcome(&self) -> Outcome {
        let cause = self.end.unwrap_or(Cause::OutOfTime);
        let limit_s = self.scenario.episode.time_limit_s;
        let mut reward = self.reward();
        if cause != Cause::Finished {
            reward.abort_s = self.abort_s();
        }
        Outcome {
            cause,
            time_s: if cause == Cause::Finished { self.elapsed_s() } else { limit_s },
            distance_m: self.furthest_m,
            energy_j: self.plant.drawn_j(&self.vehicle),
            shifts: self.counters.shifts,
            reversals: self.counters.events.reversals,
            failed_upshifts: self.counters.failed_upshifts,
            missed_engagements: self.selector.missed,
            stall_s: self.stall_s(),
            damage: self.plant().stress.total(),
            peak_winding_c: self.vehicle.air_c + self.counters.peak_winding_k,
            reward,
        }
    }

    /// Time since the start, s.
    #[must_use]
    #[inline]
    pub fn elapsed_s(&self) -> f64 {
        // A signed number becomes a float in one instruction.
        self.ticks as i64 as f64 * self.vehicle.tick_s - self.unused_s
    }

    /// Position of the front axle, m, and speed, m/s.
    #[must_use]
    pub fn position_and_speed(&self) -> (f64, f64) {
        (self.plant.x_m, self.plant.v_m_s)
    }

    /// What not finishing costs, s, negative: as much as waiting for the time limit, and the weight for not finishing.
    /// Otherwise giving up early would beat a long course that is finished.
    pub(super) fn abort_s(&self) -> f64 {
        let weights = &self.scenario.episode.reward;
        let left_s = (self.scenario.episode.time_limit_s - self.elapsed_s()).max(0.0);
        -weights.abort_s - weights.time * left_s
    }

    fn stall_s(&self) -> f64 {
        f64::from(self.counters.stalled) * self.vehicle.tick_s
    }

    /// The reward collected so far, by term; not finishing is left out.
    #[must_use]
    #[inline]
    pub fn reward(&self) -> RewardTerms {
        let weights = &self.scenario.episode.reward;
        // What the rainflow count still holds open counts at the end.
        let stress = &self.plant.stress;
        let damage = if self.end.is_some() { stress.total() } else { stress.closed() };
        RewardTerms {
            progress_s: self.plant.x_m / weights.reference_speed_m_s,
            time_s: -weights.time * self.elapsed_s(),
            energy_s: -weights.energy_s_per_j * self.plant.drawn_j(&self.vehicle),
            stress_s: -weights.stress_s_per_life * damage,
            shift_s: -weights.shift_s * f64::from(self.counters.shifts),
            stall_s: -weights.stall * self.stall_s(),
            abort_s: 0.0,
        }
    }
}
