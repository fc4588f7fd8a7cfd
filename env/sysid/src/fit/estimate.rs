//! The fit from start to end.

use super::given::{GivenErrors, GivenValue, given_jacobian};
use super::initial::initial_problem;
use super::misfit::{StallPullResult, contradicted, disagreeing, misfit, pulls};
use super::parameters::{Parameter, Shared, Surfaces};
use super::problem::{Channel, HUBER, Problem, Residual, Variable};
use super::selector::{SelectorFit, fit_selector};
use super::sensors::{SensorFit, scatter_of, sensors_of};
use super::simulate::Predicted;
use super::uncertainty::{covariance, least_identifiable, plain_covariance};
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
    /// Fitted parameters.
    pub estimates: Vec<Estimate>,
    /// Assumed values of which the runs tell something.
    pub assumed: Vec<Estimate>,
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
        let tolerance = if round < 3 { 1e-5 } else { 1e-9 };
        let solver = LevenbergMarquardt::new()
            .with_ftol(tolerance)
            .with_xtol(tolerance)
            .with_gtol(1e-10)
            .with_patience(6);
        let (solved, report) = solver.minimize(problem);
        problem = solved;
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

/// Puts values that stopped on a limit exactly there, and says which did.
fn clamp_to_bounds(problem: &mut Problem<'_>) -> Vec<Parameter> {
    let mut there = Vec::new();
    for variable in problem.variables.clone() {
        let Variable::Shared(parameter) = &variable else { continue };
        let (value, (low, high)) = (problem.get(&variable), parameter.limits());
        let near = 1e-3 * parameter.scale(value).max(1e-12);
        if value - low < near || high - value < near {
            problem.set(&variable, if value - low < near { low } else { high });
            there.push(parameter.clone());
        }
    }
    there
}

fn conclude(
    mut problem: Problem<'_>,
    held: Vec<FixedParameter>,
    start: &VehicleConfig,
    collected: &Collected,
) -> Result<Fit, FitError> {
    let on_limits = clamp_to_bounds(&mut problem);
    let jacobian = problem.full_jacobian();
    let flat = problem.all_residuals();
    let given = GivenValue::all(&problem);
    let over_given = given_jacobian(&problem, &given);
    let covariance = covariance(&jacobian, &flat, &over_given)
        .ok_or_else(|| FitError::NoSolution("the normal equations have no inverse".to_owned()))?;
    let all: Vec<(usize, Parameter)> = problem
        .variables
        .iter()
        .enumerate()
        .filter_map(|(i, v)| if let Variable::Shared(p) = v { Some((i, p.clone())) } else { None })
        .collect();
    let (assumed, shared): (Vec<_>, Vec<_>) = all.into_iter().partition(|(_, p)| p.is_assumed());
    let estimates_of = |some: &[_]| estimates_of(&problem, start, some, &covariance, &on_limits);
    let (estimates, assumed) = (estimates_of(&shared), estimates_of(&assumed));
    let n = shared.len();
    let correlation = DMatrix::from_fn(n, n, |a, b| {
        let (i, j) = (shared[a].0, shared[b].0);
        covariance[(i, j)] / (covariance[(i, i)] * covariance[(j, j)]).sqrt()
    });
    let residuals: Vec<Vec<Residual>> = (0..problem.runs.len()).map(|r| problem.residuals_of(r)).collect();
    let readings = || flat.iter().filter(|r| r.channel != Channel::Prior);
    let outlying =
        readings().filter(|r| r.value.abs() > 3.0 * HUBER).count() as f64 / readings().count() as f64;
    let (pulls, grades) = (pulls(problem.runs, &residuals), grades_of(&problem, &covariance));
    let mut plausibility = Plausibility::of(start, problem.runs);
    plausibility.refused.extend(misfit(&problem, start, &estimates, outlying));
    if plausibility.refused.is_empty() {
        // With readings that are none, every given value contradicts some.
        plausibility.contradictions.extend(disagreeing(&pulls, &grades, problem.given.grade_deg));
        plausibility.contradictions.extend(contradicted(
            &problem,
            &jacobian,
            &given,
            &over_given,
            &residuals,
        ));
    }
    Ok(Fit {
        sensors: sensors_of(&problem, &residuals),
        selector: fit_selector(&collected.moves, &start.selector),
        predicted: (0..problem.runs.len()).map(|r| problem.predict(r)).collect(),
        config: {
            let mut config = problem.shared.config.clone();
            config.variation = start.variation;
            config
        },
        surfaces: problem.shared.surfaces.clone(),
        plausibility,
        pulls,
        grades,
        estimates,
        assumed,
        given,
        held,
        correlation,
        runs: problem.runs.to_vec(),
        residuals,
        outlying,
        scatter: problem.scatter.factor,
    })
}

/// Estimates of `some` parameters; each comes with its place among the variables.
fn estimates_of(
    problem: &Problem<'_>,
    start: &VehicleConfig,
    some: &[(usize, Parameter)],
    covariance: &DMatrix<f64>,
    on_limits: &[Parameter],
) -> Vec<Estimate> {
    let first = Shared::new(start, problem.shared.surfaces.clone(), 20.0);
    let unfitted = Surfaces::new(problem.shared.surfaces.names.clone());
    let estimate = |(i, parameter): &(usize, Parameter)| Estimate {
        parameter: parameter.clone(),
        name: parameter.name(&problem.shared.surfaces),
        value: problem.shared.get(parameter),
        error: covariance[(*i, *i)].max(0.0).sqrt(),
        start: match parameter {
            Parameter::Rolling(s) => unfitted.rolling[*s],
            Parameter::Grass(s) => unfitted.drag_s_m[*s],
            _ => first.get(parameter),
        },
        at_limit: on_limits.contains(parameter),
    };
    some.iter().map(estimate).collect()
}

fn grades_of(problem: &Problem<'_>, covariance: &DMatrix<f64>) -> Vec<(f64, f64, f64)> {
    let of = |(i, variable): (usize, &Variable)| {
        let Variable::Grade(label_deg) = variable else { return None };
        Some((*label_deg, problem.get(variable), covariance[(i, i)].max(0.0).sqrt()))
    };
    problem.variables.iter().enumerate().filter_map(of).collect()
}

impl Fit {
    /// The estimate of a parameter, if the log tells it.
    #[must_use]
    pub fn of(&self, parameter: &Parameter) -> Option<&Estimate> {
        self.estimates.iter().chain(&self.assumed).find(|e| e.parameter == *parameter)
    }
}

impl Estimate {
    /// The 95 % interval.
    #[must_use]
    pub fn interval(&self) -> (f64, f64) {
        (self.value - 1.96 * self.error, self.value + 1.96 * self.error)
    }
}
