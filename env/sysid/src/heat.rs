//! How warm the motor is when a run begins: the heat model of the vehicle file driven by the log's currents.
//!
//! The model is linear in the powers, so what the copper and what friction have warmed are followed apart. A fit that moves the
//! winding's resistance or the friction moves each with its own power: a quarter of a kelvin is as much as the standard error of
//! a winding's resistance.

use super::past::{CurrentInterval, Past};
use crate::log::Sample;
use lowgear_env::vehicle::{COPPER_PER_K, Constants, HeatConfig, HeatStep, TemperatureRise, VehicleConfig};

/// Heat is gathered over this time before the temperatures follow, s.
const STEP_S: f64 = 0.5;

/// No motor that a log comes from is warmer than this above the air, K.
const HOTTEST_K: f64 = 300.0;

/// Readings without drive over which a current sensor's offset is averaged.
const IDLE_READINGS: u32 = 2000;

/// What has warmed the motor, and by how much.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ThermalState {
    /// Heat of the winding.
    pub copper: TemperatureRise,
    /// Heat of friction and iron.
    pub friction: TemperatureRise,
}

impl ThermalState {
    /// Both together, with this many times the resistance and this many times the friction that they were computed with.
    #[must_use]
    pub fn temperature_rise(&self, copper: f64, friction: f64) -> TemperatureRise {
        let sum = |a: f64, b: f64| (copper * a + friction * b).clamp(0.0, HOTTEST_K);
        TemperatureRise {
            winding_k: sum(self.copper.winding_k, self.friction.winding_k),
            housing_k: sum(self.copper.housing_k, self.friction.housing_k),
        }
    }
}

/// What a row left behind.
#[derive(Clone, Copy, Debug)]
struct Last {
    time_s: f64,
    motor_rad_s: f64,
    duty: f64,
    current_a: f64,
}

/// Follows the motor's temperatures through a log, from the air's at its beginning.
#[derive(Clone, Debug)]
pub struct HeatTracker {
    heat: HeatConfig,
    motor: Constants,
    source_ohm: f64,
    nominal_v: f64,
    thermal_state: ThermalState,
    past: Past,
    open: CurrentInterval,
    gathered_s: f64,
    winding_j: f64,
    housing_j: f64,
    last: Option<Last>,
    /// Reading of the current sensor without drive, and how often it was read, A.
    idle_a: (f64, u32),
}

impl HeatTracker {
    /// A cold motor.
    #[must_use]
    pub fn new(config: &VehicleConfig) -> HeatTracker {
        HeatTracker {
            heat: config.motor.heat,
            motor: config.motor.line.constants(),
            source_ohm: config.battery.resistance_ohm,
            nominal_v: config.battery.nominal_voltage_v,
            thermal_state: ThermalState::default(),
            past: Past::default(),
            open: CurrentInterval::default(),
            gathered_s: 0.0,
            winding_j: 0.0,
            housing_j: 0.0,
            last: None,
            idle_a: (0.0, 0),
        }
    }

    /// What the motor has warmed up to by now.
    #[must_use]
    pub fn thermal_state(&self) -> ThermalState {
        let over_s = self.gathered_s;
        if over_s <= 0.0 {
            return self.thermal_state;
        }
        let step = HeatStep::new(&self.heat, over_s);
        let sane = |temperature_rise: TemperatureRise| {
            let sane = |k: f64| if k.is_finite() { k.clamp(-HOTTEST_K, HOTTEST_K) } else { 0.0 };
            TemperatureRise {
                winding_k: sane(temperature_rise.winding_k),
                housing_k: sane(temperature_rise.housing_k),
            }
        };
        ThermalState {
            copper: sane(step.advance(self.thermal_state.copper, self.winding_j / over_s, 0.0)),
            friction: sane(step.advance(self.thermal_state.friction, 0.0, self.housing_j / over_s)),
        }
    }

    /// What went through it up to now.
    #[must_use]
    pub fn past(&self) -> Past {
        let mut past = self.past.clone();
        past.push(self.open);
        past
    }

    /// Takes a row. A pause between rows cools.
    pub fn take(&mut self, sample: &Sample) {
        let winding_k = self.thermal_state.temperature_rise(1.0, 1.0).winding_k;
        let winding_ohm = self.motor.resistance_ohm * (1.0 + COPPER_PER_K * winding_k);
        let ends_a = self.current_a(sample, winding_ohm);
        let now = Last {
            time_s: sample.time_s,
            motor_rad_s: sample.motor_rad_s.abs(),
            duty: sample.duty,
            current_a: ends_a,
        };
        let last = self.last.replace(now).unwrap_or(now);
        if sample.after_break {
            self.cool(now.time_s - last.time_s);
            return;
        }
        // A current falls fast while the motor spins up: it is taken as a straight line over the row. With another duty it restarted.
        let begins_a = if last.duty.to_bits() == now.duty.to_bits() {
            last.current_a
        } else {
            self.modelled_a(now.duty, last.motor_rad_s, winding_ohm)
        };
        let square_a2 = (begins_a * begins_a + begins_a * ends_a + ends_a * ends_a) / 3.0;
        self.winding_j += square_a2 * winding_ohm * sample.dt_s;
        // What the back-EMF takes in and the torque does not give out stays in the motor, as in the simulator.
        let Constants { torque_constant_nm_a, emf_constant_v_s, no_load_current_a, .. } = self.motor;
        let iron_nm = (emf_constant_v_s - torque_constant_nm_a) * 0.5 * (begins_a + ends_a);
        self.housing_j +=
            (torque_constant_nm_a * no_load_current_a + iron_nm) * now.motor_rad_s * sample.dt_s;
        self.gathered_s += sample.dt_s;
        self.open.lasted_s += sample.dt_s;
        self.open.squared_a2s += square_a2 * sample.dt_s;
        self.open.turned_rad += now.motor_rad_s * sample.dt_s;
        self.open.current_turned_a_rad += 0.5 * (begins_a + ends_a) * now.motor_rad_s * sample.dt_s;
        if self.gathered_s >= STEP_S {
            self.thermal_state = self.thermal_state();
            (self.gathered_s, self.winding_j, self.housing_j) = (0.0, 0.0, 0.0);
            self.past.push(std::mem::take(&mut self.open));
        }
    }

    /// Current at a row: the reading without the sensor's offset, or what the model says.
    fn current_a(&mut self, sample: &Sample, winding_ohm: f64) -> f64 {
        if sample.duty > 0.0 {
            let modelled = || self.modelled_a(sample.duty, sample.motor_rad_s.abs(), winding_ohm);
            return sample.current_a.map_or_else(modelled, |shown_a| shown_a - self.idle_a.0);
        }
        if let Some(idle_a) = sample.current_a {
            let (mean, times) = self.idle_a;
            let times = (times + 1).min(IDLE_READINGS);
            self.idle_a = (mean + (idle_a - mean) / f64::from(times), times);
        }
        0.0
    }

    fn modelled_a(&self, duty: f64, motor_rad_s: f64, winding_ohm: f64) -> f64 {
        if duty <= 0.0 {
            return 0.0;
        }
        let line = self.motor.line(self.nominal_v, self.source_ohm, duty, winding_ohm);
        line.stall_a - line.slope_a_s * motor_rad_s
    }

    fn cool(&mut self, pause_s: f64) {
        if pause_s > 0.0 {
            self.past.push(std::mem::take(&mut self.open));
            self.past.push(CurrentInterval { lasted_s: pause_s.min(1e6), ..CurrentInterval::default() });
            let step = HeatStep::new(&self.heat, pause_s.min(1e6));
            let cooled = |temperature_rise| step.advance(temperature_rise, 0.0, 0.0);
            self.thermal_state.copper = cooled(self.thermal_state.copper);
            self.thermal_state.friction = cooled(self.thermal_state.friction);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::log::Sample;
    use lowgear_env::config::load;
    use lowgear_env::vehicle::MotorLineConfig;
    use std::path::Path;

    fn cart() -> VehicleConfig {
        load(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../../configs/vehicles/demo-cart.toml")).unwrap()
    }

    /// A motor that is driven for some ten seconds with uneven rows.
    fn followed(config: &VehicleConfig, current_a: f64, motor_rad_s: f64) -> (ThermalState, f64) {
        let mut tracker = HeatTracker::new(config);
        let mut time_s = 0.0;
        for i in 0..200_u32 {
            let dt_s = if i == 0 { 0.0 } else { 0.05 + 0.004 * f64::from(i % 3) };
            time_s += dt_s;
            tracker.take(&Sample {
                time_s,
                dt_s,
                motor_rad_s,
                duty: 1.0,
                current_a: Some(current_a),
                after_break: i == 0,
                ..Sample::default()
            });
        }
        (tracker.thermal_state(), time_s)
    }

    #[test]
    fn uneven_rows_warm_the_motor_as_one_step_over_all_their_time_does() {
        let config = cart();
        let motor = config.motor.line.constants();
        let (current_a, motor_rad_s) = (0.1, 500.0);
        let (thermal_state, time_s) = followed(&config, current_a, motor_rad_s);
        let copper_w = current_a * current_a * motor.resistance_ohm;
        let iron_nm = (motor.emf_constant_v_s - motor.torque_constant_nm_a) * current_a;
        let friction_w = (motor.torque_constant_nm_a * motor.no_load_current_a + iron_nm) * motor_rad_s;
        let exact = HeatStep::new(&config.motor.heat, time_s);
        let (copper, friction) = (
            exact.advance(TemperatureRise::default(), copper_w, 0.0),
            exact.advance(TemperatureRise::default(), 0.0, friction_w),
        );
        // The winding's resistance grows by less than a percent on the way.
        assert!(
            (thermal_state.copper.winding_k / copper.winding_k - 1.0).abs() < 0.005,
            "{thermal_state:?} {copper:?}"
        );
        assert!(
            (thermal_state.friction.housing_k / friction.housing_k - 1.0).abs() < 1e-9,
            "{thermal_state:?} {friction:?}"
        );
    }

    #[test]
    fn a_current_that_falls_within_the_rows_warms_by_all_of_it() {
        let config = cart();
        let motor = config.motor.line.constants();
        let mut tracker = HeatTracker::new(&config);
        let line = motor.line(
            config.battery.nominal_voltage_v,
            config.battery.resistance_ohm,
            1.0,
            motor.resistance_ohm,
        );
        let (stall_a, falls_in_s, dt_s) = (line.stall_a, 0.12, 0.05);
        for i in 0..=10_u32 {
            let since_s = f64::from(i) * dt_s;
            let current_a = stall_a * (-since_s / falls_in_s).exp();
            let driven = i > 0;
            tracker.take(&Sample {
                time_s: since_s,
                dt_s: if driven { dt_s } else { 0.0 },
                motor_rad_s: (stall_a - current_a) / line.slope_a_s,
                duty: if driven { 1.0 } else { 0.0 },
                current_a: Some(if driven { current_a } else { 0.0 }),
                after_break: i == 0,
                ..Sample::default()
            });
        }
        let lasted_s = 10.0 * dt_s;
        // The integral of the squared current, in closed form.
        let square_a2s = stall_a * stall_a * 0.5 * falls_in_s * (1.0 - (-2.0 * lasted_s / falls_in_s).exp());
        let mean_w = square_a2s * motor.resistance_ohm / lasted_s;
        let exact =
            HeatStep::new(&config.motor.heat, lasted_s).advance(TemperatureRise::default(), mean_w, 0.0);
        let found = tracker.thermal_state().copper;
        // A straight line over a row lies above a curve that falls ever more slowly, by a part that is known.
        let kept = (-dt_s / falls_in_s).exp();
        let above = (1.0 + kept + kept * kept) / 3.0 * dt_s / (0.5 * falls_in_s * (1.0 - kept * kept));
        assert!((1.0..1.03).contains(&above), "{above}");
        assert!((found.winding_k / (above * exact.winding_k) - 1.0).abs() < 0.002, "{found:?} {exact:?}");
    }

    #[test]
    fn warmth_goes_with_the_constants_that_are_found_later() {
        let (guess, mut true_one) = (cart(), cart());
        let mut motor = guess.motor.line.constants();
        motor.resistance_ohm *= 1.15;
        true_one.motor.line = MotorLineConfig::Constants(motor);
        let (tracked, exact) = (followed(&guess, 0.4, 300.0).0, followed(&true_one, 0.4, 300.0).0);
        let (found, true_rise) = (tracked.temperature_rise(1.15, 1.0), exact.temperature_rise(1.0, 1.0));
        assert!((found.winding_k / true_rise.winding_k - 1.0).abs() < 0.01, "{found:?} {true_rise:?}");
        assert!((found.housing_k / true_rise.housing_k - 1.0).abs() < 0.01, "{found:?} {true_rise:?}");
    }
}
