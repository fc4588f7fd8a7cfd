//! What of the obstacles a sensor announces to an axle, and how much of what it announces is there.

use lowgear_agents::policy::Policy;
use lowgear_env::terrain::Obstacle;
use lowgear_env::{Drive, Scenario, TraceRow, World};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// The class from which a strike is announced: a low one.
const LOW: i16 = 2;
/// An announcement may be off by this much, m: about the way of an obstacle under a small wheel.
const OFF_M: f64 = 0.06;
/// It must come this far ahead of the obstacle, m: later than that no shift is of use.
const EARLY_M: f64 = 0.05;

/// What a sensor ahead announces.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sighting {
    /// Share of the obstacles on the way that were announced in time and in the right place, %: to the front axle, by a
    /// sensor that feels that axle to the last one. None where there was no obstacle.
    pub announced_percent: Option<f64>,
    /// Share of the ticks with an obstacle announced in which there was none in that place, %; none where nothing was
    /// announced.
    pub false_percent: Option<f64>,
}

/// What the controller knows of the obstacles of the first `courses` courses while `policy` drives.
pub fn sighting<P: Policy>(
    scenario: &Arc<Scenario>,
    courses: u64,
    policy: impl Fn() -> P + Sync,
) -> Sighting {
    let behind_m = scenario.vehicle.wheelbase_m();
    let feels_front_axle = scenario.vehicle.sensors.preview().is_some_and(|sensor| sensor.ahead_m() == 0.0);
    let warned_m = if feels_front_axle { behind_m } else { 0.0 };
    let counts = (0..courses).into_par_iter().map(|episode| {
        let course = scenario.instantiate(episode).1.course;
        let mut policy = policy();
        policy.reset();
        let mut drive = Drive::new(Arc::clone(scenario), episode).with_trace();
        loop {
            let request = policy.decide(drive.observation(), World::mask(&drive));
            if drive.step(request as usize).end.is_some() {
                break;
            }
        }
        counted(&drive.into_trace(), &course.obstacles, behind_m, warned_m)
    });
    let sum = counts.reduce(|| [0; 4], |a, b| std::array::from_fn(|i| a[i] + b[i]));
    let percent = |part: u64, of: u64| (of > 0).then(|| 100.0 * part as f64 / of as f64);
    Sighting { announced_percent: percent(sum[0], sum[1]), false_percent: percent(sum[2], sum[3]) }
}

/// Obstacles announced to the axle that is `warned_m` behind the front one, obstacles met, ticks with a false announcement,
/// ticks with an announcement. The last axle is `behind_m` behind the front one.
fn counted(rows: &[TraceRow], obstacles: &[Obstacle], behind_m: f64, warned_m: f64) -> [u64; 4] {
    let furthest_m = rows.iter().map(|row| row.position_m).fold(0.0, f64::max);
    let announcing = || rows.iter().filter(|row| row.strike_class >= LOW);
    let mut counts = [0; 4];
    for obstacle in obstacles.iter().filter(|obstacle| obstacle.position_m < furthest_m) {
        let of_it = |row: &&TraceRow| {
            let expected_m = row.position_m + f64::from(row.strike_mm) / 1000.0;
            let meets_m = obstacle.position_m + warned_m;
            row.position_m < meets_m - EARLY_M && (expected_m - meets_m).abs() < OFF_M
        };
        counts[0] += u64::from(announcing().any(|row| of_it(&row)));
        counts[1] += 1;
    }
    for row in announcing() {
        // The next strike is that of the first or of the last axle.
        let expected_m = row.position_m + f64::from(row.strike_mm) / 1000.0;
        let is_there =
            |at_m: f64| obstacles.iter().any(|obstacle| (obstacle.position_m - at_m).abs() < OFF_M);
        counts[2] += u64::from(!is_there(expected_m) && !is_there(expected_m - behind_m));
        counts[3] += 1;
    }
    counts
}
