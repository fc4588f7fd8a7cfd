use super::*;
use crate::rule::{PreviewRule, Signal};
use crate::table::distil::Visit;
use lowgear_onboard::{FEATURES, Feature, Features, Request};
use std::convert::Infallible;

fn start() -> RuleSettings {
    RuleSettings {
        signal: Signal::SpeedRatio,
        up_permille: vec![703, 744],
        down_permille: vec![412, 388],
        hold_decisions: 3,
        stall_ticks: Some(12),
        tilt_hold_ddeg: Some(57),
        retry_ticks: 47,
        retry_growth: 1.63,
        steps_down: true,
        dwell_ticks: None,
        preview: None,
    }
}

/// A made-up world: thresholds up are best at 800 permille in every gear, a wait is worth 5 s, nothing else matters.
fn judged(rules: &[RuleSettings]) -> Result<Vec<f64>, Infallible> {
    let one = |rule: &RuleSettings| {
        let off: f64 = rule.up_permille.iter().map(|&up| (f64::from(up) - 800.0).abs() / 100.0).sum();
        -100.0 - off - if rule.retry_ticks > 0 { 0.0 } else { 5.0 }
    };
    Ok(rules.iter().map(one).collect())
}

#[test]
fn what_does_not_matter_is_left_out_and_what_matters_stays() {
    let gain = Gain { policy_s: -100.0, from_s: -110.0 };
    let Ok(card) = rule_card(vec![start()], gain, CardSettings::default(), judged);
    let card = card.unwrap();
    assert_eq!(card.settings.up_permille, [800, 800], "moved to the best, and one number for both");
    assert!(card.settings.retry_ticks > 0, "5 of the gain's 10 s hang on it");
    assert_eq!(card.numbers, 2, "{:?}", card.settings);
    assert!(card.settings.tilt_hold_ddeg.is_none() && card.settings.stall_ticks.is_none());
    assert!(card.left_out.iter().all(|(_, kept)| *kept > 0.9), "{:?}", card.left_out);
}

#[test]
fn a_card_that_may_lose_more_is_shorter() {
    let gain = Gain { policy_s: -100.0, from_s: -110.0 };
    let settings = CardSettings { keep: 0.4, ..CardSettings::default() };
    let Ok(card) = rule_card(vec![start()], gain, settings, judged);
    assert_eq!(card.unwrap().numbers, 1, "the wait goes too");
}

#[test]
fn without_a_gain_nothing_that_costs_is_left_out() {
    let gain = Gain { policy_s: -100.0, from_s: -90.0 };
    let Ok(card) = rule_card(vec![start()], gain, CardSettings::default(), judged);
    assert!(card.unwrap().settings.retry_ticks > 0);
}

#[test]
fn numbers_are_counted_as_they_are_typed_in() {
    let rule = start();
    // Two up, two down, agreement, stall, tilt, wait, growth.
    assert_eq!(numbers::count(&rule), 9);
    let level = RuleSettings { up_permille: vec![700, 700], retry_ticks: 0, ..rule.clone() };
    assert_eq!(numbers::count(&level), 6, "one threshold up, and no growth without a wait");
    let preview = PreviewRule {
        down_class: vec![4, 2],
        down_mm: 154,
        hold_class: vec![3, 2],
        hold_mm: 200,
        clear_decisions: 3,
    };
    let ahead = RuleSettings { preview: Some(preview), ..rule.clone() };
    assert_eq!(numbers::count(&ahead), 9 + 2 + 3, "a class for each gear that reacts, and two ways");
    assert_eq!(numbers::rounded(&ahead).preview.unwrap().down_mm, 150);
    let blind = Omission::NoStepBeforeStrike.of(&ahead).unwrap();
    assert_eq!(numbers::count(&blind), 9 + 3);
    assert_eq!(Omission::NoStepBeforeStrike.of(&blind), None);
    let farther = numbers::moves(&numbers::rounded(&ahead), numbers::places(&ahead) - 2);
    assert_eq!(farther.len(), 4);
    assert!(farther.iter().all(|rule| rule.preview.as_ref().unwrap().down_mm != 150));
    let never_down = RuleSettings { steps_down: false, ..rule };
    assert_eq!(numbers::count(&never_down), 6, "neither thresholds down nor a stall");
}

#[test]
fn a_card_is_rounded_to_what_a_person_types() {
    let rule = numbers::rounded(&start());
    assert_eq!((rule.up_permille, rule.down_permille), (vec![700, 740], vec![410, 390]));
    assert_eq!((rule.tilt_hold_ddeg, rule.retry_growth), (Some(55), 1.5));
    let long = numbers::rounded(&RuleSettings { retry_ticks: 987, ..start() });
    assert_eq!(long.retry_ticks, 990);
}

#[test]
fn every_move_is_a_rule_that_can_be_built() {
    let mut rule = numbers::rounded(&start());
    for extreme in [1, 2000] {
        rule.up_permille = vec![extreme; 2];
        rule.down_permille = vec![extreme; 2];
        for place in 0..numbers::places(&rule) {
            for other in numbers::moves(&rule, place) {
                other.validate(3).unwrap();
                assert_ne!(other, rule);
            }
        }
    }
}

#[test]
fn thresholds_are_read_off_a_policys_shifts() {
    let visit = |gear: i16, ratio: i16, done: Request| {
        let mut features = Features([0; FEATURES]);
        features.0[Feature::Gear as usize] = gear;
        features.0[Feature::SpeedRatio as usize] = ratio;
        let mask = [gear > 0, true, gear < 2].into();
        Visit { features, mask, wanted: done, done, elapsed_s: 0.2 }
    };
    let mut seen = Vec::new();
    for ratio in (0..1000).step_by(3) {
        seen.push(visit(0, ratio, if ratio >= 720 { Request::Up } else { Request::Hold }));
        seen.push(visit(1, ratio, if ratio < 350 { Request::Down } else { Request::Hold }));
    }
    let read = thresholds_of(&seen, Signal::SpeedRatio, &start());
    assert_eq!(read.up_permille, [720, crate::rule::NEVER_UP], "second gear is never left upwards");
    assert_eq!(read.down_permille, [350, crate::rule::NEVER_DOWN]);
    assert_eq!(read.retry_ticks, start().retry_ticks);
}
