//! The run through a log with a policy alongside.

use super::coverage::{CoverageStatus, TrainingCoverage};
use super::decimate::Decimator;
use super::tracker::{ControllerTracker, Tick};
use lowgear_env::events::ShiftDetector;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Mask, request_name, verdict_name};
use lowgear_onboard::{Feature, Features, Request, Verdict};
use lowgear_sysid::log::{LogError, LogReader, Sample};
use lowgear_sysid::plot::{Look, Panel, Plot, Series};
use lowgear_sysid::runs::ShiftWatch;
use std::collections::{BTreeMap, VecDeque};

/// One decision of the policy.
#[derive(Clone, Debug, PartialEq)]
pub struct Decision {
    /// Time, s.
    pub time_s: f64,
    /// Line in the log.
    pub line: u64,
    /// Gear of the log, 1 is the lowest.
    pub gear: usize,
    /// What the policy asked for.
    pub request: Request,
    /// What was done from here to the next decision.
    pub done: Request,
    /// What the guard said to what was done.
    pub verdict: Option<Verdict>,
    /// What the policy saw.
    pub features: Features,
    /// Whether training has seen the like; `None` when that was not asked for.
    pub place: Option<CoverageStatus>,
    /// Where they differ: the nearest single-feature counterfactual.
    pub why: String,
}

/// The result of a replay.
#[derive(Clone, Debug, Default)]
pub struct Summary {
    /// Decisions.
    pub decisions: u64,
    /// Decisions in which the policy asked for what was done.
    pub agreed: u64,
    /// Differences: what the policy wanted, what was done.
    pub differences: BTreeMap<(&'static str, &'static str), u64>,
    /// Shifts in the log.
    pub shifts: u64,
    /// Upshifts in the log that were soon taken back.
    pub failed_upshifts: u64,
    /// Reversals in the log, as [`lowgear_env::events`] defines them.
    pub reversals: u64,
    /// Times that the log hunted, as [`lowgear_env::events`] defines it.
    pub hunting: u64,
    /// Shifts during which the selector took far longer than it should.
    pub slow_shifts: u64,
    /// What the guard said to the shifts of the log.
    pub verdicts: BTreeMap<&'static str, u64>,
    /// Decisions by what training has seen: inside, new combination, and outside by feature.
    pub inside: u64,
    /// See [`Summary::inside`].
    pub new_cells: u64,
    /// See [`Summary::inside`].
    pub outside: BTreeMap<&'static str, u64>,
}

/// Rows that the gear after a shift is looked for ahead.
const AHEAD: usize = 512;
/// Points of a picture.
const MOST_POINTS: usize = 4000;
/// Differences whose reason is looked for.
const REASONS: u64 = 2000;

/// A replay under way.
pub struct Replay<'a, D> {
    decide: D,
    coverage: Option<&'a TrainingCoverage>,
    gears: usize,
    tracker: ControllerTracker,
    watch: ShiftWatch,
    tick_s: f64,
    failed_window_s: f64,
    longest_move_s: f64,
    open: Option<Decision>,
    arrival: Option<(f64, bool)>,
    began_s: Option<f64>,
    shift_detector: ShiftDetector,
    summary: Summary,
    plots: Plots,
}

struct Plots {
    speed: Decimator,
    gear: Decimator,
    load: Decimator,
    requests_by_direction: [Decimator; 2],
    failed: Decimator,
    outside: Decimator,
}

impl<'a, D: FnMut(&Features, Mask) -> Request + Clone> Replay<'a, D> {
    /// With a policy; `coverage` is what it was trained on.
    #[must_use]
    pub fn new(config: &VehicleConfig, decide: D, coverage: Option<&'a TrainingCoverage>) -> Replay<'a, D> {
        let gears = config.gearbox.total_ratio.len();
        let angles: Vec<f64> = (0..gears).filter_map(|g| config.selector.gear_angle_deg(g)).collect();
        let longest_deg = angles.windows(2).map(|w| w[1] - w[0]).fold(0.0, f64::max);
        let thin = || Decimator::new(MOST_POINTS);
        Replay {
            decide,
            coverage,
            gears,
            tracker: ControllerTracker::new(config),
            watch: ShiftWatch::new(angles, config.selector.window_deg),
            tick_s: config.controller.tick_s,
            failed_window_s: config.controller.failed_window_s,
            longest_move_s: config.selector.move_time_s(longest_deg)
                + config.guard.move_margin_s
                + config.controller.tick_s * f64::from(config.guard.cut_lead_ticks + 1),
            open: None,
            arrival: None,
            began_s: None,
            shift_detector: ShiftDetector::default(),
            summary: Summary::default(),
            plots: Plots {
                speed: thin(),
                gear: thin(),
                load: thin(),
                requests_by_direction: [thin(), thin()],
                failed: thin(),
                outside: thin(),
            },
        }
    }

    /// Walks through a log; `each` gets every decision.
    ///
    /// # Errors
    /// [`LogError`], or what `each` says.
    pub fn run<E: From<LogError>>(
        &mut self,
        log: &mut LogReader<'_>,
        mut each: impl FnMut(&Decision) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut ahead: VecDeque<(Sample, Option<usize>)> = VecDeque::with_capacity(AHEAD + 1);
        log.expect_tick(self.tick_s);
        let mut ended = false;
        let mut failed = None;
        loop {
            while !ended && ahead.len() < AHEAD {
                match log.read()? {
                    Some(sample) => ahead.push_back((sample, self.watch.gear_of(&sample))),
                    None => ended = true,
                }
            }
            let Some((sample, gear)) = ahead.pop_front() else { break };
            let coming = match gear {
                Some(_) => gear,
                None => ahead.iter().take_while(|(s, _)| !s.after_break).find_map(|(_, g)| *g),
            };
            let mut ticks = Vec::new();
            self.tracker.take(&sample, coming, |tick| ticks.push(tick));
            for tick in ticks {
                self.tick(&tick, &mut |d: &Decision| {
                    if failed.is_none() {
                        failed = each(d).err();
                    }
                });
            }
            if let Some(error) = failed.take() {
                return Err(error);
            }
        }
        if let Some(last) = self.open.take() {
            self.close(last, &mut |d| failed = each(d).err());
        }
        failed.map_or(Ok(()), Err)
    }

    fn tick(&mut self, tick: &Tick, each: &mut impl FnMut(&Decision)) {
        let gear = tick.gear.map_or(f64::NAN, |g| g as f64 + 1.0);
        self.plots.gear.push((tick.time_s, gear));
        self.plots.speed.push((tick.time_s, f64::from(tick.features.get(Feature::SpeedRatio))));
        self.plots.load.push((tick.time_s, f64::from(tick.features.get(Feature::LoadSlow))));
        if let Some((request, verdict)) = tick.shift {
            self.record_shift(tick, request, verdict);
        }
        if let Some((from, to)) = tick.arrived {
            let slow = self.began_s.take().is_some_and(|s| tick.time_s - s > self.longest_move_s);
            self.summary.slow_shifts += u64::from(slow);
            self.arrival = Some((tick.time_s, to > from));
        }
        if !tick.due {
            return;
        }
        if let Some(before) = self.open.take() {
            self.close(before, each);
        }
        let before = self.decide.clone();
        let request = (self.decide)(&tick.features, tick.mask);
        self.tracker.asked();
        let place = self.coverage.map(|coverage| coverage.place(&tick.features));
        // Kept for the reason: the policy as it was before this decision.
        self.open = Some(Decision {
            time_s: tick.time_s,
            line: tick.line,
            gear: tick.gear.map_or(0, |g| g + 1),
            request,
            done: Request::Hold,
            verdict: None,
            features: tick.features,
            place,
            why: if request == Request::Hold { String::new() } else { self.reason(before, tick, request) },
        });
    }

    fn record_shift(&mut self, tick: &Tick, request: Request, verdict: Verdict) {
        *self.summary.verdicts.entry(verdict_name(verdict)).or_default() += 1;
        if let Some(open) = &mut self.open {
            (open.done, open.verdict) = (request, Some(verdict));
        }
        if tick.refused {
            return;
        }
        self.summary.shifts += 1;
        self.began_s = Some(tick.time_s);
        let taken_back = request == Request::Down
            && self.arrival.is_some_and(|(at, upwards)| upwards && tick.time_s - at <= self.failed_window_s);
        if taken_back {
            self.summary.failed_upshifts += 1;
            self.plots.failed.push((tick.time_s, 0.0));
        }
        let pattern = self.shift_detector.shift(tick.time_s, request);
        self.summary.reversals += u64::from(pattern.reversal);
        self.summary.hunting += u64::from(pattern.hunting);
    }

    fn close(&mut self, decision: Decision, each: &mut impl FnMut(&Decision)) {
        let summary = &mut self.summary;
        summary.decisions += 1;
        if decision.request == decision.done {
            summary.agreed += 1;
        } else {
            let names = (request_name(decision.request), request_name(decision.done));
            *summary.differences.entry(names).or_default() += 1;
        }
        match decision.place {
            Some(CoverageStatus::Inside) => summary.inside += 1,
            Some(CoverageStatus::NewCell) => summary.new_cells += 1,
            Some(CoverageStatus::Outside(feature)) => {
                *summary.outside.entry(feature.name()).or_default() += 1;
                self.plots.outside.push((decision.time_s, 0.0));
            }
            None => {}
        }
        if decision.request != Request::Hold && decision.done != decision.request {
            let at = usize::from(decision.request == Request::Up);
            self.plots.requests_by_direction[at].push((decision.time_s, 0.0));
        }
        each(&decision);
    }

    /// The smallest change of one feature that would have made the policy hold instead.
    fn reason(&self, before: D, tick: &Tick, request: Request) -> String {
        if self.summary.decisions - self.summary.agreed > REASONS {
            return String::new();
        }
        let mut nearest: Option<(i32, Feature, i16)> = None;
        for (feature, step) in [
            (Feature::SpeedRatio, 10),
            (Feature::MotorSpeed, 10),
            (Feature::LoadSlow, 50),
            (Feature::Tilt, 5),
            (Feature::SinceFailed, 20),
        ] {
            for size in 1..=20_i32 {
                for way in [-1, 1] {
                    if nearest.is_some_and(|(least, ..)| least <= size) {
                        continue;
                    }
                    let mut changed = tick.features;
                    let value = i32::from(changed.get(feature)) + way * size * step;
                    changed.0[feature as usize] = value.clamp(-30_000, 30_000) as i16;
                    if (before.clone())(&changed, tick.mask) != request {
                        nearest = Some((size, feature, changed.get(feature)));
                    }
                }
            }
        }
        nearest.map_or_else(
            || "no single-feature counterfactual within 20 steps".to_owned(),
            |(_, feature, value)| {
                format!(
                    "would decide otherwise at {} {value} (is {})",
                    feature.name(),
                    tick.features.get(feature)
                )
            },
        )
    }

    /// The result.
    #[must_use]
    pub const fn summary(&self) -> &Summary {
        &self.summary
    }

    /// Gears, speed and load to plot.
    #[must_use]
    pub fn plot(&self, title: &str) -> Plot {
        let series = |name: &str, look, t: &Decimator| Series {
            name: name.to_owned(),
            look,
            points: t.points.clone(),
        };
        let d = &self.plots;
        let panel = |title: &str, y: &str, series| Panel {
            title: title.to_owned(),
            x_title: "time, s".into(),
            y_title: y.to_owned(),
            series,
            y_range: None,
            y_whole: false,
        };
        let mut panels = [
            panel(
                "What was done, and when the policy would have shifted otherwise",
                "gear",
                vec![
                    series("gear in the log", Look::Steps, &d.gear),
                    series("policy would go up", Look::Instants, &d.requests_by_direction[1]),
                    series("policy would go down", Look::Instants, &d.requests_by_direction[0]),
                    series("upshift taken back", Look::Instants, &d.failed),
                ],
            ),
            panel(
                "Motor speed, and readings outside of training",
                "speed ratio, ‰",
                vec![
                    series("speed ratio", Look::Line, &d.speed),
                    series("outside of training", Look::Instants, &d.outside),
                ],
            ),
            panel(
                "Load, in parts of the top gear's stall force",
                "slow load, ‰",
                vec![series("slow load", Look::Line, &d.load)],
            ),
        ];
        panels[0].y_range = Some((0.7, self.gears as f64 + 0.3));
        panels[0].y_whole = true;
        Plot { title: title.to_owned(), panels: panels.into(), columns: 1 }
    }
}
