//! What holds whatever a policy asks for.

use super::check_values::cases;
use super::demo_cart::{driven, hold, nominal_cart, scenario, stretch};
use super::energy::{episode, random_action};
use lowgear_env::motion::GRAVITY_M_S2;
use lowgear_env::{Drive, TraceRow, World, write_trace};
use lowgear_onboard::Request;
use proptest::prelude::*;

/// An episode under random requests at random ticks, more often than any policy would ask.
fn pestered(seed: u64, ticks: usize) -> Drive {
    let mut drive = episode(seed, 1 + seed as usize % 3).with_trace();
    let mut state = seed;
    for _ in 0..ticks {
        let request = Request::from_code(random_action(&mut state) as u8);
        drive.tick(request, true);
        if drive.outcome().distance_m >= drive.track().course.length_m {
            break;
        }
    }
    drive
}

/// Fastest that energy allows: no-load speed in top gear on a full battery, plus all the height of the course.
fn fastest_m_s(drive: &Drive) -> f64 {
    let vehicle = drive.vehicle();
    let top = vehicle.gears.last().unwrap();
    let no_load = vehicle.battery.open_circuit_v(1.0) / vehicle.motor.emf_constant_v_s / top.turn_rad_m;
    let course = &drive.track().course;
    let heights: Vec<f64> =
        (0..=300).map(|i| course.elevation_m(course.length_m * f64::from(i) / 300.0)).collect();
    let (low, high) = heights.iter().fold((0.0_f64, 0.0_f64), |s, &h| (s.0.min(h), s.1.max(h)));
    let bump = course.obstacles.iter().map(|o| o.height_m).fold(0.0, f64::max);
    // Before the start the ground goes on; a cart that rolls back a metre at the start's grade falls so far.
    let behind = course.segments[0].sin_grade.abs();
    (no_load * no_load + 2.0 * GRAVITY_M_S2 * (high - low + bump + behind)).sqrt()
}

proptest! {
    #![proptest_config(cases(80))]

    #[test]
    fn nothing_is_ever_not_a_number_nor_faster_than_energy_allows(seed in 0_u64..1 << 40) {
        let drive = pestered(seed, 600);
        let fastest = fastest_m_s(&drive);
        let mut last_s = 0.0;
        for row in drive.clone().into_trace() {
            let all = [row.time_s, row.position_m, row.speed_m_s, row.motor_speed_rad_s, row.motor_current_a,
                row.battery_voltage_v, row.winding_c, row.output_torque_nm, row.damage, row.return_s];
            prop_assert!(all.iter().all(|v| v.is_finite()), "{row:?}");
            prop_assert!(row.speed_m_s.abs() <= fastest, "{} m/s of {fastest}", row.speed_m_s);
            prop_assert!(row.time_s > last_s, "time goes on");
            prop_assert!(row.damage >= 0.0 && row.battery_voltage_v >= 0.0);
            last_s = row.time_s;
        }
    }

    /// The guard's promises, read from the trace alone.
    #[test]
    fn the_guard_keeps_its_promises_under_random_requests(seed in 0_u64..1 << 40) {
        let drive = pestered(seed, 800);
        let guard = &drive.scenario().settings.guard;
        let (lead, dwell) = (usize::from(guard.cut_lead_ticks), usize::from(guard.min_dwell_ticks));
        let rows = drive.into_trace();
        let mut arrived = 0;
        for (i, row) in rows.iter().enumerate() {
            if row.drive == 1 {
                prop_assert_eq!(row.gear_in_mesh, row.gear, "driven only with the confirmed gear in mesh: {:?}", row);
                prop_assert!(row.guard == "driving" || row.guard == "resting", "{:?}", row);
            }
            let Some(before) = i.checked_sub(1).map(|b| &rows[b]) else { continue };
            if before.gear_in_mesh != 0 && row.gear_in_mesh != before.gear_in_mesh {
                prop_assert!(cut_for(&rows[..=i]) > lead, "the drive was cut before the dogs left: {:?}", row);
            }
            if row.guard == "driving" && before.guard == "moving" {
                arrived = i;
            }
            if row.verdict == "accepted" && before.guard == "driving" && arrived > 0 && before.gear != 0 {
                prop_assert!(i - arrived >= dwell, "dwell of {} ticks, {} waited", dwell, i - arrived);
            }
            prop_assert!(row.gear.abs_diff(before.gear) <= 1, "no gear is skipped");
        }
    }
}

/// Ticks without drive at the end of these rows.
fn cut_for(rows: &[TraceRow]) -> usize {
    rows.iter().rev().take_while(|r| r.drive == 0).count()
}

#[test]
fn the_same_seed_gives_the_same_bytes() {
    let bytes = |seed: u64| {
        let mut out = Vec::new();
        write_trace(&pestered(seed, 300).into_trace(), &mut out).unwrap();
        out
    };
    assert_eq!(bytes(5), bytes(5));
    assert_ne!(bytes(5), bytes(6));
}

/// A world that is reset to an episode is the same as a fresh one.
#[test]
fn a_reset_leaves_nothing_behind() {
    let mut used = pestered(9, 200);
    used.reset(3);
    let mut fresh = Drive::new(used.scenario().clone(), 3).with_trace();
    let mut state = 1;
    for _ in 0..50 {
        let action = random_action(&mut state);
        assert_eq!(used.step(action), fresh.step(action));
    }
    assert_eq!(used.into_trace(), fresh.into_trace());
}

/// Steeper is slower in every gear, and a gear that cannot climb stands.
#[test]
fn the_terminal_speed_falls_with_the_grade() {
    for gear in 1..=3 {
        let mut last = f64::INFINITY;
        for grade_deg in 0..20 {
            let ramp = vec![stretch("hard path", 100.0, f64::from(grade_deg))];
            let speed = driven(&scenario(nominal_cart(), ramp, gear), 12.0, hold).plant().v_m_s;
            assert!(
                speed < last || speed == 0.0 && last == 0.0,
                "gear {gear} at {grade_deg}°: {speed} after {last}"
            );
            last = speed;
        }
    }
}
