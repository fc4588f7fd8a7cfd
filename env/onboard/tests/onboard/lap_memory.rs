//! What a vehicle learns of its way lap by lap, worked by hand.

use lowgear_onboard::{FEATURES, Feature, Features, LapMemory, LapMemorySettings, MEMORY_CELLS, Request};
use proptest::prelude::*;

/// Six cells of 64 mm are seen ahead.
const SETTINGS: LapMemorySettings =
    LapMemorySettings { top_gear: 2, look_mm: 400, early_permille: 700, retry_ticks: 25 };

/// Features of a vehicle that has long been in a gear, at a speed ratio.
fn features(gear: i16, ratio: i16) -> Features {
    let mut features = Features([0; FEATURES]);
    features.0[Feature::Gear as usize] = gear;
    features.0[Feature::SpeedRatio as usize] = ratio;
    features.0[Feature::Dwell as usize] = 100;
    features.0[Feature::SinceFailed as usize] = 1000;
    features
}

fn decide(memory: &mut LapMemory, position_mm: u16, features: &Features, policy: Request) -> Request {
    memory.decide(&SETTINGS, position_mm, features, policy, true)
}

/// A memory of a lap with a stall at 2 m.
fn stalled_once() -> LapMemory {
    let mut memory = LapMemory::new();
    assert_eq!(decide(&mut memory, 2000, &features(2, 20), Request::Down), Request::Down);
    memory.start_lap();
    memory
}

/// Asks for the top gear at `position_mm`, then drives on at this speed ratio in the gear below until half a metre on.
fn ask_and_pass(memory: &mut LapMemory, position_mm: u16, ratio: i16) -> Request {
    let answer = decide(memory, position_mm, &features(1, 800), Request::Up);
    for further_mm in (30..900).step_by(30) {
        decide(memory, position_mm + further_mm, &features(1, ratio), Request::Hold);
    }
    answer
}

#[test]
fn a_memory_is_small_enough_for_a_small_controller() {
    assert_eq!(size_of::<LapMemory>(), 104);
}

#[test]
fn before_a_place_of_a_stall_it_holds_the_shift_into_the_top_gear_back_and_no_other() {
    for (position_mm, gear, expected) in [
        (1590, 1, Request::Hold),
        (1900, 1, Request::Hold),
        (1500, 1, Request::Up),
        (2100, 1, Request::Up),
        (1900, 0, Request::Up),
    ] {
        let answer = decide(&mut stalled_once(), position_mm, &features(gear, 800), Request::Up);
        assert_eq!(answer, expected, "at {position_mm} mm in gear {gear}");
    }
    let down = decide(&mut stalled_once(), 1900, &features(2, 100), Request::Down);
    assert_eq!(down, Request::Down, "it never stops a shift down");
}

#[test]
fn a_shift_down_under_load_marks_nothing() {
    let mut memory = LapMemory::new();
    decide(&mut memory, 2000, &features(2, 150), Request::Down);
    assert_eq!(memory.mark(2000 / 64), 0);
    let mut standing = features(2, 150);
    standing.0[Feature::Stalled as usize] = 2;
    decide(&mut memory, 2000, &standing, Request::Down);
    assert_eq!(memory.mark(2000 / 64), 3);
}

#[test]
fn a_hold_that_no_load_confirms_withdraws_its_mark_and_one_that_a_load_confirms_keeps_it() {
    let mut memory = stalled_once();
    for lap in 0..3 {
        assert_eq!(ask_and_pass(&mut memory, 1700, 800), Request::Hold, "lap {lap}");
        assert_eq!(memory.needless(), 1);
        assert_eq!(memory.mark(2000 / 64), 2 - lap);
        memory.start_lap();
    }
    assert_eq!(ask_and_pass(&mut memory, 1700, 800), Request::Up, "withdrawn");
    let mut kept = stalled_once();
    for lap in 0..5 {
        assert_eq!(ask_and_pass(&mut kept, 1700, 400), Request::Hold, "lap {lap}");
        assert_eq!((kept.needless(), kept.mark(2000 / 64)), (0, 3));
        kept.start_lap();
    }
}

#[test]
fn after_two_needless_holds_the_policy_decides_alone_until_the_lap_ends() {
    let mut memory = LapMemory::new();
    for position_mm in [2000, 4000, 6000] {
        decide(&mut memory, position_mm, &features(2, 20), Request::Down);
    }
    memory.start_lap();
    assert_eq!(ask_and_pass(&mut memory, 1700, 800), Request::Hold);
    assert!(!memory.silent());
    assert_eq!(ask_and_pass(&mut memory, 3700, 800), Request::Hold);
    assert!(memory.silent());
    assert_eq!(ask_and_pass(&mut memory, 5700, 800), Request::Up);
    memory.start_lap();
    assert_eq!(ask_and_pass(&mut memory, 5700, 800), Request::Hold, "on the next lap it is heard again");
}

/// A memory of a lap on which the top gear ran at this speed ratio as far as 5 m.
fn driven_in_top_gear(ratio: i16) -> LapMemory {
    let mut memory = LapMemory::new();
    for position_mm in (0..5000).step_by(50) {
        decide(&mut memory, position_mm, &features(2, ratio), Request::Hold);
    }
    memory.start_lap();
    memory
}

#[test]
fn where_the_top_gear_ran_easily_it_shifts_up_as_soon_as_that_pays() {
    let ask = |mut memory: LapMemory, position_mm, features: Features| {
        decide(&mut memory, position_mm, &features, Request::Hold)
    };
    let easy = driven_in_top_gear(600);
    assert_eq!(ask(easy, 3000, features(1, 700)), Request::Up);
    assert_eq!(ask(easy, 3000, features(1, 699)), Request::Hold, "it would be slower");
    assert_eq!(ask(easy, 3000, features(0, 700)), Request::Hold, "not into the middle gear");
    assert_eq!(ask(easy, 4700, features(1, 700)), Request::Hold, "what follows is not known");
    assert_eq!(ask(driven_in_top_gear(200), 3000, features(1, 700)), Request::Hold, "it ran heavily");
    let mut failed = features(1, 700);
    failed.0[Feature::SinceFailed as usize] = 25;
    assert_eq!(ask(easy, 3000, failed), Request::Hold, "one has just been taken back");
    let mut refused = easy;
    let answer = refused.decide(&SETTINGS, 3000, &features(1, 700), Request::Hold, false);
    assert_eq!(answer, Request::Hold, "the guard would refuse it");
}

#[test]
fn an_early_upshift_that_is_taken_back_counts_as_needless() {
    let mut memory = driven_in_top_gear(600);
    decide(&mut memory, 1000, &features(1, 700), Request::Hold);
    decide(&mut memory, 1100, &features(2, 150), Request::Down);
    assert_eq!(memory.needless(), 1);
    let mut paid = driven_in_top_gear(600);
    decide(&mut paid, 1000, &features(1, 700), Request::Hold);
    decide(&mut paid, 1900, &features(2, 600), Request::Hold);
    assert_eq!(paid.needless(), 0);
}

#[test]
fn beyond_its_cells_the_policy_decides_alone() {
    let mut memory = LapMemory::new();
    let far_mm = 64 * MEMORY_CELLS as u16;
    for policy in Request::ALL {
        assert_eq!(decide(&mut memory, far_mm, &features(1, 800), policy), policy);
        assert_eq!(decide(&mut memory, u16::MAX, &features(2, 20), policy), policy);
    }
}

proptest! {
    #[test]
    fn nothing_that_is_read_makes_it_panic_or_shift_where_the_guard_would_not(
        steps in proptest::collection::vec((any::<u16>(), any::<[i16; FEATURES]>(), 0u8..3, any::<bool>()), 1..80),
    ) {
        let mut memory = LapMemory::new();
        for (position_mm, values, code, may_rise) in steps {
            let policy = Request::from_code(code);
            let features = Features(values);
            let answer = memory.decide(&SETTINGS, position_mm, &features, policy, may_rise);
            prop_assert!(answer == policy || answer == Request::Hold || (answer == Request::Up && may_rise));
            if position_mm % 7 == 0 {
                memory.start_lap();
            }
        }
    }
}
