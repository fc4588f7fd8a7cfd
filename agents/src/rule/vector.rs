//! The rule as a vector for a black-box optimiser.
//!
//! Every entry is scaled so that a step of about 0.1 is a sensible change:
//!
//! | entries | meaning | scale | bounds |
//! | --- | --- | --- | --- |
//! | `steps` | `up-permille` per gear | permille / 1000 | 0 to 2.001 |
//! | `steps` | `down-permille` per gear | permille / 1000 | 0 to 2.001 |
//! | 1 | `hold-decisions` | (decisions - 1) / 10 | 0 to 1.9 |
//! | 1 | `stall-ticks` | ln(ticks) / ln(1000); above 1.1: never | 0 to 1.2 |
//! | 1 | `tilt-hold-ddeg` | tenths of a degree / 300; from 1.5 on: no such rule | 0 to 1.5 |
//! | 1 | `retry-ticks` | ln(1 + ticks) / ln(1001) | 0 to 1 |
//! | 1 | `retry-growth` | ln(factor) / ln(10), rounded to hundredths of the factor | 0 to 1 |
//! | `steps` | `preview.down-class` per gear, with `preview` | class / 10 | 0.151 to 0.449 |
//! | `steps` | `preview.hold-class` per gear, with `preview` | class / 10 | 0.151 to 0.449 |
//! | 2 | `preview.down-mm` and `preview.hold-mm`, with `preview` | mm / 500 | 0 to 2 |
//! | 1 | `preview.clear-decisions`, with `preview` | (decisions - 1) / 10 | 0 to 1.9 |
//! | `steps` | `dwell-ticks` per gear, where they are set | ticks / 50 | 0 to 2 |

use super::{MAX_WAIT_TICKS, NEVER_UP, PreviewRule, RuleSettings, check_vector};
use lowgear_env::config::KeyError;

/// Entries besides the thresholds.
const OTHERS: usize = 5;
const STALL_NEVER: f64 = 1.2;
const TILT_NEVER: f64 = 1.5;
const TILT_SCALE: f64 = 300.0;
const DWELL_SCALE: f64 = 50.0;
const LONGEST_DWELL: f64 = 2.0;

impl RuleSettings {
    /// The settings as a search vector: thresholds up, thresholds down, hold, stall, tilt, retry, growth, preview,
    /// waits in each gear.
    #[must_use]
    pub fn to_vector(&self) -> Vec<f64> {
        let thresholds = self.up_permille.iter().chain(&self.down_permille);
        let mut vector: Vec<f64> = thresholds.map(|&value| f64::from(value) / 1000.0).collect();
        vector.push((f64::from(self.hold_decisions) - 1.0) / 10.0);
        vector.push(self.stall_ticks.map_or(STALL_NEVER, |t| f64::from(t).ln() / longest().ln()));
        vector.push(self.tilt_hold_ddeg.map_or(TILT_NEVER, |tilt| f64::from(tilt) / TILT_SCALE));
        vector.push(f64::from(self.retry_ticks).ln_1p() / longest().ln_1p());
        vector.push(f64::from(self.retry_growth).log10());
        vector.extend(self.preview.iter().flat_map(PreviewRule::to_vector));
        vector.extend(self.dwell_ticks.iter().flatten().map(|&ticks| f64::from(ticks) / DWELL_SCALE));
        vector
    }

    /// Settings at a point of the search space: signal and `steps-down` from `self`, the rest from the
    /// vector, each entry clamped to its bounds. They always pass [`RuleSettings::validate`] when `self`
    /// does.
    ///
    /// # Errors
    /// [`KeyError`] for a wrong length or a number that is not finite.
    pub fn with_vector(&self, vector: &[f64]) -> Result<RuleSettings, KeyError> {
        let bounds = self.vector_bounds();
        check_vector(vector, bounds.len())?;
        let at = |i: usize| vector[i].clamp(bounds[i].0, bounds[i].1);
        let steps = self.up_permille.len();
        let threshold = |i: usize| (at(i) * 1000.0).round() as i16;
        let others = 2 * steps;
        let dwells = bounds.len() - self.dwell_ticks.as_ref().map_or(0, Vec::len);
        let ahead: Vec<f64> = (others + OTHERS..dwells).map(at).collect();
        let dwell = |i: usize| (at(i) * DWELL_SCALE).round() as u16;
        let stall = at(others + 1);
        let tilt = at(others + 2);
        Ok(RuleSettings {
            signal: self.signal,
            up_permille: (0..steps).map(threshold).collect(),
            down_permille: (steps..others).map(threshold).collect(),
            hold_decisions: (1.0 + at(others) * 10.0).round() as u8,
            stall_ticks: (stall <= 1.1).then(|| longest().powf(stall).min(longest()).round() as u16),
            tilt_hold_ddeg: (tilt < TILT_NEVER).then(|| (tilt * TILT_SCALE).round().min(449.0) as i16),
            retry_ticks: (at(others + 3) * longest().ln_1p()).exp_m1().round() as u16,
            retry_growth: (10f64.powf(at(others + 4)) * 100.0).round() as f32 / 100.0,
            steps_down: self.steps_down,
            dwell_ticks: self.dwell_ticks.as_ref().map(|_| (dwells..bounds.len()).map(dwell).collect()),
            preview: self.preview.as_ref().map(|preview| preview.with_vector(&ahead)),
        })
    }

    /// Lower and upper bound of each entry of the search vector.
    #[must_use]
    pub fn vector_bounds(&self) -> Vec<(f64, f64)> {
        let thresholds = self.up_permille.len() + self.down_permille.len();
        let mut bounds = vec![(0.0, f64::from(NEVER_UP) / 1000.0); thresholds];
        let others: [(f64, f64); OTHERS] =
            [(0.0, 1.9), (0.0, STALL_NEVER), (0.0, TILT_NEVER), (0.0, 1.0), (0.0, 1.0)];
        bounds.extend(others);
        bounds.extend(self.preview.iter().flat_map(PreviewRule::vector_bounds));
        bounds.extend(self.dwell_ticks.iter().flatten().map(|_| (0.0, LONGEST_DWELL)));
        bounds
    }
}

fn longest() -> f64 {
    f64::from(MAX_WAIT_TICKS)
}
