//! From the rows of logs to runs, with bounded memory.

use super::Run;
use super::label::{Label, Recipe};
use super::shifts::{Move, ShiftWatch};
use super::signals::{Verdict, classify};
use crate::log::{LogError, LogReader, Quantity, Sample};
use crate::{
    heat::{HeatTracker, ThermalState},
    past::Past,
};
use lowgear_env::vehicle::VehicleConfig;
use std::collections::BTreeMap;

/// Rows further apart than this many ticks do not belong to one run.
const MOST_TICKS: f64 = 40.0;

/// How much is kept.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Rows of one run; a longer one is cut in two.
    pub samples: usize,
    /// Time of one run, s; a longer one is cut in two.
    pub lasting_s: f64,
    /// Runs of one recipe, gear and surface.
    pub alike: usize,
    /// Moves of the selector.
    pub moves: usize,
    /// Rows closer together are joined up to this time, s.
    pub join_s: f64,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits { samples: 1200, lasting_s: 300.0, alike: 6, moves: 500, join_s: 0.02 }
    }
}

/// What was read from logs.
#[derive(Clone, Debug, Default)]
pub struct Collected {
    /// Runs for the fit.
    pub runs: Vec<Run>,
    /// Moves of the selector.
    pub moves: Vec<Move>,
    /// What was left out or is ambiguous, each with how often and the first line.
    pub notes: BTreeMap<String, (u64, u64)>,
    /// Rows read.
    pub rows: u64,
}

/// Collects runs from logs.
pub struct Collector<'a> {
    config: &'a VehicleConfig,
    limits: Limits,
    surface: Option<String>,
    watch: ShiftWatch,
    heat: HeatTracker,
    still_rad_s: f64,
    label: Option<Label>,
    open: Vec<Sample>,
    gear: Option<usize>,
    joining: Option<(Sample, f64)>,
    out: Collected,
    began: (ThermalState, Past),
}

impl<'a> Collector<'a> {
    /// For logs of this vehicle; `surface` is that of runs whose label names none.
    #[must_use]
    pub fn new(
        config: &'a VehicleConfig,
        limits: Limits,
        surface: Option<String>,
        still_rad_s: f64,
    ) -> Collector<'a> {
        let gears = config.gearbox.total_ratio.len();
        let angles = (0..gears).filter_map(|g| config.selector.gear_angle_deg(g)).collect();
        Collector {
            config,
            limits,
            surface,
            watch: ShiftWatch::new(angles, config.selector.window_deg),
            heat: HeatTracker::new(config),
            still_rad_s,
            label: None,
            open: Vec::new(),
            gear: None,
            joining: None,
            out: Collected::default(),
            began: (ThermalState::default(), Past::default()),
        }
    }

    /// Reads a log to its end.
    ///
    /// # Errors
    /// [`LogError`].
    pub fn read(&mut self, log: &mut LogReader<'_>, mut progress: impl FnMut(u64)) -> Result<(), LogError> {
        self.heat = HeatTracker::new(self.config);
        log.expect_tick(self.config.controller.tick_s);
        while let Some(sample) = log.read()? {
            let event = log.event();
            self.take(sample, event);
            if log.counters().rows.is_multiple_of(1 << 16) {
                progress(log.bytes());
            }
        }
        self.flush_joined();
        self.close();
        self.label = None;
        self.out.rows += log.counters().rows;
        Ok(())
    }

    /// What was collected.
    #[must_use]
    pub fn finish(self) -> Collected {
        self.out
    }

    fn note(&mut self, what: String, line: u64) {
        // The texts are few: labels are cut and gears few.
        if self.out.notes.len() < 200 || self.out.notes.contains_key(&what) {
            let entry = self.out.notes.entry(what).or_insert((0, line));
            entry.0 += 1;
        }
    }

    fn take(&mut self, sample: Sample, event: &str) {
        if let Some(found) = self.watch.take(&sample)
            && self.out.moves.len() < self.limits.moves
        {
            self.out.moves.push(found);
        }
        let gear = self.watch.gear_of(&sample);
        let paused = sample.dt_s > MOST_TICKS * self.config.controller.tick_s;
        // A recorded controller did not drive with such readings.
        let fault = sample.duty > 1.0 || sample.motor_rad_s.abs() > Quantity::MotorSpeed.range().1;
        let apart = sample.after_break || gear != self.gear || paused || fault;
        if apart || !event.is_empty() {
            self.flush_joined();
        }
        if apart {
            self.close();
        }
        self.gear = gear;
        if !event.is_empty() {
            self.begin_label(event, sample.line);
        }
        if self.gear.is_some() && !fault {
            self.join(sample);
        }
        self.heat.take(&sample);
    }

    fn begin_label(&mut self, event: &str, line: u64) {
        match Label::read(event) {
            Ok(label) => {
                if label != self.label {
                    self.close();
                    self.label = label;
                }
            }
            Err(fault) => {
                self.close();
                self.label = None;
                self.note(fault, line);
            }
        }
    }

    /// Joins rows that are closer together than the limit: time-weighted means, while the duty stays.
    fn join(&mut self, sample: Sample) {
        let Some((first, lasted_s)) = self.joining.take() else {
            return self.begin_join(sample);
        };
        if sample.duty != first.duty || lasted_s + sample.dt_s > self.limits.join_s * 1.01 {
            self.push(first);
            return self.begin_join(sample);
        }
        let total_s = lasted_s + sample.dt_s;
        let mean =
            |a: f64, b: f64| if total_s > 0.0 { (a * lasted_s + b * sample.dt_s) / total_s } else { b };
        let both = |a: Option<f64>, b: Option<f64>| a.zip(b).map(|(a, b)| mean(a, b)).or(b).or(a);
        let joined = Sample {
            dt_s: total_s,
            after_break: first.after_break,
            motor_rad_s: mean(first.motor_rad_s, sample.motor_rad_s),
            battery_v: both(first.battery_v, sample.battery_v),
            current_a: both(first.current_a, sample.current_a),
            tilt_deg: both(first.tilt_deg, sample.tilt_deg),
            ..sample
        };
        self.joining = Some((joined, total_s));
    }

    fn begin_join(&mut self, sample: Sample) {
        if sample.dt_s >= 0.6 * self.limits.join_s || sample.dt_s == 0.0 {
            self.push(sample);
        } else {
            self.joining = Some((sample, sample.dt_s));
        }
    }

    fn flush_joined(&mut self) {
        if let Some((sample, _)) = self.joining.take() {
            self.push(sample);
        }
    }

    fn push(&mut self, sample: Sample) {
        let lasted_s = self.open.first().map_or(0.0, |first| sample.time_s - first.time_s);
        if self.open.len() >= self.limits.samples || lasted_s > self.limits.lasting_s {
            self.close();
        }
        if self.open.is_empty() {
            self.began = (self.heat.thermal_state(), self.heat.past());
        }
        self.open.push(sample);
    }

    /// Ends the stretch under way and keeps it if it tells something.
    fn close(&mut self) {
        let samples = std::mem::take(&mut self.open);
        let (Some(gear), Some(first)) = (self.gear, samples.first()) else { return };
        let line = first.line;
        if samples.len() < 5 {
            return;
        }
        let turn_rad_m = self.config.gearbox.total_ratio[gear] / self.config.chassis.wheel_radius_m;
        let (recipe, grade_deg, labelled) = match &self.label {
            Some(Label { recipe: Recipe::Free | Recipe::Shifts, .. }) => return,
            Some(label) => (label.recipe, label.grade_deg.unwrap_or(0.0), true),
            None => match classify(&samples, turn_rad_m, self.still_rad_s) {
                Verdict::Nothing => return,
                Verdict::Sure(recipe, grade_deg) => (recipe, grade_deg, false),
                Verdict::Ambiguous(why) => return self.note(format!("ambiguous, not used: {why}"), line),
            },
        };
        let on_ground = matches!(recipe, Recipe::Level | Recipe::Ramp);
        let label = self.label.as_ref();
        // What a spring scale shows, too, depends on the ground under the wheels.
        let wheels_down = on_ground || label.is_some_and(|l| l.force_n.is_some());
        let surface =
            label.and_then(|l| l.surface.clone()).or_else(|| self.surface.clone()).filter(|_| wheels_down);
        if on_ground && surface.is_none() {
            let what = "ambiguous, not used: on which surface? label it `surface=NAME` or give `surface` in a mapping";
            return self.note(what.to_owned(), line);
        }
        let moves = samples.iter().any(|s| s.motor_rad_s.abs() > self.still_rad_s || s.duty > 0.0);
        if !moves {
            return;
        }
        let force_n = label.and_then(|l| l.force_n.map(|f| (f, l.error_n.unwrap_or(0.03 * f + 0.02))));
        let (thermal_state, past) = self.began.clone();
        let run = Run { recipe, gear, surface, grade_deg, force_n, samples, thermal_state, past, labelled };
        let alike = |r: &&Run| {
            (r.recipe, r.gear, &r.surface, r.force_n.is_some())
                == (run.recipe, run.gear, &run.surface, run.force_n.is_some())
        };
        if self.out.runs.iter().filter(alike).count() >= self.limits.alike {
            return self.note(format!("enough runs of this kind, more were left out: {}", run.name()), line);
        }
        self.out.runs.push(run);
    }
}
