//! What is physical: a simulation that has left it says so, and its figures are not used.
//!
//! An episode that leaves it ends at once and is noted with its [`Scenario`](crate::Scenario), which all scenarios
//! made from it share. Learners and statistics may go on for a moment with numbers that are finite and wrong; anyone who
//! hands out results asks [`Scenario::check_driven`](crate::Scenario::check_driven) first.

use crate::Seed;
use crate::motion::{GRAVITY_M_S2, Track};
use crate::vehicle::Vehicle;
use std::sync::{Arc, Mutex, PoisonError};

/// An episode whose simulation left what is physical.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error(
    "the simulation is not physical any more {time_s:.2} s into episode {episode} of the course \"{course}\" (seed {seed}): {what}\n  hint: this is a fault of the simulation that extreme values in the vehicle or course file can bring out; none of the figures were used"
)]
pub struct Unphysical {
    /// Name of the course.
    pub course: String,
    /// Seed of the courses; with the number it makes this one.
    pub seed: u64,
    /// Number of the episode.
    pub episode: u64,
    /// When it was noticed, s.
    pub time_s: f64,
    /// What was noticed.
    pub what: String,
}

/// The first of the episodes that were not physical, by seed and number, shared by all clones.
#[derive(Clone, Debug, Default)]
pub(crate) struct Faults(Arc<Mutex<Option<Unphysical>>>);

impl Faults {
    /// Keeps the first by seed and number, whichever thread comes first.
    pub(crate) fn note(&self, fault: Unphysical) {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let place = |fault: &Unphysical| (fault.seed, fault.episode);
        if kept.as_ref().is_none_or(|kept| place(&fault) < place(kept)) {
            *kept = Some(fault);
        }
    }

    pub(crate) fn first(&self) -> Option<Unphysical> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

/// Factor on the speed that energy allows: what the bound below leaves out, as a rotor that was turned up downhill
/// and speeds the vehicle up in another gear, stays far below it; a motion gone wrong does not.
const MARGIN: f64 = 2.0;

/// The speed that no episode passes, m/s. The kinetic energy is at most that of the highest no-load speed (full
/// battery, magnets at the winding's limit) in the fastest gear, the rotor's at that speed, and what every slope and
/// edge of the course frees, driven down; a vehicle that rolls back before the start is looked at by
/// [`farther_back_m_s`].
pub(crate) fn fastest_m_s(vehicle: &Vehicle, track: &Track) -> f64 {
    let full_v = vehicle.battery.open_circuit_v(1.0);
    let magnets = 1.0 - vehicle.magnet_per_k * (vehicle.heat.winding_limit_c - 20.0).max(0.0);
    let no_load_rad_s = full_v / (vehicle.motor.emf_constant_v_s * magnets);
    let top_m_s = vehicle.gears.iter().map(|g| no_load_rad_s / g.turn_rad_m).fold(0.0, f64::max);
    let rotor_m2_s2 = vehicle.rotor_kg_m2 * no_load_rad_s * no_load_rad_s / vehicle.mass_kg;
    let turning = vehicle.rolling_mass_kg / vehicle.mass_kg;
    let fallen_m2_s2 = 2.0 * GRAVITY_M_S2 * heights_m(track);
    MARGIN * (turning * top_m_s * top_m_s + rotor_m2_s2 + fallen_m2_s2).sqrt()
}

/// The same for a vehicle `behind_m` before the start, where the first slope goes on without end.
pub(crate) fn farther_back_m_s(fastest_m_s: f64, track: &Track, behind_m: f64) -> f64 {
    let slope = track.course.segments.first().map_or(0.0, |first| first.sin_grade.abs());
    let fallen_m2_s2 = 2.0 * GRAVITY_M_S2 * slope * behind_m.max(0.0);
    (fastest_m_s * fastest_m_s + MARGIN * MARGIN * fallen_m2_s2).sqrt()
}

/// All heights of a course together, up or down, m.
fn heights_m(track: &Track) -> f64 {
    let course = &track.course;
    let ends = course.segments.iter().skip(1).map(|next| next.start_m).chain([course.length_m]);
    let slopes = course.segments.iter().zip(ends);
    let slopes_m: f64 =
        slopes.map(|(s, end_m)| s.sin_grade.abs() * (end_m - s.start_m.max(0.0)).max(0.0)).sum();
    slopes_m + course.obstacles.iter().map(|o| o.height_m).sum::<f64>()
}

impl Unphysical {
    pub(crate) fn new(
        course: &str,
        Seed(seed): Seed,
        episode: u64,
        time_s: f64,
        what: impl Into<String>,
    ) -> Unphysical {
        Unphysical { course: course.to_owned(), seed, episode, time_s, what: what.into() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_fault_by_seed_and_number_is_kept_whoever_comes_first() {
        let fault = |seed, episode| Unphysical::new("lane", Seed(seed), episode, 1.0, "too fast");
        for order in [[(2, 1), (1, 9), (1, 4)], [(1, 4), (1, 9), (2, 1)]] {
            let faults = Faults::default();
            let shared = faults.clone();
            order.into_iter().for_each(|(seed, episode)| shared.note(fault(seed, episode)));
            assert_eq!(faults.first(), Some(fault(1, 4)));
        }
        assert_eq!(Faults::default().first(), None);
    }
}
