//! Residuals and their Jacobian.

use super::given::GivenErrors;
use super::parameters::{Parameter, Shared};
use super::scale::{mean_drive_force_n, spring_scale_n};
use super::simulate::{Predicted, World, simulate};
use crate::log::SpeedIs;
use crate::runs::Run;
use nalgebra::{DMatrix, DVector};

/// What a residual compares.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Channel {
    /// Motor speed.
    Speed,
    /// Battery voltage.
    Voltage,
    /// Motor current.
    Current,
    /// Force on a spring scale.
    Force,
    /// An assumed value, against what was assumed.
    Prior,
}

impl Channel {
    /// All of them.
    pub(super) const ALL: [Channel; 5] =
        [Channel::Speed, Channel::Voltage, Channel::Current, Channel::Force, Channel::Prior];
}

/// A residual: measured less simulated over the expected scatter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residual {
    /// Channel.
    pub channel: Channel,
    /// Row within the run.
    pub row: usize,
    /// In standard deviations.
    pub value: f64,
}

/// Slower than this a simulated motor stands still, rad/s.
const STANDS_RAD_S: f64 = 1e-3;
/// Huber's limit: 95 % efficient where errors are normal.
pub(super) const HUBER: f64 = 1.345;

/// How much each channel is expected to scatter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scatter {
    /// Of the encoder, relative to the speed.
    pub(super) encoder: f64,
    /// Of one pulse: rad, one over `sqrt(6)` of its angle.
    pub(super) pulse_rad: f64,
    pub(super) voltage_v: f64,
    pub(super) current_a: f64,
    /// Factors by channel from the residuals themselves.
    pub(super) factor: [f64; 5],
}

/// A run with what is fitted for it alone.
#[derive(Clone, Debug)]
pub(super) struct RunParameters {
    pub(super) charge: f64,
    pub(super) ocv_offset_v: f64,
    /// Whether the offset is fitted: the log has a voltage.
    pub(super) fits_ocv: bool,
    pub(super) start_m_s: f64,
    pub(super) fits_start: bool,
    /// Speeds that the weights are taken at, rad/s.
    pub(super) weigh_rad_s: Vec<f64>,
    /// Rows by which readings are late.
    pub(super) late: usize,
    /// How far the grade is off the label's, degrees; 0 but for slopes.
    pub(super) grade_off_deg: f64,
}

/// One fitted number.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Variable {
    Shared(Parameter),
    Ocv(usize),
    Start(usize),
    /// How far the ramps whose labels say so many degrees are off, degrees.
    Grade(f64),
}

/// The problem at one point.
#[derive(Clone)]
pub(super) struct Problem<'a> {
    pub(super) runs: &'a [Run],
    pub(super) shared: Shared,
    /// The start.
    pub(super) first: Shared,
    pub(super) run_parameters: Vec<RunParameters>,
    pub(super) variables: Vec<Variable>,
    pub(super) scatter: Scatter,
    pub(super) speed_is: SpeedIs,
    /// How far given values may be off.
    pub(super) given: GivenErrors,
    /// Whether large residuals count by Huber's loss.
    pub(super) robust: bool,
}

/// A run's rows of the Jacobian: all other columns are zero there.
pub(super) struct RunJacobian {
    /// The variables that act in the run.
    pub(super) columns: Vec<usize>,
    /// Derivatives by their values, one column each.
    pub(super) jacobian: DMatrix<f64>,
    /// The standardised residuals.
    pub(super) residuals: Vec<Residual>,
}

/// Limits of a run's own numbers: V, and m/s.
const OCV_LIMITS: (f64, f64) = (-5.0, 5.0);
const START_LIMITS: (f64, f64) = (0.0, 20.0);
/// Limits of what a label's grade is off by, degrees.
const GRADE_LIMITS: (f64, f64) = (-15.0, 15.0);

impl Variable {
    fn limits(&self) -> (f64, f64) {
        match self {
            Variable::Shared(p) => p.limits(),
            Variable::Ocv(_) => OCV_LIMITS,
            Variable::Start(_) => START_LIMITS,
            Variable::Grade(_) => GRADE_LIMITS,
        }
    }

    fn is_positive(&self) -> bool {
        matches!(self, Variable::Shared(p) if p.is_positive())
    }

    /// Value from the unlimited variable, and its derivative.
    pub(super) fn value(&self, u: f64) -> (f64, f64) {
        let (low, high) = self.limits();
        let s = 1.0 / (1.0 + (-u).exp());
        let slope = s * (1.0 - s);
        if self.is_positive() {
            let span = (high / low).ln();
            let value = low * (span * s).exp();
            (value, value * span * slope)
        } else {
            (low + (high - low) * s, (high - low) * slope)
        }
    }

    /// The unlimited variable of a value; values on a limit are moved a little inside.
    fn inverse(&self, value: f64) -> f64 {
        let (low, high) = self.limits();
        let share = if self.is_positive() {
            (value / low).ln() / (high / low).ln()
        } else {
            (value - low) / (high - low)
        };
        let s = share.clamp(1e-6, 1.0 - 1e-6);
        (s / (1.0 - s)).ln()
    }
}

impl Problem<'_> {
    pub(super) fn get(&self, variable: &Variable) -> f64 {
        match variable {
            Variable::Shared(p) => self.shared.get(p),
            Variable::Ocv(run) => self.run_parameters[*run].ocv_offset_v,
            Variable::Start(run) => self.run_parameters[*run].start_m_s,
            Variable::Grade(label_deg) => {
                self.on_ramp(*label_deg).next().map_or(0.0, |run| self.run_parameters[run].grade_off_deg)
            }
        }
    }

    pub(super) fn set(&mut self, variable: &Variable, value: f64) {
        match variable {
            Variable::Shared(p) => self.shared.set(p, value),
            Variable::Ocv(run) => self.run_parameters[*run].ocv_offset_v = value,
            Variable::Start(run) => self.run_parameters[*run].start_m_s = value,
            Variable::Grade(label_deg) => {
                let there: Vec<usize> = self.on_ramp(*label_deg).collect();
                there.into_iter().for_each(|run| self.run_parameters[run].grade_off_deg = value);
            }
        }
    }

    /// The runs whose labels say so many degrees.
    fn on_ramp(&self, label_deg: f64) -> impl Iterator<Item = usize> {
        (0..self.runs.len()).filter(move |&run| self.runs[run].grade_deg.to_bits() == label_deg.to_bits())
    }

    pub(super) fn predict(&self, run: usize) -> Vec<Predicted> {
        let run_parameters = &self.run_parameters[run];
        let world = World::of(&self.shared, &self.runs[run], run_parameters);
        simulate(&world, &self.runs[run], run_parameters.start_m_s)
    }

    /// Standardised residuals of a run, before any robust weight.
    pub(super) fn residuals_of(&self, index: usize) -> Vec<Residual> {
        self.residuals_from(index, &self.predict(index))
    }

    /// The same against other predictions.
    pub(super) fn residuals_from(&self, index: usize, predicted: &[Predicted]) -> Vec<Residual> {
        let (run, run_parameters) = (&self.runs[index], &self.run_parameters[index]);
        let factor = self.scatter.factor;
        let mut out = Vec::with_capacity(3 * predicted.len());
        let mut push = |channel: Channel, row: usize, error: f64, sd: f64| {
            let value = error / (sd * factor[channel as usize]);
            // A simulation that has gone wild must not give the solver infinities.
            out.push(Residual {
                channel,
                row,
                value: if value.is_finite() { value.clamp(-1e6, 1e6) } else { 1e6 },
            });
        };
        for (row, sample) in run.samples.iter().enumerate().skip(1 + run_parameters.late) {
            let shown = &predicted[row - run_parameters.late];
            let speed = if self.speed_is == SpeedIs::Mean { shown.mean_rad_s } else { shown.motor_rad_s };
            let sd = (self.scatter.encoder * run_parameters.weigh_rad_s[row])
                .hypot(self.scatter.pulse_rad / sample.dt_s);
            // An encoder does not tell the direction. A motor that stands still in both tells nothing of the scatter: the residual is
            // exactly nought then and left out of every count.
            let stands = sample.motor_rad_s == 0.0 && speed.abs() < STANDS_RAD_S;
            let error = if stands { 0.0 } else { sample.motor_rad_s.abs() - speed.abs() };
            push(Channel::Speed, row, error, sd);
            if let Some(battery_v) = sample.battery_v {
                push(Channel::Voltage, row, battery_v - shown.terminal_v, self.scatter.voltage_v);
            }
            if let Some(current_a) = sample.current_a {
                let expected = shown.current_a + self.shared.current_offset_a;
                push(Channel::Current, row, current_a - expected, self.scatter.current_a);
            }
        }
        if let Some((force_n, error_n)) = run.force_n
            && let Some(drive_force_n) = mean_drive_force_n(run, predicted)
        {
            let shown_n =
                spring_scale_n(&self.shared.config.chassis, &self.shared.surfaces, run, drive_force_n);
            push(Channel::Force, 0, force_n - shown_n, error_n);
        }
        out
    }

    /// Those of the runs, then one for every assumed value that is fitted.
    pub(super) fn all_residuals(&self) -> Vec<Residual> {
        let priors = self.priors().into_iter().map(|(_, residual, _)| residual);
        (0..self.runs.len()).flat_map(|run| self.residuals_of(run)).chain(priors).collect()
    }

    /// For every assumed value that is fitted: its variable, how far it (its logarithm, where it is no grade) is from the start in standard
    /// deviations, and the derivative of that by the value.
    pub(super) fn priors(&self) -> Vec<(usize, Residual, f64)> {
        let of = |(column, variable): (usize, &Variable)| {
            let parameter = match variable {
                Variable::Shared(parameter) => parameter,
                Variable::Grade(_) => {
                    let value = self.get(variable) / self.given.grade_deg;
                    let residual = Residual { channel: Channel::Prior, row: column, value };
                    return Some((column, residual, 1.0 / self.given.grade_deg));
                }
                Variable::Ocv(_) | Variable::Start(_) => return None,
            };
            let sd = self.given.of_assumed(parameter);
            let (value, first) = (self.shared.get(parameter), self.first.get(parameter));
            let residual =
                Residual { channel: Channel::Prior, row: column, value: (value / first).ln() / sd };
            parameter.is_assumed().then_some((column, residual, 1.0 / (value * sd)))
        };
        self.variables.iter().enumerate().filter_map(of).collect()
    }

    /// Derivatives of the standardised residuals by the values of the variables themselves, one column each.
    pub(super) fn full_jacobian(&self) -> DMatrix<f64> {
        let by_run: Vec<RunJacobian> = (0..self.runs.len()).map(|run| self.run_jacobian(run)).collect();
        let priors = self.priors();
        let rows = by_run.iter().map(|run| run.jacobian.nrows()).sum::<usize>();
        let mut jacobian = DMatrix::zeros(rows + priors.len(), self.variables.len());
        let mut start = 0;
        for run in &by_run {
            for (derivatives, column) in run.jacobian.column_iter().zip(&run.columns) {
                jacobian.view_mut((start, *column), (derivatives.len(), 1)).copy_from(&derivatives);
            }
            start += run.jacobian.nrows();
        }
        for (row, (column, _, slope)) in priors.into_iter().enumerate() {
            jacobian[(rows + row, column)] = slope;
        }
        jacobian
    }

    /// The part of it that belongs to a run, by finite differences.
    pub(super) fn run_jacobian(&self, run: usize) -> RunJacobian {
        let acts = |column: &usize| match &self.variables[*column] {
            Variable::Shared(parameter) => touches(parameter, &self.runs[run], &self.shared),
            Variable::Ocv(of) | Variable::Start(of) => *of == run,
            Variable::Grade(label_deg) => self.on_ramp(*label_deg).any(|on| on == run),
        };
        let columns: Vec<usize> = (0..self.variables.len()).filter(acts).collect();
        let base = self.residuals_of(run);
        let mut jacobian = DMatrix::zeros(base.len(), columns.len());
        let mut moved = self.clone();
        for (mut derivatives, column) in jacobian.column_iter_mut().zip(&columns) {
            let variable = &self.variables[*column];
            let (low, high) = variable.limits();
            let value = self.get(variable);
            let size = match variable {
                Variable::Shared(p) => p.scale(value),
                Variable::Ocv(_) | Variable::Start(_) | Variable::Grade(_) => 1.0,
            };
            let mut step = 1e-5 * size;
            if value + step > high {
                step = -step;
            }
            moved.set(variable, (value + step).max(low));
            for ((slope, now), was) in derivatives.iter_mut().zip(moved.residuals_of(run)).zip(&base) {
                let found = (now.value - was.value) / step;
                *slope = if found.is_finite() { found } else { 0.0 };
            }
            moved.set(variable, value);
        }
        RunJacobian { columns, jacobian, residuals: base }
    }

    pub(super) fn point(&self) -> DVector<f64> {
        DVector::from_iterator(self.variables.len(), self.variables.iter().map(|v| v.inverse(self.get(v))))
    }
}

/// Whether a parameter acts in a run at all.
fn touches(parameter: &Parameter, run: &Run, shared: &Shared) -> bool {
    let here = |s: usize| run.surface.as_deref() == shared.surfaces.names.get(s).map(String::as_str);
    match parameter {
        Parameter::Efficiency(gear) | Parameter::BackEfficiency(gear) => *gear == run.gear,
        Parameter::Rolling(surface) | Parameter::Grass(surface) => here(*surface),
        _ => true,
    }
}
