//! Dead reckoning and the memory of the laps together, worked by hand.

use super::{cruising, settings};
use lowgear_onboard::{
    FEATURES, Feature, Features, LapControl, LapMemorySettings, LapSettings, OdometerSettings, Raw, Request,
};
use proptest::prelude::*;

/// An encoder count is 2, 4 and 8 mm in the gears.
const SETTINGS: LapSettings = LapSettings {
    odometer: OdometerSettings {
        count_q12_mm: [8192, 16_384, 32_768, 0, 0, 0],
        coast_q16_mm: 0,
        inertia_permille: [400, 400, 400, 0, 0, 0],
    },
    memory: LapMemorySettings { top_gear: 2, look_mm: 400, early_permille: 700, retry_ticks: 25 },
};
const ALLOWED: [bool; 3] = [true; 3];

fn drive(control: &mut LapControl, ticks: usize, encoder_counts: u16, gear: u8, driving: bool) {
    let raw = Raw { encoder_counts, ..cruising(0) };
    for _ in 0..ticks {
        control.count(&SETTINGS, &settings().features, &raw, gear, driving);
    }
}

fn features(gear: i16, ratio: i16) -> Features {
    let mut features = Features([0; FEATURES]);
    features.0[Feature::Gear as usize] = gear;
    features.0[Feature::SpeedRatio as usize] = ratio;
    features.0[Feature::Dwell as usize] = 100;
    features.0[Feature::SinceFailed as usize] = 1000;
    features
}

#[test]
fn the_control_of_the_laps_is_small_enough_for_a_small_controller() {
    assert_eq!(size_of::<LapControl>(), 116);
}

#[test]
fn where_a_lap_starts_the_way_begins_again_and_what_was_learned_stays() {
    let mut control = LapControl::new();
    drive(&mut control, 1, 0, 2, true);
    drive(&mut control, 50, 5, 2, true);
    assert_eq!(control.position_mm(), 2000);
    control.decide(&SETTINGS, &features(2, 20), Request::Down, ALLOWED);
    control.start_lap();
    assert_eq!((control.position_mm(), control.memory().mark(2000 / 64)), (0, 3));
    // It drives on in gear: the first tick counts.
    drive(&mut control, 44, 5, 2, true);
    assert_eq!(control.position_mm(), 1760);
    assert_eq!(control.decide(&SETTINGS, &features(1, 800), Request::Up, ALLOWED), Request::Hold);
    // One that stands at the start does not roll on out of gear.
    let mut standing = LapControl::knowing(*control.memory());
    drive(&mut standing, 5, 0, 0, false);
    assert_eq!((standing.position_mm(), standing.memory().mark(2000 / 64)), (0, 3));
}

#[test]
fn what_the_guard_would_refuse_is_neither_asked_for_nor_learned() {
    let mut control = LapControl::new();
    let refused = control.decide(&SETTINGS, &features(2, 20), Request::Down, [false, true, false]);
    assert_eq!((refused, control.memory().mark(0)), (Request::Hold, 0));
    let taken = control.decide(&SETTINGS, &features(2, 20), Request::Down, [true, true, false]);
    assert_eq!((taken, control.memory().mark(0)), (Request::Down, 3));
}

proptest! {
    /// In gear the way is that of the counts, to the millimetre, whatever the gears.
    #[test]
    fn in_gear_the_way_is_that_of_the_counts(ticks in proptest::collection::vec((0u16..40, 0u8..3), 1..80)) {
        let mut control = LapControl::new();
        drive(&mut control, 1, 0, 0, true);
        let mut way_mm = 0;
        for (counts, gear) in ticks {
            drive(&mut control, 1, counts, gear, true);
            way_mm += u32::from(counts) << (1 + gear);
        }
        prop_assert_eq!(u32::from(control.position_mm()), way_mm);
    }

    #[test]
    fn nothing_that_is_read_makes_it_panic(
        readings in proptest::collection::vec((any::<u16>(), any::<u16>(), 0u8..8, any::<bool>(), any::<i16>()), 1..60),
    ) {
        let mut control = LapControl::new();
        for (encoder_counts, battery_mv, gear, driving, ratio) in readings {
            let raw = Raw { encoder_counts, battery_mv, ..cruising(0) };
            control.count(&SETTINGS, &settings().features, &raw, gear, driving);
            control.decide(&SETTINGS, &features(gear.into(), ratio), Request::from_code(gear % 3), ALLOWED);
        }
    }
}
