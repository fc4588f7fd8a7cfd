//! Battery: open-circuit voltage over state of charge behind a resistance.
//!
//! `V = OCV(soc) - R i`, `soc' = -i / (3600 Ah)` (equivalent-circuit model; Plett, *Battery Management
//! Systems* vol. 1, 2015, ch. 2, from memory). Relaxation (RC branches) and temperature are not modelled.

use crate::config::{Check, KeyError, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The battery in a vehicle file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct BatteryConfig {
    /// Nominal voltage, V: what the controller assumes when it cannot measure.
    pub nominal_voltage_v: f64,
    /// Capacity, A·h.
    pub capacity_ah: f64,
    /// Series resistance, wiring included, Ω.
    pub resistance_ohm: f64,
    /// Open-circuit voltage at evenly spaced states of charge from 0 to 1, V, not falling.
    pub ocv_v: Vec<f64>,
    /// Under drive the battery's protection switches off below this terminal voltage, and the episode ends, V; 0
    /// leaves it out.
    #[serde(default)]
    pub cutoff_voltage_v: f64,
}

impl BatteryConfig {
    /// Open-circuit voltage at a state of charge, linear between the points, V.
    #[must_use]
    pub fn open_circuit_v(&self, charge: f64) -> f64 {
        let last = self.ocv_v.len() - 1;
        let at = charge.clamp(0.0, 1.0) * last as i32 as f64;
        let i = (at as i32 as usize).min(last.saturating_sub(1));
        let next = self.ocv_v[(i + 1).min(last)];
        self.ocv_v[i] + (next - self.ocv_v[i]) * (at - i as i32 as f64)
    }

    /// The same for a charge from 0 to 1 that probably lies between the point `cell` and the next one, and the point that it
    /// lies behind: with a good guess the processor need not wait for the charge to know which points to read.
    #[must_use]
    #[inline]
    pub(crate) fn open_circuit_near_v(&self, charge: f64, cell: usize) -> (f64, usize) {
        let last = self.ocv_v.len() - 1;
        let at = charge * last as i32 as f64;
        let share = at - cell as i32 as f64;
        let cell =
            if (0.0..1.0).contains(&share) { cell } else { (at as i32 as usize).min(last.saturating_sub(1)) };
        let next = self.ocv_v[(cell + 1).min(last)];
        (self.ocv_v[cell] + (next - self.ocv_v[cell]) * (at - cell as i32 as f64), cell)
    }

    /// Current at constant power, A; `None` above the most that the battery can give, `OCV² / 4R`.
    #[must_use]
    pub fn current_at_power_a(&self, charge: f64, power_w: f64) -> Option<f64> {
        let ocv = self.open_circuit_v(charge);
        let rest = ocv * ocv - 4.0 * self.resistance_ohm * power_w;
        (rest >= -1e-9).then(|| (ocv - rest.max(0.0).sqrt()) / (2.0 * self.resistance_ohm))
    }
}

impl Check for BatteryConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("nominal-voltage-v", self.nominal_voltage_v, 1.0, 60.0, "V")?;
        in_range("capacity-ah", self.capacity_ah, 0.05, 500.0, "A·h")?;
        in_range("resistance-ohm", self.resistance_ohm, 0.0, 10.0, "Ω")?;
        let full_v = self.ocv_v.last().copied().unwrap_or(0.0);
        in_range("cutoff-voltage-v", self.cutoff_voltage_v, 0.0, full_v, "V (below the full battery's)")?;
        if !(2..=1000).contains(&self.ocv_v.len()) {
            return Err(KeyError::new("ocv-v", format!("{} points", self.ocv_v.len()), "2 to 1000 points"));
        }
        for pair in self.ocv_v.windows(2) {
            in_range("ocv-v", pair[0], 0.5, 100.0, "V")?;
            in_range("ocv-v", pair[1], pair[0], 100.0, "V (not below the point before it)")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_voltage_does_not_depend_on_the_guess() {
        let ocv_v = vec![9.0, 10.5, 11.0, 11.2, 12.6];
        let battery = BatteryConfig {
            nominal_voltage_v: 11.1,
            capacity_ah: 2.0,
            resistance_ohm: 0.05,
            ocv_v,
            cutoff_voltage_v: 0.0,
        };
        for permille in 0..=1000 {
            let charge = f64::from(permille) / 1000.0;
            let expected_v = battery.open_circuit_v(charge);
            for guess in 0..4 {
                let (near_v, cell) = battery.open_circuit_near_v(charge, guess);
                assert_eq!(near_v.to_bits(), expected_v.to_bits(), "{charge} from {guess}");
                assert!(cell < 4 && cell as f64 <= 4.0 * charge && 4.0 * charge <= cell as f64 + 1.0);
            }
        }
    }
}
