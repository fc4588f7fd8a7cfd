//! What a vehicle gains that learns its way by itself, by the number of the lap: it counts its way from the start of the lap,
//! without a map and without landmarks.

use super::RouteRow;
use super::worth::row;
use crate::error::StudyError;
use lowgear_agents::policy::Policy;
use lowgear_env::{Drive, Outcome, RouteRun, Scenario};
use lowgear_eval::suite::play_on;
use lowgear_onboard::{LapControl, LapMemory};
use rayon::prelude::*;
use std::sync::Arc;

/// Laps of learning before the gain is judged.
const LEARNING_LAPS: usize = 2;
/// Laps of another way before the vehicle is put on this one.
const OTHER_LAPS: usize = 4;

/// What memories that vehicles have learned by themselves are worth.
#[derive(Clone, Debug)]
pub struct LearnedWorth {
    /// All laps after those of learning, then each lap, against the policy alone on the same laps.
    pub rows: Vec<RouteRow>,
    /// The same laps with what was learned on another way.
    pub another_way: RouteRow,
    /// Mean and standard deviation of what the counted way is longer than the driven one at the end of a lap, m.
    pub position_error_m: (f64, f64),
}

/// The laps of a way.
struct Laps {
    alone: Vec<Outcome>,
    learned: Vec<Outcome>,
    errors_m: Vec<f64>,
    another_way: Vec<Outcome>,
}

/// Drives every lap of every way; none where a way has too few laps.
pub(super) fn learned_worth<P: Policy + Clone + Sync>(
    scenario: &Arc<Scenario>,
    policy: &P,
    ways: u64,
    level: f64,
) -> Result<Option<LearnedWorth>, StudyError> {
    let count = scenario.course.laps.map_or(1, |laps| u64::from(laps.count));
    if count as usize <= LEARNING_LAPS {
        return Ok(None);
    }
    let episodes = |way: u64| way * count..(way + 1) * count;
    let driven = |way: u64| {
        let drive = |episode| Drive::new(Arc::clone(scenario), episode);
        let alone = episodes(way).map(|episode| play(drive(episode), policy).outcome()).collect();
        let (mut memory, mut learned, mut errors_m) = (LapMemory::new(), vec![], vec![]);
        for episode in episodes(way) {
            let lap = with_memory(drive(episode), &mut memory, policy);
            errors_m.push(position_error_m(&lap));
            learned.push(lap.outcome());
        }
        let mut other = LapMemory::new();
        for episode in episodes((way + 1) % ways).take(OTHER_LAPS) {
            with_memory(drive(episode), &mut other, policy);
        }
        let judged = episodes(way).skip(LEARNING_LAPS);
        // Each time as if it had just been put on this way.
        let another_way =
            judged.map(|episode| with_memory(drive(episode), &mut other.clone(), policy).outcome());
        Laps { alone, learned, errors_m, another_way: another_way.collect() }
    };
    let laps: Vec<Laps> = (0..ways).into_par_iter().map(driven).collect();
    worth(&laps, count as usize, level).map(Some)
}

fn worth(laps: &[Laps], count: usize, level: f64) -> Result<LearnedWorth, StudyError> {
    let part = |of: fn(&Laps) -> &[Outcome], from: usize, to: usize| -> Vec<Vec<Outcome>> {
        laps.iter().map(|laps| of(laps)[from..to].to_vec()).collect()
    };
    let learned = |name: String, from: usize, to: usize| {
        row(name, &part(|laps| &laps.learned, from, to), &part(|laps| &laps.alone, from, to), level)
    };
    let mut rows =
        vec![learned(format!("learned, laps {} to {count}", LEARNING_LAPS + 1), LEARNING_LAPS, count)?];
    for lap in 0..count {
        rows.push(learned(format!("learned, lap {}", lap + 1), lap, lap + 1)?);
    }
    let alone = part(|laps| &laps.alone, LEARNING_LAPS, count);
    let another = part(|laps| &laps.another_way, 0, count - LEARNING_LAPS);
    let errors_m: Vec<f64> = laps.iter().flat_map(|laps| laps.errors_m.iter().copied()).collect();
    let mean = errors_m.iter().sum::<f64>() / errors_m.len() as f64;
    let square = errors_m.iter().map(|error| (error - mean).powi(2)).sum::<f64>() / errors_m.len() as f64;
    Ok(LearnedWorth {
        rows,
        another_way: row("learned on another way".to_owned(), &another, &alone, level)?,
        position_error_m: (mean, square.sqrt()),
    })
}

fn play<P: Policy + Clone>(mut drive: Drive, policy: &P) -> Drive {
    play_on(&mut drive, &mut policy.clone());
    drive
}

/// Drives a lap with a memory, which learns from it.
fn with_memory<P: Policy + Clone>(drive: Drive, memory: &mut LapMemory, policy: &P) -> Drive {
    let vehicle = &drive.scenario().vehicle;
    let run = RouteRun::learning(vehicle.lap_settings(), *memory);
    let lap = play(drive.with_route(run), policy);
    if let Some(learned) = lap.route().and_then(RouteRun::learned) {
        *memory = *learned.memory();
    }
    lap
}

fn position_error_m(lap: &Drive) -> f64 {
    let counted_mm = lap.route().and_then(RouteRun::learned).map_or(0, LapControl::position_mm);
    f64::from(counted_mm) / 1000.0 - lap.position_and_speed().0
}
