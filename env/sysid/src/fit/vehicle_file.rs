//! The fitted vehicle as a file: values with their standard errors, what the log cannot tell, ranges for training.

use super::estimate::{Estimate, Fit};
use super::format::{as_given, figure, with_error};
use super::given::GivenValue;
use super::parameters::Parameter;
use lowgear_env::config::escaped;
use lowgear_env::config::{Check, KeyError, ParameterDistribution};
use lowgear_env::vehicle::{MotorLineConfig, VariationConfig, VehicleConfig};
use std::fmt::Write as _;

/// Widest factor that the uncertainty of a fit may give a training range.
const WIDEST: f64 = 0.4;
/// Correlations from here on are reported.
const CORRELATED: f64 = 0.8;

impl Fit {
    /// The vehicle with fitted values, sensors, selector and ranges for training.
    ///
    /// Training ranges: each factor has the standard error of its parameter (the largest where there are several), at least one percent,
    /// with what the start file gives for cart to cart and day to day on top (variances added). Mass, charge, air and latency stay as in the
    /// start file.
    #[must_use]
    pub fn vehicle(&self, start: &VehicleConfig) -> VehicleConfig {
        let mut config = self.config.clone();
        let sensors = &mut config.sensors;
        if let Some(noise) = self.sensors.encoder {
            sensors.encoder.noise = rounded(noise.clamp(0.0, 0.5));
        }
        for (sensor, noise) in [
            (&mut sensors.battery, self.sensors.battery_v),
            (&mut sensors.current, self.sensors.current_a),
            (&mut sensors.tilt, self.sensors.tilt_deg),
        ] {
            if let (Some(sensor), Some(noise)) = (sensor.as_mut(), noise) {
                sensor.noise = rounded(noise.clamp(0.0, 100.0));
            }
        }
        if let Some(selector) = &self.selector {
            config.selector.speed_deg_s = rounded(selector.speed_deg_s.0);
            if let Some((settling_s, _)) = selector.settling_s {
                config.selector.settling_s = rounded(settling_s.clamp(0.0, 2.0));
            }
        }
        for estimate in self.estimates.iter().chain(&self.assumed) {
            self.round_into(&mut config, estimate);
        }
        self.round_motor(&mut config, start);
        config.variation = self.variation(&start.variation);
        config.fitted = self.fitted();
        config
    }

    /// Rounds the motor constants that were fitted; a motor of which nothing was keeps the form that it has in the start file.
    fn round_motor(&self, config: &mut VehicleConfig, start: &VehicleConfig) {
        let is_fitted = |p: &Parameter| self.of(p).is_some();
        let (emf, ohm, idle) = (
            is_fitted(&Parameter::EmfConstant),
            is_fitted(&Parameter::Resistance),
            is_fitted(&Parameter::NoLoadCurrent),
        );
        if !(emf || ohm || idle) {
            config.motor.line = start.motor.line.clone();
        }
        let MotorLineConfig::Constants(motor) = &mut config.motor.line else { return };
        for (fitted, constant) in [
            (emf, &mut motor.torque_constant_nm_a),
            (emf, &mut motor.emf_constant_v_s),
            (ohm, &mut motor.resistance_ohm),
            (idle, &mut motor.no_load_current_a),
        ] {
            if fitted {
                *constant = rounded(*constant);
            }
        }
    }

    fn round_into(&self, config: &mut VehicleConfig, estimate: &Estimate) {
        let value = rounded(estimate.value);
        match estimate.parameter {
            Parameter::RotorInertia => config.motor.rotor_inertia_kg_m2 = value,
            Parameter::BatteryResistance => config.battery.resistance_ohm = value,
            Parameter::Efficiency(g) => config.gearbox.efficiency[g] = value,
            Parameter::BackEfficiency(g) => config.gearbox.back_efficiency[g] = value,
            Parameter::Drag => config.chassis.drag_n = value,
            Parameter::WheelInertia => config.chassis.wheel_inertia_kg_m2 = value,
            Parameter::WindingHeat => config.motor.heat.winding_j_k = value,
            Parameter::HousingHeat => config.motor.heat.housing_j_k = value,
            Parameter::WindingPath => config.motor.heat.winding_to_housing_k_w = value,
            Parameter::HousingPath => config.motor.heat.housing_to_air_k_w = value,
            Parameter::Magnet => config.motor.heat.magnet_per_k = value,
            _ => {}
        }
    }

    /// The largest relative standard error among parameters that `of` picks.
    fn relative(&self, of: impl Fn(&Parameter) -> bool) -> Option<f64> {
        self.estimates.iter().filter(|e| of(&e.parameter)).map(|e| e.error / e.value.abs()).reduce(f64::max)
    }

    fn variation(&self, start: &VariationConfig) -> VariationConfig {
        let bell = |before: ParameterDistribution, error: Option<f64>| {
            let Some(error) = error else { return before };
            let sd = error.max(0.01).hypot(spread_of(before)).min(WIDEST / 2.0);
            let sd = rounded(sd);
            ParameterDistribution::Normal {
                mean: 1.0,
                sd,
                low: rounded(1.0 - 2.0 * sd),
                high: rounded(1.0 + 2.0 * sd),
            }
        };
        let wheels = |p: &Parameter| matches!(p, Parameter::Efficiency(_));
        let ground = |p: &Parameter| matches!(p, Parameter::Rolling(_));
        let rolling = self.relative(ground).map_or(start.rolling_factor, |error| {
            let log_sd = rounded(error.max(0.01).hypot(spread_of(start.rolling_factor)).min(WIDEST / 2.0));
            ParameterDistribution::LogNormal { median: 1.0, log_sd }
        });
        let tilt = self.sensors.tilt_bias_deg.map_or(start.tilt_bias_deg, |(bias, error)| {
            let sd = rounded(error.max(0.2));
            let mean = rounded(bias.clamp(-15.0, 15.0));
            ParameterDistribution::Normal {
                mean,
                sd,
                low: rounded(mean - 2.5 * sd),
                high: rounded(mean + 2.5 * sd),
            }
        });
        VariationConfig {
            efficiency_factor: bell(start.efficiency_factor, self.relative(wheels)),
            winding_factor: bell(start.winding_factor, self.relative(|p| *p == Parameter::Resistance)),
            rolling_factor: rolling,
            battery_resistance_factor: bell(
                start.battery_resistance_factor,
                self.relative(|p| *p == Parameter::BatteryResistance),
            ),
            tilt_bias_deg: tilt,
            ..*start
        }
    }

    /// The file's text; `sources` are the logs by name, `notes` what was met in them, one a line.
    ///
    /// # Errors
    /// A fitted value outside what a vehicle file may hold.
    pub fn vehicle_text(
        &self,
        start: &VehicleConfig,
        sources: &[String],
        notes: &str,
    ) -> Result<String, KeyError> {
        let mut config = self.vehicle(start);
        // Every line of the file is a key of ours: a name has one.
        config.name = escaped(&config.name);
        config.check()?;
        let mut out = format!(
            "# {}{}: fitted to {} runs ({} rows) of {}.\n",
            config.name,
            if config.invented { " (INVENTED)" } else { "" },
            self.runs.len(),
            self.runs.iter().map(|r| r.samples.len()).sum::<usize>(),
            escaped(&sources.join(", "))
        );
        comment(&mut out, &self.findings(notes));
        let text = toml::to_string(&config)
            .map_err(|e| KeyError::new("vehicle", e.to_string(), "values that TOML can hold"))?;
        let mut table = String::new();
        for line in text.lines() {
            if let Some(header) = line.strip_prefix('[') {
                header.trim_end_matches(']').clone_into(&mut table);
            }
            let key = line.split('=').next().unwrap_or("").trim();
            let said = self.remark(&format!("{table}.{key}"));
            let _ = writeln!(out, "{line}{said}");
        }
        Ok(out)
    }

    /// What stands behind a line of the file.
    fn remark(&self, key: &str) -> String {
        let is_fitted = |p: &Parameter| {
            self.of(p).map(|e| {
                format!("± {}{}", figure(e.error, 2), if e.at_limit { ", at its limit" } else { "" })
            })
        };
        let said = match key {
            "motor.line.constants.emf-constant-v-s" => is_fitted(&Parameter::EmfConstant),
            "motor.line.constants.torque-constant-nm-a" => {
                self.of(&Parameter::EmfConstant).map(|_| "by its ratio to the back-EMF constant".to_owned())
            }
            "motor.line.constants.resistance-ohm" => is_fitted(&Parameter::Resistance),
            "motor.line.constants.no-load-current-a" => is_fitted(&Parameter::NoLoadCurrent),
            "motor.rotor-inertia-kg-m2" => is_fitted(&Parameter::RotorInertia),
            "battery.resistance-ohm" => is_fitted(&Parameter::BatteryResistance),
            "chassis.drag-n" => is_fitted(&Parameter::Drag),
            "chassis.wheel-inertia-kg-m2" => is_fitted(&Parameter::WheelInertia),
            "motor.heat.winding-j-k" => is_fitted(&Parameter::WindingHeat),
            "motor.heat.housing-j-k" => is_fitted(&Parameter::HousingHeat),
            "motor.heat.winding-to-housing-k-w" => is_fitted(&Parameter::WindingPath),
            "motor.heat.housing-to-air-k-w" => is_fitted(&Parameter::HousingPath),
            "motor.heat.magnet-per-k" => is_fitted(&Parameter::Magnet),
            "gearbox.efficiency" => self.remark_gears(Parameter::Efficiency),
            "gearbox.back-efficiency" => self.remark_gears(Parameter::BackEfficiency),
            "selector.speed-deg-s" => {
                self.selector.map(|s| format!("± {} from {} moves", figure(s.speed_deg_s.1, 2), s.moves))
            }
            "selector.settling-s" => {
                self.selector.and_then(|s| s.settling_s).map(|s| format!("± {}", figure(s.1, 2)))
            }
            _ => None,
        };
        said.map_or_else(String::new, |s| format!(" # {s}"))
    }

    fn remark_gears(&self, of: fn(usize) -> Parameter) -> Option<String> {
        let gears = self.config.gearbox.efficiency.len();
        let each = (0..gears).map(|g| {
            self.of(&of(g)).map_or("not identifiable".to_owned(), |e| format!("± {}", figure(e.error, 2)))
        });
        (0..gears).any(|g| self.of(&of(g)).is_some()).then(|| each.collect::<Vec<_>>().join(", "))
    }

    /// Everything that was found, in words and figures, one a line.
    #[must_use]
    pub fn findings(&self, notes: &str) -> String {
        let mut out = self.plausibility.text();
        self.write_lack_of_fit(&mut out);
        out.push_str("Fitted, with standard error (95 % intervals are 1.96 times as wide to either side):\n");
        write_estimates(&mut out, &self.estimates);
        if !self.assumed.is_empty() {
            out.push_str("Assumed at the start, moved by the runs as far as they say something of it:\n");
            write_estimates(&mut out, &self.assumed);
        }
        if !self.held.is_empty() {
            out.push_str("The log cannot tell, kept as at the start:\n");
            for h in &self.held {
                let with = if h.with.is_empty() {
                    "no run shows it".to_owned()
                } else {
                    format!("acts together with {}", h.with.join(", "))
                };
                let _ = writeln!(out, "  {}: {} ({with})", h.name, as_given(h.value));
            }
        }
        self.pulls.iter().for_each(|pull| {
            let _ = writeln!(out, "{}", pull.text());
        });
        for (label_deg, off_deg, error_deg) in &self.grades {
            let _ = writeln!(
                out,
                "Ramp labelled {label_deg}°: {} ± {}°.",
                figure(label_deg + off_deg, 3),
                figure(*error_deg, 2)
            );
        }
        self.write_correlations(&mut out);
        self.write_sensors(&mut out);
        self.write_given(&mut out);
        let _ = writeln!(out, "Residuals beyond four standard deviations: {:.2} %.", 100.0 * self.outlying);
        if !notes.is_empty() {
            let _ = writeln!(out, "Met in the logs:");
            notes.lines().for_each(|l| {
                let _ = writeln!(out, "  {l}");
            });
        }
        out
    }

    /// What the vehicle has and the simulator has not.
    fn write_lack_of_fit(&self, out: &mut String) {
        for lack in &self.lack_of_fit {
            let _ = writeln!(
                out,
                "LACK OF FIT: the runs show {}, which the simulator does not have: {} ({:.1} standard errors from none).",
                lack.effect.name(),
                lack.text,
                lack.off
            );
        }
        for e in self.pulled_to_limits() {
            let _ = writeln!(
                out,
                "LACK OF FIT: {} ended at its limit, where no vehicle has it: something that the simulator does not have pulls it there.",
                e.name
            );
        }
        if !self.lack_of_fit.is_empty() {
            out.push_str("  The values are those that suit the simulator best; their standard errors count in what it leaves out.\n");
        }
    }

    /// What stays as it was given, and how far off it may be.
    fn write_given(&self, out: &mut String) {
        let sd = |given: &GivenValue, sd: f64| match given {
            GivenValue::Assumed(_) => format!("a factor of {:.1}", sd.exp()),
            _ => format!("± {} %", figure(100.0 * sd, 2)),
        };
        let counted: Vec<String> =
            self.given.iter().map(|(given, by)| format!("{} ({})", given.name(), sd(given, *by))).collect();
        if counted.is_empty() {
            out.push_str("Taken as given, as if exact: mass, wheel radius and inertia, ratios, heat constants, the torque constant's ratio to the back-EMF constant.\n");
        } else {
            let _ = writeln!(out, "Taken as given, their usual errors counted in: {}.", counted.join(", "));
        }
        out.push_str("Taken as given, as if exact: friction of the ground, the battery's curve, the air.\n");
    }

    fn write_correlations(&self, out: &mut String) {
        let n = self.estimates.len();
        let pairs: Vec<(usize, usize)> = (0..n)
            .flat_map(|a| (a + 1..n).map(move |b| (a, b)))
            .filter(|&(a, b)| self.correlation[(a, b)].abs() >= CORRELATED)
            .collect();
        if !pairs.is_empty() {
            let _ = writeln!(out, "Correlations of {CORRELATED} and more:");
            for (a, b) in pairs {
                let names = (&self.estimates[a].name, &self.estimates[b].name);
                let _ = writeln!(out, "  {} with {}: {:+.2}", names.0, names.1, self.correlation[(a, b)]);
            }
        }
    }

    fn write_sensors(&self, out: &mut String) {
        let s = &self.sensors;
        let noise: Vec<String> = [
            s.encoder.map(|v| format!("encoder {:.2} %", 100.0 * v)),
            s.battery_v.map(|v| format!("battery {v:.3} V")),
            s.current_a.map(|v| format!("current {v:.4} A")),
            s.tilt_deg.map(|v| format!("tilt {v:.2}°")),
        ]
        .into_iter()
        .flatten()
        .collect();
        if !noise.is_empty() {
            let _ = writeln!(out, "Sensor noise, steps apart: {}.", noise.join(", "));
        }
        if let Some((bias, error)) = s.tilt_bias_deg {
            let _ = writeln!(out, "Offset of the tilt sensor: {bias:.2}° ± {error:.2}°.");
        }
        if let Some(selector) = &self.selector {
            let _ = writeln!(
                out,
                "Selector: {:.0} ± {:.0} °/s from {} moves{}.",
                selector.speed_deg_s.0,
                selector.speed_deg_s.1,
                selector.moves,
                if selector.slow > 0 {
                    format!(", {} with retries left out", selector.slow)
                } else {
                    String::new()
                }
            );
        }
    }
}

fn write_estimates(out: &mut String, estimates: &[Estimate]) {
    for e in estimates {
        let limit = if e.at_limit { ", at its limit" } else { "" };
        let value = with_error(e.value, e.error);
        let _ = writeln!(out, "  {}: {value} (start {}){limit}", e.name, figure(e.start, 4));
    }
}

/// Relative standard deviation of a factor's distribution.
fn spread_of(spread: ParameterDistribution) -> f64 {
    match spread {
        ParameterDistribution::Fixed(_) => 0.0,
        ParameterDistribution::Uniform { low, high } => {
            (high - low) / 12.0_f64.sqrt() / (0.5 * (high + low)).max(1e-9)
        }
        ParameterDistribution::Normal { mean, sd, .. } => sd / mean.abs().max(1e-9),
        ParameterDistribution::LogNormal { log_sd, .. } => log_sd,
    }
}

/// Five figures.
pub(super) fn rounded(value: f64) -> f64 {
    format!("{value:.4e}").parse().unwrap_or(value)
}

fn comment(out: &mut String, text: &str) {
    for line in text.lines() {
        let _ = writeln!(out, "# {}", escaped(line));
    }
}
