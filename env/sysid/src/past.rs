//! What went through the motor before a run, so that its warmth can be recomputed with other heat constants.

use lowgear_env::vehicle::{COPPER_PER_K, Constants, HeatConfig, HeatStep, TemperatureRise};

/// Pieces that are kept; older ones are joined.
const MAX_INTERVALS: usize = 96;
/// Longest step in which the resistance is taken as constant, s, and most steps of a piece.
const STEP_S: f64 = 5.0;
const MOST_STEPS: f64 = 1000.0;
/// No motor that a log comes from is warmer than this above the air, K.
const HOTTEST_K: f64 = 300.0;

/// A piece of time with what heats in it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CurrentInterval {
    /// How long it lasted, s.
    pub lasted_s: f64,
    /// Integral of the squared current, A²·s.
    pub squared_a2s: f64,
    /// Turn of the motor, either way, rad.
    pub turned_rad: f64,
    /// Integral of current times motor speed, A·rad.
    pub current_turned_a_rad: f64,
}

impl CurrentInterval {
    fn with(self, other: CurrentInterval) -> CurrentInterval {
        CurrentInterval {
            lasted_s: self.lasted_s + other.lasted_s,
            squared_a2s: self.squared_a2s + other.squared_a2s,
            turned_rad: self.turned_rad + other.turned_rad,
            current_turned_a_rad: self.current_turned_a_rad + other.current_turned_a_rad,
        }
    }
}

/// The pieces since the log began, the oldest first. Memory is bounded: the older half is joined pair by pair when there are too many,
/// and what happened long ago has levelled out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Past {
    intervals: Vec<CurrentInterval>,
}

impl Past {
    /// Adds a piece.
    pub fn push(&mut self, interval: CurrentInterval) {
        if interval.lasted_s <= 0.0 {
            return;
        }
        if self.intervals.len() >= MAX_INTERVALS {
            let (old, new) = self.intervals.split_at(MAX_INTERVALS / 2);
            let joined =
                old.chunks(2).map(|pair| pair.iter().fold(CurrentInterval::default(), |sum, p| sum.with(*p)));
            self.intervals = joined.chain(new.iter().copied()).collect();
        }
        self.intervals.push(interval);
    }

    /// How warm the motor is at the end, from the air's temperature at the beginning.
    #[must_use]
    pub fn temperature_rise(&self, heat: &HeatConfig, motor: &Constants) -> TemperatureRise {
        let mut temperature_rise = TemperatureRise::default();
        let friction_nm = motor.torque_constant_nm_a * motor.no_load_current_a;
        // What the back-EMF takes in and the torque does not give out stays in the motor, as in the simulator.
        let iron_nm_a = motor.emf_constant_v_s - motor.torque_constant_nm_a;
        let sane = |k: f64| if k.is_finite() { k.clamp(0.0, HOTTEST_K) } else { 0.0 };
        for interval in &self.intervals {
            let housing_w = (friction_nm * interval.turned_rad + iron_nm_a * interval.current_turned_a_rad)
                / interval.lasted_s;
            // The copper's resistance follows its warmth, so a long piece is taken in steps.
            let steps = (interval.lasted_s / STEP_S).ceil().clamp(1.0, MOST_STEPS);
            let step = HeatStep::new(heat, interval.lasted_s / steps);
            for _ in 0..steps as u32 {
                let winding_ohm = motor.resistance_ohm * (1.0 + COPPER_PER_K * temperature_rise.winding_k);
                let winding_w = interval.squared_a2s * winding_ohm / interval.lasted_s;
                let next = step.advance(temperature_rise, winding_w, housing_w);
                temperature_rise =
                    TemperatureRise { winding_k: sane(next.winding_k), housing_k: sane(next.housing_k) };
            }
        }
        temperature_rise
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heat() -> HeatConfig {
        HeatConfig {
            winding_j_k: 3.0,
            housing_j_k: 15.0,
            winding_to_housing_k_w: 8.0,
            housing_to_air_k_w: 18.0,
            winding_limit_c: 120.0,
            magnet_per_k: 0.0,
        }
    }

    /// At the end of all warming the heat has but one way out: winding `P (R1 + R2)`, housing `P R2` above the air.
    #[test]
    fn a_steady_current_ends_at_the_textbook_temperatures() {
        let motor = Constants {
            torque_constant_nm_a: 0.01,
            emf_constant_v_s: 0.01,
            resistance_ohm: 10.0,
            no_load_current_a: 0.0,
        };
        let mut past = Past::default();
        for _ in 0..20_000 {
            past.push(CurrentInterval {
                lasted_s: 0.5,
                squared_a2s: 0.5 * 0.04,
                ..CurrentInterval::default()
            });
        }
        assert!(past.intervals.len() <= MAX_INTERVALS);
        let temperature_rise = past.temperature_rise(&heat(), &motor);
        // 0.4 W at first; the copper's resistance grows with the rise: k = 0.4 (1 + 0.00393 k) 26.
        let winding_k = 10.4 / (1.0 - COPPER_PER_K * 10.4);
        assert!(
            (temperature_rise.winding_k / winding_k - 1.0).abs() < 1e-3,
            "{temperature_rise:?} {winding_k}"
        );
        assert!(
            (temperature_rise.housing_k / (winding_k * 18.0 / 26.0) - 1.0).abs() < 1e-3,
            "{temperature_rise:?}"
        );
    }
}
