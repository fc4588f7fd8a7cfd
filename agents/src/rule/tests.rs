use super::*;

const FREE: Mask = Mask::all(3);

/// Three gears, driving freely, no upshift taken back yet.
fn features(gear: i16, speed: i16) -> Features {
    let mut features = Features::default();
    features.0[Feature::Gear as usize] = gear;
    features.0[Feature::SpeedRatio as usize] = speed;
    features.0[Feature::Battery as usize] = 1000;
    features.0[Feature::SinceFailed as usize] = 1000;
    features
}

fn with(mut features: Features, feature: Feature, value: i16) -> Features {
    features.0[feature as usize] = value;
    features
}

fn full() -> RuleSettings {
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

fn rule(settings: RuleSettings) -> Rule {
    Rule::new(settings, 3).unwrap()
}

#[test]
fn thresholds_act_at_their_value_and_per_gear() {
    let mut rule = rule(full());
    assert_eq!(rule.decide(&features(0, 763), FREE), Request::Hold);
    assert_eq!(rule.decide(&features(0, 764), FREE), Request::Up);
    assert_eq!(rule.decide(&features(1, 873), FREE), Request::Hold);
    assert_eq!(rule.decide(&features(1, 874), FREE), Request::Up);
    assert_eq!(rule.decide(&features(2, 2000), FREE), Request::Hold);
    assert_eq!(rule.decide(&features(1, 189), FREE), Request::Hold);
    assert_eq!(rule.decide(&features(1, 188), FREE), Request::Down);
    assert_eq!(rule.decide(&features(2, 168), FREE), Request::Down);
    assert_eq!(rule.decide(&features(0, 0), FREE), Request::Hold);
}

#[test]
fn a_threshold_waits_for_decisions_in_a_row() {
    let mut rule = rule(RuleSettings { hold_decisions: 3, ..full() });
    let fast = features(0, 900);
    assert_eq!(rule.decide(&fast, FREE), Request::Hold);
    assert_eq!(rule.decide(&fast, FREE), Request::Hold);
    assert_eq!(rule.decide(&features(0, 500), FREE), Request::Hold);
    assert_eq!(rule.decide(&fast, FREE), Request::Hold);
    assert_eq!(rule.decide(&fast, FREE), Request::Hold);
    assert_eq!(rule.decide(&fast, FREE), Request::Up);
    assert_eq!(rule.decide(&features(1, 900), FREE), Request::Hold, "the count restarts in the next gear");
    rule.reset();
    assert_eq!(rule.decide(&fast, FREE), Request::Hold);
}

#[test]
fn a_refused_wish_is_repeated_as_soon_as_the_guard_allows_it() {
    let mut rule = rule(RuleSettings { hold_decisions: 2, ..full() });
    let fast = features(0, 900);
    let dwelling = Mask::from([false, true, false]);
    for _ in 0..5 {
        assert_eq!(rule.decide(&fast, dwelling), Request::Hold);
    }
    assert_eq!(rule.decide(&fast, FREE), Request::Up);
}

#[test]
fn a_stall_steps_down_at_once_and_only_if_asked_to() {
    let stalled = with(features(2, 500), Feature::Stalled, 8);
    let mut patient = rule(RuleSettings { hold_decisions: 5, ..full() });
    assert_eq!(patient.decide(&with(stalled, Feature::Stalled, 7), FREE), Request::Hold);
    assert_eq!(patient.decide(&stalled, FREE), Request::Down);
    assert_eq!(patient.decide(&stalled, Mask::from([false, true, true])), Request::Hold);
    assert_eq!(rule(RuleSettings { stall_ticks: None, ..full() }).decide(&stalled, FREE), Request::Hold);
    assert_eq!(rule(RuleSettings { steps_down: false, ..full() }).decide(&stalled, FREE), Request::Hold);
}

#[test]
fn no_upshift_on_a_climb() {
    let mut rule = rule(full());
    assert_eq!(rule.decide(&with(features(0, 900), Feature::Tilt, 139), FREE), Request::Up);
    assert_eq!(rule.decide(&with(features(0, 900), Feature::Tilt, 140), FREE), Request::Hold);
}

#[test]
fn the_wait_after_a_failed_upshift_grows_and_ends_at_what_the_clock_can_tell() {
    // 8 ticks, times 2.5 for each further failure: 8, 20, 50, 125, 312.5, 781.25, then the cap.
    assert_eq!(full().retry_waits(), [0, 8, 20, 50, 125, 313, 781, 1000]);
    let mut rule = rule(full());
    let failed =
        |count, since| with(with(features(0, 900), Feature::FailedCount, count), Feature::SinceFailed, since);
    assert_eq!(rule.decide(&failed(1, 7), FREE), Request::Hold);
    assert_eq!(rule.decide(&failed(1, 8), FREE), Request::Up);
    assert_eq!(rule.decide(&failed(2, 19), FREE), Request::Hold);
    assert_eq!(rule.decide(&failed(2, 20), FREE), Request::Up);
    assert_eq!(rule.decide(&failed(7, 999), FREE), Request::Hold);
    assert_eq!(rule.decide(&failed(7, 1000), FREE), Request::Up);
    assert_eq!(rule.decide(&failed(0, 0), FREE), Request::Up, "an upshift that held clears the wait");
}

#[test]
fn the_rungs_differ_in_what_they_add() {
    let speed = |gear, permille| with(features(gear, 0), Feature::MotorSpeed, permille);
    let mut rungs = [
        RuleSettings::first_gear(3),
        RuleSettings::upshift_only(3, 800),
        RuleSettings::stall_aware(3, 800, 10),
        RuleSettings::two_sided(3, 800, 200, 10),
    ]
    .map(rule);
    let mut asked = |at: Features| rungs.each_mut().map(|rung| rung.decide(&at, FREE));
    let (down, hold, up) = (Request::Down, Request::Hold, Request::Up);
    assert_eq!(asked(speed(0, 2000)), [hold, up, up, up]);
    assert_eq!(asked(speed(1, 100)), [hold, hold, hold, down]);
    assert_eq!(asked(with(speed(1, 0), Feature::Stalled, 10)), [hold, hold, down, down]);
}

#[test]
fn errors_name_key_value_and_range() {
    let message = |settings: RuleSettings| settings.validate(3).unwrap_err().to_string();
    assert_eq!(
        message(RuleSettings { up_permille: vec![700, 2100], ..full() }),
        "`up-permille[1]` is 2100 permille; allowed: 0 to 2001 permille"
    );
    assert_eq!(
        message(RuleSettings { down_permille: vec![100], ..full() }),
        "`down-permille` is 1 values; allowed: 2, one per pair of neighbouring gears"
    );
    assert_eq!(
        message(RuleSettings { retry_growth: f32::NAN, ..full() }),
        "`retry-growth` is NaN; allowed: 1 to 10"
    );
    assert!(message(RuleSettings { hold_decisions: 0, ..full() }).starts_with("`hold-decisions` is 0"));
    assert!(message(RuleSettings { stall_ticks: Some(0), ..full() }).starts_with("`stall-ticks` is 0"));
    assert!(message(RuleSettings { tilt_hold_ddeg: Some(450), ..full() }).starts_with("`tilt-hold-ddeg`"));
    assert!(full().validate(4).is_err());
    assert!(RuleSettings::first_gear(1).validate(1).is_ok());
    assert!(full().validate(0).is_err());
}

#[test]
fn the_search_vector_goes_there_and_back() {
    let never = RuleSettings { stall_ticks: None, tilt_hold_ddeg: None, ..full() };
    let edge = RuleSettings {
        hold_decisions: 20,
        stall_ticks: Some(1000),
        tilt_hold_ddeg: Some(449),
        retry_ticks: 1000,
        retry_growth: 10.0,
        ..full()
    };
    for settings in [full(), never, edge, RuleSettings::first_gear(3), RuleSettings::two_sided(3, 800, 9, 1)]
    {
        let vector = settings.to_vector();
        let bounds = settings.vector_bounds();
        assert_eq!(vector.len(), bounds.len());
        for (value, (low, high)) in vector.iter().zip(bounds) {
            assert!((low..=high).contains(value), "{value} outside {low} to {high} in {settings:?}");
        }
        assert_eq!(settings.with_vector(&vector).unwrap(), settings);
    }
}

#[test]
fn any_finite_vector_gives_valid_settings() {
    for value in [-1e300, -1.0, 0.0, 0.37, 1.09, 1.11, 1.499, 7.0, 1e300] {
        let settings = full().with_vector(&[value; 9]).unwrap();
        assert_eq!(settings.validate(3), Ok(()), "{value}");
    }
    assert!(full().with_vector(&[0.5; 8]).is_err());
    assert!(full().with_vector(&[f64::NAN; 9]).is_err());
}

#[test]
fn settings_are_read_with_kebab_case_keys_and_nothing_unknown() {
    let text = r#"{"signal": "speed-ratio", "up-permille": [764, 874], "down-permille": [189, 169],
        "hold-decisions": 1, "stall-ticks": 8, "tilt-hold-ddeg": 140, "retry-ticks": 8,
        "retry-growth": 2.5, "steps-down": true}"#;
    assert_eq!(serde_json::from_str::<RuleSettings>(text).unwrap(), full());
    let misspelt = text.replace("retry-growth", "retry-grow");
    let error = serde_json::from_str::<RuleSettings>(&misspelt).unwrap_err().to_string();
    assert!(error.contains("unknown field `retry-grow`"), "{error}");
}

#[test]
fn each_gear_waits_for_its_own_time_before_a_shift_up() {
    let waits = RuleSettings { dwell_ticks: Some(vec![12, 30]), ..full() };
    let at = |gear: i16, dwell: i16| {
        let rule = Rule::new(waits.clone(), 3);
        rule.unwrap().decide(&with(features(gear, 950), Feature::Dwell, dwell), FREE)
    };
    assert_eq!([at(0, 11), at(0, 12)], [Request::Hold, Request::Up]);
    assert_eq!([at(1, 29), at(1, 30)], [Request::Hold, Request::Up]);
    let vector = waits.to_vector();
    assert_eq!(vector.len(), full().to_vector().len() + 2);
    assert_eq!(waits.with_vector(&vector).unwrap(), waits);
    let short = RuleSettings { dwell_ticks: Some(vec![12]), ..full() };
    assert_eq!(short.validate(3).unwrap_err().key, "dwell-ticks");
    let long = RuleSettings { dwell_ticks: Some(vec![12, 1001]), ..full() };
    assert_eq!(long.validate(3).unwrap_err().key, "dwell-ticks[1]");
    let older = serde_json::to_string(&full()).unwrap().replace("\"dwell-ticks\":null,", "");
    assert_eq!(
        serde_json::from_str::<RuleSettings>(&older).unwrap(),
        full(),
        "older files say nothing of waits"
    );
    assert!(!older.contains("dwell"));
}
