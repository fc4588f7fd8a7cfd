//! Which of the rule's conditions held.

use super::{DecisionLogic, Rule, gear_index};
use crate::policy::explain::{Explain, holds};
use crate::policy::{Mask, Policy};
use crate::rule::contextual::{Contextual, context, entries};
use lowgear_env::request_name;
use lowgear_onboard::{Feature, Features, Request};

impl DecisionLogic {
    /// The conditions in addition to the thresholds, in the order in which they are looked at, then their result.
    fn conditions(&self, features: &Features, mask: Mask, fast: bool, slow: bool) -> Vec<String> {
        let value = |feature| features.get(feature);
        let mut lines = Vec::new();
        if !self.steps_down {
            lines.push("never steps down".to_owned());
        } else if let Some(ticks) = self.stall_ticks {
            let stalled = value(Feature::Stalled);
            lines.push(holds(
                &format!("motor stood still for {stalled} ticks, steps down from {ticks}"),
                stalled >= ticks,
            ));
        }
        if let Some(limit) = self.tilt_hold_ddeg {
            let tilt = value(Feature::Tilt);
            let what = format!("tilt {tilt} below {limit} tenths of a degree, so that it may shift up");
            lines.push(holds(&what, tilt < limit));
        }
        let failed = usize::try_from(value(Feature::FailedCount)).unwrap_or(0).min(7);
        let (since, wait) = (value(Feature::SinceFailed), self.retry_waits[failed]);
        let what = format!("{since} ticks since a failed upshift, {failed} in a row, waits for {wait}");
        lines.push(holds(&what, since >= wait));
        if let Some(ticks) = self.dwell_ticks.get(gear_index(features)) {
            let dwell = value(Feature::Dwell);
            let what = format!("{dwell} ticks in this gear, may shift up from {ticks}");
            lines.push(holds(&what, self.has_dwelt(features)));
        }
        if let Some(preview) = &self.preview {
            let strike = strike(features);
            lines.push(holds(&format!("{strike}, steps down before it"), self.strikes(features)));
            lines.push(holds(&format!("{strike}, does not shift up before it"), preview.holds(features)));
        }
        if (self.stands(features) || self.strikes(features)) && mask.allows(Request::Down as usize) {
            return lines;
        }
        let request_held = self.request_for(features, fast, slow);
        let agreed = if request_held == self.request_held { self.agreed.saturating_add(1) } else { 1 };
        if request_held != Request::Hold {
            let decisions = self.decisions(features, request_held);
            let name = request_name(request_held);
            let what = format!("wants {name} for {agreed} decisions, acts from {decisions}");
            lines.push(holds(&what, agreed >= decisions));
        }
        lines
    }
}

/// The strike ahead in words.
fn strike(features: &Features) -> String {
    let way_mm = features.get(Feature::StrikeMm);
    match features.get(Feature::StrikeClass) {
        0 => "unknown what lies ahead".to_owned(),
        1 => "nothing in view ahead".to_owned(),
        2 => format!("a low strike {way_mm} mm ahead"),
        _ => format!("a high strike {way_mm} mm ahead"),
    }
}

/// The two thresholds of the present gear against the signal.
fn thresholds(signal: Feature, features: &Features, down: Option<f32>, up: Option<f32>) -> Vec<String> {
    let (speed, name, gear) = (features.get(signal), signal.name(), gear_index(features) + 1);
    let line = |threshold: Option<f32>, word: &str, sign: &str, reached: fn(f32, f32) -> bool| match threshold
    {
        Some(limit) => holds(
            &format!("{name} {speed} {sign} {limit:.0} permille, {word} out of gear {gear}"),
            reached(f32::from(speed), limit),
        ),
        None => format!("no gear {word} of gear {gear}"),
    };
    vec![line(down, "down", "<", |v, limit| v < limit), line(up, "up", ">=", |v, limit| v >= limit)]
}

fn with_conditions(
    decision_logic: &DecisionLogic,
    signal: Feature,
    (features, mask): (&Features, Mask),
    (down, up): (Option<f32>, Option<f32>),
) -> Vec<String> {
    let speed = f32::from(features.get(signal));
    let (fast, slow) = (up.is_some_and(|up| speed >= up), down.is_some_and(|down| speed < down));
    let mut lines = thresholds(signal, features, down, up);
    lines.extend(decision_logic.conditions(features, mask, fast, slow));
    lines
}

impl Explain for Rule {
    fn explain(&mut self, features: &Features, mask: Mask) -> Vec<String> {
        let gear = gear_index(features);
        let at = |list: &[i16], i: usize| list.get(i).map(|&limit| f32::from(limit));
        let down = gear.checked_sub(1).and_then(|i| at(&self.settings.down_permille, i));
        let limits = (down, at(&self.settings.up_permille, gear));
        let signal = self.settings.signal.feature();
        let lines = with_conditions(&self.decision_logic, signal, (features, mask), limits);
        self.decide(features, mask);
        lines
    }
}

impl Explain for Contextual {
    fn explain(&mut self, features: &Features, mask: Mask) -> Vec<String> {
        let signal = self.settings().rule.signal.feature();
        let limits = self.thresholds(features);
        let mut lines = with_conditions(self.decision_logic(), signal, (features, mask), limits);
        let used = entries(&self.settings().rule);
        let phi = context(features).map(|entry| format!("{entry:.2}"))[..used].join(" ");
        lines.push(format!("thresholds moved by the context {phi}"));
        self.decide(features, mask);
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rule::{PreviewRule, RuleSettings};

    fn at(speed: i16) -> Features {
        let mut features = Features::default();
        for (feature, value) in
            [(Feature::Gear, 1), (Feature::MotorSpeed, speed), (Feature::SinceFailed, 1000)]
        {
            features.0[feature as usize] = value;
        }
        features
    }

    #[test]
    fn the_lines_say_which_threshold_held_and_for_how_long() {
        let settings = RuleSettings { hold_decisions: 2, ..RuleSettings::two_sided(3, 850, 400, 10) };
        let mut rule = Rule::new(settings, 3).unwrap();
        let first = rule.explain(&at(900), Mask::all(3)).join("\n");
        assert!(first.contains("motor-speed 900 < 400 permille, down out of gear 2: no"), "{first}");
        assert!(first.contains("motor-speed 900 >= 850 permille, up out of gear 2: yes"), "{first}");
        assert!(first.contains("wants up for 1 decisions, acts from 2: no"), "{first}");
        let second = rule.explain(&at(900), Mask::all(3)).join("\n");
        assert!(second.contains("wants up for 2 decisions, acts from 2: yes"), "{second}");
        let slow = rule.explain(&at(399), Mask::all(3)).join("\n");
        assert!(slow.contains("399 < 400 permille, down out of gear 2: yes"), "{slow}");
        let mut standing = at(0);
        standing.0[Feature::Stalled as usize] = 10;
        let stands = rule.explain(&standing, Mask::all(3)).join("\n");
        assert!(stands.contains("stood still for 10 ticks, steps down from 10: yes"), "{stands}");
    }

    #[test]
    fn the_lines_say_what_a_strike_ahead_leads_to() {
        let preview = PreviewRule {
            down_class: vec![3, 3],
            down_mm: 200,
            hold_class: vec![2, 2],
            hold_mm: 200,
            clear_decisions: 2,
        };
        let settings = RuleSettings { preview: Some(preview), ..RuleSettings::two_sided(3, 850, 400, 10) };
        let mut rule = Rule::new(settings, 3).unwrap();
        let mut features = at(900);
        (features.0[Feature::StrikeClass as usize], features.0[Feature::StrikeMm as usize]) = (2, 120);
        let low = rule.explain(&features, Mask::all(3)).join("\n");
        assert!(low.contains("a low strike 120 mm ahead, steps down before it: no"), "{low}");
        assert!(low.contains("a low strike 120 mm ahead, does not shift up before it: yes"), "{low}");
        features.0[Feature::StrikeClass as usize] = 3;
        let high = rule.explain(&features, Mask::all(3)).join("\n");
        assert!(high.contains("a high strike 120 mm ahead, steps down before it: yes"), "{high}");
    }

    #[test]
    fn being_asked_why_counts_as_a_decision() {
        let settings = RuleSettings { hold_decisions: 3, ..RuleSettings::two_sided(3, 850, 400, 10) };
        let mut asked = Rule::new(settings, 3).unwrap();
        let mut silent = asked.clone();
        for speed in [900, 900, 390, 900, 900, 900, 380, 380, 380] {
            let lines = asked.clone().explain(&at(speed), Mask::all(3)).join("\n");
            let request = silent.decide(&at(speed), Mask::all(3));
            asked.explain(&at(speed), Mask::all(3));
            assert_eq!(lines.contains("acts from 3: yes"), request != Request::Hold, "{lines}");
        }
    }
}
