//! What a vehicle gains that learns its way by itself, by the number of the lap: it counts its way from the start of the lap,
//! without a map and without landmarks.

use super::RouteOptions;
use super::worth::row;
use crate::error::StudyError;
use lowgear_agents::policy::Policy;
use lowgear_env::config::KeyError;
use lowgear_env::terrain::{GroundChange, Obstacle, ObstacleShape};
use lowgear_env::vehicle::LapAdvice;
use lowgear_env::{Drive, Outcome, RouteRun, Scenario, World, run_episode};
use lowgear_eval::laps::{LapRow, LapWorth, NEAR_MARK_M, PIECE_M, WayGain};
use lowgear_onboard::{CELL_MM, LapControl, LapMemory, MEMORY_CELLS};
use rayon::prelude::*;
use std::sync::Arc;

/// Laps of learning before the gain is judged.
const LEARNING_LAPS: usize = 2;
/// Laps of another way, or of the same one before its ground changes.
const OTHER_LAPS: usize = 4;
/// An obstacle is moved by this much, m.
const MOVED_M: f64 = 0.5;
/// Height of what is laid across the way, m: about what a small cart still climbs.
const HOSE_M: f64 = 0.007;
/// What changes on a way lies at least so far from its start and its end, m.
const MARGIN_M: f64 = 1.0;

/// A lap that was driven.
struct Lap {
    outcome: Outcome,
    /// When the front axle first was at each multiple of [`PIECE_M`], s.
    times_s: Vec<f64>,
    /// What the vehicle has learned after it; nothing for the policy alone.
    control: LapControl,
}

/// The laps of a way.
struct Laps {
    alone: Vec<Lap>,
    learned: Vec<Lap>,
    errors_m: Vec<f64>,
    /// The laps after those of learning: with what was learned before, and the policy alone; by what has changed.
    changed: Vec<(Vec<Lap>, Vec<Lap>)>,
    obstacles_m: Vec<f64>,
}

/// What changes after the vehicle has learned the way, or what it learned elsewhere.
const CHANGES: [&str; 4] =
    ["learned on another way", "nothing has changed", "an obstacle was moved", "a hose laid across"];

/// Ground in which the change of this number has happened. Places are spread evenly over the ways.
fn change(number: usize, way: u64, length_m: f64) -> Option<GroundChange> {
    // Multiples of the golden ratio: no two of them are close to each other.
    let share = (way as f64 * 0.618_033_988_749_895).fract();
    let near_m = MARGIN_M + share * (length_m - 2.0 * MARGIN_M).max(0.0);
    let hose = Obstacle { position_m: near_m, height_m: HOSE_M, shape: ObstacleShape::Bump };
    match number {
        2 => Some(GroundChange::Moved { near_m, by_m: MOVED_M }),
        3 => Some(GroundChange::Added(hose)),
        _ => None,
    }
}

/// One way and the policy that drives it.
struct Driver<'a, P> {
    scenario: &'a Arc<Scenario>,
    policy: &'a P,
    advice: LapAdvice,
    count: u64,
}

impl<P: Policy + Clone> Driver<'_, P> {
    fn start(&self, episode: u64, change: Option<GroundChange>) -> Drive {
        match change {
            Some(change) => Drive::on_changed(Arc::clone(self.scenario), episode, change),
            None => Drive::new(Arc::clone(self.scenario), episode),
        }
    }

    fn alone(&self, drive: Drive) -> Lap {
        play(drive, self.policy).0
    }

    /// Drives a lap with a memory.
    fn with(&self, drive: Drive, memory: LapMemory) -> (Lap, Drive) {
        let settings = drive.scenario().vehicle.lap_settings(self.advice);
        play(drive.with_route(RouteRun::learning(settings, memory)), self.policy)
    }

    /// What is learned on the first laps of a way.
    fn learned_on(&self, way: u64) -> LapMemory {
        let mut memory = LapMemory::new();
        for episode in self.episodes(way).take(OTHER_LAPS) {
            memory = *self.with(self.start(episode, None), memory).0.control.memory();
        }
        memory
    }

    fn episodes(&self, way: u64) -> std::ops::Range<u64> {
        way * self.count..(way + 1) * self.count
    }

    /// Drives every lap of a way.
    fn drive(&self, way: u64, ways: u64) -> Laps {
        let episodes = self.episodes(way);
        let course = self.start(episodes.start, None).track().course.clone();
        let (mut memory, mut learned, mut errors_m) = (LapMemory::new(), vec![], vec![]);
        for episode in episodes.clone() {
            let (lap, drive) = self.with(self.start(episode, None), memory);
            memory = *lap.control.memory();
            errors_m.push(f64::from(lap.control.position_mm()) / 1000.0 - drive.position_and_speed().0);
            learned.push(lap);
        }
        let (here, elsewhere) = (self.learned_on(way), self.learned_on((way + 1) % ways));
        let judged = |number: usize| {
            let known = if number == 0 { elsewhere } else { here };
            let change = change(number, way, course.length_m);
            // Each time as if it had just been put on this way, or the ground had just changed.
            let laps = episodes.clone().skip(LEARNING_LAPS).map(|episode| {
                (self.with(self.start(episode, change), known).0, self.alone(self.start(episode, change)))
            });
            laps.unzip()
        };
        Laps {
            changed: (0..CHANGES.len()).map(judged).collect(),
            alone: episodes.clone().map(|episode| self.alone(self.start(episode, None))).collect(),
            learned,
            errors_m,
            obstacles_m: course.obstacles.iter().map(|obstacle| obstacle.position_m).collect(),
        }
    }
}

/// Drives to the end.
fn play<P: Policy + Clone>(mut drive: Drive, policy: &P) -> (Lap, Drive) {
    let mut policy = policy.clone();
    policy.reset();
    let (mut times_s, mut before) = (vec![0.0], (0.0, 0.0));
    run_episode(
        &mut drive,
        |drive| policy.decide(drive.observation(), drive.mask()),
        |drive, _, _| {
            let here = (drive.position_and_speed().0, drive.elapsed_s());
            loop {
                let next_m = times_s.len() as f64 * PIECE_M;
                if here.0 < next_m {
                    break;
                }
                let share = (next_m - before.0) / (here.0 - before.0).max(f64::MIN_POSITIVE);
                times_s.push(before.1 + share * (here.1 - before.1));
            }
            before = here;
        },
    );
    let control = drive.route().and_then(RouteRun::learned).copied().unwrap_or_default();
    (Lap { outcome: drive.outcome(), times_s, control }, drive)
}

/// Drives every lap of every way; none where a way has too few laps.
pub(super) fn learned_worth<P: Policy + Clone + Sync>(
    scenario: &Arc<Scenario>,
    policy: &P,
    name: &str,
    options: &RouteOptions,
) -> Result<Option<LapWorth>, StudyError> {
    let count = scenario.course.laps.map_or(1, |laps| u64::from(laps.count));
    if count as usize <= LEARNING_LAPS {
        return Ok(None);
    }
    let RouteOptions { ways, level, advice, .. } = *options;
    let driver = Driver { scenario, policy, advice, count };
    let laps: Vec<Laps> = (0..ways).into_par_iter().map(|way| driver.drive(way, ways)).collect();
    let errors_m: Vec<f64> = laps.iter().flat_map(|laps| laps.errors_m.iter().copied()).collect();
    let mean = errors_m.iter().sum::<f64>() / errors_m.len() as f64;
    let square = errors_m.iter().map(|error| (error - mean).powi(2)).sum::<f64>() / errors_m.len() as f64;
    let all = count as usize;
    let part = |name: String, from: usize, to: usize| {
        lap_row(name, laps.iter().map(|laps| (&laps.learned[from..to], &laps.alone[from..to])), level)
    };
    let changed = |(number, name): (usize, &&str)| {
        let pairs = laps.iter().map(|laps| &laps.changed[number]);
        lap_row((*name).to_owned(), pairs.map(|(with, alone)| (&with[..], &alone[..])), level)
    };
    Ok(Some(LapWorth {
        vehicle: scenario.vehicle.name.clone(),
        course: scenario.course.name.clone(),
        policy: name.to_owned(),
        ways,
        learning_laps: LEARNING_LAPS,
        laps: all,
        level,
        learned: part(format!("learned, laps {} to {all}", LEARNING_LAPS + 1), LEARNING_LAPS, all)?,
        by_lap: (0..all)
            .map(|lap| part(format!("learned, lap {}", lap + 1), lap, lap + 1))
            .collect::<Result<_, _>>()?,
        changed: CHANGES.iter().enumerate().map(changed).collect::<Result<_, _>>()?,
        position_error_m: (mean, square.sqrt()),
        won_near_and_elsewhere_s: near_and_elsewhere(&laps),
        examples: examples(&laps),
    }))
}

/// Laps of every way with a memory, against the policy alone.
fn lap_row<'a>(
    name: String,
    laps: impl Iterator<Item = (&'a [Lap], &'a [Lap])> + Clone,
    level: f64,
) -> Result<LapRow, StudyError> {
    let outcomes = |laps: &[Lap]| laps.iter().map(|lap| lap.outcome).collect::<Vec<Outcome>>();
    let (with, alone): (Vec<_>, Vec<_>) =
        laps.clone().map(|(with, alone)| (outcomes(with), outcomes(alone))).unzip();
    let controls: Vec<LapControl> = laps.flat_map(|(with, _)| with).map(|lap| lap.control).collect();
    let mean =
        |value: fn(&LapControl) -> f64| controls.iter().map(value).sum::<f64>() / controls.len() as f64;
    Ok(LapRow {
        time: row(name, &with, &alone, level)?,
        needless: mean(|control| f64::from(control.needless())),
        silent_percent: 100.0 * mean(|control| f64::from(u8::from(control.memory().silent()))),
    })
}

/// Cells that are marked, m from the start of the lap.
fn marked_m(memory: &LapMemory) -> Vec<f64> {
    let marked = (0..MEMORY_CELLS).filter(|&cell| memory.mark(cell) > 0);
    marked.map(|cell| (cell as f64 + 0.5) * f64::from(CELL_MM) / 1000.0).collect()
}

/// Time won on each piece of a lap, s; only where both came.
fn won_s(with: &Lap, alone: &Lap) -> Vec<f64> {
    let pieces = |lap: &Lap| lap.times_s.windows(2).map(|ends| ends[1] - ends[0]).collect::<Vec<f64>>();
    pieces(alone).iter().zip(pieces(with)).map(|(alone, with)| alone - with).collect()
}

/// Time won on a lap after those of learning near marks of the laps before, and elsewhere, s.
fn near_and_elsewhere(laps: &[Laps]) -> (f64, f64) {
    let (mut near_s, mut elsewhere_s, mut count) = (0.0, 0.0, 0.0);
    for laps in laps {
        for lap in LEARNING_LAPS..laps.learned.len() {
            let marks = marked_m(laps.learned[lap - 1].control.memory());
            for (piece, won) in won_s(&laps.learned[lap], &laps.alone[lap]).iter().enumerate() {
                let x_m = (piece as f64 + 0.5) * PIECE_M;
                let (before_m, behind_m) = NEAR_MARK_M;
                let near = marks.iter().any(|mark| x_m > mark - before_m && x_m < mark + behind_m);
                *(if near { &mut near_s } else { &mut elsewhere_s }) += won;
            }
            count += 1.0;
        }
    }
    (near_s / count, elsewhere_s / count)
}

/// The ways with the largest gain, the median and the smallest.
fn examples(laps: &[Laps]) -> Vec<WayGain> {
    let mut gains: Vec<WayGain> = (0..).zip(laps).map(|(way, laps)| way_gain(way, laps)).collect();
    gains.sort_by(|a, b| b.total_s().total_cmp(&a.total_s()));
    let last = gains.len().saturating_sub(1);
    let mut places = vec![0, last / 2, last];
    places.dedup();
    places.into_iter().filter_map(|place| gains.get(place).cloned()).collect()
}

fn way_gain(way: u64, laps: &Laps) -> WayGain {
    let judged = laps.learned.iter().zip(&laps.alone).skip(LEARNING_LAPS);
    let won: Vec<Vec<f64>> = judged.map(|(with, alone)| won_s(with, alone)).collect();
    let longest = won.iter().map(Vec::len).max().unwrap_or(0);
    let mean =
        |piece: usize| won.iter().filter_map(|lap| lap.get(piece)).sum::<f64>() / won.len().max(1) as f64;
    WayGain {
        way,
        won_s: (0..longest).map(mean).collect(),
        marked_m: laps.learned.last().map_or(vec![], |lap| marked_m(lap.control.memory())),
        obstacles_m: laps.obstacles_m.clone(),
    }
}

/// Why a course without laps is refused where learning is asked for.
pub(super) fn no_laps() -> KeyError {
    KeyError::new(
        "laps",
        "absent or less",
        "a table [laps] with a count of 3 or more: vehicles learn from lap to lap",
    )
}
