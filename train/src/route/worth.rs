//! What a map of the way would be worth to a vehicle, by how well it knows its position.
//!
//! A map is made for each way from its first lap (or from the course itself, where the file has no laps): the plan of that course
//! with the vehicle of the file. Vehicles as they really are then drive other laps with it: with a position that is known but for an
//! error, and with one that they count themselves.

use super::learned::{learned_worth, no_laps};
use super::{Landmark, RouteContent, planned};
use crate::error::StudyError;
use lowgear_agents::policy::Policy;
use lowgear_env::config::KeyError;
use lowgear_env::terrain::Contact;
use lowgear_env::vehicle::LapAdvice;
use lowgear_env::{Cause, Drive, Outcome, PositionErrors, RouteRun, Scenario};
use lowgear_eval::bound::{GridResolution, Plan, drive_plan};
use lowgear_eval::laps::{LapWorth, TimeRow};
use lowgear_eval::statistics::{Estimate, Scores, paired_difference};
use lowgear_eval::suite::play_on;
use rayon::prelude::*;
use std::sync::Arc;

/// Standard deviations of a position that is known but for an error, m.
const POSITION_SDS_M: [f64; 6] = [0.0, 0.02, 0.05, 0.1, 0.2, 0.3];
/// Laps of each way that are driven, after the one that the map is made from.
const LAPS: u64 = 3;
/// Standard deviation of the position at the start, and of a landmark, mm.
const START_SD_MM: u8 = 12;
const LANDMARK_SD_MM: u8 = 15;
/// Variance that 16 mm of way add, mm²: 3 % of a metre after a metre.
const DRIFT_MM2: u8 = 14;
/// Decisions for which the load may contradict the map.
const PATIENCE: u8 = 3;
/// Bytes of a map per metre of way: 200 for 15 m.
const BYTES_PER_M: f64 = 200.0 / 15.0;
/// Landmarks closer to each other than this are not distinguished, mm.
const APART_MM: u16 = 90;

/// What to drive.
#[derive(Clone, Copy, Debug)]
pub struct RouteOptions {
    /// Number of ways.
    pub ways: u64,
    /// Level of confidence.
    pub level: f64,
    /// Whether to make maps and plans, too: they take nearly all the time.
    pub maps: bool,
    /// What a vehicle does with what it has learned by itself.
    pub advice: LapAdvice,
}

/// What a map is worth, and what vehicles learn without one.
#[derive(Clone, Debug)]
pub struct RouteWorth {
    /// Kind of course.
    pub course: String,
    /// Number of ways.
    pub ways: u64,
    /// Maps made from the true ground; none where they were left out.
    pub maps: Option<MapsWorth>,
    /// What vehicles that learn their way by themselves gain, where the course has laps.
    pub learned: Option<LapWorth>,
}

/// What maps made from the true ground are worth.
#[derive(Clone, Debug)]
pub struct MapsWorth {
    /// Laps driven.
    pub laps: u64,
    /// Mean and largest size of a map, bytes.
    pub bytes: (f64, usize),
    /// The policy alone, the plan, then maps.
    pub rows: Vec<TimeRow>,
}

/// A way: the map of it, and the episodes that are laps of it.
struct Way {
    content: RouteContent,
    laps: Vec<u64>,
}

/// Drives every lap with every way to know the position. The policy has a name.
///
/// # Errors
/// A course that is too long for a map, one without laps where nothing but learning is asked for, or an episode that is not
/// physical.
pub fn route_worth<P: Policy + Clone + Sync>(
    scenario: &Arc<Scenario>,
    (name, policy): (&str, &P),
    options: &RouteOptions,
) -> Result<RouteWorth, StudyError> {
    let maps = if options.maps { Some(maps_worth(scenario, policy, options)?) } else { None };
    let learned = learned_worth(scenario, policy, name, options)?;
    scenario.check_driven()?;
    if maps.is_none() && learned.is_none() {
        return Err(no_laps().into());
    }
    Ok(RouteWorth { course: scenario.course.name.clone(), ways: options.ways, maps, learned })
}

/// Drives laps of every way with a map, and without.
fn maps_worth<P: Policy + Clone + Sync>(
    scenario: &Arc<Scenario>,
    policy: &P,
    options: &RouteOptions,
) -> Result<MapsWorth, StudyError> {
    let ways: Vec<Way> = (0..options.ways)
        .into_par_iter()
        .map(|way| mapped(scenario, way))
        .collect::<Result<Vec<Way>, KeyError>>()?;
    let alone = driven(&ways, |_, episode| with_policy(Drive::new(Arc::clone(scenario), episode), policy));
    let mut outcomes = vec![("the policy alone".to_owned(), alone)];
    outcomes
        .push(("the plan of each lap".to_owned(), driven(&ways, |_, episode| with_plan(scenario, episode))));
    for sd_m in POSITION_SDS_M {
        let with = |way: &Way, episode| {
            let drive = Drive::new(Arc::clone(scenario), episode);
            let length_m = drive.track().course.length_m;
            let errors = PositionErrors::draw(sd_m, length_m, scenario.seed, episode);
            with_map(drive, way.content.clone(), Some(errors), policy)
        };
        outcomes.push((format!("map, known to {sd_m} m"), driven(&ways, with)));
    }
    for (name, landmarks) in [("map, dead reckoning", false), ("map, obstacles as landmarks", true)] {
        let with = |way: &Way, episode| {
            let mut content = way.content.clone();
            content.landmarks.retain(|_| landmarks);
            with_map(Drive::new(Arc::clone(scenario), episode), content, None, policy)
        };
        outcomes.push((name.to_owned(), driven(&ways, with)));
    }
    let sizes: Vec<usize> = ways.iter().map(|way| way.content.size()).collect();
    Ok(MapsWorth {
        laps: ways.iter().map(|way| way.laps.len() as u64).sum(),
        bytes: (
            sizes.iter().sum::<usize>() as f64 / sizes.len().max(1) as f64,
            sizes.iter().copied().max().unwrap_or(0),
        ),
        rows: rows(&outcomes, options.level)?,
    })
}

/// The map of a way, from its first lap.
fn mapped(scenario: &Arc<Scenario>, way: u64) -> Result<Way, KeyError> {
    let laps = scenario.course.laps.map_or(1, |laps| u64::from(laps.count));
    let first = way * laps;
    let (_, track) = scenario.instantiate(first);
    let course = track.course;
    let length_mm = 1000.0 * course.length_m;
    if length_mm > f64::from(u16::MAX) {
        let allowed = "at most 65 m: a map holds positions in millimetres";
        return Err(KeyError::new("length-m", course.length_m, allowed));
    }
    let mut known = (**scenario).clone();
    known.course.laps = None;
    known.vehicle.variation = known.vehicle.variation.nominal();
    known.measured = Some(course.clone());
    let known = Arc::new(known);
    let start = Drive::new(Arc::clone(&known), 0);
    let mut content = RouteContent {
        length_mm: length_mm as u16,
        start_sd_mm: START_SD_MM,
        drift_mm2: DRIFT_MM2,
        patience: PATIENCE,
        landmarks: landmarks(&start),
        sections: planned(&start),
    };
    content.fit(BYTES_PER_M * course.length_m);
    let driven = if laps == 1 { first..first + 1 } else { first + 1..first + laps.min(1 + LAPS) };
    Ok(Way { content, laps: driven.collect() })
}

/// Where each axle first touches each obstacle; those that cannot be distinguished are left out.
fn landmarks(drive: &Drive) -> Vec<Landmark> {
    let vehicle = drive.vehicle();
    let mut places_mm: Vec<u16> = Vec::new();
    for obstacle in &drive.track().course.obstacles {
        for axle in &vehicle.axles[..vehicle.axle_count] {
            let contact =
                Contact::new(obstacle.shape, obstacle.height_m, vehicle.wheel_radius_m, axle.driven);
            let touch_m = obstacle.position_m - contact.map_or(0.0, |contact| contact.width_m);
            places_mm.push((1000.0 * (touch_m + axle.behind_front_m)).clamp(0.0, 65_535.0) as u16);
        }
    }
    places_mm.sort_unstable();
    let apart = |i: usize| {
        let before = i.checked_sub(1).is_none_or(|before| places_mm[i] - places_mm[before] > APART_MM);
        before && places_mm.get(i + 1).is_none_or(|after| after - places_mm[i] > APART_MM)
    };
    let clear = (0..places_mm.len()).filter(|&i| apart(i));
    clear.map(|i| Landmark { position_mm: places_mm[i], sd_mm: LANDMARK_SD_MM }).collect()
}

/// Outcome of every lap, by way.
fn driven(ways: &[Way], drive: impl Fn(&Way, u64) -> Outcome + Sync) -> Vec<Vec<Outcome>> {
    ways.par_iter().map(|way| way.laps.iter().map(|&episode| drive(way, episode)).collect()).collect()
}

fn with_policy<P: Policy + Clone>(mut drive: Drive, policy: &P) -> Outcome {
    play_on(&mut drive, &mut policy.clone());
    drive.outcome()
}

fn with_plan(scenario: &Arc<Scenario>, episode: u64) -> Outcome {
    let mut drive = Drive::new(Arc::clone(scenario), episode);
    let plan = Plan::new(&drive, GridResolution::default());
    drive_plan(&mut drive, &plan);
    drive.outcome()
}

fn with_map<P: Policy + Clone>(
    drive: Drive,
    content: RouteContent,
    errors: Option<PositionErrors>,
    policy: &P,
) -> Outcome {
    let settings = drive.scenario().vehicle.route_settings();
    // A map that was packed here is one; without it the policy drives alone.
    let drive = match RouteRun::new(content.bytes(), settings) {
        Ok(run) => drive.with_route(match errors {
            Some(errors) => run.with_errors(errors),
            None => run,
        }),
        Err(_) => drive,
    };
    with_policy(drive, policy)
}

/// Each of `outcomes` against the first.
fn rows(outcomes: &[(String, Vec<Vec<Outcome>>)], level: f64) -> Result<Vec<TimeRow>, StudyError> {
    outcomes.iter().map(|(name, ways)| row(name.clone(), ways, &outcomes[0].1, level)).collect()
}

/// Laps by way against those of the policy `alone`. Differences are paired by way: laps of one way are alike.
pub(super) fn row(
    name: String,
    ways: &[Vec<Outcome>],
    alone: &[Vec<Outcome>],
    level: f64,
) -> Result<TimeRow, StudyError> {
    let mean = |laps: &[Outcome], of: fn(&Outcome) -> f64| {
        laps.iter().map(of).sum::<f64>() / laps.len().max(1) as f64
    };
    let by_way = |ways: &[Vec<Outcome>], of: fn(&Outcome) -> f64| -> Vec<f64> {
        ways.iter().map(|laps| mean(laps, of)).collect()
    };
    let total = |ways: &[Vec<Outcome>]| by_way(ways, |outcome| outcome.damage).iter().sum::<f64>();
    let reference = Scores::new(&[by_way(alone, |outcome| outcome.time_s)])?;
    let times = Scores::new(&[by_way(ways, |outcome| outcome.time_s)])?;
    let difference = paired_difference(&times, &reference, level)?.estimate;
    let percent = |seconds: f64| 100.0 * seconds / reference.mean();
    Ok(TimeRow {
        name,
        time_s: times.mean(),
        difference_percent: Estimate {
            mean: percent(difference.mean),
            low: percent(difference.low),
            high: percent(difference.high),
            ..difference
        },
        damage_percent: 100.0 * (total(ways) / total(alone).max(f64::MIN_POSITIVE) - 1.0),
        finished: ways.iter().flatten().filter(|outcome| outcome.cause == Cause::Finished).count() as u64,
    })
}
