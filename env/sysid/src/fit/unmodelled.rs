//! What a vehicle may have and the simulator has not: whether the runs show it, and what it does to the fitted values.
//!
//! Each effect is simulated in a small amount about the solution, which gives the slopes of the residuals over its size. Residuals that
//! lean on what is left of these slopes, once the parameters have taken their part, are a score test of lack of fit (Rao 1948). The sizes are
//! then estimated together, each held to zero by a usual size, and what they would do to the parameters stands in the standard errors: the
//! values stay those that suit the simulator, their errors count what it leaves out.

use super::problem::{Problem, Residual};
use super::simulate::{Addition, Predicted, World, simulate_with};
use super::uncertainty::Bread;
use crate::runs::Run;
use lowgear_env::motion::{GRAVITY_M_S2, Plant};
use lowgear_env::vehicle::Vehicle;
use nalgebra::{DMatrix, DVector};

/// Physics that the simulator does not have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Effect {
    /// Rims faster than the ground by a part that grows with force over weight.
    Slip,
    /// Free way in the gears.
    Backlash,
    /// Motor friction that is higher at rest.
    StaticFriction,
    /// Voltage of the battery that goes on falling under load for seconds.
    SlowBattery,
    /// Voltage lost in the part of the time in which the driver is off.
    Diode,
}

/// Friction falls off within this part of the no-load speed.
const STRIBECK_PART: f64 = 0.1;
/// Time constant of the battery, s.
const RELAXATION_S: f64 = 3.0;
/// Part of the usual size by which an effect is tried.
const STEP: f64 = 0.05;
/// Residuals count up to this. Huber's limit would hide what lasts for a row or two, as free way does.
const CLIP: f64 = 8.0;
/// Standard errors from which an effect is reported, and parts of its usual size.
const TELLING: (f64, f64) = (3.0, 0.15);

impl Effect {
    /// All of them.
    pub const ALL: [Effect; 5] =
        [Effect::Slip, Effect::Backlash, Effect::StaticFriction, Effect::SlowBattery, Effect::Diode];

    /// A usual size, in the unit of [`Effect::size_text`]: a convention, not measured.
    fn usual(self, vehicle: &Vehicle) -> f64 {
        match self {
            Effect::Slip => 0.2,
            Effect::Backlash => 2.0,
            Effect::StaticFriction => 0.5,
            Effect::SlowBattery => 0.5 * vehicle.battery.resistance_ohm,
            Effect::Diode => 0.5,
        }
    }

    /// What it is, in words.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Effect::Slip => "wheel slip",
            Effect::Backlash => "backlash",
            Effect::StaticFriction => "static friction",
            Effect::SlowBattery => "a battery with a time constant",
            Effect::Diode => "a diode drop in the motor driver",
        }
    }

    /// Its size in words.
    fn size_text(self, size: f64) -> String {
        match self {
            Effect::Slip => {
                format!(
                    "the rims are {:.1} % faster than the ground at a force of a tenth of the weight",
                    10.0 * size
                )
            }
            Effect::Backlash => format!("{size:.1} rad of free way on the motor shaft"),
            Effect::StaticFriction => format!("motor friction {:.0} % higher at rest", 100.0 * size),
            Effect::SlowBattery => format!("{size:.2} Ω more after some seconds of load"),
            Effect::Diode => format!("{size:.2} V lost while the driver is off"),
        }
    }
}

/// An effect in a simulation.
struct Added {
    effect: Effect,
    size: f64,
    ocv_v: Vec<f64>,
    no_load_current_a: f64,
    drag_n: f64,
    /// Drag of the ground that grows with speed, N·s/m.
    ground_n_s_m: f64,
    /// What the battery is down by, V.
    down_v: f64,
}

impl Added {
    fn new(effect: Effect, size: f64, world: &World) -> Added {
        let vehicle = world.vehicle();
        Added {
            effect,
            size,
            ocv_v: vehicle.battery.ocv_v.clone(),
            no_load_current_a: vehicle.motor.no_load_current_a,
            drag_n: vehicle.drag_n,
            ground_n_s_m: vehicle.mass_kg * GRAVITY_M_S2 * world.ground_s_m(),
            down_v: 0.0,
        }
    }
}

impl Addition for Added {
    fn duty(&self, vehicle: &Vehicle, plant: &Plant, duty: f64) -> f64 {
        if self.effect != Effect::Diode || duty <= 0.0 {
            return duty;
        }
        let ocv_v = vehicle.battery.open_circuit_v(plant.charge).max(0.1);
        (duty - (1.0 - duty) * self.size / ocv_v).max(1e-6)
    }

    fn before(&mut self, vehicle: &mut Vehicle, plant: &Plant, duty: f64, step_s: f64) {
        match self.effect {
            Effect::Slip if vehicle.mass_kg > 1e-3 && vehicle.wheel_kg < vehicle.mass_kg * 1e3 => {
                let force_n = plant.output_nm / vehicle.wheel_radius_m;
                let share = (self.size * force_n / (vehicle.mass_kg * GRAVITY_M_S2)).max(-0.5);
                vehicle.rolling_mass_kg = vehicle.mass_kg / (1.0 + share) + vehicle.wheel_kg;
                let slower_m_s = plant.v_m_s * share / (1.0 + share);
                vehicle.drag_n = (self.drag_n - self.ground_n_s_m * slower_m_s).max(0.0);
            }
            Effect::StaticFriction => {
                let no_load_rad_s =
                    vehicle.battery.open_circuit_v(plant.charge) / vehicle.motor.emf_constant_v_s;
                let slow = (-(plant.motor_rad_s / (STRIBECK_PART * no_load_rad_s)).powi(2)).exp();
                vehicle.motor.no_load_current_a = self.no_load_current_a * (1.0 + self.size * slow);
            }
            Effect::SlowBattery => {
                let current_a = if duty > 0.0 { duty * plant.current_a } else { 0.0 };
                self.down_v += step_s * (self.size * current_a - self.down_v) / RELAXATION_S;
                for (now_v, file_v) in vehicle.battery.ocv_v.iter_mut().zip(&self.ocv_v) {
                    *now_v = file_v - self.down_v;
                }
            }
            Effect::Slip | Effect::Backlash | Effect::Diode => {}
        }
    }
}

/// Free way is passed where the torque through the gears changes its direction, by the motor alone: at once where it drives, within two rows
/// where it slows down, the most of it in the second. On which side a vehicle stands that starts is not known.
fn with_backlash(mut predicted: Vec<Predicted>, run: &Run, size_rad: f64) -> Vec<Predicted> {
    let mut side = None;
    let mut ways: Vec<(usize, f64)> = Vec::new();
    for (k, shown) in predicted.iter().enumerate().skip(1).filter(|(_, p)| p.motor_rad_s > 0.0) {
        let drives = shown.drive_force_n >= 0.0;
        match (side, drives) {
            (Some(false), true) => ways.push((k, size_rad)),
            (Some(true), false) => ways.extend([(k, -size_rad / 3.0), (k + 1, -size_rad / 1.5)]),
            _ => {}
        }
        side = Some(drives);
    }
    for (row, way_rad) in ways {
        if let (Some(shown), Some(sample)) = (predicted.get_mut(row), run.samples.get(row)) {
            shown.mean_rad_s = (shown.mean_rad_s + way_rad / sample.dt_s).max(0.0);
        }
    }
    predicted
}

/// Derivatives of the standardised residuals by the sizes of all effects, each in its usual size.
pub(super) fn effect_jacobian(problem: &Problem<'_>) -> DMatrix<f64> {
    let base = problem.all_residuals();
    let mut jacobian = DMatrix::zeros(base.len(), Effect::ALL.len());
    for (column, effect) in Effect::ALL.into_iter().enumerate() {
        let changed = (0..problem.runs.len()).flat_map(|index| {
            let (run, start_m_s) = (&problem.runs[index], problem.run_parameters[index].start_m_s);
            let world = World::of(&problem.shared, run, &problem.run_parameters[index]);
            let size = STEP * effect.usual(world.vehicle());
            let predicted = if effect == Effect::Backlash {
                with_backlash(problem.predict(index), run, size)
            } else {
                let mut added = Added::new(effect, size, &world);
                simulate_with(&world, run, start_m_s, &mut added)
            };
            problem.residuals_from(index, &predicted)
        });
        // Residuals of assumed values come after those of the runs and do not change.
        for (row, (now, was)) in changed.zip(&base).enumerate() {
            let slope = (now.value - was.value) / STEP;
            jacobian[(row, column)] = if slope.is_finite() { slope } else { 0.0 };
        }
    }
    jacobian
}

/// An effect that the runs show.
#[derive(Clone, Debug, PartialEq)]
pub struct LackOfFit {
    /// Which.
    pub effect: Effect,
    /// Its size, in the unit of its words.
    pub size: f64,
    /// Distance from zero in standard errors.
    pub off: f64,
    /// In words.
    pub text: String,
}

/// What the effects do, seen from the solution.
pub(super) struct Effects {
    /// Those that the runs show, the clearest first.
    pub(super) shown: Vec<LackOfFit>,
    /// What they add to the covariance of all variables, in the variables' units.
    pub(super) covariance: DMatrix<f64>,
}

/// Tests all effects and counts them into the errors.
pub(super) fn effects(
    problem: &Problem<'_>,
    jacobian: &DMatrix<f64>,
    residuals: &[Residual],
) -> Option<Effects> {
    let bread = Bread::new(jacobian, residuals)?;
    let slopes = effect_jacobian(problem);
    let psi = DVector::from_iterator(residuals.len(), residuals.iter().map(|r| r.value.clamp(-CLIP, CLIP)));
    let n = Effect::ALL.len();
    let apart: Vec<(DVector<f64>, f64)> =
        (0..n).map(|i| bread.apart(jacobian, residuals, slopes.column(i).into_owned())).collect();
    // All sizes together, each held to zero with a standard deviation of its usual size.
    let weighted = bread.weighted(residuals, &slopes);
    let together =
        DMatrix::from_fn(n, n, |i, j| apart[i].0.dot(&weighted.column(j)) + if i == j { 1.0 } else { 0.0 });
    let spread = together.try_inverse()?;
    let score = DVector::from_iterator(n, apart.iter().map(|(left, _)| -left.dot(&psi)));
    let sizes = &spread * score;
    let shown = shown(problem, &sizes, &spread)?;
    let second = &spread + &sizes * sizes.transpose();
    let by_size = bread.pulled(jacobian, &weighted);
    let covariance = &by_size * second * by_size.transpose();
    Some(Effects { shown, covariance })
}

/// The effects that the runs show; sizes come in usual ones.
fn shown(problem: &Problem<'_>, sizes: &DVector<f64>, spread: &DMatrix<f64>) -> Option<Vec<LackOfFit>> {
    let world = World::of(&problem.shared, problem.runs.first()?, problem.run_parameters.first()?);
    let mut shown = Vec::new();
    for (i, effect) in Effect::ALL.into_iter().enumerate() {
        let off = sizes[i] / spread[(i, i)].max(0.0).sqrt();
        if off > TELLING.0 && sizes[i] > TELLING.1 {
            let size = sizes[i] * effect.usual(world.vehicle());
            shown.push(LackOfFit { effect, size, off, text: effect.size_text(size) });
        }
    }
    shown.sort_by(|a, b| b.off.total_cmp(&a.off));
    Some(shown)
}
