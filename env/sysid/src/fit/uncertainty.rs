//! What the runs can tell and how well: singular values of the Jacobian, standard errors, correlations.

use super::problem::{Channel, HUBER, Problem, Residual, Variable};
use nalgebra::{DMatrix, DVector, SVD};

/// A parameter is not identifiable from the log when its standard error is beyond this part of itself (of its usual size where it may be
/// nought).
pub(super) const UNIDENTIFIABLE: f64 = 0.35;

/// Residuals of a channel below which its scatter is not counted but taken as normal.
const TOO_FEW: usize = 20;
/// `E[psi']` and `E[psi^2]` of normal errors with Huber's limit at 1.345.
const NORMAL: (f64, f64) = (0.8214, 0.7102);

/// A variable of which the other runs hold less than this part of what is known is a run's own.
const OWN: f64 = 1e-6;

/// Sweeps of the singular value decomposition before it is given up.
const MOST_SWEEPS: usize = 2000;

/// The shared columns with the runs' own numbers projected out, each by the scale of its parameter.
fn projected(problem: &Problem<'_>, jacobian: &DMatrix<f64>) -> (DMatrix<f64>, Vec<usize>) {
    // What was assumed is held by its own residual: it never is the one that the runs cannot tell.
    let is_shared = |i: &usize| matches!(&problem.variables[*i], Variable::Shared(p) if !p.is_assumed());
    let (shared, run_parameters): (Vec<usize>, Vec<usize>) =
        (0..problem.variables.len()).partition(is_shared);
    let mut columns = jacobian.select_columns(&shared);
    for (k, &i) in shared.iter().enumerate() {
        if let Variable::Shared(p) = &problem.variables[i] {
            let scale = p.scale(problem.get(&problem.variables[i]));
            columns.column_mut(k).scale_mut(scale);
        }
    }
    let moving: Vec<usize> =
        run_parameters.into_iter().filter(|&i| jacobian.column(i).norm() > 1e-9).collect();
    if !moving.is_empty() {
        let basis = jacobian.select_columns(&moving).qr().q();
        let inside = &basis * (basis.transpose() * &columns);
        columns -= inside;
    }
    (columns, shared)
}

/// The variable that the runs tell least, if its share of knowledge is below [`UNIDENTIFIABLE`], and those it acts together
/// with.
pub(super) fn least_identifiable(
    problem: &Problem<'_>,
    jacobian: &DMatrix<f64>,
) -> Option<(usize, Vec<usize>)> {
    let (columns, shared) = projected(problem, jacobian);
    if shared.is_empty() {
        return None;
    }
    // One that moves nothing at all comes first.
    if let Some(k) = (0..shared.len()).find(|&k| columns.column(k).norm() < 1.0 / UNIDENTIFIABLE) {
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
    if value >= 1.0 / UNIDENTIFIABLE {
        return None;
    }
    let direction = directions.row(least);
    let worst = (0..shared.len()).max_by(|&a, &b| direction[a].abs().total_cmp(&direction[b].abs()))?;
    let with =
        (0..shared.len()).filter(|&k| k != worst && direction[k].abs() > 0.3).map(|k| shared[k]).collect();
    Some((shared[worst], with))
}

/// Covariance as if every residual had the scatter that it is expected to have, `(J'J)^-1`: all that can be said before the solution.
pub(super) fn plain_covariance(jacobian: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let lengths: Vec<f64> = jacobian.column_iter().map(|c| c.norm().max(1e-300)).collect();
    let unit = unit(jacobian, &lengths);
    let inverse = (unit.transpose() * unit).try_inverse()?;
    Some(DMatrix::from_fn(lengths.len(), lengths.len(), |i, j| inverse[(i, j)] / (lengths[i] * lengths[j])))
}

/// Share of a channel's residuals inside Huber's limit, and mean square of what counts of them.
///
/// Channels have their own: the median takes readings in steps as wide as their noise for up to a fifth more or less than they scatter.
/// Too few residuals to tell are taken as normal.
fn moments(residuals: &[Residual], channel: Channel) -> (f64, f64) {
    if channel == Channel::Prior {
        return (1.0, 1.0);
    }
    let of_it = || residuals.iter().filter(|r| r.channel == channel && r.value != 0.0);
    let n = of_it().count();
    if n < TOO_FEW {
        return NORMAL;
    }
    let inside = of_it().filter(|r| r.value.abs() <= HUBER).count() as f64;
    let psi: f64 = of_it().map(|r| r.value.clamp(-HUBER, HUBER).powi(2)).sum();
    (inside / n as f64, psi / n as f64)
}

/// Knowledge of all variables: the sum of `E[psi'] J'J` over the channels, by columns of unit length so that units do not matter to the
/// inverse.
pub(super) struct Bread {
    lengths: Vec<f64>,
    knowledge: DMatrix<f64>,
    inverse: DMatrix<f64>,
    /// By channel: share of residuals inside Huber's limit, and mean square of what counts of them.
    moments: [(f64, f64); Channel::ALL.len()],
}

impl Bread {
    /// `None` where the variables cannot be distinguished.
    pub(super) fn new(jacobian: &DMatrix<f64>, residuals: &[Residual]) -> Option<Bread> {
        let lengths: Vec<f64> = jacobian.column_iter().map(|c| c.norm().max(1e-300)).collect();
        let moments = Channel::ALL.map(|channel| moments(residuals, channel));
        let weighed = weighed(&unit(jacobian, &lengths), residuals, |channel| moments[channel as usize].0);
        let knowledge = unit(jacobian, &lengths).transpose() * weighed;
        let inverse = knowledge.clone().try_inverse()?;
        Some(Bread { lengths, knowledge, inverse, moments })
    }

    /// Columns in weighed rows.
    pub(super) fn weighted(&self, residuals: &[Residual], columns: &DMatrix<f64>) -> DMatrix<f64> {
        weighed(columns, residuals, |channel| self.moments[channel as usize].0)
    }

    /// What the solution moves by against one unit of each weighed column, in the units of the variables.
    pub(super) fn pulled(&self, jacobian: &DMatrix<f64>, weighted: &DMatrix<f64>) -> DMatrix<f64> {
        let mut moved = &self.inverse * (unit(jacobian, &self.lengths).transpose() * weighted);
        for (i, length) in self.lengths.iter().enumerate() {
            moved.row_mut(i).scale_mut(1.0 / length);
        }
        moved
    }

    /// What the solution would move by without one cluster of rows, from its own rows: `(A - A_g)^-1 s_g`, in unit columns.
    /// Variables that no other rows show stay out.
    fn without(&self, unit: &DMatrix<f64>, residuals: &[Residual], rows: &[usize]) -> Option<DVector<f64>> {
        let p = unit.ncols();
        let weight = |row: usize| self.moments[residuals[row].channel as usize].0;
        let (mut own, mut score) = (DMatrix::zeros(p, p), DVector::zeros(p));
        for &row in rows {
            let slopes = unit.row(row).transpose();
            own.ger(weight(row), &slopes, &slopes, 1.0);
            score.axpy(residuals[row].value.clamp(-HUBER, HUBER), &slopes, 1.0);
        }
        let left = &self.knowledge - own;
        let moving: Vec<usize> = (0..p).filter(|&i| left[(i, i)] > OWN * self.knowledge[(i, i)]).collect();
        let inverse = left.select_columns(&moving).select_rows(&moving).try_inverse()?;
        let moved = inverse * score.select_rows(&moving);
        let mut out = DVector::zeros(p);
        moving.iter().zip(moved.iter()).for_each(|(&i, value)| out[i] = *value);
        Some(out)
    }

    /// A column without what the variables can do for it, in weighed rows, and what is left of its knowledge.
    pub(super) fn apart(
        &self,
        jacobian: &DMatrix<f64>,
        residuals: &[Residual],
        column: DVector<f64>,
    ) -> (DVector<f64>, f64) {
        let unit = unit(jacobian, &self.lengths);
        let weight = |r: &Residual| self.moments[r.channel as usize].0;
        let weights = DVector::from_iterator(residuals.len(), residuals.iter().map(weight));
        let inside = unit.transpose() * column.component_mul(&weights);
        let apart = &column - unit * (&self.inverse * inside);
        let knowledge = apart.component_mul(&weights).dot(&column);
        (apart, knowledge.max(1e-300))
    }
}

fn unit(jacobian: &DMatrix<f64>, lengths: &[f64]) -> DMatrix<f64> {
    let mut unit = jacobian.clone();
    for (i, length) in lengths.iter().enumerate() {
        unit.column_mut(i).scale_mut(1.0 / length);
    }
    unit
}

/// Rows times a weight of their channel.
fn weighed(jacobian: &DMatrix<f64>, residuals: &[Residual], of: impl Fn(Channel) -> f64) -> DMatrix<f64> {
    let mut out = jacobian.clone();
    for (i, residual) in residuals.iter().enumerate() {
        out.row_mut(i).scale_mut(of(residual.channel));
    }
    out
}

/// Covariance of all variables, in their units.
pub(super) struct Covariance {
    /// As if residuals were independent: that of an M-estimator, `A^-1 B A^-1` with `A` the sum of `E[psi'] J'J` and `B` that of
    /// `E[psi^2] J'J` over the channels (Huber 1967; White 1980, who has rows for channels), times `n / (n - p)`. The errors of given values
    /// come on top.
    pub(super) readings: DMatrix<f64>,
    /// The same with each standard error at least that from run to run (delete-one-run jackknife, by one step from the solution: Efron,
    /// Tibshirani 1993 ch. 11; the third kind of cluster-robust covariance of MacKinnon, White 1985, from memory): a vehicle that is not the
    /// model errs alike throughout a run.
    pub(super) runs: DMatrix<f64>,
}

/// The covariance at a solution; `given` are the slopes of the residuals over given values, `rows` the residuals of each run.
pub(super) fn covariance(
    jacobian: &DMatrix<f64>,
    residuals: &[Residual],
    given: &DMatrix<f64>,
    rows: &[Vec<usize>],
) -> Option<Covariance> {
    let n = residuals.iter().filter(|r| r.value != 0.0).count() as f64;
    let p = jacobian.ncols();
    if n <= p as f64 {
        return None;
    }
    let bread = Bread::new(jacobian, residuals)?;
    let unit = unit(jacobian, &bread.lengths);
    let filling = unit.transpose() * weighed(&unit, residuals, |channel| bread.moments[channel as usize].1);
    let pulled = &bread.inverse * (unit.transpose() * bread.weighted(residuals, given));
    let independent = &bread.inverse * filling * &bread.inverse * (n / (n - p as f64));
    let by_given = &pulled * pulled.transpose();
    let mut by_run = DVector::<f64>::zeros(p);
    for moved in rows.iter().filter_map(|run| bread.without(&unit, residuals, run)) {
        by_run += moved.component_mul(&moved);
    }
    by_run *= (rows.len() as f64 - 1.0) / rows.len() as f64;
    let wider = |i: usize| (by_run[i] / independent[(i, i)].max(1e-300)).max(1.0).sqrt();
    let scaled = |i: usize, j: usize| bread.lengths[i] * bread.lengths[j];
    let readings = DMatrix::from_fn(p, p, |i, j| (independent[(i, j)] + by_given[(i, j)]) / scaled(i, j));
    let runs = DMatrix::from_fn(p, p, |i, j| {
        (wider(i) * wider(j) * independent[(i, j)] + by_given[(i, j)]) / scaled(i, j)
    });
    let finite = |m: &DMatrix<f64>| m.iter().all(|v| v.is_finite());
    (finite(&readings) && finite(&runs)).then_some(Covariance { readings, runs })
}
