//! The gap between the vehicle and its model: a log's own runs simulated with the fitted vehicle.

use crate::fit::{
    Predicted, StallPullResult, Surfaces, World, charge_at_rest, mean_drive_force_n, simulate,
    spring_scale_n, still_rad_s,
};
use crate::plausibility::{Plausibility, distance_check};
use crate::plot::{Look, Panel, Plot, Series};
use crate::runs::{Recipe, Run};
use lowgear_env::config::ParameterDistribution;
use lowgear_env::vehicle::{VariationConfig, VehicleConfig};
use std::fmt::Write as _;

/// One run with its simulation.
#[derive(Clone, Debug)]
pub struct RunComparison {
    /// The run.
    pub run: Run,
    /// What the simulator says.
    pub predicted: Vec<Predicted>,
    /// Mean of the measured motor speed while the motor turns, rad/s.
    pub mean_rad_s: f64,
    /// Root mean square of the difference, rad/s.
    pub error_rad_s: f64,
    /// Motor turn by the end, simulated over measured, less 1: the error of the way.
    pub turn_error: f64,
    /// The same against the distance column, where there is one.
    pub distance: Option<f64>,
}

/// All runs.
#[derive(Clone, Debug, Default)]
pub struct Validation {
    /// Runs that move.
    pub runs: Vec<RunComparison>,
    /// Runs left out because the motor hardly turned in the log, or for too few rows.
    pub still: usize,
    /// What speaks against the logs or the vehicle file.
    pub plausibility: Plausibility,
    /// Stall pulls with a reading, one by one.
    pub pulls: Vec<StallPullResult>,
}

/// Compares runs with a vehicle and the ground of a course; nothing is fitted but the battery's voltage at rest and, for a
/// run that begins on the move, its first speed.
#[must_use]
pub fn compare(config: &VehicleConfig, surfaces: &Surfaces, runs: &[Run], air_c: f64) -> Validation {
    let mut still = config.clone();
    still.variation =
        VariationConfig { air_c: ParameterDistribution::Fixed(air_c), ..VariationConfig::default() };
    let pulls = runs.iter().filter_map(|run| pull(&still, surfaces, run)).collect();
    let mut validation =
        Validation { plausibility: Plausibility::of(&still, runs), pulls, ..Validation::default() };
    validation.plausibility.contradictions.extend(
        validation
            .pulls
            .iter()
            .filter(|p| p.off().abs() > StallPullResult::TELLING)
            .map(StallPullResult::disagrees),
    );
    for run in runs.iter().filter(|r| r.recipe != Recipe::StallPull) {
        let (charge, offset_v) = charge_at_rest(&still, run);
        let world = World::new(&still, surfaces, run, charge, offset_v);
        let turn_rad_m = still.gearbox.total_ratio[run.gear] / still.chassis.wheel_radius_m;
        let start_m_s = if run.starts_at_rest(still_rad_s(&still)) {
            0.0
        } else {
            run.samples[0].motor_rad_s / turn_rad_m
        };
        let predicted = simulate(&world, run, start_m_s);
        let pairs: Vec<(f64, f64, f64)> = run
            .samples
            .iter()
            .zip(&predicted)
            .skip(1)
            .map(|(s, p)| (s.motor_rad_s.abs(), p.mean_rad_s, s.dt_s))
            .collect();
        let turning: Vec<&(f64, f64, f64)> = pairs.iter().filter(|(m, p, _)| *m > 0.0 || *p > 1e-3).collect();
        let measured: f64 = pairs.iter().map(|(m, _, dt)| m * dt).sum();
        // Less than two pulses of the encoder in all are no reading, and no way to compare another with.
        if turning.len() < 5 || measured <= pulse_rad(&still) * 2.0 {
            validation.still += 1;
            continue;
        }
        let n = turning.len() as f64;
        let simulated: f64 = pairs.iter().map(|(_, p, dt)| p * dt).sum();
        validation.runs.push(RunComparison {
            mean_rad_s: turning.iter().map(|t| t.0).sum::<f64>() / n,
            error_rad_s: (turning.iter().map(|t| (t.0 - t.1).powi(2)).sum::<f64>() / n).sqrt(),
            turn_error: simulated / measured - 1.0,
            distance: distance_check(&still, run).filter(|w| w.measured_m > 0.1).map(|w| {
                let simulated_m = simulated / turn_rad_m;
                simulated_m / w.measured_m - 1.0
            }),
            run: run.clone(),
            predicted,
        });
    }
    validation
}

/// A stall pull as the simulator has it.
fn pull(still: &VehicleConfig, surfaces: &Surfaces, run: &Run) -> Option<StallPullResult> {
    let (measured_n, error_n) = run.force_n?;
    let (charge, offset_v) = charge_at_rest(still, run);
    let predicted = simulate(&World::new(still, surfaces, run, charge, offset_v), run, 0.0);
    let drive_force_n = mean_drive_force_n(run, &predicted)?;
    let simulated_n = spring_scale_n(&still.chassis, surfaces, run, drive_force_n);
    Some(StallPullResult { gear: run.gear, line: run.line(), measured_n, simulated_n, error_n })
}

/// Turn of the motor from one pulse of the encoder to the next, rad.
fn pulse_rad(config: &VehicleConfig) -> f64 {
    std::f64::consts::TAU / f64::from(config.sensors.encoder.pulses_per_turn)
}

/// A share with its sign in percent; never a negative nought.
fn percent(share: f64) -> String {
    let tenths = (1000.0 * share).round() / 10.0 + 0.0;
    format!("{tenths:+.1} %")
}

impl Validation {
    /// The one number: root mean square of the runs' error of the way, as a share, by motor turns or by the distance column, whichever is
    /// worse. Course times of the simulator are no surer than this.
    #[must_use]
    pub fn trust(&self) -> Option<f64> {
        let n = self.runs.len() as f64;
        let worse =
            |r: &RunComparison| r.distance.filter(|d| d.abs() > r.turn_error.abs()).unwrap_or(r.turn_error);
        (n > 0.0).then(|| (self.runs.iter().map(|r| worse(r).powi(2)).sum::<f64>() / n).sqrt())
    }

    /// In words, a line per run.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = self.plausibility.text();
        for r in &self.runs {
            let distance =
                r.distance.map_or(String::new(), |d| format!(", by the distance column {}", percent(d)));
            let _ = writeln!(
                out,
                "{} (line {}): speed error {:.1} rad/s rms of {:.0} rad/s in the mean ({:.1} %), way off by {}{distance}",
                r.run.name(),
                r.run.line(),
                r.error_rad_s,
                r.mean_rad_s,
                100.0 * r.error_rad_s / r.mean_rad_s,
                percent(r.turn_error)
            );
        }
        self.pulls.iter().for_each(|p| {
            let _ = writeln!(out, "{}", p.text());
        });
        if self.still > 0 {
            let _ = writeln!(out, "left out, the motor hardly turns in the log: {} runs", self.still);
        }
        match self.trust() {
            Some(share) => {
                let _ = writeln!(
                    out,
                    "in short: over {} runs the model is off by {:.1} % of the way; take a gain of a policy for real only where it is larger, or where its \
                     interval in a comparison over the ranges of this vehicle file excludes zero",
                    self.runs.len(),
                    100.0 * share
                );
            }
            None => out.push_str(
                "no run to compare: label some in which the motor turns, as `lowgear recipes` says\n",
            ),
        }
        out
    }

    /// Measured against simulated speed to plot, the first sixteen runs.
    #[must_use]
    pub fn plot(&self, title: &str) -> Plot {
        let panels: Vec<Panel> = self
            .runs
            .iter()
            .take(16)
            .map(|r| {
                let start_s = r.run.samples.first().map_or(0.0, |s| s.time_s);
                let points = |of: &dyn Fn(usize) -> f64| {
                    (0..r.run.samples.len())
                        .map(|i| (r.run.samples[i].time_s - start_s, of(i)))
                        .collect::<Vec<_>>()
                };
                let measured = points(&|i| r.run.samples[i].motor_rad_s);
                let simulated = points(&|i| r.predicted[i].mean_rad_s);
                Panel {
                    title: format!(
                        "{} (line {}): way off by {}",
                        r.run.name(),
                        r.run.line(),
                        percent(r.turn_error)
                    ),
                    x_title: "time, s".into(),
                    y_title: "motor speed, rad/s".into(),
                    series: vec![
                        Series { name: "measured".into(), look: Look::Points, points: measured },
                        Series { name: "simulated".into(), look: Look::Line, points: simulated },
                    ],
                    y_range: None,
                    y_whole: false,
                }
            })
            .collect();
        Plot { title: title.to_owned(), panels, columns: 2 }
    }
}
