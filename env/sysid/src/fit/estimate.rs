//! The fit from start to end.

use super::conclude::conclude;
use super::given::{GivenErrors, GivenValue};
use super::initial::initial_problem;
use super::linearised::Linearised;
use super::misfit::StallPullResult;
use super::parameters::{Parameter, Surfaces};
use super::problem::{Channel, Problem, Residual, Variable};
use super::selector::SelectorFit;
use super::sensors::{SensorFit, scatter_of};
use super::simulate::Predicted;
use super::uncertainty::{least_identifiable, plain_covariance};
use super::unmodelled::LackOfFit;
use crate::log::SpeedIs;
use crate::plausibility::Plausibility;
use crate::runs::{Collected, Run};
use levenberg_marquardt::LevenbergMarquardt;
use lowgear_env::vehicle::VehicleConfig;
use nalgebra::DMatrix;

/// Why nothing could be fitted.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FitError {
    /// There is no run.
    #[error(
        "the logs hold no run that could be used\n{notes}  hint: label the runs in the `event` column as `lowgear recipes` says"
    )]
    NoRuns {
        /// What was left out, one a line.
        notes: String,
    },
    /// The runs do not tell a single parameter.
    #[error("the runs tell no parameter well enough; drive the recipes for longer and repeat each")]
    NotIdentifiable,
    /// No solution was found.
    #[error("the fit found no solution: {0}; start from a vehicle file nearer to the vehicle")]
    NoSolution(String),
}

/// A fitted parameter.
#[derive(Clone, Debug, PartialEq)]
pub struct Estimate {
    /// Which.
    pub parameter: Parameter,
    /// Its name.
    pub name: String,
    /// Value.
    pub value: f64,
    /// Standard error.
    pub error: f64,
    /// The same as if the vehicle were the model: by the scatter of the readings and the given values alone.
    pub readings_error: f64,
    /// Value at the start.
    pub start: f64,
    /// Whether the value stopped on a limit; the standard error then says little.
    pub at_limit: bool,
}

/// A parameter that the log cannot tell; it keeps its start value.
#[derive(Clone, Debug, PartialEq)]
pub struct FixedParameter {
    /// Its name.
    pub name: String,
    /// Its start value.
    pub value: f64,
    /// Parameters that it acts together with; none when no run shows it at all.
    pub with: Vec<String>,
}

/// The result of a fit.
#[derive(Clone, Debug)]
pub struct Fit {
    /// The vehicle with the fitted values; sensors, selector and variation as at the start.
    pub config: VehicleConfig,
    /// Surfaces.
    pub surfaces: Surfaces,
    /// Digests of the logs, to know them again later; the caller fills them in.
    pub logs: Vec<String>,
    /// Fitted parameters.
    pub estimates: Vec<Estimate>,
    /// Assumed values of which the runs tell something.
    pub assumed: Vec<Estimate>,
    /// What the vehicle seems to have and the simulator has not, the clearest first.
    pub lack_of_fit: Vec<LackOfFit>,
    /// What speaks against the logs and this fit.
    pub plausibility: Plausibility,
    /// Stall pulls one by one.
    pub pulls: Vec<StallPullResult>,
    /// Ramps: what the label says, how far it is off and the standard error of that, degrees.
    pub grades: Vec<(f64, f64, f64)>,
    /// Values that stay as given, with the standard deviation counted in.
    pub given: Vec<(GivenValue, f64)>,
    /// Parameters that the log cannot tell.
    pub held: Vec<FixedParameter>,
    /// Correlations of the estimates, in their order.
    pub correlation: DMatrix<f64>,
    /// Sensors.
    pub sensors: SensorFit,
    /// Selector; `None` with fewer than three moves.
    pub selector: Option<SelectorFit>,
    /// The runs.
    pub runs: Vec<Run>,
    /// What the simulator says of each.
    pub predicted: Vec<Vec<Predicted>>,
    /// Standardised residuals of each.
    pub residuals: Vec<Vec<Residual>>,
    /// Residuals beyond Huber's limit, share.
    pub outlying: f64,
    /// Factor by which each channel scatters more than the start file's sensors.
    pub scatter: [f64; 5],
}

/// What the log does not say of itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conditions {
    /// What the motor speed in a row is.
    pub speed_is: SpeedIs,
    /// Temperature of the air, °C.
    pub air_c: f64,
    /// How far given values may be off.
    pub given: GivenErrors,
}

impl Default for Conditions {
    fn default() -> Conditions {
        Conditions { speed_is: SpeedIs::Mean, air_c: 20.0, given: GivenErrors::default() }
    }
}

/// An assumed value of which the runs leave more than this part of its uncertainty stays as it is.
const UNINFORMED: f64 = 0.97;

/// Rounds of solving and re-estimating the noise scale, at the most.
const ROUNDS: usize = 8;

/// Fits the vehicle `start` to runs. `progress` hears about the progress.
///
/// # Errors
/// [`FitError`].
pub fn fit(
    start: &VehicleConfig,
    collected: &Collected,
    conditions: Conditions,
    mut progress: impl FnMut(&str),
) -> Result<Fit, FitError> {
    let runs = collected.runs.as_slice();
    if runs.is_empty() {
        let note =
            |(what, (times, line)): (&String, &(u64, u64))| format!("  line {line}, {times} times: {what}\n");
        return Err(FitError::NoRuns { notes: collected.notes.iter().map(note).collect() });
    }
    let mut problem = initial_problem(start, runs, conditions);
    let mut held = Vec::new();
    fix_unidentifiable(&mut problem, &mut held)?;
    fix_uninformed(&mut problem);
    problem = solve(problem, &mut progress)?;
    // What looked certain at the start may not be at the solution.
    while fix_unidentifiable(&mut problem, &mut held)? | fix_uninformed(&mut problem) {
        problem = solve(problem, &mut progress)?;
    }
    conclude(problem, held, start, collected)
}

/// Takes out what the runs cannot tell, the vaguest first; says whether anything was.
fn fix_unidentifiable(problem: &mut Problem<'_>, held: &mut Vec<FixedParameter>) -> Result<bool, FitError> {
    let mut any = false;
    loop {
        let jacobian = problem.full_jacobian();
        let Some((index, with)) = least_identifiable(problem, &jacobian) else { break };
        let names = |i: &usize| match &problem.variables[*i] {
            Variable::Shared(p) => Some(p.name(&problem.shared.surfaces)),
            Variable::Ocv(_) | Variable::Start(_) | Variable::Grade(_) => None,
        };
        let with = with.iter().filter_map(names).collect();
        let variable = problem.variables.remove(index);
        if let Variable::Shared(p) = &variable {
            // It may have moved before the solution showed that nothing tells it.
            let start = problem.first.get(p);
            problem.set(&variable, start);
            held.push(FixedParameter { name: p.name(&problem.shared.surfaces), value: start, with });
        }
        any = true;
    }
    let some = problem.variables.iter().any(|v| matches!(v, Variable::Shared(_)));
    if some { Ok(any) } else { Err(FitError::NotIdentifiable) }
}

/// Takes out the assumed values of which the runs tell next to nothing, back at their start; says whether there were any.
fn fix_uninformed(problem: &mut Problem<'_>) -> bool {
    let Some(covariance) = plain_covariance(&problem.full_jacobian()) else { return false };
    let uninformed = |(i, variable): (usize, &Variable)| {
        let Variable::Shared(p) = variable else { return None };
        let sd = covariance[(i, i)].max(0.0).sqrt() / problem.get(variable);
        (p.is_assumed() && sd > UNINFORMED * problem.given.of_assumed(p)).then(|| p.clone())
    };
    let left: Vec<Parameter> = problem.variables.iter().enumerate().filter_map(uninformed).collect();
    for parameter in &left {
        let start = problem.first.get(parameter);
        problem.shared.set(parameter, start);
        problem.variables.retain(|v| *v != Variable::Shared(parameter.clone()));
    }
    !left.is_empty()
}

/// Solves, judges the scatter of each channel by the residuals, and solves again until that stays.
fn solve<'a>(mut problem: Problem<'a>, progress: &mut impl FnMut(&str)) -> Result<Problem<'a>, FitError> {
    reestimate_noise(&mut problem, 1.0);
    for round in 1..=ROUNDS {
        let tolerance = if round < 3 { 1e-3 } else { 1e-8 };
        let solver = LevenbergMarquardt::new()
            .with_ftol(tolerance)
            .with_xtol(tolerance)
            .with_gtol(1e-10)
            .with_patience(6);
        let (solved, report) = solver.minimize(Linearised::new(problem));
        problem = solved.into_problem();
        if report.termination.was_usage_issue() {
            return Err(FitError::NoSolution(format!("{:?}", report.termination)));
        }
        for run in 0..problem.runs.len() {
            let predicted = problem.predict(run);
            problem.run_parameters[run].weigh_rad_s = predicted.iter().map(|p| p.mean_rad_s.abs()).collect();
        }
        let before = problem.scatter.factor;
        reestimate_noise(&mut problem, 0.05);
        if round < 3 {
            reset_to_initial(&mut problem);
        }
        progress(&format!(
            "round {round}: {} evaluations, scatter of speed {:.2}, voltage {:.2}, current {:.2} times the file's",
            report.number_of_evaluations,
            problem.scatter.factor[0],
            problem.scatter.factor[1],
            problem.scatter.factor[2]
        ));
        let settled = before.iter().zip(&problem.scatter.factor).all(|(a, b)| (a / b - 1.0).abs() < 0.01);
        if round >= 3 && settled {
            break;
        }
    }
    Ok(problem)
}

/// A value that has run into a limit on the way has no slope to come back by: it is let go from its start value again.
fn reset_to_initial(problem: &mut Problem<'_>) {
    for variable in problem.variables.clone() {
        let Variable::Shared(parameter) = &variable else { continue };
        let (low, high) = parameter.limits();
        let value = problem.get(&variable);
        let near = 0.01 * parameter.scale(value).max(1e-12);
        if value - low < near || high - value < near {
            let first = problem.first.get(parameter);
            problem.set(&variable, first);
        }
    }
}

/// Sets each channel's factor to the scatter of its residuals; few forces keep theirs.
fn reestimate_noise(problem: &mut Problem<'_>, least: f64) {
    let residuals = problem.all_residuals();
    for channel in [Channel::Speed, Channel::Voltage, Channel::Current] {
        let now = problem.scatter.factor[channel as usize];
        let found = scatter_of(residuals.iter().filter(|r| r.channel == channel).map(|r| r.value * now));
        if let Some(sd) = found {
            problem.scatter.factor[channel as usize] = sd.max(least);
        }
    }
}

impl Fit {
    /// The estimate of a parameter, if the log tells it.
    #[must_use]
    pub fn of(&self, parameter: &Parameter) -> Option<&Estimate> {
        self.estimates.iter().chain(&self.assumed).find(|e| e.parameter == *parameter)
    }
}

impl Fit {
    /// Estimates that ended at a limit which is none of nature: drag that grows with speed may well be zero.
    pub fn pulled_to_limits(&self) -> impl Iterator<Item = &Estimate> {
        self.estimates.iter().filter(|e| e.at_limit && !matches!(e.parameter, Parameter::Grass(_)))
    }

    /// Whether the runs show something that the simulator does not have.
    #[must_use]
    pub fn lacks_fit(&self) -> bool {
        !self.lack_of_fit.is_empty() || self.pulled_to_limits().next().is_some()
    }
}

impl Estimate {
    /// The 95 % interval.
    #[must_use]
    pub fn interval(&self) -> (f64, f64) {
        (self.value - 1.96 * self.error, self.value + 1.96 * self.error)
    }
}
