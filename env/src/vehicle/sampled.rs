//! A vehicle ready to drive: the file's numbers with one episode's draw applied.

use super::{
    BatteryConfig, Constants, DogConfig, HeatConfig, HeatStep, PreviewSensor, RollerLoad, SelectorConfig,
    VehicleConfig,
};
use crate::config::ParameterDistribution;
use crate::stress::{LifeCurve, Stress};
use lowgear_onboard::{FeatureSettings, GuardSettings, MAX_GEARS, Ranges, Settings};
use rand::Rng;
use std::f64::consts::TAU;

/// Readings have been good for this long before the drive comes back after a fault, s.
const FAULT_CLEAR_S: f64 = 0.5;

/// Ticks that a piece of motion may last: battery and heat follow at least that often.
pub const BATCH: usize = 8;

/// Most axles.
pub const MAX_AXLES: usize = 4;

/// One gear, referred to the wheel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gear {
    /// Motor turns per wheel turn.
    pub ratio: f64,
    /// Motor speed per vehicle speed, rad/m.
    pub turn_rad_m: f64,
    /// Efficiency when the motor drives.
    pub efficiency: f64,
    /// Efficiency when the wheels drive.
    pub back_efficiency: f64,
    /// Rotor inertia as a mass at the wheel, kg.
    pub rotor_kg: f64,
}

/// One axle.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Axle {
    /// Distance behind the front axle, m.
    pub behind_front_m: f64,
    /// Driven.
    pub driven: bool,
    /// Share of the weight on level ground.
    pub load_share: f64,
    /// Load gained per weight and sine of grade.
    pub load_per_grade: f64,
}

/// A vehicle ready to drive.
#[derive(Clone, Debug, PartialEq)]
pub struct Vehicle {
    /// Mass, kg.
    pub mass_kg: f64,
    /// Mass plus wheel inertia at the rim, kg.
    pub rolling_mass_kg: f64,
    /// Wheel inertia at the rim, kg.
    pub wheel_kg: f64,
    /// Wheel radius, m.
    pub wheel_radius_m: f64,
    /// Drag on any surface, N.
    pub drag_n: f64,
    /// The roller of a feeler.
    pub roller: RollerLoad,
    /// Air drag area, m².
    pub drag_area_m2: f64,
    /// Number of axles in `axles`.
    pub axle_count: usize,
    /// Axles from front to rear.
    pub axles: [Axle; MAX_AXLES],
    /// Gears, first gear first.
    pub gears: Vec<Gear>,
    /// Torsional stiffness at the wheel shaft, N·m/rad.
    pub stiffness_nm_rad: f64,
    /// Motor constants at 20 °C.
    pub motor: Constants,
    /// Share of the electrical work that iron losses take: back-EMF over torque constant, less 1.
    pub iron_share: f64,
    /// Rotor inertia, kg·m².
    pub rotor_kg_m2: f64,
    /// Heat constants.
    pub heat: HeatConfig,
    /// Exact steps of the heat model over one tick, two ticks, and so on.
    pub heat_steps: [HeatStep; BATCH],
    /// Battery.
    pub battery: BatteryConfig,
    /// Terminal voltage below which the battery's protection switches off; minus infinity when it has none, V.
    pub cutoff_voltage_v: f64,
    /// State of charge at the start.
    pub charge: f64,
    /// Air temperature, °C.
    pub air_c: f64,
    /// Offset of the tilt sensor, degrees.
    pub tilt_bias_deg: f64,
    /// Factor on the noise of every sensor.
    pub sensor_noise_factor: f64,
    /// Ticks that readings are late.
    pub latency_ticks: u64,
    /// Factor on rolling resistance and grass drag.
    pub rolling_factor: f64,
    /// Factor on friction.
    pub friction_factor: f64,
    /// Selector.
    pub selector: SelectorConfig,
    /// Drum angle of each gear, degrees.
    pub gear_angle_deg: [f64; MAX_GEARS],
    /// Dogs.
    pub dogs: DogConfig,
    /// Life curve.
    pub life: LifeCurve,
    /// Controller tick, s.
    pub tick_s: f64,
    /// Its reciprocal, 1/s.
    pub ticks_per_s: f64,
    /// Share of the battery's capacity in one ampere-second.
    pub charge_per_as: f64,
    /// Share of torque and back-EMF that the magnets lose per kelvin above 20 °C.
    pub magnet_per_k: f64,
    /// The sensor ahead, if there is one.
    pub preview: Option<SampledPreview>,
}

/// A sensor ahead as one vehicle has it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SampledPreview {
    /// As in the file.
    pub sensor: PreviewSensor,
    /// From the front axle to the place that it looks at, m.
    pub ahead_m: f64,
    /// Offset of its zero: degrees of a feeler, degrees per second of a gyroscope, mm of the others.
    pub offset: f64,
    /// Factor on its missed and false obstacles.
    pub error_factor: f64,
}

impl VehicleConfig {
    /// The vehicle of one episode.
    pub fn draw(&self, rng: &mut impl Rng) -> Vehicle {
        let v = &self.variation;
        let mass_kg = self.chassis.mass_kg * v.mass_factor.draw(rng);
        let efficiency = v.efficiency_factor.draw(rng);
        let mut motor = self.motor.line.constants().without_gain();
        motor.resistance_ohm *= v.winding_factor.draw(rng);
        let rolling_factor = v.rolling_factor.draw(rng);
        let friction_factor = v.friction_factor.draw(rng);
        let charge = v.charge.draw(rng).clamp(0.0, 1.0);
        let mut battery = self.battery.clone();
        battery.resistance_ohm *= v.battery_resistance_factor.draw(rng);
        let radius = self.chassis.wheel_radius_m;
        let wheel_kg = self.chassis.wheel_inertia_kg_m2 / (radius * radius);
        let box_ = &self.gearbox;
        let gear = |i: usize| Gear {
            ratio: box_.total_ratio[i],
            turn_rad_m: box_.total_ratio[i] / radius,
            efficiency: (box_.efficiency[i] * efficiency).min(1.0),
            back_efficiency: (box_.back_efficiency[i] * efficiency).min(1.0),
            rotor_kg: self.motor.rotor_inertia_kg_m2 * (box_.total_ratio[i] / radius).powi(2),
        };
        Vehicle {
            mass_kg,
            rolling_mass_kg: mass_kg + wheel_kg,
            wheel_kg,
            wheel_radius_m: radius,
            drag_n: self.chassis.drag_n + self.sensors.preview().map_or(0.0, |sensor| sensor.drag_n()),
            roller: self.roller_load(),
            drag_area_m2: self.chassis.drag_area_m2,
            axle_count: self.chassis.axles.len(),
            axles: self.axles(),
            gears: (0..box_.total_ratio.len()).map(gear).collect(),
            stiffness_nm_rad: box_.stiffness_nm_rad,
            motor,
            iron_share: motor.emf_constant_v_s / motor.torque_constant_nm_a - 1.0,
            rotor_kg_m2: self.motor.rotor_inertia_kg_m2,
            heat: self.motor.heat,
            heat_steps: std::array::from_fn(|n| {
                HeatStep::new(&self.motor.heat, (n + 1) as f64 * self.controller.tick_s)
            }),
            battery,
            cutoff_voltage_v: match self.battery.cutoff_voltage_v {
                cutoff_v if cutoff_v > 0.0 => cutoff_v,
                _ => f64::NEG_INFINITY,
            },
            charge,
            tilt_bias_deg: v.tilt_bias_deg.draw(rng),
            air_c: v.air_c.draw(rng),
            sensor_noise_factor: v.sensor_noise_factor.draw(rng),
            latency_ticks: u64::from(self.sensors.latency_ticks) + v.latency_ticks.draw(rng).round() as u64,
            rolling_factor,
            friction_factor,
            selector: self.selector.clone(),
            gear_angle_deg: std::array::from_fn(|gear| self.selector.gear_angle_deg(gear).unwrap_or(0.0)),
            dogs: self.dogs,
            life: LifeCurve {
                knee_torque_nm: self.stress.knee_torque_nm,
                knee_cycles: self.stress.knee_cycles,
                slope: self.stress.slope,
                miner: self.stress.miner,
            },
            tick_s: self.controller.tick_s,
            ticks_per_s: 1.0 / self.controller.tick_s,
            charge_per_as: 1.0 / (3600.0 * self.battery.capacity_ah),
            magnet_per_k: self.motor.heat.magnet_per_k,
            // Drawn last, so that the rest of the vehicle is the same with and without the sensor.
            preview: self.draw_preview(rng),
        }
    }

    fn draw_preview(&self, rng: &mut impl Rng) -> Option<SampledPreview> {
        let sensor = self.sensors.preview()?;
        let v = &self.variation;
        let mut draw = |spread: Option<ParameterDistribution>, usual| spread.map_or(usual, |s| s.draw(rng));
        Some(SampledPreview {
            sensor,
            ahead_m: sensor.ahead_m() * draw(v.preview_ahead_factor, 1.0),
            offset: draw(v.preview_offset, 0.0),
            error_factor: draw(v.preview_error_factor, 1.0),
        })
    }

    fn axles(&self) -> [Axle; MAX_AXLES] {
        let chassis = &self.chassis;
        let mut axles = [Axle::default(); MAX_AXLES];
        let loads = chassis.load_shares().into_iter().zip(chassis.levers());
        for ((axle, config), (load_share, lever)) in axles.iter_mut().zip(&chassis.axles).zip(loads) {
            *axle = Axle {
                behind_front_m: config.behind_front_m,
                driven: config.driven,
                load_share,
                load_per_grade: chassis.cg_height_m * lever,
            };
        }
        axles
    }

    /// Constants of the controller that runs on this vehicle.
    #[must_use]
    pub fn controller_settings(&self) -> Settings {
        let tick = self.controller.tick_s;
        let ticks = |seconds: f64| (seconds / tick).round().clamp(0.0, 60_000.0) as u16;
        let gears = self.gearbox.total_ratio.len();
        let angle = |gear: usize| self.selector.gear_angle_deg(gear).unwrap_or(0.0);
        let longest_deg = (1..gears).map(|g| (angle(g) - angle(g - 1)).abs()).fold(0.0, f64::max);
        let top = self.gearbox.total_ratio[gears - 1];
        let motor = self.motor.line.constants().without_gain();
        let speed_gain =
            1e6 * TAU * motor.emf_constant_v_s / (f64::from(self.sensors.encoder.pulses_per_turn) * tick);
        let full_counts = self.battery.nominal_voltage_v * 1e6 / speed_gain;
        let stall_counts = (0.01 * full_counts) as u16;
        let window_ddeg = (10.0 * self.selector.window_deg) as u16;
        let mut gear_scale_permille = [1000; MAX_GEARS];
        let mut gear_ddeg = [0; MAX_GEARS];
        for gear in 0..gears {
            gear_scale_permille[gear] =
                (1000.0 * self.gearbox.total_ratio[gear] / top).round().min(30_000.0) as u16;
            gear_ddeg[gear] = (10.0 * angle(gear)).round() as u16;
        }
        Settings {
            features: FeatureSettings {
                speed_gain: speed_gain.round() as u32,
                nominal_mv: (1000.0 * self.battery.nominal_voltage_v) as u16,
                battery_fitted: self.sensors.battery.is_some(),
                stall_ma: self.sensors.current.map_or(0, |_| {
                    (1000.0 * self.battery.nominal_voltage_v / motor.resistance_ohm).min(32_000.0) as u16
                }),
                gear_scale_permille,
                fast_shift: self.controller.fast_shift,
                slow_shift: self.controller.slow_shift,
                tilt_shift: self.controller.tilt_shift,
                peak_shift: self.controller.peak_shift,
                stall_counts,
                failed_window_ticks: ticks(self.controller.failed_window_s).min(999),
                preview: self.preview_settings(),
            },
            guard: GuardSettings {
                gears: gears as u8,
                gear_ddeg,
                window_ddeg,
                leave_ddeg: window_ddeg + window_ddeg / 2,
                cut_lead_ticks: self.guard.cut_lead_ticks,
                min_dwell_ticks: ticks(self.guard.min_dwell_s),
                move_timeout_ticks: ticks(self.selector.move_time_s(longest_deg) + self.guard.move_margin_s)
                    .max(1),
                retries: self.guard.retries,
                recalibrate_ticks: ticks(self.guard.recalibrate_s).max(1),
                tilt_limit_ddeg: self
                    .guard
                    .tilt_limit_deg
                    .map_or(i16::MAX, |limit| (10.0 * limit).round() as i16),
                stall_counts,
                stall_cut_ticks: ticks(self.guard.stall_cut_s).max(1),
                stall_rest_ticks: ticks(self.guard.stall_rest_s),
                fault_clear_ticks: ticks(FAULT_CLEAR_S).max(1),
            },
            ranges: self.ranges(full_counts, motor.resistance_ohm),
            decision_ticks: self.controller.decision_ticks,
            tick_us: (1e6 * tick).round() as u32,
            pulses_per_turn: self.sensors.encoder.pulses_per_turn.min(65_535) as u16,
        }
    }

    /// Bounds of the readings: no healthy vehicle of this kind comes near them. `full_counts` are encoder counts at the
    /// no-load speed at nominal voltage.
    fn ranges(&self, full_counts: f64, resistance_ohm: f64) -> Ranges {
        let battery = &self.battery;
        let (cutoff_v, full_v) =
            (battery.cutoff_voltage_v, battery.ocv_v.iter().copied().fold(0.0, f64::max));
        let volts = |low: f64, high: f64| match self.sensors.battery {
            Some(_) => [low, high].map(|v| (1000.0 * v).round().clamp(1.0, 65_534.0) as u16),
            None => [0, u16::MAX],
        };
        let stall_a = battery.nominal_voltage_v / resistance_ohm;
        Ranges {
            max_encoder_counts: (3.0 * full_counts).ceil().clamp(8.0, 65_534.0) as u16,
            battery_mv: volts(0.5 * cutoff_v, 1.3 * full_v),
            standing_mv: volts(0.9 * cutoff_v, 1.1 * full_v),
            max_current_ma: self
                .sensors
                .current
                .map_or(u16::MAX, |_| (3000.0 * stall_a).ceil().clamp(1.0, 32_766.0) as u16),
            max_tilt_ddeg: self.sensors.tilt.map_or(u16::MAX, |_| 900),
        }
    }
}

impl Vehicle {
    /// From the first axle to the last one, m.
    #[must_use]
    pub fn wheelbase_m(&self) -> f64 {
        self.axles[..self.axle_count].last().map_or(0.0, |axle| axle.behind_front_m)
    }

    /// Puts wheels of another radius on. Their inertia stays.
    pub fn scale_wheels(&mut self, factor: f64) {
        if factor == 1.0 {
            return;
        }
        let wheel_kg = self.wheel_kg / (factor * factor);
        self.rolling_mass_kg += wheel_kg - self.wheel_kg;
        self.wheel_kg = wheel_kg;
        self.wheel_radius_m *= factor;
        for gear in &mut self.gears {
            gear.turn_rad_m /= factor;
            gear.rotor_kg /= factor * factor;
        }
    }

    /// A fresh damage counter.
    #[must_use]
    pub fn stress(&self) -> Stress {
        Stress::new(self.life, 0.05 * self.life.knee_torque_nm)
    }
}
