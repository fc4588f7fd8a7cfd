//! What the threshold rule does about strikes ahead: as an owner of a sensor would write it, "something high ahead in
//! top gear: shift down", and "no shift up before it".

use super::{check_pairs, gear_index};
use lowgear_env::config::{KeyError, in_range};
use lowgear_onboard::{Feature, Features};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The lowest class of a strike: a low one.
pub const LOW_STRIKE: u8 = 2;
/// The class of a high strike.
pub const HIGH_STRIKE: u8 = 3;
/// A class that no strike has.
pub const NO_STRIKE: u8 = 4;
/// The longest way that the features tell, mm.
pub const MAX_STRIKE_MM: u16 = 1000;

/// The part of the rule that looks ahead.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct PreviewRule {
    /// Shift down out of gear `g + 1` at once before a strike of class `down-class[g]` or above; one per gear but the
    /// lowest. 2 low, 3 high, 4 never.
    pub down_class: Vec<u8>,
    /// Within this way of the axle that it meets, mm, 0 to 1000.
    pub down_mm: u16,
    /// Do not shift up out of gear `g` before a strike of class `hold-class[g]` or above; one per gear but the top one.
    /// 2 low, 3 high, 4 never.
    pub hold_class: Vec<u8>,
    /// Within this way of the axle that it meets, mm, 0 to 1000.
    pub hold_mm: u16,
    /// Decisions in a row that must agree before a shift up with nothing in view ahead, 1 to 20; `hold-decisions` where
    /// it is unknown what lies ahead, and before a strike.
    pub clear_decisions: u8,
}

/// Entries of a search vector per pair of neighbouring gears, and besides.
const PER_PAIR: usize = 2;
const OTHERS: usize = 3;
/// Scales of the search vector.
const CLASS_SCALE: f64 = 10.0;
const WAY_SCALE_MM: f64 = 500.0;
const DECISIONS_SCALE: f64 = 10.0;
/// The class where nothing is in view.
const CLEAR: i16 = 1;

impl PreviewRule {
    /// What an owner writes first: a high strike within `way_mm` takes the top gear away.
    #[must_use]
    pub fn before_high(gears: usize, way_mm: u16) -> PreviewRule {
        let mut class = vec![NO_STRIKE; gears.saturating_sub(1)];
        class.iter_mut().rev().take(1).for_each(|top| *top = HIGH_STRIKE);
        PreviewRule {
            down_class: class.clone(),
            down_mm: way_mm,
            hold_class: class,
            hold_mm: way_mm,
            clear_decisions: 2,
        }
    }

    /// Does nothing about strikes: a rule with it decides as one without, which counts as many decisions.
    #[must_use]
    pub fn idle(gears: usize, hold_decisions: u8) -> PreviewRule {
        let class = vec![NO_STRIKE; gears.saturating_sub(1)];
        PreviewRule {
            down_class: class.clone(),
            down_mm: 0,
            hold_class: class,
            hold_mm: 0,
            clear_decisions: hold_decisions,
        }
    }

    /// Checks ranges, and the lists against the number of gears.
    ///
    /// # Errors
    /// The first key that does not fit.
    pub fn validate(&self, gears: usize) -> Result<(), KeyError> {
        for (key, classes) in [("down-class", &self.down_class), ("hold-class", &self.hold_class)] {
            check_pairs(key, classes.len(), gears.saturating_sub(1))?;
            for (i, &class) in classes.iter().enumerate() {
                in_range(&format!("{key}[{i}]"), class, LOW_STRIKE, NO_STRIKE, "(2 low, 3 high, 4 never)")?;
            }
        }
        in_range("down-mm", self.down_mm, 0, MAX_STRIKE_MM, "mm")?;
        in_range("hold-mm", self.hold_mm, 0, MAX_STRIKE_MM, "mm")?;
        in_range("clear-decisions", self.clear_decisions, 1, 20, "")
    }

    /// Whether it shifts down before the strike ahead.
    #[must_use]
    pub fn shifts_down(&self, features: &Features) -> bool {
        let class = gear_index(features).checked_sub(1).and_then(|i| self.down_class.get(i));
        class.is_some_and(|&class| is_near(features, class, self.down_mm))
    }

    /// Whether it does not shift up before the strike ahead.
    #[must_use]
    pub fn holds(&self, features: &Features) -> bool {
        let class = self.hold_class.get(gear_index(features));
        class.is_some_and(|&class| is_near(features, class, self.hold_mm))
    }

    /// Decisions that must agree before a shift up, where it is not `usual`.
    #[must_use]
    pub fn decisions_up(&self, features: &Features, usual: u8) -> u8 {
        if features.get(Feature::StrikeClass) == CLEAR { self.clear_decisions } else { usual }
    }

    /// The search vector: classes down and of holding, a tenth each, then the ways, mm / 500, then the decisions with
    /// nothing in view, less 1, a tenth each.
    pub(super) fn to_vector(&self) -> impl Iterator<Item = f64> {
        let classes = self.down_class.iter().chain(&self.hold_class);
        let classes = classes.map(|&class| f64::from(class) / CLASS_SCALE);
        let ways = [self.down_mm, self.hold_mm].map(|way_mm| f64::from(way_mm) / WAY_SCALE_MM);
        classes.chain(ways).chain([(f64::from(self.clear_decisions) - 1.0) / DECISIONS_SCALE])
    }

    /// The rule at a point within [`PreviewRule::vector_bounds`].
    pub(super) fn with_vector(&self, vector: &[f64]) -> PreviewRule {
        let steps = self.down_class.len();
        let class = |&entry: &f64| (entry * CLASS_SCALE).round() as u8;
        let way_mm = |i: usize| (vector[PER_PAIR * steps + i] * WAY_SCALE_MM).round() as u16;
        PreviewRule {
            down_class: vector[..steps].iter().map(class).collect(),
            down_mm: way_mm(0),
            hold_class: vector[steps..PER_PAIR * steps].iter().map(class).collect(),
            hold_mm: way_mm(1),
            clear_decisions: (1.0 + vector[PER_PAIR * steps + 2] * DECISIONS_SCALE).round() as u8,
        }
    }

    /// Lower and upper bound of each entry of the search vector: every class has the same width.
    pub(super) fn vector_bounds(&self) -> impl Iterator<Item = (f64, f64)> {
        let class = (f64::from(LOW_STRIKE) - 0.49, f64::from(NO_STRIKE) + 0.49);
        let classes =
            [(class.0 / CLASS_SCALE, class.1 / CLASS_SCALE)].repeat(PER_PAIR * self.down_class.len());
        let way = (0.0, f64::from(MAX_STRIKE_MM) / WAY_SCALE_MM);
        let others: [(f64, f64); OTHERS] = [way, way, (0.0, 1.9)];
        classes.into_iter().chain(others)
    }
}

/// Whether a strike of this class or above is within `way_mm`.
fn is_near(features: &Features, class: u8, way_mm: u16) -> bool {
    features.get(Feature::StrikeClass) >= i16::from(class)
        && features.get(Feature::StrikeMm) <= way_mm.min(MAX_STRIKE_MM) as i16
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::policy::{Mask, Policy};
    use crate::rule::{Rule, RuleSettings};
    use lowgear_onboard::Request;

    fn ahead(gear: i16, class: i16, way_mm: i16) -> Features {
        let mut features = Features::default();
        for (feature, value) in [
            (Feature::Gear, gear),
            (Feature::StrikeClass, class),
            (Feature::StrikeMm, way_mm),
            (Feature::SinceFailed, 1000),
            (Feature::MotorSpeed, 900),
        ] {
            features.0[feature as usize] = value;
        }
        features
    }

    fn rule() -> RuleSettings {
        let preview = PreviewRule {
            down_class: vec![3, 2],
            down_mm: 150,
            hold_class: vec![3, 2],
            hold_mm: 250,
            clear_decisions: 1,
        };
        RuleSettings { preview: Some(preview), ..RuleSettings::two_sided(3, 850, 400, 10) }
    }

    fn decide(features: Features) -> Request {
        Rule::new(rule(), 3).unwrap().decide(&features, Mask::all(3))
    }

    #[test]
    fn it_shifts_down_at_once_by_class_way_and_gear() {
        // Gears count from 0 here: the top one is 2.
        assert_eq!(decide(ahead(2, 2, 150)), Request::Down);
        assert_eq!(decide(ahead(2, 2, 151)), Request::Hold, "still far, and there is no gear above");
        assert_eq!(decide(ahead(1, 3, 150)), Request::Down);
        assert_eq!(decide(ahead(1, 2, 300)), Request::Up, "far");
        assert_eq!(decide(ahead(0, 3, 10)), Request::Hold, "no gear below, and it holds");
        let patient = RuleSettings { hold_decisions: 5, ..rule() };
        let mut patient = Rule::new(patient, 3).unwrap();
        assert_eq!(patient.decide(&ahead(2, 3, 100), Mask::all(3)), Request::Down, "no agreement needed");
    }

    #[test]
    fn it_holds_the_gear_before_a_strike_and_not_without_one() {
        assert_eq!(decide(ahead(1, 2, 250)), Request::Hold);
        assert_eq!(decide(ahead(1, 2, 251)), Request::Up);
        assert_eq!(decide(ahead(0, 2, 100)), Request::Up, "a low one does not hold first gear");
        assert_eq!(decide(ahead(0, 3, 100)), Request::Hold);
        for class in [0, 1] {
            assert_eq!(decide(ahead(1, class, 1000)), Request::Up, "unknown or nothing in view");
        }
    }

    #[test]
    fn the_search_vector_comes_back() {
        let start = rule();
        let vector = start.to_vector();
        assert_eq!(vector.len(), start.vector_bounds().len());
        assert_eq!(start.with_vector(&vector).unwrap(), start);
        let far = vec![9.0; vector.len()];
        let clamped = start.with_vector(&far).unwrap();
        clamped.validate(3).unwrap();
        assert_eq!(clamped.preview.unwrap().down_class, [NO_STRIKE, NO_STRIKE]);
        let low = start.with_vector(&vec![-9.0; vector.len()]).unwrap();
        low.validate(3).unwrap();
        assert_eq!(
            low.preview.unwrap(),
            PreviewRule {
                down_class: vec![2, 2],
                down_mm: 0,
                hold_class: vec![2, 2],
                hold_mm: 0,
                clear_decisions: 1
            }
        );
    }

    #[test]
    fn what_does_not_fit_is_refused_by_its_key() {
        let with = |change: fn(&mut PreviewRule)| {
            let mut settings = rule();
            settings.preview.iter_mut().for_each(change);
            settings.validate(3).unwrap_err().key
        };
        assert_eq!(with(|p| p.down_class = vec![2]), "preview.down-class");
        assert_eq!(with(|p| p.hold_class[1] = 1), "preview.hold-class[1]");
        assert_eq!(with(|p| p.down_mm = 1001), "preview.down-mm");
    }
}
