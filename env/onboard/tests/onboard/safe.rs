//! No drive before an arrival, after a jump-out or on a reading out of range; units noticed beforehand.

use lowgear_onboard::{Controller, Fault, Guard, Phase, Raw, Request, Verdict};

use super::guard::{settled, tick};
use super::{cruising, settings};

/// A selector that turns `pace_ddeg` a tick to the angle it is sent to.
fn turn(angle_ddeg: u16, target_ddeg: u16, pace_ddeg: u16) -> u16 {
    if angle_ddeg > target_ddeg {
        target_ddeg.max(angle_ddeg.saturating_sub(pace_ddeg))
    } else {
        target_ddeg.min(angle_ddeg + pace_ddeg)
    }
}

#[test]
fn from_every_angle_at_power_up_the_drive_waits_for_the_arrival() {
    let s = settings();
    for start_ddeg in 0..3600u16 {
        for gear in 0..3u8 {
            let target = s.guard.gear_ddeg[usize::from(gear)];
            let (mut controller, mut angle, mut driven) = (Controller::new(&s, gear), start_ddeg, false);
            for t in 0..200 {
                let raw = Raw { duty_permille: u16::from(driven) * 1000, ..cruising(angle) };
                let due = controller.sense(&s, &raw);
                let c = controller.act(&s, Request::Hold, due);
                let apart = angle.abs_diff(target).min(3600 - angle.abs_diff(target));
                assert!(
                    !c.drive || apart <= s.guard.leave_ddeg,
                    "from {start_ddeg} to {gear}: drives at {angle}"
                );
                assert_eq!(c.gear, gear);
                driven |= c.drive;
                if t > 0 || c.recalibrate {
                    angle = turn(angle, target, 225);
                }
            }
            assert!(driven, "from {start_ddeg} to {gear} it arrives");
        }
    }
}

#[test]
fn a_brown_out_in_any_gear_and_during_any_tick_of_a_shift_leaves_no_drive_on_the_way() {
    let s = settings();
    for from in 0..3u8 {
        for request in Request::ALL {
            for ticks_before in 0..14 {
                // A shift under way, then the supply is gone for a moment: state lost, selector where it was.
                let (mut guard, mut angle) = (settled(&s, from), s.guard.gear_ddeg[usize::from(from)]);
                for t in 0..ticks_before {
                    let asked = if t == 0 { request } else { Request::Hold };
                    let c = tick(&mut guard, &s, angle, asked);
                    angle = turn(angle, s.guard.gear_ddeg[usize::from(c.gear)], 200);
                }
                let mut guard = Guard::new(0);
                while angle > s.guard.window_ddeg {
                    let c = tick(&mut guard, &s, angle, Request::Up);
                    assert!(!c.drive && c.gear == 0, "{from} {request:?} {ticks_before}: drives at {angle}");
                    angle = turn(angle, 0, 200);
                }
                assert!(tick(&mut guard, &s, angle, Request::Hold).drive);
            }
        }
    }
}

#[test]
fn a_selector_that_leaves_its_gear_under_drive_is_noticed_in_the_same_tick() {
    let s = settings();
    let mut guard = settled(&s, 1);
    assert!(tick(&mut guard, &s, 900 + s.guard.leave_ddeg, Request::Hold).drive, "at the limit it stays");
    let c = tick(&mut guard, &s, 901 + s.guard.leave_ddeg, Request::Up);
    assert_eq!((c.drive, c.gear, c.nudge), (false, 1, true), "cut, and sent to its gear again");
    assert_eq!((guard.phase(), guard.verdict(), guard.jump_outs()), (Phase::Moving, Verdict::Busy, 1));
    assert!(!tick(&mut guard, &s, 1250, Request::Hold).drive);
    assert!(tick(&mut guard, &s, 905, Request::Hold).drive, "engaged again");
    // It leaves during a rest after a stall, too.
    for _ in 0..=s.guard.stall_cut_ticks {
        guard.follow(&s.guard, &s.ranges, &Raw { encoder_counts: 0, ..cruising(900) });
        guard.order(&s.guard, 0, Request::Hold);
    }
    assert_eq!(guard.phase(), Phase::Resting);
    for _ in 0..3 * s.guard.stall_rest_ticks {
        assert!(!tick(&mut guard, &s, 1250, Request::Hold).drive);
    }
}

#[test]
fn a_reading_out_of_range_ends_the_drive_and_says_which() {
    let s = settings();
    let good = cruising(900);
    let bad = [
        (Raw { encoder_counts: 37, ..good }, Fault::Encoder),
        (Raw { battery_mv: 0, ..good }, Fault::Battery),
        (Raw { battery_mv: 10_901, ..good }, Fault::Battery),
        (Raw { current_ma: i16::MIN, ..good }, Fault::Current),
        (Raw { tilt_ddeg: -901, ..good }, Fault::Tilt),
        (Raw { duty_permille: 1001, ..good }, Fault::Duty),
        (Raw { selector_ddeg: 3600, ..good }, Fault::Selector),
    ];
    for (raw, fault) in bad {
        let mut guard = settled(&s, 1);
        for _ in 0..50 {
            guard.follow(&s.guard, &s.ranges, &raw);
            assert!(!guard.order(&s.guard, 0, Request::Down).drive);
            assert_eq!((guard.phase(), guard.fault(), guard.gear()), (Phase::Faulted, fault, 1));
        }
        let mut waited = 1;
        while !tick(&mut guard, &s, 900, Request::Hold).drive {
            waited += 1;
        }
        // Good for the time asked for, then one tick to see the selector arrive.
        assert_eq!(
            (waited, guard.fault()),
            (s.guard.fault_clear_ticks + 1, fault),
            "the last one stays named"
        );
    }
}

#[test]
fn a_fault_does_not_start_a_move_that_was_still_waiting_for_the_cut() {
    let s = settings();
    let mut guard = settled(&s, 0);
    tick(&mut guard, &s, 0, Request::Up);
    assert_eq!(guard.phase(), Phase::Cutting);
    guard.follow(&s.guard, &s.ranges, &Raw { battery_mv: 0, ..cruising(0) });
    assert_eq!(guard.order(&s.guard, 0, Request::Hold).gear, 0);
    // A selector on its way goes on: it must not stop between two gears.
    let mut guard = settled(&s, 0);
    for request in [Request::Up, Request::Hold, Request::Hold] {
        tick(&mut guard, &s, 0, request);
    }
    assert_eq!(guard.phase(), Phase::Moving);
    guard.follow(&s.guard, &s.ranges, &Raw { battery_mv: 0, ..cruising(400) });
    assert_eq!(guard.order(&s.guard, 0, Request::Hold).gear, 1);
}

#[test]
fn readings_in_other_units_are_noticed_before_the_first_drive() {
    let s = settings();
    // Standing, motor off; full throttle is 1000.
    let idle = Raw { encoder_counts: 0, current_ma: 0, duty_permille: 0, ..cruising(900) };
    let standing = |raw: Raw, full| s.ranges.check_standing(&raw, full);
    assert_eq!(standing(idle, 1000), Fault::None);
    assert_eq!(standing(idle, 100), Fault::Duty, "per cent");
    assert_eq!(standing(idle, 255), Fault::Duty, "a timer's steps");
    assert_eq!(standing(Raw { battery_mv: 7, ..idle }, 1000), Fault::Battery, "volts");
    assert_eq!(standing(Raw { battery_mv: 740, ..idle }, 1000), Fault::Battery, "hundredths of a volt");
    assert_eq!(standing(Raw { battery_mv: 0, ..idle }, 1000), Fault::Battery);
    assert_eq!(standing(Raw { encoder_counts: 1, ..idle }, 1000), Fault::Encoder);
    assert_eq!(standing(Raw { current_ma: 2500, ..idle }, 1000), Fault::Current, "an offset");
    assert_eq!(standing(Raw { tilt_ddeg: 500, ..idle }, 1000), Fault::Tilt);
    // Wheels off the ground, at full duty: 11.8 pulses a tick are the no-load speed.
    let free = Raw { encoder_counts: 11, ..cruising(0) };
    let running = |raw: Raw| s.ranges.check_free(&s.features, &raw);
    assert_eq!(running(free), Fault::None);
    assert_eq!(running(Raw { encoder_counts: 6, duty_permille: 500, ..free }), Fault::None);
    assert_eq!(running(Raw { duty_permille: 100, ..free }), Fault::Encoder, "duty in per cent");
    assert_eq!(running(Raw { encoder_counts: 4, ..free }), Fault::Encoder, "half the pulses");
    assert_eq!(running(Raw { encoder_counts: 25, ..free }), Fault::Encoder, "twice the pulses");
    assert_eq!(running(Raw { encoder_counts: 708, ..free }), Fault::Encoder, "turns a minute");
}
