//! What the runs can tell and how well: singular values of the Jacobian, standard errors, correlations.

use super::problem::{HUBER, Problem, Residual, Variable};
use nalgebra::{DMatrix, SVD};

/// A parameter is not told by the log when its standard error is beyond this part of itself (of its usual size where it may be
/// nought).
pub(super) const VAGUE: f64 = 0.35;

/// Sweeps of the singular value decomposition before it is given up.
const MOST_SWEEPS: usize = 2000;

/// The shared columns with the runs' own numbers projected out, each by the scale of its parameter.
fn projected(problem: &Problem<'_>, slopes: &DMatrix<f64>) -> (DMatrix<f64>, Vec<usize>) {
    let is_shared = |i: &usize| matches!(problem.variables[*i], Variable::Shared(_));
    let (shared, own): (Vec<usize>, Vec<usize>) = (0..problem.variables.len()).partition(is_shared);
    let mut columns = slopes.select_columns(&shared);
    for (k, &i) in shared.iter().enumerate() {
        if let Variable::Shared(p) = &problem.variables[i] {
            let scale = p.scale(problem.get(&problem.variables[i]));
            columns.column_mut(k).scale_mut(scale);
        }
    }
    let moving: Vec<usize> = own.into_iter().filter(|&i| slopes.column(i).norm() > 1e-9).collect();
    if !moving.is_empty() {
        let basis = slopes.select_columns(&moving).qr().q();
        let inside = &basis * (basis.transpose() * &columns);
        columns -= inside;
    }
    (columns, shared)
}

/// The variable that the runs tell least, if its share of knowledge is below [`VAGUE`], and those it acts together
/// with.
pub(super) fn vaguest(problem: &Problem<'_>, slopes: &DMatrix<f64>) -> Option<(usize, Vec<usize>)> {
    let (columns, shared) = projected(problem, slopes);
    if shared.is_empty() {
        return None;
    }
    // One that moves nothing at all comes first.
    if let Some(k) = (0..shared.len()).find(|&k| columns.column(k).norm() < 1.0 / VAGUE) {
        return Some((shared[k], vec![]));
    }
    // The triangle of the QR decomposition has the singular values and directions of the whole.
    let triangle = columns.clone().qr().r();
    let Some(svd) = SVD::try_new(triangle, false, true, 1e-12, MOST_SWEEPS) else {
        let weakest = (0..shared.len())
            .min_by(|&a, &b| columns.column(a).norm().total_cmp(&columns.column(b).norm()))?;
        return Some((shared[weakest], vec![]));
    };
    let directions = svd.v_t?;
    let (least, &value) = svd.singular_values.iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1))?;
    if value >= 1.0 / VAGUE {
        return None;
    }
    let direction = directions.row(least);
    let worst = (0..shared.len()).max_by(|&a, &b| direction[a].abs().total_cmp(&direction[b].abs()))?;
    let with =
        (0..shared.len()).filter(|&k| k != worst && direction[k].abs() > 0.3).map(|k| shared[k]).collect();
    Some((shared[worst], with))
}

/// Covariance of all variables, in their units: that of a Huber estimator (Huber 1981, eq. 7.6.12).
pub(super) fn covariance(slopes: &DMatrix<f64>, residuals: &[Residual]) -> Option<DMatrix<f64>> {
    let residuals: Vec<&Residual> = residuals.iter().filter(|r| r.value != 0.0).collect();
    let (n, p) = (residuals.len() as f64, slopes.ncols() as f64);
    let psi: f64 = residuals.iter().map(|r| r.value.clamp(-HUBER, HUBER).powi(2)).sum();
    let inside = residuals.iter().filter(|r| r.value.abs() <= HUBER).count() as f64 / n;
    if n <= p || inside <= 0.05 {
        return None;
    }
    let widen = 1.0 + p / n * (1.0 - inside) / inside;
    let variance = widen * widen * (psi / (n - p)) / (inside * inside);
    // By columns of unit length, so that units do not matter to the inverse.
    let lengths: Vec<f64> = slopes.column_iter().map(|c| c.norm().max(1e-300)).collect();
    let mut unit = slopes.clone();
    for (i, length) in lengths.iter().enumerate() {
        unit.column_mut(i).scale_mut(1.0 / length);
    }
    let normal = unit.transpose() * &unit;
    let mut inverse = normal.try_inverse()?;
    for i in 0..inverse.nrows() {
        for j in 0..inverse.ncols() {
            inverse[(i, j)] *= variance / (lengths[i] * lengths[j]);
        }
    }
    inverse.iter().all(|v| v.is_finite()).then_some(inverse)
}
