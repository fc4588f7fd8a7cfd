//! The problem in the form in which the library wants it, in as few rows as hold all that a step of least squares needs.
//!
//! A step uses no more of residuals `r` and Jacobian `J` than `JᵀJ`, `Jᵀr` and `|r|`. An orthogonal transformation changes none of
//! them, so that each run's rows of `[J r]` give way to the triangle of their QR decomposition: some fifteen rows of a few hundred.

use super::problem::{HUBER, Problem, RunJacobian};
use levenberg_marquardt::LeastSquaresProblem;
use nalgebra::{DMatrix, DVector, Dyn, Owned};
use std::cell::OnceCell;

/// A problem with its residuals and Jacobian at the present point.
pub(super) struct Linearised<'a> {
    problem: Problem<'a>,
    /// Both in one matrix, the residuals in its last column.
    here: OnceCell<DMatrix<f64>>,
}

impl<'a> Linearised<'a> {
    pub(super) fn new(problem: Problem<'a>) -> Linearised<'a> {
        Linearised { problem, here: OnceCell::new() }
    }

    /// The problem at the present point.
    pub(super) fn into_problem(self) -> Problem<'a> {
        self.problem
    }

    fn here(&self) -> &DMatrix<f64> {
        self.here.get_or_init(|| {
            let problem = &self.problem;
            let width = problem.variables.len();
            let triangles: Vec<(Vec<usize>, DMatrix<f64>)> = (0..problem.runs.len())
                .map(|run| problem.run_jacobian(run))
                .map(|run| (run.columns.iter().copied().chain([width]).collect(), self.triangle(&run)))
                .collect();
            let priors = problem.priors();
            let rows = triangles.iter().map(|(_, triangle)| triangle.nrows()).sum::<usize>();
            let mut all = DMatrix::zeros(rows + priors.len(), width + 1);
            let mut start = 0;
            for (columns, triangle) in &triangles {
                for (values, column) in triangle.column_iter().zip(columns) {
                    all.view_mut((start, *column), (values.len(), 1)).copy_from(&values);
                }
                start += triangle.nrows();
            }
            for (row, (column, residual, slope)) in priors.into_iter().enumerate() {
                all[(rows + row, column)] = slope;
                all[(rows + row, width)] = residual.value;
            }
            let u = problem.point();
            for (column, variable) in problem.variables.iter().enumerate() {
                all.column_mut(column).scale_mut(variable.value(u[column]).1);
            }
            all
        })
    }

    /// The triangle of a run's Jacobian and residuals, readings that are far off counting by Huber's loss.
    fn triangle(&self, run: &RunJacobian) -> DMatrix<f64> {
        let width = run.columns.len();
        let mut both = run.jacobian.clone().resize_horizontally(width + 1, 0.0);
        for (row, residual) in run.residuals.iter().enumerate() {
            let (value, slope) =
                if self.problem.robust { huber_residual(residual.value) } else { (residual.value, 1.0) };
            both.row_mut(row).scale_mut(slope);
            both[(row, width)] = value;
        }
        both.qr().unpack_r()
    }
}

impl LeastSquaresProblem<f64, Dyn, Dyn> for Linearised<'_> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, u: &DVector<f64>) {
        for (i, variable) in self.problem.variables.clone().iter().enumerate() {
            self.problem.set(variable, variable.value(u[i]).0);
        }
        self.here = OnceCell::new();
    }

    fn params(&self) -> DVector<f64> {
        self.problem.point()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        Some(self.here().column(self.problem.variables.len()).into_owned())
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        Some(self.here().columns(0, self.problem.variables.len()).into_owned())
    }
}

/// Huber's loss as a residual whose square is twice the loss, and its derivative.
fn huber_residual(value: f64) -> (f64, f64) {
    let size = value.abs();
    if size <= HUBER {
        return (value, 1.0);
    }
    let root = (2.0 * HUBER * size - HUBER * HUBER).sqrt();
    (root.copysign(value), HUBER / root)
}
