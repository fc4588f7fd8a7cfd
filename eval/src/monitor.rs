//! The monitor of an exported pair of policies: its limits, learned from the rule in simulation, and what it does.
//!
//! The rule drives training courses. Its mean way per tick, times `PACE_SHARE`, is the pace that the monitor asks for; how
//! far the rule itself falls behind that pace at the worst place of a course gives the limit: the [`QUANTILE`] over courses.
//! Failed upshifts are treated alike, with twice the rule's own rate and a limit that is `FAILURE_MARGIN` times as wide: a
//! policy that is faster over all may try more upshifts than a careful rule.

use crate::suite::{TestSuite, TrainingSuite};
use lowgear_agents::policy::Policy;
use lowgear_env::config::KeyError;
use lowgear_env::{Cause, Drive, Outcome, Scenario};
use lowgear_onboard::{Monitor, MonitorSettings, Request};
use rayon::prelude::*;
use std::fmt::Write as _;
use std::sync::Arc;

/// Training courses that limits are learned on.
pub const COURSES: u64 = 400;
/// Share of courses on which the rule itself stays within a limit.
pub const QUANTILE: f64 = 0.95;
/// Share of the rule's mean way per tick that is due. Ground that differs by a factor of three makes more useless: a limit that the
/// rule itself keeps would then be nearly as long as a course.
const PACE_SHARE: f64 = 0.5;
/// Failed upshifts are allowed this many times as often as the rule has them.
const FAILURE_FACTOR: f64 = 2.0;
/// The limit of failed upshifts over that which the rule itself keeps.
const FAILURE_MARGIN: f64 = 4.0;
/// One failed upshift is always allowed in this way, m.
const FAILURE_M: f64 = 8.0;
/// So many failed upshifts in one place are always allowed: one of them happens to any policy.
const LEAST_FAILURES: f64 = 1.5;
/// The driver wants all that the motor gives from this duty on, permille.
const FULL_DUTY_PERMILLE: u16 = 900;
/// Ways of the monitor per metre.
const PER_M: f64 = 4096.0 * 1000.0;
/// The monitor's own bounds, see [`MonitorSettings`].
const MOST_WAY: f64 = 134_217_727.0;
const MOST_COUNT_WAY: u32 = (1 << 18) - 1;

/// Settings without limits.
fn unlimited(scenario: &Scenario) -> Result<MonitorSettings, KeyError> {
    let count_q12_mm = scenario.vehicle.count_q12_mm();
    if let Some(way) = count_q12_mm.iter().find(|way| **way > MOST_COUNT_WAY) {
        let got = format!("{:.1} mm of way per count", f64::from(*way) / 4096.0);
        return Err(KeyError::new(
            "sensors.encoder.pulses-per-turn",
            got,
            "below 64 mm for the monitor of a trial",
        ));
    }
    Ok(MonitorSettings {
        count_q12_mm,
        pace_q12_mm: 0,
        behind_q12_mm: u32::MAX,
        failure_q12_mm: 0,
        failures_q12_mm: u32::MAX,
        failed_window_ticks: scenario.settings.features.failed_window_ticks,
        full_duty_permille: FULL_DUTY_PERMILLE,
        release_q12_mm: 1,
    })
}

/// What a rule did on one course: per tick that the monitor looks at, the way and what belongs to it.
#[derive(Clone, Debug, Default)]
struct CourseTicks {
    ticks: Vec<MonitoredTick>,
}

/// One tick.
#[derive(Clone, Copy, Debug)]
struct MonitoredTick {
    way_q12_mm: u32,
    counts: bool,
    failed: bool,
}

impl CourseTicks {
    /// The largest value that a cumulative sum reaches.
    fn largest_sum(&self, added: impl Fn(&MonitoredTick) -> f64) -> f64 {
        let (mut sum, mut largest) = (0.0_f64, 0.0_f64);
        for tick in &self.ticks {
            sum = (sum + added(tick) - f64::from(tick.way_q12_mm)).max(0.0);
            largest = largest.max(sum);
        }
        largest
    }
}

/// Drives a course tick by tick, both policies asked at every decision; `look` sees the drive before each of them and says
/// which policy decides, 1 or 0.
fn drive_both(
    scenario: &Arc<Scenario>,
    episode: u64,
    policies: [&mut dyn Policy; 2],
    mut look: impl FnMut(&Drive) -> usize,
) -> Outcome {
    let mut drive = Drive::new(Arc::clone(scenario), episode);
    let [rule, table] = policies;
    rule.reset();
    table.reset();
    let mut due = true;
    while !drive.has_ended() {
        let decides = look(&drive);
        let request = if due {
            let features = drive.controller().features(&scenario.settings);
            let asked = [rule.decide(&features, drive.mask()), table.decide(&features, drive.mask())];
            asked[decides & 1]
        } else {
            Request::Hold
        };
        due = drive.tick(request, due);
    }
    drive.outcome()
}

/// One course of the rule.
fn drive_rule<P: Policy + Clone>(
    scenario: &Arc<Scenario>,
    open: &MonitorSettings,
    rule: &P,
    episode: u64,
) -> CourseTicks {
    let mut course = CourseTicks::default();
    // Sums that show one tick from the next: a pace of one, a failure of one, and no way.
    let probe = MonitorSettings { pace_q12_mm: 1, failure_q12_mm: 1, count_q12_mm: [0; 6], ..*open };
    let mut monitor = Monitor::new(scenario.episode.start_gear.saturating_sub(1) as u8);
    let mut before = monitor;
    let look = |drive: &Drive| {
        let (raw, guard) = (drive.reading(), drive.controller().guard());
        monitor.take(&probe, &raw, guard.phase(), guard.gear());
        let counts = monitor.behind_q12_mm() > before.behind_q12_mm();
        let failed = monitor.failures_q12_mm() > before.failures_q12_mm();
        let mut of_tick = Monitor::new(guard.gear());
        // The way of this tick is what it takes off a large sum.
        let full = MonitorSettings { pace_q12_mm: LARGE_SUM, ..*open };
        of_tick.take(&full, &raw, guard.phase(), guard.gear());
        let way_q12_mm = if counts { LARGE_SUM - of_tick.behind_q12_mm() } else { 0 };
        course.ticks.push(MonitoredTick { way_q12_mm, counts, failed });
        before = monitor;
        0
    };
    drive_both(scenario, episode, [&mut rule.clone(), &mut rule.clone()], look);
    course
}

/// More than the way of any tick.
const LARGE_SUM: u32 = 1 << 30;

/// Limits of a monitor and where they come from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LearnedMonitor {
    /// The constants.
    pub settings: MonitorSettings,
    /// Training courses that the rule drove.
    pub courses: u64,
    /// Speed of the rule over them, shifts included, m/s.
    pub mean_m_s: f64,
    /// Failed upshifts of the rule per 100 m.
    pub failed_per_100_m: f64,
}

/// Learns a monitor for a study's vehicle from its rule.
///
/// # Errors
/// [`KeyError`] for a vehicle whose encoder is too coarse for the monitor's whole numbers, or one that hardly moves.
pub fn learn<P: Policy + Clone + Sync>(
    study: &Scenario,
    rule: &P,
    courses: u64,
) -> Result<LearnedMonitor, KeyError> {
    let suite = TrainingSuite::new(study);
    let scenario = suite.scenario();
    let open = unlimited(scenario)?;
    let driven: Vec<CourseTicks> =
        (0..courses).into_par_iter().map(|episode| drive_rule(scenario, &open, rule, episode)).collect();
    let all = || driven.iter().flat_map(|course| &course.ticks);
    let way: f64 = all().map(|tick| f64::from(tick.way_q12_mm)).sum();
    let ticks = all().filter(|tick| tick.counts).count() as f64;
    let failed = all().filter(|tick| tick.failed).count() as f64;
    let pace = PACE_SHARE * way / ticks.max(1.0);
    if pace < 1.0 {
        let allowed = "a policy that moves the vehicle over the training courses";
        return Err(KeyError::new("--against", "no way driven", allowed));
    }
    let failure = (way / (FAILURE_FACTOR * failed).max(1.0)).min(FAILURE_M * PER_M);
    let behind =
        quantile(driven.iter().map(|course| course.largest_sum(|t| if t.counts { pace } else { 0.0 })));
    let failures =
        quantile(driven.iter().map(|course| course.largest_sum(|t| if t.failed { failure } else { 0.0 })));
    let whole = |value: f64| value.round().clamp(1.0, MOST_WAY) as u32;
    let settings = MonitorSettings {
        pace_q12_mm: whole(pace),
        behind_q12_mm: whole(behind),
        failure_q12_mm: whole(failure),
        failures_q12_mm: whole(FAILURE_MARGIN * failures.max(LEAST_FAILURES * failure)),
        release_q12_mm: whole(way / courses.max(1) as f64),
        ..open
    };
    let tick_s = study.vehicle.controller.tick_s;
    Ok(LearnedMonitor {
        settings,
        courses,
        mean_m_s: way / PER_M / (ticks * tick_s),
        failed_per_100_m: 100.0 * failed / (way / PER_M),
    })
}

/// The value that [`QUANTILE`] of the courses stay at or below.
fn quantile(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    let at = (QUANTILE * (sorted.len() + 1) as f64).ceil() as usize;
    sorted.get(at.clamp(1, sorted.len().max(1)) - 1).copied().unwrap_or(0.0)
}

/// What a monitor did over test courses, with the policies that it stands between.
#[derive(Clone, Debug, PartialEq)]
pub struct MonitorEffect {
    /// Outcomes of the rule, of the table, and of the table with the monitor, course by course.
    pub outcomes: [Vec<Outcome>; 3],
    /// How often the monitor went back to the rule on each course.
    pub fallbacks: Vec<u8>,
}

/// Drives the courses of a suite with rule, table, and table with monitor.
pub fn effect<P: Policy + Clone + Sync>(
    suite: &TestSuite,
    rule: &P,
    table: &P,
    settings: &MonitorSettings,
) -> MonitorEffect {
    let scenario = suite.scenario();
    let start = scenario.episode.start_gear.saturating_sub(1) as u8;
    let monitored = |episode: u64| {
        let mut monitor = Monitor::new(start);
        let look = |drive: &Drive| {
            let guard = drive.controller().guard();
            usize::from(!monitor.take(settings, &drive.reading(), guard.phase(), guard.gear()))
        };
        let outcome = drive_both(scenario, episode, [&mut rule.clone(), &mut table.clone()], look);
        (outcome, monitor.fallbacks())
    };
    let (with, fallbacks): (Vec<Outcome>, Vec<u8>) =
        (0..suite.courses).into_par_iter().map(monitored).collect::<Vec<_>>().into_iter().unzip();
    let outcomes = [suite.outcomes(|| rule.clone()), suite.outcomes(|| table.clone()), with];
    MonitorEffect { outcomes, fallbacks }
}

impl MonitorEffect {
    /// Courses on which the monitor went back to the rule.
    #[must_use]
    pub fn fell_back(&self) -> usize {
        self.fallbacks.iter().filter(|fallbacks| **fallbacks > 0).count()
    }

    /// Mean course time of each against that of the rule, %: table, table with monitor. A course that was not finished
    /// counts with its time until it was given up.
    #[must_use]
    pub fn time_percent(&self) -> [f64; 2] {
        let mean = |of: &[Outcome]| of.iter().map(|o| o.time_s).sum::<f64>() / of.len().max(1) as f64;
        let [rule, table, with] = [0, 1, 2].map(|at| mean(&self.outcomes[at]));
        [table, with].map(|time_s| 100.0 * (time_s - rule) / rule)
    }

    /// Courses finished by rule, table, and table with monitor.
    #[must_use]
    pub fn finished(&self) -> [usize; 3] {
        [0, 1, 2].map(|at| self.outcomes[at].iter().filter(|o| o.cause == Cause::Finished).count())
    }

    /// In words, with where the limits come from.
    #[must_use]
    pub fn text(&self, learned: &LearnedMonitor) -> String {
        let mut text = String::new();
        let settings = &learned.settings;
        let metres = |way: u32| f64::from(way) / PER_M;
        let _ = writeln!(
            text,
            "Monitor: on {} training courses the policy that is compared with drove {:.2} m/s and {:.1} failed upshifts in \
             100 m. Beyond {:.1} m behind {:.0} % of that speed, or {:.0} failed upshifts more than one in {:.1} m, it takes \
             over; on {:.0} % of its own courses it stays within the first, and within a quarter of the second.",
            learned.courses,
            learned.mean_m_s,
            learned.failed_per_100_m,
            metres(settings.behind_q12_mm),
            100.0 * PACE_SHARE,
            f64::from(settings.failures_q12_mm) / f64::from(settings.failure_q12_mm),
            metres(settings.failure_q12_mm),
            100.0 * QUANTILE,
        );
        let ([table, with], finished) = (self.time_percent(), self.finished());
        let _ = writeln!(
            text,
            "On {} test courses it took over from this table on {}; course time against the policy that is compared with: \
             {table:+.1} % without the monitor, {with:+.1} % with it; finished: {} by that policy, {} by the table, {} with \
             the monitor.",
            self.fallbacks.len(),
            self.fell_back(),
            finished[0],
            finished[1],
            finished[2],
        );
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::aggregate::tests::{rule, scenario};

    /// The demonstration's rule, and what shares of time a policy costs and saves with the monitor.
    fn measured(up: i16, down: i16, courses: u64) -> (MonitorEffect, LearnedMonitor) {
        let (study, reference) = (scenario(), rule(850, 400));
        let learned = learn(&study, &reference, 150).unwrap();
        let effect = effect(&TestSuite::new(&study, courses), &reference, &rule(up, down), &learned.settings);
        println!("up {up}, down {down}:\n{}", effect.text(&learned));
        (effect, learned)
    }

    #[test]
    fn a_table_as_good_as_the_rule_is_left_alone() {
        let (effect, learned) = measured(840, 400, 60);
        assert!(effect.fell_back() <= 9, "on {} of 60 courses", effect.fell_back());
        let [without, with] = effect.time_percent();
        assert!((without - with).abs() < 3.0, "{without} {with}");
        assert!(learned.mean_m_s > 0.03 && learned.settings.behind_q12_mm > 0);
    }

    #[test]
    fn a_table_made_bad_on_purpose_loses_less_with_the_monitor() {
        // Made for a far stronger vehicle: it shifts up at once and stays there.
        let (effect, _) = measured(250, 60, 60);
        let [without, with] = effect.time_percent();
        assert!(without > 10.0, "{without}: it is meant to be bad");
        assert!(with < 0.75 * without, "{without} % without, {with} % with the monitor");
        assert!(effect.fell_back() >= 25, "{}", effect.fell_back());
    }

    #[test]
    fn the_rule_itself_stays_within_its_limits_on_nearly_all_courses() {
        let (effect, _) = measured(850, 400, 100);
        assert!(effect.fell_back() <= 14, "{}", effect.fell_back());
        assert_eq!(effect.outcomes[0].len(), effect.outcomes[2].len());
    }
}
