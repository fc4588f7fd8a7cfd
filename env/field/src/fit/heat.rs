//! How warm the motor is when a run begins: the heat model of the vehicle file driven by the log's currents.

use crate::log::Sample;
use lowgear_env::vehicle::{COPPER_PER_K, Constants, HeatConfig, HeatStep, Rise, VehicleConfig};

/// Longest single step of heat, s.
const STEP_S: f64 = 0.5;

/// Readings without drive over which a current sensor's offset is averaged.
const IDLE_READINGS: u32 = 2000;

/// Follows the motor's temperatures through a log, from the air's at its beginning.
#[derive(Clone, Debug)]
pub struct HeatTracker {
    heat: HeatConfig,
    step: HeatStep,
    motor: Constants,
    source_ohm: f64,
    nominal_v: f64,
    rise: Rise,
    gathered_s: f64,
    winding_j: f64,
    housing_j: f64,
    last_s: Option<f64>,
    /// Reading of the current sensor without drive, and how often it was read, A.
    idle_a: (f64, u32),
}

impl HeatTracker {
    /// A cold motor.
    #[must_use]
    pub fn new(config: &VehicleConfig) -> HeatTracker {
        HeatTracker {
            heat: config.motor.heat,
            step: HeatStep::new(&config.motor.heat, STEP_S),
            motor: config.motor.line.constants(),
            source_ohm: config.battery.resistance_ohm,
            nominal_v: config.battery.nominal_voltage_v,
            rise: Rise::default(),
            gathered_s: 0.0,
            winding_j: 0.0,
            housing_j: 0.0,
            last_s: None,
            idle_a: (0.0, 0),
        }
    }

    /// Temperatures now.
    #[must_use]
    pub const fn rise(&self) -> Rise {
        self.rise
    }

    /// Takes a row. A pause between rows cools.
    pub fn take(&mut self, sample: &Sample) {
        let pause_s = self.last_s.map_or(0.0, |last| sample.time_s - last);
        self.last_s = Some(sample.time_s);
        if sample.after_break {
            if pause_s > 0.0 {
                self.rise = HeatStep::new(&self.heat, pause_s.min(1e6)).advance(self.rise, 0.0, 0.0);
            }
            return;
        }
        let winding_ohm = self.motor.resistance_ohm * (1.0 + COPPER_PER_K * self.rise.winding_k);
        let speed = sample.motor_rad_s.abs();
        let modelled = || {
            let line = self.motor.line(self.nominal_v, self.source_ohm, sample.duty, winding_ohm);
            line.stall_a - line.slope_a_s * speed
        };
        if let (Some(idle_a), true) = (sample.current_a, sample.duty <= 0.0) {
            let (mean, times) = self.idle_a;
            let times = (times + 1).min(IDLE_READINGS);
            self.idle_a = (mean + (idle_a - mean) / f64::from(times), times);
        }
        let measured = sample.current_a.map(|shown_a| shown_a - self.idle_a.0);
        let current_a = if sample.duty > 0.0 { measured.unwrap_or_else(modelled) } else { 0.0 };
        self.winding_j += current_a * current_a * winding_ohm * sample.dt_s;
        self.housing_j +=
            self.motor.torque_constant_nm_a * self.motor.no_load_current_a * speed * sample.dt_s;
        self.gathered_s += sample.dt_s;
        if self.gathered_s >= STEP_S {
            let over_s = self.gathered_s;
            let step = if over_s < 1.2 * STEP_S { self.step } else { HeatStep::new(&self.heat, over_s) };
            let rise = step.advance(self.rise, self.winding_j / over_s, self.housing_j / over_s);
            let sane = |k: f64| if k.is_finite() { k.clamp(0.0, 300.0) } else { 0.0 };
            self.rise = Rise { winding_k: sane(rise.winding_k), housing_k: sane(rise.housing_k) };
            (self.gathered_s, self.winding_j, self.housing_j) = (0.0, 0.0, 0.0);
        }
    }
}
