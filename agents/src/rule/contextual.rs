//! Thresholds that depend on context: the rule's thresholds, moved by a linear function of what else is
//! known.
//!
//! ```text
//! threshold_g = base_g + 1000 * (offset_g + w_g . phi)      permille of no-load speed
//! ```
//!
//! with one weight vector `w_g` per threshold up and one per threshold down. The rest of the rule stays as
//! it is: retry back-off, tilt hold, stall step-down, hold count. With all weights 0 it *is* the rule, so a
//! search that starts there and keeps only what validation confirms does not end below it.
//!
//! The context `phi`, every entry of order 1:
//!
//! | entry | from | value |
//! | --- | --- | --- |
//! | 0 | load-slow | min(load, 4000) / 2000 |
//! | 1 | load-peak | peak above the slow load, 0 to 4000, / 2000 |
//! | 2 | tilt | tenths of a degree / 200, -2 to 2 |
//! | 3 | battery | (permille - 1000) / 200, -2 to 2 |
//! | 4 | since-failed | 60 / (60 + ticks): 1 just after an upshift taken back, 0.06 long after |
//! | 5 | failed-count | count / 4, 0 to 1.75 |
//! | 6 | dwell | 20 / (20 + ticks): 1 just after a shift |
//! | 7 | current | permille / 1000, -2 to 2 (0 without the sensor) |
//! | 8 | strike-class, strike-mm | 100 / (100 + mm) before a strike of any class, else 0 |
//! | 9 | strike-class, strike-mm | 100 / (100 + mm) before a high strike, else 0 |
//! | 10 | strike-class | 1 where it is unknown what lies ahead, else 0 |
//!
//! The last three have weights where the rule looks ahead ([`RuleSettings::preview`]) alone: a search has no use for
//! weights that nothing depends on.

use crate::policy::{Mask, Policy};
use crate::rule::{
    DecisionLogic, HIGH_STRIKE, LOW_STRIKE, MAX_WAIT_TICKS, RuleSettings, check_pairs, check_vector,
    gear_index,
};
use lowgear_env::config::{KeyError, in_range};
use lowgear_onboard::{Feature, Features, Request};
use serde::{Deserialize, Serialize};

/// Number of context entries.
pub const CONTEXT: usize = 11;
/// Those that tell of what lies ahead, at the end.
const AHEAD: usize = 3;
/// Way at which a strike counts half, mm.
const HALF_WAY_MM: f32 = 100.0;

/// The context at `features`; the module documentation says what each entry is.
#[must_use]
pub fn context(features: &Features) -> [f32; CONTEXT] {
    let value = |feature| f32::from(features.get(feature));
    let slow = value(Feature::LoadSlow);
    let class = features.get(Feature::StrikeClass);
    let near = HALF_WAY_MM / (HALF_WAY_MM + value(Feature::StrikeMm).max(0.0));
    let before = |least: u8| if class >= i16::from(least) { near } else { 0.0 };
    [
        slow.min(4000.0) / 2000.0,
        (value(Feature::LoadPeak) - slow).clamp(0.0, 4000.0) / 2000.0,
        (value(Feature::Tilt) / 200.0).clamp(-2.0, 2.0),
        ((value(Feature::Battery) - 1000.0) / 200.0).clamp(-2.0, 2.0),
        60.0 / (60.0 + value(Feature::SinceFailed).max(0.0)),
        value(Feature::FailedCount) / 4.0,
        20.0 / (20.0 + value(Feature::Dwell).max(0.0)),
        (value(Feature::Current) / 1000.0).clamp(-2.0, 2.0),
        before(LOW_STRIKE),
        before(HIGH_STRIKE),
        f32::from(class == 0),
    ]
}

/// Number of context entries that have weights with this rule.
#[must_use]
pub fn entries(rule: &RuleSettings) -> usize {
    if rule.preview.is_some() { CONTEXT } else { CONTEXT - AHEAD }
}

/// One threshold that moves with the context.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ThresholdOffset {
    /// Constant part, thousands of permille.
    pub offset: f32,
    /// Weight of each context entry, thousands of permille: as many as [`entries`] says.
    pub weights: Vec<f32>,
}

impl ThresholdOffset {
    /// By how much the threshold moves, permille.
    fn at(&self, context: &[f32; CONTEXT]) -> f32 {
        let sum: f32 = self.weights.iter().zip(context).map(|(w, phi)| w * phi).sum();
        1000.0 * (self.offset + sum)
    }
}

/// Settings of contextual thresholds: a rule and what moves it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ContextualSettings {
    /// The rule they start from.
    pub rule: RuleSettings,
    /// Shift of each threshold up, one per `up-permille`.
    pub up: Vec<ThresholdOffset>,
    /// Shift of each threshold down, one per `down-permille`.
    pub down: Vec<ThresholdOffset>,
    /// The retry wait is multiplied by e to this power, -3 to 3.
    pub retry_log_factor: f32,
}

impl ContextualSettings {
    /// Thresholds that do not move: the rule itself.
    #[must_use]
    pub fn from_rule(rule: &RuleSettings) -> ContextualSettings {
        let still = ThresholdOffset { offset: 0.0, weights: vec![0.0; entries(rule)] };
        ContextualSettings {
            up: vec![still.clone(); rule.up_permille.len()],
            down: vec![still; rule.down_permille.len()],
            rule: rule.clone(),
            retry_log_factor: 0.0,
        }
    }

    /// Checks the rule and the lists' lengths; every weight must be finite.
    ///
    /// # Errors
    /// The first key that does not fit.
    pub fn validate(&self, gears: usize) -> Result<(), KeyError> {
        self.rule.validate(gears).map_err(|e| e.within("rule"))?;
        for (key, shifts) in [("up", &self.up), ("down", &self.down)] {
            check_pairs(key, shifts.len(), gears - 1)?;
            for (i, shift) in shifts.iter().enumerate() {
                let (found, expected) = (shift.weights.len(), entries(&self.rule));
                in_range(&format!("{key}[{i}].weights"), found, expected, expected, "numbers")?;
            }
        }
        let weights = self.weights();
        check_vector(&weights, weights.len())?;
        in_range("retry-log-factor", self.retry_log_factor, -3.0, 3.0, "")
    }

    /// Everything a search may change, flat: the weights of each threshold up, then of each threshold down,
    /// then the offsets in the same order, then the retry factor. A step of 0.1 moves a threshold by about
    /// 100 permille, so searches should start with steps of a few hundredths.
    #[must_use]
    pub fn weights(&self) -> Vec<f64> {
        let shifts = || self.up.iter().chain(&self.down);
        let weights = shifts().flat_map(|shift| shift.weights.iter().copied());
        let offsets = shifts().map(|shift| shift.offset);
        weights.chain(offsets).chain([self.retry_log_factor]).map(f64::from).collect()
    }

    /// The same rule with other weights, in the order of [`ContextualSettings::weights`]. The retry factor is
    /// clamped to its range.
    ///
    /// # Errors
    /// [`KeyError`] for a wrong length or a number that is not finite.
    pub fn with_weights(&self, weights: &[f64]) -> Result<ContextualSettings, KeyError> {
        let thresholds = self.up.len() + self.down.len();
        let entries = entries(&self.rule);
        let expected = thresholds * (entries + 1) + 1;
        check_vector(weights, expected)?;
        let shift = |i: usize| ThresholdOffset {
            offset: weights[thresholds * entries + i] as f32,
            weights: weights[i * entries..(i + 1) * entries].iter().map(|&weight| weight as f32).collect(),
        };
        Ok(ContextualSettings {
            rule: self.rule.clone(),
            up: (0..self.up.len()).map(shift).collect(),
            down: (self.up.len()..thresholds).map(shift).collect(),
            retry_log_factor: weights[expected - 1].clamp(-3.0, 3.0) as f32,
        })
    }

    /// The rule with the retry factor applied.
    fn decision_logic(&self) -> DecisionLogic {
        let ticks = f32::from(self.rule.retry_ticks) * self.retry_log_factor.exp();
        let retry_ticks = ticks.round().min(f32::from(MAX_WAIT_TICKS)) as u16;
        DecisionLogic::new(&RuleSettings { retry_ticks, ..self.rule.clone() })
    }
}

/// Contextual thresholds at work.
#[derive(Clone, Debug)]
pub struct Contextual {
    settings: ContextualSettings,
    decision_logic: DecisionLogic,
}

impl Contextual {
    /// A policy for a gearbox with this many gears.
    ///
    /// # Errors
    /// As [`ContextualSettings::validate`].
    pub fn new(settings: ContextualSettings, gears: usize) -> Result<Contextual, KeyError> {
        settings.validate(gears)?;
        let decision_logic = settings.decision_logic();
        Ok(Contextual { settings, decision_logic })
    }

    /// The settings it was made from.
    #[must_use]
    pub fn settings(&self) -> &ContextualSettings {
        &self.settings
    }

    pub(crate) const fn decision_logic(&self) -> &DecisionLogic {
        &self.decision_logic
    }

    /// The thresholds down and up in the present gear, permille; `None` where there is no such gear.
    #[must_use]
    pub fn thresholds(&self, features: &Features) -> (Option<f32>, Option<f32>) {
        let ContextualSettings { rule, up, down, .. } = &self.settings;
        let context = context(features);
        let threshold = |bases: &[i16], shifts: &[ThresholdOffset], i: usize| {
            Some(f32::from(*bases.get(i)?) + shifts.get(i)?.at(&context))
        };
        let gear = gear_index(features);
        let below = gear.checked_sub(1).and_then(|i| threshold(&rule.down_permille, down, i));
        (below, threshold(&rule.up_permille, up, gear))
    }
}

impl Policy for Contextual {
    fn reset(&mut self) {
        self.decision_logic.reset();
    }

    fn decide(&mut self, features: &Features, mask: Mask) -> Request {
        let speed = f32::from(features.get(self.settings.rule.signal.feature()));
        let (down, up) = self.thresholds(features);
        let fast = up.is_some_and(|up| speed >= up);
        let slow = down.is_some_and(|down| speed < down);
        self.decision_logic.decide(features, mask, fast, slow)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rule::{Rule, Signal};
    use lowgear_env::{Seed, Stream};
    use rand::RngExt;

    fn tuned() -> RuleSettings {
        RuleSettings {
            signal: Signal::SpeedRatio,
            up_permille: vec![764, 874],
            down_permille: vec![189, 169],
            hold_decisions: 1,
            stall_ticks: Some(8),
            tilt_hold_ddeg: Some(140),
            retry_ticks: 8,
            retry_growth: 2.5,
            steps_down: true,
            dwell_ticks: None,
            preview: None,
        }
    }

    /// Features drawn over their ranges, thresholds hit exactly now and then, memory and stall often clear.
    fn sampled(rng: &mut impl RngExt) -> Features {
        let highest = [2, 2000, 1000, 30_000, 30_000, 300, 1300, 1000, 1000, 7, 20, 2000, 3, 1000];
        let mut features = Features(highest.map(|top| rng.random_range(0..=top)));
        if rng.random_bool(0.2) {
            let edges = [764, 874, 189, 169, 188, 763];
            features.0[Feature::SpeedRatio as usize] = edges[rng.random_range(0..edges.len())];
        }
        for feature in [Feature::FailedCount, Feature::Stalled, Feature::Tilt] {
            if rng.random_bool(0.7) {
                features.0[feature as usize] = 0;
            }
        }
        features
    }

    #[test]
    fn zero_weights_decide_as_the_rule() {
        let mut rng = Seed(1).stream(Stream::Sensors, 0);
        for hold_decisions in [1, 3] {
            let settings = RuleSettings { hold_decisions, ..tuned() };
            let mut rule = Rule::new(settings.clone(), 3).unwrap();
            let mut contextual = Contextual::new(ContextualSettings::from_rule(&settings), 3).unwrap();
            let mut asked = [0; 3];
            let mut features = sampled(&mut rng);
            for _ in 0..100_000 {
                if rng.random_bool(0.3) {
                    features = sampled(&mut rng);
                }
                let mask = Mask::from([rng.random(), true, rng.random()]);
                let request = rule.decide(&features, mask);
                assert_eq!(contextual.decide(&features, mask), request, "{features:?}");
                asked[request as usize] += 1;
            }
            assert!(asked.iter().all(|&count| count > 100), "{asked:?}");
        }
    }

    #[test]
    fn weights_move_the_thresholds_of_their_gear() {
        let mut settings = ContextualSettings::from_rule(&tuned());
        settings.up[1].weights[2] = 0.1;
        settings.down[0].offset = 0.05;
        let policy = Contextual::new(settings, 3).unwrap();
        let mut features = Features::default();
        features.0[Feature::Gear as usize] = 1;
        features.0[Feature::Tilt as usize] = 100;
        // 874 + 1000 * 0.1 * (100 / 200) = 924; 189 + 1000 * 0.05 = 239.
        let (down, up) = policy.thresholds(&features);
        assert!((up.unwrap() - 924.0).abs() < 1e-3);
        assert!((down.unwrap() - 239.0).abs() < 1e-3);
        features.0[Feature::Gear as usize] = 0;
        assert_eq!(policy.thresholds(&features), (None, Some(764.0)));
    }

    #[test]
    fn what_lies_ahead_moves_the_thresholds_of_a_rule_that_looks_ahead() {
        let blind = ContextualSettings::from_rule(&tuned());
        let preview = Some(crate::rule::PreviewRule::before_high(3, 100));
        let mut settings = ContextualSettings::from_rule(&RuleSettings { preview, ..tuned() });
        assert_eq!((blind.weights().len(), settings.weights().len()), (4 * 9 + 1, 4 * 12 + 1));
        settings.down[1].weights[8] = 0.6;
        settings.down[1].weights[9] = 0.2;
        settings.down[1].weights[10] = 0.05;
        let policy = Contextual::new(settings.clone(), 3).unwrap();
        let down = |class: i16, way_mm: i16| {
            let mut features = Features::default();
            features.0[Feature::Gear as usize] = 2;
            features.0[Feature::StrikeClass as usize] = class;
            features.0[Feature::StrikeMm as usize] = way_mm;
            policy.thresholds(&features).0.unwrap()
        };
        // 169 + 1000 * 0.6 / 2 at 100 mm, + 1000 * 0.2 / 2 for a high one; 50 for the unknown.
        for (class, way_mm, expected) in
            [(1, 1000, 169.0), (2, 100, 469.0), (3, 100, 569.0), (0, 1000, 219.0)]
        {
            assert!((down(class, way_mm) - expected).abs() < 0.01, "{class}: {}", down(class, way_mm));
        }
        settings.up[0].weights.pop();
        assert_eq!(settings.validate(3).unwrap_err().key, "up[0].weights");
    }

    #[test]
    fn weights_go_there_and_back() {
        let start = ContextualSettings::from_rule(&tuned());
        let weights: Vec<f64> = (0..start.weights().len()).map(|i| f64::from(i as u8) / 64.0).collect();
        assert_eq!(weights.len(), 4 * 9 + 1);
        let moved = start.with_weights(&weights).unwrap();
        assert_eq!(moved.weights(), weights);
        assert_eq!(moved.validate(3), Ok(()));
        assert!(start.with_weights(&weights[1..]).is_err());
        assert!(start.with_weights(&[f64::INFINITY; 37]).is_err());
        let text = serde_json::to_string(&moved).unwrap();
        assert_eq!(serde_json::from_str::<ContextualSettings>(&text).unwrap(), moved);
    }

    #[test]
    fn the_retry_factor_scales_the_wait() {
        let settings =
            ContextualSettings { retry_log_factor: 2.0, ..ContextualSettings::from_rule(&tuned()) };
        let mut policy = Contextual::new(settings, 3).unwrap();
        let mut features = Features::default();
        features.0[Feature::SpeedRatio as usize] = 1000;
        features.0[Feature::FailedCount as usize] = 1;
        // 8 ticks * e^2 = 59.1.
        features.0[Feature::SinceFailed as usize] = 58;
        assert_eq!(policy.decide(&features, Mask::all(3)), Request::Hold);
        features.0[Feature::SinceFailed as usize] = 59;
        assert_eq!(policy.decide(&features, Mask::all(3)), Request::Up);
    }
}
