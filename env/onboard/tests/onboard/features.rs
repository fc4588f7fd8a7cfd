//! The features: bounds under any reading, and their meaning step by step.

use lowgear_onboard::{
    Controller, Feature, Features, Observer, Phase, PreviewSettings, Raw, Request, Settings,
};
use proptest::prelude::*;

use super::{cruising, settings};

fn bounds(feature: Feature) -> (i16, i16) {
    match feature {
        Feature::Gear => (0, 5),
        Feature::MotorSpeed | Feature::SpeedRatio => (0, 2000),
        Feature::LoadSlow | Feature::LoadPeak | Feature::Battery => (0, 30_000),
        Feature::Tilt => (-30_000, 30_000),
        Feature::Dwell | Feature::SinceFailed | Feature::Stalled => (0, 1000),
        Feature::FailedCount => (0, 7),
        Feature::Current => (-2000, 2000),
        Feature::StrikeClass => (0, 3),
        Feature::StrikeMm => (0, 1000),
    }
}

fn any_raw() -> impl Strategy<Value = Raw> {
    let rare = |usual: u16| prop_oneof![2 => Just(usual), 1 => any::<u16>()];
    let signed = (any::<i16>(), any::<i16>(), prop_oneof![2 => -5..60i16, 1 => any::<i16>()]);
    (any::<u16>(), rare(7400), signed, rare(1000), any::<u16>()).prop_map(
        |(encoder_counts, battery_mv, (current_ma, tilt_ddeg, preview), duty_permille, selector_ddeg)| Raw {
            encoder_counts,
            battery_mv,
            current_ma,
            tilt_ddeg,
            duty_permille,
            selector_ddeg,
            preview,
        },
    )
}

proptest! {
    #[test]
    fn readings_taken_together_are_readings_taken_one_by_one(
        rounds in proptest::collection::vec(
            (proptest::collection::vec((any_raw(), 0..40u16), 1..12), 0..3u8, any::<bool>()), 1..60,
        ),
        window in 0..120u16,
        sensor in any::<bool>(),
    ) {
        let mut s = settings();
        s.features.preview = PreviewSettings { fitted: sensor, ..super::preview::feeler() };
        s.features.failed_window_ticks = window;
        s.guard.stall_cut_ticks = 3;
        let mut together = Controller::new(&s, 1);
        let mut one_by_one = together;
        for (raws, code, often) in rounds {
            let command = together.act(&s, Request::from_code(code), often);
            prop_assert_eq!(one_by_one.act(&s, Request::from_code(code), often), command);
            // Mostly a motor that turns and a selector that arrives.
            let turning = |(raw, counts): (Raw, u16)| Raw {
                encoder_counts: if often { counts } else { raw.encoder_counts },
                selector_ddeg: s.guard.gear_ddeg[usize::from(command.gear)],
                ..raw
            };
            let raws: Vec<Raw> = raws.into_iter().map(turning).collect();
            let (taken, due) = together.tick_many(&s, &raws);
            prop_assert!(taken == 1 || taken == raws.len());
            let mut last = false;
            for (i, raw) in raws[..taken].iter().enumerate() {
                if i > 0 {
                    prop_assert!(one_by_one.act(&s, Request::Hold, false).drive);
                }
                last = one_by_one.sense(&s, raw);
            }
            prop_assert_eq!((&one_by_one, last), (&together, due));
        }
    }

    #[test]
    fn every_feature_stays_within_its_bounds(
        steps in proptest::collection::vec((any_raw(), 0..6u8, any::<bool>(), any::<bool>()), 1..300),
        scale in any::<[u16; 6]>(),
        shifts in any::<[u8; 4]>(),
        preview in super::preview::any_settings(),
    ) {
        let mut s = settings().features;
        s.preview = preview;
        s.gear_scale_permille = scale;
        [s.fast_shift, s.slow_shift, s.tilt_shift, s.peak_shift] = shifts;
        let mut observer = Observer::new(0);
        for (raw, gear, driving, missed) in steps {
            if missed {
                observer.on_missed_upshift();
            }
            observer.update(&s, &raw, gear, driving);
            for feature in Feature::ALL {
                let (low, high) = bounds(feature);
                let value = observer.features(&s).get(feature);
                prop_assert!((low..=high).contains(&value), "{} is {value}", feature.name());
            }
        }
    }

    #[test]
    fn without_a_battery_sensor_its_reading_changes_nothing(
        steps in proptest::collection::vec(any_raw(), 1..50),
    ) {
        let mut s = settings().features;
        s.battery_fitted = false;
        s.stall_ma = 0;
        let (mut a, mut b) = (Observer::new(1), Observer::new(1));
        for raw in steps {
            a.update(&s, &raw, 1, true);
            b.update(&s, &Raw { battery_mv: 0, current_ma: 0, ..raw }, 1, true);
            prop_assert_eq!(a.features(&s), b.features(&s));
        }
    }
}

fn after(observer: &mut Observer, s: &Settings, raw: &Raw, gear: u8, ticks: u16) -> Features {
    for _ in 0..ticks {
        observer.update(&s.features, raw, gear, true);
    }
    observer.features(&s.features)
}

#[test]
fn a_steady_reading_settles_at_its_ratio_and_load() {
    let s = settings();
    let f = after(&mut Observer::new(1), &s, &cruising(900), 1, 300);
    // 6 counts * 628000 / 7400 mV = 509 permille; load 491 * 1.9 = 932.
    assert_eq!(f.get(Feature::SpeedRatio), 509);
    assert_eq!(f.get(Feature::MotorSpeed), 509);
    assert!((931..=932).contains(&f.get(Feature::LoadSlow)), "{}", f.get(Feature::LoadSlow));
    assert_eq!(f.get(Feature::LoadPeak), 932);
    assert_eq!(f.get(Feature::Current), 500);
    assert_eq!(f.get(Feature::Battery), 1000);
    assert_eq!(f.get(Feature::Dwell), 300);
}

#[test]
fn half_the_duty_doubles_the_ratio_but_not_the_speed() {
    let s = settings();
    let raw = Raw { duty_permille: 500, encoder_counts: 3, ..cruising(900) };
    let f = after(&mut Observer::new(1), &s, &raw, 1, 100);
    assert_eq!((f.get(Feature::MotorSpeed), f.get(Feature::SpeedRatio)), (254, 509));
}

#[test]
fn the_first_reading_sets_the_tilt() {
    let s = settings();
    let steep = Raw { tilt_ddeg: -133, ..cruising(900) };
    assert_eq!(after(&mut Observer::new(1), &s, &steep, 1, 1).get(Feature::Tilt), -133);
}

#[test]
fn coasting_says_nothing_about_the_load() {
    let s = settings();
    let mut observer = Observer::new(1);
    let before = after(&mut observer, &s, &cruising(900), 1, 300);
    let coasting = Raw { duty_permille: 0, ..cruising(900) };
    let f = after(&mut observer, &s, &coasting, 1, 50);
    for feature in [Feature::SpeedRatio, Feature::LoadSlow, Feature::LoadPeak] {
        assert_eq!(f.get(feature), before.get(feature), "{}", feature.name());
    }
    assert_eq!(f.get(Feature::Stalled), 0);
}

#[test]
fn an_upshift_taken_back_in_time_counts_once() {
    let s = settings();
    let mut observer = Observer::new(0);
    after(&mut observer, &s, &cruising(0), 0, 100);
    after(&mut observer, &s, &cruising(900), 1, 10);
    let f = after(&mut observer, &s, &cruising(0), 0, 1);
    assert_eq!((f.get(Feature::FailedCount), f.get(Feature::SinceFailed)), (1, 1));
    // A downshift after the window is not a failure, and an upshift that lasts clears the count.
    let f = after(&mut observer, &s, &cruising(900), 1, 41);
    assert_eq!((f.get(Feature::FailedCount), f.get(Feature::SinceFailed)), (0, 42));
    let f = after(&mut observer, &s, &cruising(0), 0, 1);
    assert_eq!((f.get(Feature::FailedCount), f.get(Feature::SinceFailed)), (0, 43));
}

#[test]
fn a_gear_on_trial_does_not_clear_the_count_of_a_later_miss() {
    let s = settings();
    let mut observer = Observer::new(0);
    after(&mut observer, &s, &cruising(0), 0, 50);
    after(&mut observer, &s, &cruising(900), 1, 10);
    observer.on_missed_upshift();
    let f = after(&mut observer, &s, &cruising(900), 1, 100);
    assert_eq!((f.get(Feature::FailedCount), f.get(Feature::SinceFailed)), (1, 100));
}

#[test]
fn standing_under_drive_is_counted_and_saturates() {
    let s = settings();
    let mut observer = Observer::new(0);
    let still = Raw { encoder_counts: 0, ..cruising(0) };
    assert_eq!(after(&mut observer, &s, &still, 0, 31).get(Feature::Stalled), 30);
    assert_eq!(after(&mut observer, &s, &still, 0, 2000).get(Feature::Stalled), 1000);
    assert_eq!(after(&mut observer, &s, &cruising(0), 0, 1).get(Feature::Stalled), 0);
}

/// Runs the controller a tick at steady speed, the selector following at once.
fn tick(controller: &mut Controller, s: &Settings, angle: u16, request: Request) -> bool {
    let driven = controller.guard().phase() == Phase::Driving;
    let asked = controller.sense(s, &Raw { duty_permille: if driven { 1000 } else { 0 }, ..cruising(angle) });
    controller.act(s, request, asked);
    asked
}

#[test]
fn the_reading_at_arrival_still_tells_of_neutral_and_is_not_used() {
    let s = settings();
    let mut controller = Controller::new(&s, 0);
    for _ in 0..100 {
        tick(&mut controller, &s, 0, Request::Hold);
    }
    let load = controller.features(&s).get(Feature::LoadPeak);
    tick(&mut controller, &s, 0, Request::Up);
    while controller.guard().phase() != Phase::Driving {
        assert!(!tick(&mut controller, &s, 900, Request::Hold), "nobody is asked during a shift");
    }
    assert_eq!(controller.features(&s).get(Feature::LoadPeak), load, "no false peak");
    assert_eq!(controller.features(&s).get(Feature::Gear), 1);
    assert!(controller.guard().just_engaged());
    assert!(tick(&mut controller, &s, 900, Request::Hold), "asked with the first reading in the new gear");
    assert_eq!(controller.features(&s).get(Feature::SpeedRatio), 509);
}

#[test]
fn a_return_after_a_miss_starts_the_dwell_anew() {
    let s = settings();
    let mut controller = Controller::new(&s, 1);
    for _ in 0..100 {
        tick(&mut controller, &s, 900, Request::Hold);
    }
    tick(&mut controller, &s, 900, Request::Down);
    for _ in 0..60 {
        tick(&mut controller, &s, 300, Request::Hold);
    }
    while controller.guard().phase() != Phase::Driving {
        tick(&mut controller, &s, 900, Request::Hold);
    }
    assert_eq!(controller.features(&s).get(Feature::Dwell), 1);
    assert_eq!(
        controller.features(&s).get(Feature::FailedCount),
        0,
        "a missed downshift is no failed upshift"
    );
    assert_eq!(controller.guard().gear(), 1);
}

#[test]
fn decisions_come_one_tick_after_the_arrival_and_then_at_the_interval() {
    let s = settings();
    let mut controller = Controller::new(&s, 0);
    let asked: Vec<bool> = (0..9).map(|_| tick(&mut controller, &s, 0, Request::Hold)).collect();
    assert_eq!(asked, [false, true, false, false, false, true, false, false, false]);
}
