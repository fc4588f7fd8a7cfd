//! What speaks against a log before anything is fitted to it: units, dead or reversed sensors, a way that does not go with the wheels.
//!
//! Limits are wide: a log of a vehicle like the one in the file is never refused, and what is refused cannot be one.

mod distance;
mod sensors;
mod units;

pub use distance::{DistanceCheck, distance_check};

use crate::runs::{Recipe, Run};
use lowgear_env::vehicle::VehicleConfig;

/// Findings, each a sentence or two.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Plausibility {
    /// Those after which figures from the log are worth nothing.
    pub refused: Vec<String>,
    /// Contradictions that the owner should know of first.
    pub contradictions: Vec<String>,
}

impl Plausibility {
    /// What a vehicle's runs show.
    #[must_use]
    pub fn of(config: &VehicleConfig, runs: &[Run]) -> Plausibility {
        let mut plausibility = Plausibility::default();
        let expected = ExpectedReadings::of(config);
        units::check(&expected, runs, &mut plausibility);
        sensors::check(config, &expected, runs, &mut plausibility);
        distance::check(config, runs, &mut plausibility);
        plausibility
    }

    /// Adds others.
    pub fn extend(&mut self, other: Plausibility) {
        self.refused.extend(other.refused);
        self.contradictions.extend(other.contradictions);
    }

    /// All of them, one a line; empty when there is nothing to say.
    #[must_use]
    pub fn text(&self) -> String {
        let line = |mark: &'static str| move |said: &String| format!("{mark}: {said}\n");
        let refused = self.refused.iter().map(line("MISFIT"));
        refused.chain(self.contradictions.iter().map(line("CONTRADICTION"))).collect()
    }
}

/// What the vehicle file lets one expect.
struct ExpectedReadings {
    voltage_v: f64,
    emf_v_s: f64,
    winding_ohm: f64,
    source_ohm: f64,
    no_load_a: f64,
}

impl ExpectedReadings {
    fn of(config: &VehicleConfig) -> ExpectedReadings {
        let motor = config.motor.line.constants();
        ExpectedReadings {
            voltage_v: config.battery.nominal_voltage_v,
            emf_v_s: motor.emf_constant_v_s,
            winding_ohm: motor.resistance_ohm,
            source_ohm: config.battery.resistance_ohm,
            no_load_a: motor.no_load_current_a,
        }
    }

    /// Motor speed without load, rad/s.
    fn fastest_rad_s(&self, duty: f64) -> f64 {
        duty * self.voltage_v / self.emf_v_s
    }

    /// Motor current at standstill, A.
    fn stall_a(&self, duty: f64) -> f64 {
        duty * self.voltage_v / (self.winding_ohm + duty * duty * self.source_ohm)
    }
}

/// Duty from which a run counts as driven.
const DRIVEN: f64 = 0.3;

/// Whether the motor turns in a recipe.
fn turns(run: &Run) -> bool {
    matches!(run.recipe, Recipe::WheelsOff | Recipe::Level | Recipe::Ramp)
}

/// The middle of some values.
fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

/// The value below which this share lies.
fn quantile(mut values: Vec<f64>, share: f64) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let last = values.len().checked_sub(1)?;
    values.get((share * last as f64).round() as usize).copied()
}

/// Three figures.
fn figures(value: f64) -> f64 {
    format!("{value:.2e}").parse().unwrap_or(value)
}

/// Where a run stands, for messages.
fn place(run: &Run) -> String {
    format!("{} (line {})", run.name(), run.line())
}
