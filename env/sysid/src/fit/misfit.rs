//! Whether the solution can be believed: scatter, moved values, limits, the spring scale, and given values that contradict readings.

use super::Estimate;
use super::format::figure;
use super::given::GivenValue;
use super::parameters::Parameter;
use super::problem::{Channel, HUBER, Problem, Residual};
use super::uncertainty::Bread;
use crate::runs::{Recipe, Run};
use lowgear_env::vehicle::VehicleConfig;
use nalgebra::{DMatrix, DVector};
use std::collections::BTreeMap;

/// A channel that scatters more than this many times its sensor is not what it is taken for.
const SCATTER: f64 = 5.0;
/// Nor are readings of which more than this part lie beyond four standard deviations.
const OUTLYING: f64 = 0.1;
/// Factors by which motor constants may move from the start file: up and down.
const EMF: (f64, f64) = (1.5, 1.5);
const OHM: (f64, f64) = (2.5, 1.6);
/// Standard errors from which a contradiction is reported.
const TELLING: f64 = 4.0;

/// A stall pull: what the spring scale showed and what the simulator says of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StallPullResult {
    /// Gear, 0 is the lowest.
    pub gear: usize,
    /// Line of its first row.
    pub line: u64,
    /// By the scale, N.
    pub measured_n: f64,
    /// By the simulator, N.
    pub simulated_n: f64,
    /// Standard error of the scale's reading, N.
    pub error_n: f64,
}

impl StallPullResult {
    /// Standard errors from which it disagrees.
    pub const TELLING: f64 = TELLING;

    /// In words.
    #[must_use]
    pub fn text(&self) -> String {
        format!(
            "Stall pull in gear {} (line {}): {} N measured, {} N simulated ({:+.1} standard errors).",
            self.gear + 1,
            self.line,
            figure(self.measured_n, 4),
            figure(self.simulated_n, 4),
            self.off()
        )
    }

    /// That it disagrees, in words.
    #[must_use]
    pub fn disagrees(&self) -> String {
        format!(
            "the stall pull at line {} showed {} N where everything else makes it {} N ({:+.1} standard errors): mass, wheel radius or the reading is off",
            self.line,
            figure(self.measured_n, 3),
            figure(self.simulated_n, 3),
            self.off()
        )
    }

    /// Measured less simulated, in standard errors.
    #[must_use]
    pub fn off(&self) -> f64 {
        (self.measured_n - self.simulated_n) / self.error_n
    }
}

/// Stall pulls with a reading, one by one.
pub(super) fn pulls(runs: &[Run], residuals: &[Vec<Residual>]) -> Vec<StallPullResult> {
    let of = |(run, rows): (&Run, &Vec<Residual>)| {
        let (measured_n, error_n) = run.force_n?;
        let off = rows.iter().find(|r| r.channel == Channel::Force)?.value;
        let simulated_n = measured_n - off * error_n;
        Some(StallPullResult { gear: run.gear, line: run.line(), measured_n, simulated_n, error_n })
    };
    runs.iter().zip(residuals).filter_map(of).collect()
}

/// Scatter, outliers, moved values and limits.
pub(super) fn misfit(
    problem: &Problem<'_>,
    start: &VehicleConfig,
    estimates: &[Estimate],
    outlying: f64,
) -> Vec<String> {
    let mut out = Vec::new();
    for (channel, name, listed) in [
        (Channel::Speed, "motor speed", true),
        (Channel::Voltage, "battery voltage", start.sensors.battery.is_some()),
        (Channel::Current, "motor current", start.sensors.current.is_some()),
    ] {
        let factor = problem.scatter.factor[channel as usize] / usual(problem, channel, listed);
        if factor > SCATTER {
            out.push(format!(
                "the {name} scatters {} times as much as its sensor should: it is not what the simulator takes it for",
                figure(factor, 2)
            ));
        }
    }
    if outlying > OUTLYING {
        out.push(format!(
            "{:.0} % of the readings lie beyond four standard deviations: a part of the log does not belong to this vehicle, or a sensor fails there",
            100.0 * outlying
        ));
    }
    for e in estimates {
        let (up, down) = match e.parameter {
            Parameter::EmfConstant => EMF,
            Parameter::Resistance => OHM,
            _ => continue,
        };
        let factor = e.value / e.start;
        if factor > up || factor < 1.0 / down {
            out.push(format!(
                "{} moved to {} times its start: no motor is so far off its data sheet; a scale is wrong, or the vehicle file is another motor's",
                e.name,
                figure(factor, 2)
            ));
        }
    }
    let limits: Vec<&str> = estimates
        .iter()
        .filter(|e| e.at_limit && !matches!(e.parameter, Parameter::Grass(_)))
        .map(|e| e.name.as_str())
        .collect();
    if limits.len() > 1 {
        out.push(format!("{} ended at their limits", limits.join(", ")));
    }
    out
}

/// By how much a sensor that the file does not list may scatter more than is taken for usual: 3 % of the largest reading.
fn usual(problem: &Problem<'_>, channel: Channel, listed: bool) -> f64 {
    if listed || channel != Channel::Current {
        return 1.0;
    }
    let readings = problem.runs.iter().flat_map(|r| &r.samples).filter_map(|s| s.current_a);
    let largest = readings.map(f64::abs).fold(0.0, f64::max);
    (0.03 * largest / problem.scatter.current_a).max(1.0)
}

/// What a given value would have to be for the readings' sake.
struct Wanted<'a> {
    given: &'a GivenValue,
    /// Relative change and its standard error.
    by: (f64, f64),
    /// In standard errors of both, the given value's and that of the readings.
    off: f64,
    /// The recipe whose readings ask for it most.
    reading: Recipe,
}

/// Given values that contradict the readings: each is let go by itself, linearly about the solution.
pub(super) fn contradicted(
    problem: &Problem<'_>,
    jacobian: &DMatrix<f64>,
    given: &[(GivenValue, f64)],
    given_jacobian: &DMatrix<f64>,
    residuals: &[Vec<Residual>],
) -> Vec<String> {
    let flat: Vec<Residual> = problem.all_residuals();
    let Some(bread) = Bread::new(jacobian, &flat) else { return vec![] };
    // The spring scale's readings are few: they count whole, or many rows would outvote them.
    let pull =
        |r: &Residual| if r.channel == Channel::Force { r.value } else { r.value.clamp(-HUBER, HUBER) };
    let pulls = DVector::from_iterator(flat.len(), flat.iter().map(pull));
    let recipes = problem.runs.iter().zip(residuals).flat_map(|(run, rows)| rows.iter().map(|_| run.recipe));
    let recipes: Vec<Recipe> = recipes.collect();
    let wanted =
        |(column, (value, sd)): (usize, &'_ (GivenValue, f64))| -> Option<(usize, f64, f64, f64, Recipe)> {
            let (apart, knowledge) = bread.apart(jacobian, &flat, given_jacobian.column(column).into_owned());
            let (asked, error) = (-apart.dot(&pulls) / knowledge, knowledge.sqrt().recip());
            let mut by_recipe: BTreeMap<Recipe, f64> = BTreeMap::new();
            for (row, recipe) in recipes.iter().enumerate() {
                *by_recipe.entry(*recipe).or_default() -= apart[row] * pulls[row] * asked.signum();
            }
            let (reading, _) = by_recipe.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
            let measured = !matches!(value, GivenValue::Assumed(_) | GivenValue::TorqueRatio);
            measured.then_some((column, asked * sd, error * sd, asked / error.hypot(1.0), reading))
        };
    let mut all: Vec<Wanted<'_>> = given
        .iter()
        .enumerate()
        .filter_map(wanted)
        .map(|(column, by, error, off, reading)| Wanted {
            given: &given[column].0,
            by: (by, error),
            off,
            reading,
        })
        .filter(|w| w.off.is_finite() && w.off.abs() > TELLING)
        .collect();
    all.sort_by(|a, b| b.off.abs().total_cmp(&a.off.abs()));
    let Some(worst) = all.first().map(|w| w.off.abs()) else { return vec![] };
    let likely: Vec<String> =
        all.iter().filter(|w| w.off.abs() > 0.6 * worst).map(|w| w.text(problem)).collect();
    vec![likely.join("; or ")]
}

impl Wanted<'_> {
    fn text(&self, problem: &Problem<'_>) -> String {
        let given = self.given.value(problem);
        let (by, error) = self.by;
        format!(
            "{} = {given} contradicts the readings, most of all those of {}: they ask for {} ± {} ({:.1} standard errors off)",
            self.given.name(),
            self.reading.name(),
            figure(given * (1.0 + by), 3),
            figure(given * error, 2),
            self.off.abs()
        )
    }
}

/// Stall pulls and ramps that the solution does not agree with.
pub(super) fn disagreeing(
    pulls: &[StallPullResult],
    grades: &[(f64, f64, f64)],
    grade_sd: f64,
) -> Vec<String> {
    let far = |p: &&StallPullResult| p.off().abs() > TELLING;
    let mut out: Vec<String> = pulls.iter().filter(far).map(StallPullResult::disagrees).collect();
    let steep = grades.iter().filter(|(_, off, error)| off.abs() > TELLING * grade_sd.hypot(*error));
    out.extend(steep.map(|(label, off, error)| {
        format!(
            "the ramp labelled {label}° would have to have {} ± {}° for the readings' sake",
            figure(label + off, 3),
            figure(*error, 2)
        )
    }));
    out
}
