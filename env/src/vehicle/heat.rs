//! Motor heat: winding and housing.
//!
//! `C_w dT_w/dt = P_w - (T_w - T_h)/R_wh`, `C_h dT_h/dt = P_h + (T_w - T_h)/R_wh - (T_h - T_a)/R_ha`; both as
//! rises above the air. Winding resistance `R(T) = R0 (1 + 0.00393 dT)` (copper, handbook value). For power
//! held over a step the step is exact (modal solution of the two-body system).

use super::motor::HeatConfig;

/// Temperature coefficient of copper, 1/K, at 20 °C (handbook value; IEC 60034-1 uses 1/255 at 20 °C).
pub const COPPER_PER_K: f64 = 0.00393;

/// Rises above the air, K.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TemperatureRise {
    /// Winding.
    pub winding_k: f64,
    /// Housing.
    pub housing_k: f64,
}

/// The exact step of one length.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeatStep {
    /// Response of (winding, housing) to themselves.
    state: [[f64; 2]; 2],
    /// Response to power in the winding and in the housing, K/W.
    power: [[f64; 2]; 2],
}

impl HeatStep {
    /// The step over `step_s`.
    #[must_use]
    pub fn new(heat: &HeatConfig, step_s: f64) -> HeatStep {
        let (rates, modes) = modes(heat);
        let [slow, fast] = rates.map(|rate| (-rate * step_s).exp());
        let [a, b] = modes; // housing over winding in each mode
        let scale = 1.0 / (b - a);
        let propagate = |e0: f64, e1: f64| {
            [
                [scale * (b * e0 - a * e1), scale * (e1 - e0)],
                [scale * a * b * (e0 - e1), scale * (b * e1 - a * e0)],
            ]
        };
        let state = propagate(slow, fast);
        // Integral of the propagator over the step, applied to power over capacity.
        let integral = propagate((1.0 - slow) / rates[0], (1.0 - fast) / rates[1]);
        let power = [
            [integral[0][0] / heat.winding_j_k, integral[0][1] / heat.housing_j_k],
            [integral[1][0] / heat.winding_j_k, integral[1][1] / heat.housing_j_k],
        ];
        HeatStep { state, power }
    }

    /// One step with the given mean powers.
    #[must_use]
    pub fn advance(
        &self,
        temperature_rise: TemperatureRise,
        winding_w: f64,
        housing_w: f64,
    ) -> TemperatureRise {
        let row = |i: usize| {
            self.state[i][0] * temperature_rise.winding_k
                + self.state[i][1] * temperature_rise.housing_k
                + self.power[i][0] * winding_w
                + self.power[i][1] * housing_w
        };
        TemperatureRise { winding_k: row(0), housing_k: row(1) }
    }
}

/// Decay rates (slow, fast), 1/s, and housing-over-winding of each mode.
fn modes(heat: &HeatConfig) -> ([f64; 2], [f64; 2]) {
    let link_w = 1.0 / (heat.winding_j_k * heat.winding_to_housing_k_w);
    let link_h = 1.0 / (heat.housing_j_k * heat.winding_to_housing_k_w);
    let air = 1.0 / (heat.housing_j_k * heat.housing_to_air_k_w);
    let half_trace = 0.5 * (link_w + link_h + air);
    let root = (half_trace * half_trace - link_w * air).sqrt();
    let rates = [link_w * air / (half_trace + root), half_trace + root];
    (rates, rates.map(|rate| (link_w - rate) / link_w))
}

/// Time constants (fast, slow), s.
#[must_use]
pub fn time_constants_s(heat: &HeatConfig) -> [f64; 2] {
    let (rates, _) = modes(heat);
    [1.0 / rates[1], 1.0 / rates[0]]
}
