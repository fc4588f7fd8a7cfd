//! Facts of the trade about shifting itself (common practice, no source).

use super::check_values::built;
use super::demo_cart::{driven, nominal_cart, scenario, scripted, stretch};
use lowgear_env::motion::{Dogs, Plant, Selector, Track};
use lowgear_env::vehicle::{Vehicle, VehicleConfig};
use lowgear_env::{Seed, Stream};
use lowgear_onboard::{Command, Feature, Features, Request};

fn flat(vehicle: &Vehicle) -> Track {
    let sections = vec![stretch("hard path", 900.0, 0.0)];
    Track::new(scripted(sections).course(&mut Seed(0).stream(Stream::Course, 0)), vehicle)
}

fn to(gear: u8) -> Command {
    Command { drive: true, gear, nudge: false, recalibrate: false, park: false }
}

/// Lets `time_s` pass for selector and vehicle together.
fn pass(
    selector: &mut Selector,
    plant: &mut Plant,
    vehicle: &Vehicle,
    track: &Track,
    time_s: f64,
    duty: f64,
) {
    let mut left_s = time_s;
    while left_s > 1e-12 {
        let piece_s = selector.next_s().min(left_s);
        plant.advance(vehicle, track, piece_s, duty);
        selector.pass(vehicle, plant, piece_s);
        left_s -= piece_s;
    }
}

/// Damage of one shift from `from` to `to_gear`; perfect dogs. `cut` says whether the drive is off while the
/// selector moves and two ticks before. The load of driving before the shift is not counted.
fn damage_of_shift(run_up_s: f64, from: usize, to_gear: u8, cut: bool) -> f64 {
    let vehicle = built(&VehicleConfig {
        // Strong enough to pull its dogs out under torque, or there would be no shift to compare.
        selector: lowgear_env::vehicle::SelectorConfig {
            release_torque_nm: 100.0,
            ..nominal_cart().selector
        },
        ..nominal_cart()
    });
    let track = flat(&vehicle);
    let mut plant = Plant::new(&vehicle, &track, from);
    let mut selector = Selector::new(&vehicle, from, None);
    pass(&mut selector, &mut plant, &vehicle, &track, run_up_s, 1.0);
    let duty = if cut { 0.0 } else { 1.0 };
    pass(&mut selector, &mut plant, &vehicle, &track, 0.1, duty);
    plant.stress = vehicle.stress();
    plant.stress.push(plant.output_nm);
    selector.command(&vehicle, &mut plant, &to(to_gear));
    pass(&mut selector, &mut plant, &vehicle, &track, 1.0, duty);
    assert_eq!(plant.gear, Some(usize::from(to_gear)), "it engages");
    plant.stress.total()
}

/// Fact 5: 'nearly nothing' is a thousandth of the other.
#[test]
fn a_shift_at_standstill_without_drive_costs_nothing_and_one_at_speed_under_drive_costs_much() {
    for (from, to_gear) in [(0, 1), (1, 2), (2, 1), (1, 0)] {
        let standing = damage_of_shift(0.0, from, to_gear, true);
        let cut = damage_of_shift(5.0, from, to_gear, true);
        let driven = damage_of_shift(5.0, from, to_gear, false);
        println!(
            "{} to {}: standing {standing:e}, at speed cut {cut:e}, under drive {driven:e}",
            from + 1,
            to_gear + 1
        );
        assert!(standing <= 1e-3 * driven, "{from} to {to_gear}: {standing} standing, {driven} driven");
        if usize::from(to_gear) > from {
            assert!(cut < 0.5 * driven, "{from} to {to_gear}: {cut} cut, {driven} driven");
        }
    }
}

/// Worst distance of the drum from its position after each of `shifts` commands that come every `period_s`, or
/// only after arrival when `patient`; degrees.
fn worst_misalignment(period_s: f64, patient: bool, shifts: u32) -> f64 {
    let vehicle = built(&nominal_cart());
    let track = flat(&vehicle);
    let mut plant = Plant::new(&vehicle, &track, 0);
    let mut selector = Selector::new(&vehicle, 0, Some(Seed(6).stream(Stream::Selector, 0)));
    let mut worst: f64 = 0.0;
    for shift in 0..shifts {
        let gear = [1, 2, 1, 0][shift as usize % 4];
        selector.command(&vehicle, &mut plant, &Command { drive: false, ..to(gear) });
        pass(&mut selector, &mut plant, &vehicle, &track, period_s, 0.0);
        while patient && !matches!(selector.dogs, Dogs::In | Dogs::Missed) {
            pass(&mut selector, &mut plant, &vehicle, &track, 0.01, 0.0);
        }
        if matches!(selector.dogs, Dogs::In | Dogs::Missed) {
            let target = vehicle.selector.gear_angle_deg(usize::from(gear)).unwrap();
            worst = worst.max((selector.angle_deg(&vehicle) - target).abs());
        }
    }
    worst
}

/// Fact 6. A patient selector only has the random error of each arrival: of 400 normal errors one beyond 4.5
/// standard deviations has a chance of 0.3 %; and the window is wider than that. A hasty one (50 ms between
/// commands; a move takes 0.2 s and more) loses its position.
#[test]
fn commands_faster_than_the_selector_misalign_it_and_waiting_never_does() {
    let selector = nominal_cart().selector;
    let patient = worst_misalignment(0.3, true, 400);
    assert!(patient < 4.5 * selector.arrival_error_deg, "{patient}° when waiting");
    assert!(patient < selector.window_deg, "{patient}° of {}°", selector.window_deg);
    let vehicle = built(&nominal_cart());
    let track = flat(&vehicle);
    let mut plant = Plant::new(&vehicle, &track, 0);
    let mut hasty = Selector::new(&vehicle, 0, Some(Seed(6).stream(Stream::Selector, 0)));
    let mut lost = 0;
    for attempt in 0..40 {
        for gear in if attempt % 2 == 0 { [1, 2, 1] } else { [2, 1, 0] } {
            hasty.command(&vehicle, &mut plant, &Command { drive: false, ..to(gear) });
            pass(&mut hasty, &mut plant, &vehicle, &track, 0.05, 0.0);
        }
        pass(&mut hasty, &mut plant, &vehicle, &track, 1.0, 0.0);
        lost += u32::from(hasty.dogs == Dogs::Missed);
    }
    assert!(lost > 20, "misaligned in {lost} of 40 attempts");
}

/// A rule on motor speed alone.
fn speed_only(f: &Features) -> Request {
    if f.get(Feature::Dwell) < 10 {
        Request::Hold
    } else if f.get(Feature::MotorSpeed) > UP {
        Request::Up
    } else if f.get(Feature::MotorSpeed) < DOWN {
        Request::Down
    } else {
        Request::Hold
    }
}

/// Thresholds, permille of the nominal no-load speed. By the closed form of the hunting band a load hunts only
/// when the step is wider than `(1 - down) / (1 - up)` = 2.4.
const UP: i16 = 720;
const DOWN: i16 = 330;

/// Shifts in a minute on a steady grade, first and second gear only, after 10 s to settle.
fn shifts_per_minute(step: f64, grade_deg: f64) -> usize {
    let mut cart = nominal_cart();
    let first = cart.gearbox.total_ratio[0];
    // The same efficiency, so that only the step differs; a third gear far out of reach.
    cart.gearbox.total_ratio = vec![first, first / step];
    cart.gearbox.efficiency = vec![0.5; 2];
    cart.gearbox.back_efficiency = vec![0.35; 2];
    cart.selector.order.pop();
    cart.selector.angle_deg.pop();
    let scenario = scenario(cart, vec![stretch("hard path", 200.0, grade_deg)], 1);
    let rows = driven(&scenario, 70.0, speed_only).into_trace();
    let later: Vec<u8> = rows.iter().filter(|r| r.time_s > 10.0).map(|r| r.gear).collect();
    later.windows(2).filter(|w| w[0] != w[1]).count()
}

/// Fact 7. One reversal within a minute is no hunting: speeds carry noise.
#[test]
fn a_wide_step_hunts_under_a_speed_only_rule_and_a_close_one_does_not() {
    let ratios = nominal_cart().gearbox.total_ratio;
    let wide = ratios[0] / ratios[1];
    let band = f64::from(1000 - DOWN) / f64::from(1000 - UP);
    assert!(wide > 1.2 * band, "the cart's step {wide} is wide");
    let grades: Vec<f64> = (0..26).map(f64::from).collect();
    let most = |step: f64| grades.iter().map(|&g| shifts_per_minute(step, g)).max().unwrap();
    let (wide_most, close_most) = (most(wide), most(0.7 * band));
    assert!(wide_most >= 10, "{wide_most} shifts a minute with a step of {wide}");
    assert!(close_most <= 2, "{close_most} shifts a minute with a step of {}", 0.7 * band);
}
