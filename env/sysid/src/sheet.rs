//! A first vehicle file from a data sheet, counted teeth, a ruler and scales.
//!
//! Everything else is assumed, and every assumption is listed. None of them is more than a place to start: the logs put them right.

use lowgear_env::config::ParameterDistribution;
use lowgear_env::config::check_name;
use lowgear_env::config::{Check, KeyError, in_range};
use lowgear_env::stress::Miner;
use lowgear_env::vehicle::{
    AxleConfig, BatteryConfig, ChassisConfig, ControllerConfig, DataSheet, DogConfig, EncoderConfig,
    GearboxConfig, GuardConfig, HeatConfig, MotorConfig, MotorLineConfig, NoisyConfig, SelectorConfig,
    SensorConfig, StressConfig, VariationConfig, VehicleConfig,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;

/// What one knows before the first run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Sheet {
    /// Name of the vehicle.
    pub name: String,
    /// Whether it is invented.
    #[serde(default)]
    pub invented: bool,
    /// Rated voltage of the motor, V.
    pub rated_voltage_v: f64,
    /// No-load speed, turns per minute.
    pub no_load_speed_rpm: f64,
    /// No-load current, A.
    pub no_load_current_a: f64,
    /// Stall torque, N·m.
    pub stall_torque_nm: f64,
    /// Stall current, A.
    pub stall_current_a: f64,
    /// Teeth of each gear's pairs from motor to wheel, first gear first: the driving wheel, then the driven one.
    pub teeth: Vec<Vec<[u32; 2]>>,
    /// Diameter of the wheels, m.
    pub wheel_diameter_m: f64,
    /// Mass, load included, kg.
    pub mass_kg: f64,
    /// Distance of the axles, m.
    pub wheelbase_m: Option<f64>,
    /// Pulses of the encoder per turn of the motor.
    pub pulses_per_turn: u32,
    /// Battery's nominal voltage, V; the motor's when left out.
    pub battery_voltage_v: Option<f64>,
    /// Battery's capacity, A·h.
    pub capacity_ah: Option<f64>,
    /// Angles of the selector, first gear first, degrees.
    pub selector_deg: Option<Vec<f64>>,
}

impl Check for Sheet {
    fn check(&self) -> Result<(), KeyError> {
        check_name("name", &self.name)?;
        if !(1..=6).contains(&self.teeth.len()) {
            return Err(KeyError::new(
                "teeth",
                format!("{} gears", self.teeth.len()),
                "1 to 6 gears, first gear first",
            ));
        }
        for (gear, pairs) in self.teeth.iter().enumerate() {
            let key = format!("teeth[{gear}]");
            if pairs.is_empty() || pairs.len() > 12 {
                return Err(KeyError::new(
                    key,
                    format!("{} pairs", pairs.len()),
                    "1 to 12 pairs [driving, driven]",
                ));
            }
            for teeth in pairs.iter().flatten() {
                in_range(&key, f64::from(*teeth), 1.0, 1000.0, "teeth")?;
            }
        }
        in_range("no-load-speed-rpm", self.no_load_speed_rpm, 100.0, 95_000.0, "rpm")?;
        in_range("wheel-diameter-m", self.wheel_diameter_m, 0.01, 1.0, "m")?;
        in_range("wheelbase-m", self.wheelbase_m.unwrap_or(0.2), 0.02, 3.0, "m")?;
        if let Some(angles) = &self.selector_deg
            && angles.len() != self.teeth.len()
        {
            let allowed = format!("{} angles, one per gear", self.teeth.len());
            return Err(KeyError::new("selector-deg", format!("{} angles", angles.len()), allowed));
        }
        Ok(())
    }
}

/// Efficiency of one pair of moulded spur gears, driving and driven backwards (common practice, no source).
const PAIR: f64 = 0.90;
const PAIR_BACK: f64 = 0.84;
/// Mechanical time constant `J R / (Kt Ke)` of a small brushed motor, s (common practice: 10 to 20 ms).
const MECHANICAL_S: f64 = 0.015;
/// Part of the voltage that the battery loses at stall current.
const SAG: f64 = 0.06;
/// Open-circuit voltage of lithium-ion cells over the nominal one, from empty to full; illustrative.
const OCV: [f64; 11] = [0.81, 0.945, 0.973, 0.989, 1.0, 1.014, 1.032, 1.057, 1.081, 1.108, 1.135];

impl Sheet {
    /// Ratio of each gear: products of driven over driving teeth.
    #[must_use]
    pub fn ratios(&self) -> Vec<f64> {
        let pair = |p: &[u32; 2]| f64::from(p[1]) / f64::from(p[0]);
        self.teeth.iter().map(|pairs| pairs.iter().map(pair).product()).collect()
    }

    /// Sensors as such vehicles usually have them.
    fn sensors(&self) -> SensorConfig {
        SensorConfig {
            encoder: EncoderConfig { pulses_per_turn: self.pulses_per_turn, noise: 0.01 },
            battery: Some(NoisyConfig { resolution: 0.03, noise: 0.03 }),
            current: None,
            tilt: Some(NoisyConfig { resolution: 0.5, noise: 1.0 }),
            feeler: None,
            whisker: None,
            range: None,
            gyro: None,
            latency_ticks: 0,
        }
    }

    /// The vehicle, and what was assumed, one a line.
    ///
    /// # Errors
    /// A figure that a vehicle file may not hold, by the key there.
    pub fn vehicle(&self) -> Result<(VehicleConfig, String), KeyError> {
        let motor_sheet = DataSheet {
            rated_voltage_v: self.rated_voltage_v,
            no_load_speed_rad_s: figures(self.no_load_speed_rpm * std::f64::consts::PI / 30.0),
            no_load_current_a: self.no_load_current_a,
            stall_torque_nm: self.stall_torque_nm,
            stall_current_a: self.stall_current_a,
        };
        motor_sheet.check_together(self.no_load_speed_rpm, "no-load-speed-rpm")?;
        let line = MotorLineConfig::DataSheet(motor_sheet);
        let motor = line.constants();
        let inertia =
            MECHANICAL_S * motor.torque_constant_nm_a * motor.emf_constant_v_s / motor.resistance_ohm;
        let stall_w = self.rated_voltage_v * self.stall_current_a;
        let radius_m = 0.5 * self.wheel_diameter_m;
        let wheelbase_m = self.wheelbase_m.unwrap_or_else(|| figures(3.0 * self.wheel_diameter_m));
        let battery_v = self.battery_voltage_v.unwrap_or(self.rated_voltage_v);
        let ratios = self.ratios();
        let pairs =
            |base: f64| self.teeth.iter().map(|t| figures(base.powi(t.len() as i32))).collect::<Vec<f64>>();
        let (efficiency, back_efficiency) = (pairs(PAIR), pairs(PAIR_BACK));
        let knee_nm = figures(0.35 * self.stall_torque_nm * ratios[0] * efficiency[0]);
        let gears = ratios.len();
        let angles =
            self.selector_deg.clone().unwrap_or_else(|| (0..gears).map(|g| 70.0 * g as f64).collect());
        let axle = |behind_front_m| AxleConfig { behind_front_m, driven: true };
        let vehicle = VehicleConfig {
            fitted: None,
            name: self.name.clone(),
            invented: self.invented,
            chassis: ChassisConfig {
                mass_kg: self.mass_kg,
                wheel_radius_m: radius_m,
                wheel_inertia_kg_m2: figures(0.04 * self.mass_kg * radius_m * radius_m),
                cg_height_m: figures(0.25 * wheelbase_m),
                cg_behind_front_m: figures(0.5 * wheelbase_m),
                drag_n: figures(0.003 * self.mass_kg * lowgear_env::motion::GRAVITY_M_S2),
                drag_area_m2: 0.0,
                axles: vec![axle(0.0), axle(wheelbase_m)],
            },
            motor: MotorConfig {
                line,
                rotor_inertia_kg_m2: figures(inertia),
                heat: HeatConfig::assumed(stall_w),
            },
            battery: BatteryConfig {
                nominal_voltage_v: battery_v,
                capacity_ah: self.capacity_ah.unwrap_or(1.2),
                resistance_ohm: figures(SAG * battery_v / self.stall_current_a),
                ocv_v: OCV.iter().map(|share| figures(share * battery_v)).collect(),
                cutoff_voltage_v: 0.0,
            },
            gearbox: GearboxConfig {
                total_ratio: ratios.iter().map(|r| figures(*r)).collect(),
                efficiency,
                back_efficiency,
                stiffness_nm_rad: figures(12.0 * knee_nm),
            },
            selector: selector(angles, knee_nm),
            dogs: DogConfig::default(),
            stress: StressConfig {
                knee_torque_nm: knee_nm,
                knee_cycles: 1e6,
                slope: 6.0,
                miner: Miner::Haibach,
            },
            sensors: self.sensors(),
            controller: ControllerConfig::default(),
            guard: GuardConfig::default(),
            variation: wide(),
        };
        vehicle.check().map_err(as_in_the_sheet)?;
        let torque_over_emf = motor_sheet.torque_over_emf();
        Ok((vehicle, self.assumptions(wheelbase_m, inertia, torque_over_emf)))
    }

    fn assumptions(&self, wheelbase_m: f64, inertia: f64, torque_over_emf: f64) -> String {
        let mut out = String::new();
        let mut say = |text: String| {
            let _ = writeln!(out, "{text}");
        };
        let apart = 100.0 * (torque_over_emf - 1.0);
        if apart > 0.0 {
            say(format!(
                "motor: stall torque and no-load speed contradict each other by {apart:.1} %, taken as rounding: torque constant \
                 and back-EMF constant are both at their mean"
            ));
        } else {
            say(format!(
                "motor: the torque constant lies {:.1} % below the back-EMF constant, taken as losses in the iron",
                -apart
            ));
        }
        say(format!("efficiency {PAIR} per pair of gears, {PAIR_BACK} when the wheels drive"));
        say(format!("rotor inertia {inertia:.2e} kg·m² from a mechanical time constant of {MECHANICAL_S} s"));
        say(format!(
            "winding rises by {} K/s at stall, by {} K at a third of the stall current; limit 110 °C; ferrite magnets",
            HeatConfig::STALL_K_S,
            HeatConfig::RATED_K
        ));
        say(format!(
            "battery: lithium-ion shape of its curve, resistance that costs {:.0} % at stall current",
            100.0 * SAG
        ));
        if self.battery_voltage_v.is_none() {
            say("battery voltage as the motor's rated voltage".to_owned());
        }
        if self.capacity_ah.is_none() {
            say("battery capacity 1.2 A·h".to_owned());
        }
        if self.wheelbase_m.is_none() {
            say(format!("wheelbase {wheelbase_m} m, three wheel diameters"));
        }
        if self.selector_deg.is_none() {
            say("selector: 70° from gear to gear, first gear at 0°".to_owned());
        }
        say("selector speed 400 °/s, settling 0.04 s; dogs as of an invented gearbox".to_owned());
        say("both axles driven, centre of gravity in the middle, a quarter of the wheelbase high".to_owned());
        say("wheels: 4 % of the mass at the rim; bearings drag with 0.3 % of the weight".to_owned());
        say("gearbox life: a million cycles at 35 % of the first gear's stall torque, slope 6 (plastic gears)".to_owned());
        say("sensors: battery in steps of 0.03 V, tilt in steps of 0.5°, no current sensor, tick 0.05 s"
            .to_owned());
        say("training ranges are wide: until a fit narrows them, efficiency ±20 %, winding ±15 %, rolling resistance a factor of 1.35".to_owned());
        out
    }
}

/// The keys of a sheet stand at its top.
fn as_in_the_sheet(error: KeyError) -> KeyError {
    let key = error.key.rsplit('.').next().unwrap_or_default().to_owned();
    KeyError { key, ..error }
}

fn selector(angle_deg: Vec<f64>, knee_nm: f64) -> SelectorConfig {
    SelectorConfig {
        order: (1..=angle_deg.len()).map(|g| g.to_string()).collect(),
        angle_deg,
        speed_deg_s: 400.0,
        acceleration_deg_s2: 7000.0,
        settling_s: 0.04,
        window_deg: 7.0,
        arrival_error_deg: 1.5,
        interrupted_error_deg: 25.0,
        release_torque_nm: figures(0.3 * knee_nm),
        free_chance: 0.5,
    }
}

/// Ranges that cover what a data sheet leaves open.
fn wide() -> VariationConfig {
    let factor =
        |sd: f64| ParameterDistribution::Normal { mean: 1.0, sd, low: 1.0 - 2.0 * sd, high: 1.0 + 2.0 * sd };
    VariationConfig {
        mass_factor: ParameterDistribution::Uniform { low: 0.9, high: 1.1 },
        efficiency_factor: factor(0.1),
        winding_factor: factor(0.075),
        rolling_factor: ParameterDistribution::LogNormal { median: 1.0, log_sd: 0.15 },
        friction_factor: ParameterDistribution::Uniform { low: 0.9, high: 1.1 },
        charge: ParameterDistribution::Uniform { low: 0.2, high: 1.0 },
        battery_resistance_factor: ParameterDistribution::Uniform { low: 0.6, high: 1.6 },
        tilt_bias_deg: zero_mean(1.0),
        air_c: ParameterDistribution::Uniform { low: 5.0, high: 32.0 },
        ..VariationConfig::default()
    }
}

const fn zero_mean(sd: f64) -> ParameterDistribution {
    ParameterDistribution::Normal { mean: 0.0, sd, low: -2.0 * sd, high: 2.0 * sd }
}

/// Four figures.
fn figures(value: f64) -> f64 {
    format!("{value:.3e}").parse().unwrap_or(value)
}
