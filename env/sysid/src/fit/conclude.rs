//! From a solution to what is reported of it: estimates, their errors, and what speaks against them.

use super::estimate::{Estimate, Fit, FitError, FixedParameter};
use super::given::{GivenValue, given_jacobian};
use super::misfit::{contradicted, disagreeing, misfit, pulls};
use super::parameters::{Parameter, Shared, Surfaces};
use super::problem::{Channel, HUBER, Problem, Residual, Variable};
use super::selector::fit_selector;
use super::sensors::sensors_of;
use super::uncertainty::{Covariance, covariance};
use super::unmodelled::effects;
use crate::plausibility::Plausibility;
use crate::runs::Collected;
use lowgear_env::vehicle::VehicleConfig;
use nalgebra::DMatrix;

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

/// Estimates, errors and doubts at the solution.
pub(super) fn conclude(
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
    let singular = || FitError::NoSolution("the normal equations have no inverse".to_owned());
    let Covariance { readings, runs: mut covariance } =
        covariance(&jacobian, &flat, &over_given, &rows_of_runs(&problem)).ok_or_else(singular)?;
    let effects = effects(&problem, &jacobian, &flat).ok_or_else(singular)?;
    covariance += effects.covariance;
    let all: Vec<(usize, Parameter)> = problem
        .variables
        .iter()
        .enumerate()
        .filter_map(|(i, v)| if let Variable::Shared(p) = v { Some((i, p.clone())) } else { None })
        .collect();
    let (assumed, shared): (Vec<_>, Vec<_>) = all.into_iter().partition(|(_, p)| p.is_assumed());
    let estimates_of = |some: &[_]| estimates_of(&problem, start, some, (&covariance, &readings), &on_limits);
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
        logs: Vec::new(),
        lack_of_fit: effects.shown,
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
    (covariance, readings): (&DMatrix<f64>, &DMatrix<f64>),
    on_limits: &[Parameter],
) -> Vec<Estimate> {
    let first = Shared::new(start, problem.shared.surfaces.clone(), 20.0);
    let unfitted = Surfaces::new(problem.shared.surfaces.names.clone());
    let estimate = |(i, parameter): &(usize, Parameter)| Estimate {
        parameter: parameter.clone(),
        name: parameter.name(&problem.shared.surfaces),
        value: problem.shared.get(parameter),
        error: covariance[(*i, *i)].max(0.0).sqrt(),
        readings_error: readings[(*i, *i)].max(0.0).sqrt(),
        start: match parameter {
            Parameter::Rolling(s) => unfitted.rolling[*s],
            Parameter::Grass(s) => unfitted.drag_s_m[*s],
            _ => first.get(parameter),
        },
        at_limit: on_limits.contains(parameter),
    };
    some.iter().map(estimate).collect()
}

/// Which residuals are those of each run.
fn rows_of_runs(problem: &Problem<'_>) -> Vec<Vec<usize>> {
    let mut at = 0;
    let rows = |run| {
        let first = at;
        at += problem.residuals_of(run).len();
        (first..at).collect()
    };
    (0..problem.runs.len()).map(rows).collect()
}

fn grades_of(problem: &Problem<'_>, covariance: &DMatrix<f64>) -> Vec<(f64, f64, f64)> {
    let of = |(i, variable): (usize, &Variable)| {
        let Variable::Grade(label_deg) = variable else { return None };
        Some((*label_deg, problem.get(variable), covariance[(i, i)].max(0.0).sqrt()))
    };
    problem.variables.iter().enumerate().filter_map(of).collect()
}
