//! Damage to the gearbox over logged laps, and the state of battery and motor at their start, by the model of the vehicle.
//!
//! The motor's speed, its duty and the battery voltage are measured, so torque follows from them without any knowledge of
//! the ground: current from voltage and back-EMF, motor torque from current and friction, the rotor's share taken off,
//! times ratio and efficiency. When a gear engages, the motor's speed and that of the
//! rolling vehicle give the speed difference of the dogs, and with the inertias and the stiffness the peak of the shock. The torque history goes through the same rainflow
//! count as the simulator's. In neutral the
//! motor's friction slows it; the gear is taken to engage in the middle of a row. Left out: torque within a tick, and slip of the
//! wheels. The damage is therefore a figure to compare laps with, not a life.

use lowgear_env::motion::GRAVITY_M_S2;
use lowgear_env::stress::Stress;
use lowgear_env::vehicle::{COPPER_PER_K, TemperatureRise, Vehicle, VehicleConfig};
use lowgear_env::{Seed, Stream};
use lowgear_sysid::heat::HeatTracker;
use lowgear_sysid::log::Sample;

/// Acceleration is taken over this time, s: the encoder counts whole pulses, and over one tick they would be noise.
const ACCELERATION_S: f64 = 0.2;
/// Deceleration of a vehicle that rolls in neutral, m/s²: between hard path and lawn (assumed).
const COAST_M_S2: f64 = 0.06 * GRAVITY_M_S2;
/// Rows that are kept for it.
const MOST_ROWS: usize = 64;
/// Rows after an engagement from which on the motor's reading is that of the new gear alone.
const SETTLED_ROWS: u32 = 2;

/// Battery and motor before a lap is driven.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LapStart {
    /// Battery voltage without drive, V; `None` where it is not logged.
    pub rest_v: Option<f64>,
    /// Warmth of the motor above the air, by the model.
    pub temperature_rise: TemperatureRise,
}

/// What the model says of a lap.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ModelledLap {
    /// Damage to the gearbox, share of nominal life.
    pub damage: f64,
    /// Engagements whose shock was above the torque at the knee of the life curve.
    pub hard_engagements: u32,
    /// Battery and motor before it was driven; `None` for a lap without drive.
    pub start: Option<LapStart>,
}

/// The model that follows a log.
#[derive(Clone, Debug)]
pub struct LapModel {
    vehicle: Vehicle,
    /// Force at the rims at which tyres slip on the ground of the laps, N.
    grip_n: f64,
    heat: HeatTracker,
    /// Mean and number of battery readings since the drive was cut.
    rest_v: (f64, u32),
    driven: bool,
    gear: Option<usize>,
    /// Speeds of this gear's rows, the newest last, with the time since the row before.
    speeds: Vec<(f64, f64)>,
    /// Speed of the motor in neutral when a gear is about to engage, rad/s.
    neutral_rad_s: f64,
    /// Speed of the vehicle when the last gear was left, m/s.
    left_m_s: f64,
    /// Time in neutral since then, s.
    neutral_s: f64,
    /// Rows since the gear engaged.
    rows: u32,
    lap: Option<(Stress, ModelledLap)>,
}

impl LapModel {
    /// For logs of this vehicle, nominal in everything, on ground with this coefficient of friction.
    #[must_use]
    pub fn new(config: &VehicleConfig, friction: f64) -> LapModel {
        let mut nominal = config.clone();
        nominal.variation = nominal.variation.nominal();
        let vehicle = nominal.draw(&mut Seed(0).stream(Stream::Vehicle, 0));
        let axles = &vehicle.axles[..vehicle.axle_count];
        let driven: f64 = axles.iter().filter(|axle| axle.driven).map(|axle| axle.load_share).sum();
        LapModel {
            grip_n: friction * driven * vehicle.mass_kg * GRAVITY_M_S2,
            vehicle,
            heat: HeatTracker::new(config),
            rest_v: (0.0, 0),
            driven: false,
            gear: None,
            speeds: Vec::new(),
            neutral_rad_s: 0.0,
            left_m_s: 0.0,
            neutral_s: 0.0,
            rows: 0,
            lap: None,
        }
    }

    /// A lap begins with the next row.
    pub fn begin(&mut self) {
        self.lap = Some((self.vehicle.stress(), ModelledLap::default()));
    }

    /// The lap is over; what the model says of it.
    pub fn end(&mut self) -> ModelledLap {
        let Some((stress, lap)) = self.lap.take() else { return ModelledLap::default() };
        ModelledLap { damage: stress.total(), ..lap }
    }

    /// Takes a row of the log.
    pub fn take(&mut self, sample: &Sample) {
        self.note_start(sample);
        self.heat.take(sample);
        if sample.after_break {
            (self.gear, self.rows) = (None, 0);
            self.speeds.clear();
        }
        let gear = sample.gear.and_then(|gear| usize::from(gear).checked_sub(1));
        let gear = gear.filter(|gear| *gear < self.vehicle.gears.len());
        if gear != self.gear {
            if let Some(left) = self.gear {
                let (last_rad_s, _) = self.speeds.last().copied().unwrap_or_default();
                self.left_m_s = last_rad_s / self.vehicle.gears[left].turn_rad_m;
                self.neutral_rad_s = last_rad_s;
                self.neutral_s = 0.0;
                self.push(0.0);
            }
            (self.gear, self.rows) = (gear, 0);
            self.speeds.clear();
        }
        let Some(gear) = gear else {
            // The reading is the mean over the row; friction slows the motor on, and the gear engages within the next row.
            let motor = &self.vehicle.motor;
            let friction_nm = motor.torque_constant_nm_a * motor.no_load_current_a;
            let lost_rad_s = friction_nm / self.vehicle.rotor_kg_m2 * sample.dt_s;
            self.neutral_rad_s = (sample.motor_rad_s.abs() - lost_rad_s).max(0.0);
            self.neutral_s += sample.dt_s;
            return;
        };
        self.rows = self.rows.saturating_add(1);
        if self.speeds.len() == MOST_ROWS {
            self.speeds.remove(0);
        }
        self.speeds.push((sample.motor_rad_s, sample.dt_s));
        let output_nm = self.output_nm(gear, sample);
        if self.rows == SETTLED_ROWS {
            self.shock(gear, output_nm);
        }
        // The first row of a gear is partly neutral.
        if self.rows >= SETTLED_ROWS {
            self.push(output_nm);
        }
    }

    /// Voltage at rest until the lap is driven, and the warmth then.
    fn note_start(&mut self, sample: &Sample) {
        let driven = sample.duty > 0.0;
        if let (true, Some((_, lap))) = (driven, &mut self.lap)
            && lap.start.is_none()
        {
            let (mean_v, readings) = self.rest_v;
            let rest_v = (readings > 0).then_some(mean_v);
            let temperature_rise = self.heat.thermal_state().temperature_rise(1.0, 1.0);
            lap.start = Some(LapStart { rest_v, temperature_rise });
        }
        if self.driven || sample.after_break {
            self.rest_v = (0.0, 0);
        }
        self.driven = driven;
        if let (false, Some(battery_v)) = (driven, sample.battery_v) {
            let (mean_v, readings) = self.rest_v;
            let readings = readings.saturating_add(1);
            self.rest_v = (mean_v + (battery_v - mean_v) / f64::from(readings), readings);
        }
    }

    fn push(&mut self, output_nm: f64) {
        if let Some((stress, _)) = &mut self.lap {
            stress.push(output_nm);
        }
    }

    /// Torque that leaves the gears, N·m.
    fn output_nm(&mut self, gear: usize, sample: &Sample) -> f64 {
        let TemperatureRise { winding_k, housing_k } = self.heat.thermal_state().temperature_rise(1.0, 1.0);
        let vehicle = &self.vehicle;
        let motor = vehicle.motor.weakened(1.0 - vehicle.magnet_per_k * housing_k);
        let winding_ohm = motor.resistance_ohm * (1.0 + COPPER_PER_K * winding_k);
        let current_a = match (sample.current_a, sample.battery_v) {
            _ if sample.duty <= 0.0 => 0.0,
            (Some(current_a), _) => current_a,
            // The reading is the voltage under load: what the battery's own resistance takes is off already.
            (None, Some(battery_v)) => {
                (sample.duty * battery_v - motor.emf_constant_v_s * sample.motor_rad_s) / winding_ohm
            }
            (None, None) => {
                let ocv_v = vehicle.battery.open_circuit_v(vehicle.charge);
                let line = motor.line(ocv_v, vehicle.battery.resistance_ohm, sample.duty, winding_ohm);
                line.stall_a - line.slope_a_s * sample.motor_rad_s
            }
        };
        let electrical_nm = motor.torque_constant_nm_a * current_a;
        let friction_nm = motor.torque_constant_nm_a * motor.no_load_current_a;
        let shaft_nm = if sample.motor_rad_s.abs() > 0.0 {
            electrical_nm - friction_nm
        } else {
            (electrical_nm.abs() - friction_nm).max(0.0).copysign(electrical_nm)
        };
        let g = &vehicle.gears[gear];
        let inner_nm = (shaft_nm - vehicle.rotor_kg_m2 * self.acceleration_rad_s2()) * g.ratio;
        let output_nm =
            if inner_nm > 0.0 { inner_nm * g.efficiency } else { inner_nm / g.back_efficiency.max(0.01) };
        let grip_nm = self.grip_n * vehicle.wheel_radius_m;
        output_nm.clamp(-grip_nm, grip_nm)
    }

    /// Over the last rows of this gear.
    fn acceleration_rad_s2(&self) -> f64 {
        let Some(((newest, _), before)) = self.speeds.split_last() else { return 0.0 };
        let mut over_s = 0.0;
        // The first row of a gear is partly neutral.
        let usable = self.speeds.len().saturating_sub(1);
        for (at, (speed, _)) in before.iter().enumerate().rev().take(usable.saturating_sub(1)) {
            over_s += self.speeds[at + 1].1;
            if over_s >= ACCELERATION_S {
                return (newest - speed) / over_s;
            }
        }
        0.0
    }

    /// The shock of an engagement, as `Plant::engage` has it. The motor's speed is measured; that of the vehicle is what it was
    /// when the last gear was left, less what it loses in neutral. (The common speed afterwards would tell it, too, but in a low
    /// gear the rotor is most of the inertia, and the vehicle's speed a small difference of large numbers.)
    fn shock(&mut self, gear: usize, output_nm: f64) {
        let vehicle = &self.vehicle;
        let g = &vehicle.gears[gear];
        let radius = vehicle.wheel_radius_m;
        let before_m_s = (self.left_m_s - COAST_M_S2 * self.neutral_s).max(0.0);
        let difference_m_s = self.neutral_rad_s / g.turn_rad_m - before_m_s;
        let peak = |other_kg: f64| {
            let reduced_kg = other_kg * g.rotor_kg / (other_kg + g.rotor_kg);
            difference_m_s.abs() * (vehicle.stiffness_nm_rad * reduced_kg).sqrt()
        };
        let slipping_nm = self.grip_n * radius + peak(vehicle.wheel_kg);
        let peak_nm = peak(vehicle.rolling_mass_kg).min(slipping_nm).copysign(difference_m_s);
        let hard = (output_nm + peak_nm).abs() > vehicle.life.knee_torque_nm;
        if let Some((stress, lap)) = &mut self.lap {
            stress.push(output_nm + peak_nm);
            lap.hard_engagements += u32::from(hard);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::aggregate::tests::{rule, scenario};
    use lowgear_agents::policy::Policy;
    use lowgear_env::{Drive, TraceRow, World, run_episode};
    use std::f64::consts::TAU;
    use std::sync::Arc;

    /// An episode as a log with this much of a reading at hand, and the damage that the simulator found.
    fn driven(episode: u64, up: i16, current: bool) -> (Vec<Sample>, f64) {
        let mut nominal = scenario();
        nominal.vehicle.variation = nominal.vehicle.variation.nominal();
        let pulses = f64::from(nominal.vehicle.sensors.encoder.pulses_per_turn);
        let tick_s = nominal.vehicle.controller.tick_s;
        let mut drive = Drive::new(Arc::new(nominal), episode).with_trace();
        let mut policy = rule(up, 300);
        policy.reset();
        run_episode(&mut drive, |d| policy.decide(d.observation(), d.mask()), |_, _, _| {});
        let damage = drive.outcome().damage;
        let sample = |row: &TraceRow| Sample {
            time_s: row.time_s,
            dt_s: tick_s,
            motor_rad_s: f64::from(row.encoder_counts) * TAU / pulses / tick_s,
            duty: f64::from(row.drive),
            battery_v: Some(row.battery_voltage_v),
            current_a: current.then_some(row.motor_current_a),
            gear: Some(row.gear_in_mesh),
            ..Sample::default()
        };
        (drive.into_trace().iter().map(sample).collect(), damage)
    }

    fn modelled(log: &[Sample]) -> ModelledLap {
        let mut model = LapModel::new(&scenario().vehicle, 0.8);
        model.begin();
        log.iter().for_each(|sample| model.take(sample));
        model.end()
    }

    #[test]
    fn damage_from_the_log_is_that_of_the_simulator_within_its_scatter() {
        // Damage goes with the sixth power of torque, and with the eleventh below the knee, so episodes are compared by the
        // torque that would do the same damage.
        let torque_ratios = |current: bool| -> Vec<f64> {
            let one = |episode: u64| {
                let (log, damage) = driven(episode, 760, current);
                (modelled(&log).damage / damage).powf(1.0 / 6.0)
            };
            let mut ratios: Vec<f64> = (0..15).map(one).collect();
            ratios.sort_by(f64::total_cmp);
            ratios
        };
        for current in [false, true] {
            let ratios = torque_ratios(current);
            println!("torque by the log over that of the simulator: {ratios:.2?}");
            assert!((0.6..1.8).contains(&ratios[7]), "{ratios:?}");
            assert!(ratios[1] > 0.4 && ratios[13] < 3.5, "{ratios:?}");
        }
    }

    #[test]
    fn a_policy_that_shifts_more_has_more_damage() {
        let of = |up: i16| (0..12).map(|episode| modelled(&driven(episode, up, false).0).damage).sum::<f64>();
        let (often, seldom) = (of(650), of(1200));
        assert!(often > 1.5 * seldom, "{often} {seldom}");
    }

    #[test]
    fn the_start_is_what_stood_before_the_lap_was_driven() {
        let row = |duty: f64, battery_v: f64| Sample {
            dt_s: 0.05,
            duty,
            battery_v: Some(battery_v),
            motor_rad_s: 300.0 * duty,
            gear: Some(1),
            ..Sample::default()
        };
        let mut model = LapModel::new(&scenario().vehicle, 0.8);
        (0..200).for_each(|_| model.take(&row(1.0, 6.0)));
        model.take(&row(0.0, 7.0));
        model.begin();
        model.take(&row(0.0, 7.2));
        (0..40).for_each(|_| model.take(&row(1.0, 6.0)));
        let start = model.end().start.unwrap();
        assert!(start.rest_v.is_some_and(|v| (v - 7.1).abs() < 1e-9), "{start:?}");
        assert!(start.temperature_rise.winding_k > 0.5, "ten seconds of drive before it: {start:?}");
    }
}
