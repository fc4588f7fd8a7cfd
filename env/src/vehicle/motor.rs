//! Brushed DC motor.
//!
//! `i = (V - Ke w) / R`, shaft torque `Kt i - Kt i0` with the friction `Kt i0` opposing motion, `Kt = Ke` in SI
//! (Hughes and Drury, *Electric Motors and Drives*, 5th ed. 2019, ch. 3, from memory). A `Kt` below `Ke` leaves iron
//! losses; one above it would be a motor that gives more than it takes, and none is driven with. Pulse-width modulation
//! counts as its mean voltage; the battery then sees `duty * i` (ideal chopper). The electrical time constant
//! `L / R` (under a millisecond for these motors, some 1 % of the mechanical one) is neglected.

use crate::config::{Check, KeyError, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The motor in a vehicle file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(from = "MotorFile", rename_all = "kebab-case")]
pub struct MotorConfig {
    /// Its speed-torque line.
    pub line: MotorLineConfig,
    /// Rotor inertia, kg·m².
    pub rotor_inertia_kg_m2: f64,
    /// Heat.
    pub heat: HeatConfig,
}

/// The motor.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct MotorFile {
    /// Its speed-torque line.
    line: MotorLineConfig,
    /// Rotor inertia, kg·m².
    rotor_inertia_kg_m2: f64,
    /// Heat; when left out, assumed from the power that the motor takes at stall: 1.2 K/s at stall, and 50 K at a
    /// third of the stall current.
    heat: Option<HeatConfig>,
}

impl From<MotorFile> for MotorConfig {
    fn from(MotorFile { line, rotor_inertia_kg_m2, heat }: MotorFile) -> MotorConfig {
        let heat = heat.unwrap_or_else(|| HeatConfig::assumed(line.stall_w()));
        MotorConfig { line, rotor_inertia_kg_m2, heat }
    }
}

/// Two ways to give the speed-torque line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub enum MotorLineConfig {
    /// As the data sheet gives it.
    DataSheet(DataSheet),
    /// By its constants.
    Constants(Constants),
}

/// What a data sheet says. Stall torque is at the shaft, friction taken off.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct DataSheet {
    /// Rated voltage, V.
    pub rated_voltage_v: f64,
    /// No-load speed, rad/s.
    pub no_load_speed_rad_s: f64,
    /// No-load current, A.
    pub no_load_current_a: f64,
    /// Stall torque, N·m.
    pub stall_torque_nm: f64,
    /// Stall current, A.
    pub stall_current_a: f64,
}

/// Motor constants.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Constants {
    /// Torque constant, N·m/A.
    pub torque_constant_nm_a: f64,
    /// Back-EMF constant, V·s/rad.
    pub emf_constant_v_s: f64,
    /// Winding resistance at the reference temperature, Ω.
    pub resistance_ohm: f64,
    /// No-load current, A.
    pub no_load_current_a: f64,
}

/// Two-body heat model.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct HeatConfig {
    /// Heat capacity of the winding, J/K.
    pub winding_j_k: f64,
    /// Heat capacity of the housing, J/K.
    pub housing_j_k: f64,
    /// Thermal resistance from winding to housing, K/W.
    pub winding_to_housing_k_w: f64,
    /// Thermal resistance from housing to air, K/W.
    pub housing_to_air_k_w: f64,
    /// The episode ends when the winding is hotter than this, °C.
    #[serde(default = "winding_limit_c")]
    pub winding_limit_c: f64,
    /// Share of torque and back-EMF that the magnets lose per kelvin of the housing above 20 °C; about 0.002 for
    /// ferrite magnets (common practice), 0 leaves it out.
    #[serde(default)]
    pub magnet_per_k: f64,
}

/// Usual limit of small motors (common practice), °C.
const fn winding_limit_c() -> f64 {
    110.0
}

impl HeatConfig {
    /// Rise of the winding at stall, K/s (common practice, no source).
    pub const STALL_K_S: f64 = 1.2;
    /// Rise at the continuous rating, a third of the stall current and so a ninth of the stall power, K.
    pub const RATED_K: f64 = 50.0;

    /// What may be assumed of a small brushed motor with ferrite magnets that takes `stall_w` at stall; four figures.
    #[must_use]
    pub fn assumed(stall_w: f64) -> HeatConfig {
        let figures = |value: f64| format!("{value:.3e}").parse().unwrap_or(value);
        let winding_j_k = figures(stall_w / HeatConfig::STALL_K_S);
        let path_k_w = HeatConfig::RATED_K / (stall_w / 9.0);
        HeatConfig {
            winding_j_k,
            housing_j_k: figures(5.0 * winding_j_k),
            winding_to_housing_k_w: figures(0.3 * path_k_w),
            housing_to_air_k_w: figures(0.7 * path_k_w),
            winding_limit_c: winding_limit_c(),
            magnet_per_k: 0.002,
        }
    }
}

/// Voltage at which the power at stall is taken where only constants are given, V.
const USUAL_V: f64 = 7.2;

impl MotorLineConfig {
    /// Power at stall, W: at the rated voltage, or at 7.2 V where none is given.
    #[must_use]
    pub fn stall_w(&self) -> f64 {
        match self {
            MotorLineConfig::DataSheet(sheet) => sheet.rated_voltage_v * sheet.stall_current_a,
            MotorLineConfig::Constants(constants) => USUAL_V * USUAL_V / constants.resistance_ohm,
        }
    }

    /// The constants. From a data sheet: `R = V / I_stall`, `Kt = T_stall / (I_stall - i0)`,
    /// `Ke = (V - R i0) / w0`; a `Kt` below `Ke` leaves iron losses, a `Kt` above it by rounding makes none.
    #[must_use]
    pub fn constants(&self) -> Constants {
        match *self {
            MotorLineConfig::Constants(constants) => constants,
            MotorLineConfig::DataSheet(sheet) => sheet.as_it_stands().without_gain(),
        }
    }
}

impl DataSheet {
    /// What the figures give, each taken as exact.
    fn as_it_stands(&self) -> Constants {
        let resistance_ohm = self.rated_voltage_v / self.stall_current_a;
        Constants {
            torque_constant_nm_a: self.stall_torque_nm / (self.stall_current_a - self.no_load_current_a),
            emf_constant_v_s: (self.rated_voltage_v - resistance_ohm * self.no_load_current_a)
                / self.no_load_speed_rad_s,
            resistance_ohm,
            no_load_current_a: self.no_load_current_a,
        }
    }

    /// Torque constant over back-EMF constant as the figures have it: 1 or less for a motor that there can be.
    #[must_use]
    pub fn torque_over_emf(&self) -> f64 {
        let constants = self.as_it_stands();
        constants.torque_constant_nm_a / constants.emf_constant_v_s
    }
}

/// The speed-torque line at one supply: shaft torque `stall_nm - slope w` (for forward motion), current
/// `stall_a - Ke w / R`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TorqueSpeedLine {
    /// Electrical torque at standstill, friction not taken off, N·m.
    pub electrical_stall_nm: f64,
    /// Friction torque `Kt i0`, N·m.
    pub friction_nm: f64,
    /// Fall of torque with speed, N·m·s.
    pub slope_nm_s: f64,
    /// Current at standstill, A.
    pub stall_a: f64,
    /// Fall of current with speed, A·s.
    pub slope_a_s: f64,
}

impl Constants {
    /// The same motor, with both constants at their geometric mean where rounding has the torque constant above
    /// the back-EMF constant: it would give more than it takes.
    #[must_use]
    pub fn without_gain(&self) -> Constants {
        if self.torque_constant_nm_a <= self.emf_constant_v_s {
            return *self;
        }
        let mean = (self.torque_constant_nm_a * self.emf_constant_v_s).sqrt();
        Constants { torque_constant_nm_a: mean, emf_constant_v_s: mean, ..*self }
    }

    /// The same motor with magnets of this strength, 1 at 20 °C: torque constant and back-EMF constant follow
    /// the flux; the friction torque stays.
    #[must_use]
    pub fn weakened(&self, magnets: f64) -> Constants {
        Constants {
            torque_constant_nm_a: self.torque_constant_nm_a * magnets,
            emf_constant_v_s: self.emf_constant_v_s * magnets,
            no_load_current_a: self.no_load_current_a / magnets,
            ..*self
        }
    }

    /// The line at open-circuit voltage `ocv_v` behind `source_ohm`, at `duty` (0 to 1), with the winding at
    /// `winding_ohm`. Current through the source is `duty * i`, so `i = (duty ocv - Ke w) / (R + duty² R_s)`.
    #[must_use]
    pub fn line(&self, ocv_v: f64, source_ohm: f64, duty: f64, winding_ohm: f64) -> TorqueSpeedLine {
        let total_ohm = winding_ohm + duty * duty * source_ohm;
        let stall_a = duty * ocv_v / total_ohm;
        let slope_a_s = self.emf_constant_v_s / total_ohm;
        TorqueSpeedLine {
            electrical_stall_nm: self.torque_constant_nm_a * stall_a,
            friction_nm: self.torque_constant_nm_a * self.no_load_current_a,
            slope_nm_s: self.torque_constant_nm_a * slope_a_s,
            stall_a,
            slope_a_s,
        }
    }
}

impl TorqueSpeedLine {
    /// Shaft torque at standstill, N·m; never negative (friction does not drive).
    #[must_use]
    pub fn stall_nm(&self) -> f64 {
        (self.electrical_stall_nm - self.friction_nm).max(0.0)
    }

    /// No-load speed, rad/s.
    #[must_use]
    pub fn no_load_rad_s(&self) -> f64 {
        self.stall_nm() / self.slope_nm_s
    }

    /// Highest shaft power, W: a quarter of stall torque times no-load speed.
    #[must_use]
    pub fn peak_power_w(&self) -> f64 {
        0.25 * self.stall_nm() * self.no_load_rad_s()
    }
}

impl Check for MotorConfig {
    fn check(&self) -> Result<(), KeyError> {
        match &self.line {
            MotorLineConfig::DataSheet(s) => s.check().map_err(|e| e.within("line.data-sheet"))?,
            MotorLineConfig::Constants(c) => c.check().map_err(|e| e.within("line.constants"))?,
        }
        in_range("rotor-inertia-kg-m2", self.rotor_inertia_kg_m2, 1e-9, 1e-2, "kg·m²")?;
        self.heat.check().map_err(|e| e.within("heat"))
    }
}

impl Check for DataSheet {
    fn check(&self) -> Result<(), KeyError> {
        in_range("rated-voltage-v", self.rated_voltage_v, 1.0, 100.0, "V")?;
        in_range("no-load-speed-rad-s", self.no_load_speed_rad_s, 10.0, 10_000.0, "rad/s")?;
        in_range("stall-current-a", self.stall_current_a, 0.1, 500.0, "A")?;
        in_range("no-load-current-a", self.no_load_current_a, 0.001, 0.5 * self.stall_current_a, "A")?;
        in_range("stall-torque-nm", self.stall_torque_nm, 1e-4, 100.0, "N·m")?;
        self.check_together(self.no_load_speed_rad_s, "no-load-speed-rad-s")
    }
}

/// Least torque constant over back-EMF constant: a motor that loses half of its work in iron is a slip of the pen.
const LEAST_RATIO: f64 = 0.5;
/// The most of a data sheet. Stall torque, no-load speed and stall current, rounded to two or three figures, are each
/// off by 1 % or so, 47 for example by 0.5; torque over back-EMF multiplies them, with 1 % left for the other two.
const MOST_RATIO_OF_SHEETS: f64 = 1.05;
/// The most of two constants, each of three figures.
const MOST_RATIO_OF_CONSTANTS: f64 = 1.01;

impl DataSheet {
    /// Whether the figures can be those of one motor; the no-load speed is named as it was typed.
    ///
    /// # Errors
    /// Which two contradict each other, and what each could be with the other.
    pub fn check_together(&self, typed_speed: f64, speed_key: &str) -> Result<(), KeyError> {
        let ratio = self.torque_over_emf();
        if (LEAST_RATIO..=MOST_RATIO_OF_SHEETS).contains(&ratio) {
            return Ok(());
        }
        let why = if ratio > 1.0 {
            "the motor would give more than it takes"
        } else {
            "half of its work and more would be lost in the iron"
        };
        let got = format!(
            "{}, which contradicts {speed_key} = {typed_speed}: torque constant over back-EMF constant is {ratio:.3}, and {why}",
            self.stall_torque_nm
        );
        let allowed = format!(
            "figures of one motor, for which that ratio is 1 or a little less ({LEAST_RATIO} to {MOST_RATIO_OF_SHEETS} with \
             rounding): with these currents and this voltage about {:.3e} N·m, or {:.1} for {speed_key}; measure whichever of \
             them you can",
            self.stall_torque_nm / ratio,
            typed_speed / ratio
        );
        Err(KeyError::new("stall-torque-nm", got, allowed))
    }
}

impl Check for Constants {
    fn check(&self) -> Result<(), KeyError> {
        in_range("torque-constant-nm-a", self.torque_constant_nm_a, 1e-4, 10.0, "N·m/A")?;
        in_range("emf-constant-v-s", self.emf_constant_v_s, 1e-4, 10.0, "V·s")?;
        in_range("resistance-ohm", self.resistance_ohm, 0.005, 100.0, "Ω")?;
        in_range("no-load-current-a", self.no_load_current_a, 0.0, 50.0, "A")?;
        let most = MOST_RATIO_OF_CONSTANTS * self.emf_constant_v_s;
        if self.torque_constant_nm_a > most {
            let (torque, emf) = (self.torque_constant_nm_a, self.emf_constant_v_s);
            return Err(KeyError::new(
                "torque-constant-nm-a",
                format!("{torque}, above emf-constant-v-s = {emf}: the motor would give more than it takes"),
                format!("up to {emf} (in SI units the two are one constant; 1 % is left for rounding)"),
            ));
        }
        Ok(())
    }
}

/// The most that magnets may lose of their strength when they are as hot as the winding may be.
const MOST_LOST: f64 = 0.8;

impl Check for HeatConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("winding-j-k", self.winding_j_k, 0.1, 1e4, "J/K")?;
        in_range("housing-j-k", self.housing_j_k, 0.1, 1e5, "J/K")?;
        in_range("winding-to-housing-k-w", self.winding_to_housing_k_w, 0.01, 100.0, "K/W")?;
        in_range("housing-to-air-k-w", self.housing_to_air_k_w, 0.01, 1000.0, "K/W")?;
        in_range("winding-limit-c", self.winding_limit_c, 40.0, 250.0, "°C")?;
        // Magnets that lose nearly all their strength below the winding's limit would leave no motor.
        let most = 0.005_f64.min(MOST_LOST / (self.winding_limit_c - 20.0));
        let unit = "1/K (four fifths of the strength may be lost at winding-limit-c)";
        in_range("magnet-per-k", self.magnet_per_k, 0.0, most, unit)
    }
}
