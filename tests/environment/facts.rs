//! Facts of the trade about what each gear of the demo cart can carry (common practice, no source).

use super::demo_cart::{bump, driven, hold, nominal_cart, scenario, stretch};
use lowgear_env::{Cause, Drive};
use lowgear_onboard::{Feature, Features, Request};

fn speed_at(drive: &Drive) -> f64 {
    drive.plant().v_m_s
}

/// Fact 1. Six metres of run-up are enough for the cruising speed of top gear.
#[test]
fn in_top_gear_at_cruising_speed_an_8_mm_rod_stops_the_cart_and_first_climbs_it_from_rest() {
    let top = scenario(nominal_cart(), vec![stretch("hard path", 6.0, 0.0), bump(0.008)], 3);
    let drive = driven(&top, 60.0, hold);
    let cruising = drive.clone().into_trace().iter().map(|r| r.speed_m_s).fold(0.0, f64::max);
    assert!(cruising > 0.1, "it came along at {cruising} m/s");
    assert_eq!(speed_at(&drive), 0.0, "it stands, at {} m", drive.plant().x_m);
    assert!(drive.plant().x_m < 6.6, "at the bump with an axle, not behind it");
    // The bump's touch begins some 3 cm before its middle at 0.5 m: a start right at the bump.
    let first = scenario(nominal_cart(), vec![bump(0.008)], 1);
    let mut from_rest = driven(&first, 1.0, hold);
    assert!(from_rest.plant().x_m < 0.45, "still before the bump");
    from_rest = driven(&first, 120.0, hold);
    assert_eq!(from_rest.outcome().cause, Cause::Finished);
}

/// Fact 2.
#[test]
fn long_grass_stops_third_and_second_and_first_goes_through() {
    for (gear, through) in [(3, false), (2, false), (1, true)] {
        let meadow = scenario(
            nominal_cart(),
            vec![stretch("hard path", 3.0, 0.0), stretch("long grass", 4.0, 0.0)],
            gear,
        );
        let drive = driven(&meadow, 300.0, hold);
        let x_m = drive.plant().x_m;
        if through {
            assert_eq!(drive.outcome().cause, Cause::Finished, "first gear");
        } else {
            assert_eq!(speed_at(&drive), 0.0, "gear {gear} stands");
            assert!((3.0..6.5).contains(&x_m), "gear {gear} stands in the grass, at {x_m} m");
        }
    }
}

/// Steepest grade of the hard path that a gear climbs from rest, to a tenth of a degree.
fn steepest_deg(gear: usize) -> f64 {
    let climbs = |tenths: u32| {
        let ramp = scenario(nominal_cart(), vec![stretch("hard path", 20.0, f64::from(tenths) / 10.0)], gear);
        driven(&ramp, 3.0, hold).plant().x_m > 0.005
    };
    let (mut low, mut high) = (0, 450);
    while high - low > 1 {
        let middle = u32::midpoint(low, high);
        if climbs(middle) { low = middle } else { high = middle }
    }
    f64::from(low) / 10.0
}

/// Fact 3: at nine tenths of the limit, well above what second can do.
#[test]
fn a_ramp_near_the_limit_is_climbed_in_first_only_and_slowly_and_an_upshift_on_it_fails() {
    let limit_deg = steepest_deg(1);
    let near_deg = 0.9 * limit_deg;
    assert!(steepest_deg(2) < 0.6 * limit_deg, "second {} against first {limit_deg}", steepest_deg(2));
    let flat = driven(&scenario(nominal_cart(), vec![stretch("hard path", 5.0, 0.0)], 1), 5.0, hold);
    let ramp = vec![stretch("hard path", 20.0, near_deg)];
    let climbing = driven(&scenario(nominal_cart(), ramp.clone(), 1), 10.0, hold);
    assert!(speed_at(&climbing) > 0.0, "first climbs {near_deg}°");
    assert!(speed_at(&climbing) < 0.6 * speed_at(&flat), "slowly");
    for gear in [2, 3] {
        let stuck = driven(&scenario(nominal_cart(), ramp.clone(), gear), 5.0, hold);
        assert!(stuck.plant().x_m < 0.005, "gear {gear} does not climb {near_deg}°");
    }
    let mut asked = 0;
    let shifted = driven(&scenario(nominal_cart(), ramp, 1), 15.0, |f: &Features| {
        let up = f.get(Feature::Gear) == 0 && f.get(Feature::Dwell) > 60;
        asked += u32::from(up);
        if up { Request::Up } else { Request::Hold }
    });
    assert!(asked > 0, "the upshift was asked for");
    let at_shift = shifted.clone().into_trace().iter().map(|r| r.position_m).fold(0.0, f64::max);
    assert!(
        speed_at(&shifted) <= 0.0 && shifted.plant().x_m <= at_shift,
        "after it the cart no longer climbs"
    );
}

/// The throttle-held rule that many begin with: up when the motor turns fast, never down.
fn upshift_only(f: &Features) -> Request {
    if f.get(Feature::SpeedRatio) > 700 && f.get(Feature::Dwell) > 10 { Request::Up } else { Request::Hold }
}

/// The same with an eye for a standing motor.
fn stall_aware(f: &Features) -> Request {
    if f.get(Feature::Stalled) >= 6 {
        Request::Down
    } else if f.get(Feature::SpeedRatio) > 700 && f.get(Feature::Dwell) > 20 {
        Request::Up
    } else {
        Request::Hold
    }
}

/// Fact 4.
#[test]
fn an_upshift_only_rule_stays_at_the_rod_for_ever_and_a_stall_aware_one_steps_down_and_up_again() {
    let sections = vec![stretch("hard path", 6.0, 0.0), bump(0.008), stretch("hard path", 6.0, 0.0)];
    let scenario = scenario(nominal_cart(), sections, 1);
    let stuck = driven(&scenario, 300.0, upshift_only);
    assert_eq!(stuck.outcome().cause, Cause::StalledOut, "at {} m", stuck.plant().x_m);
    assert_eq!(stuck.controller().guard().gear(), 2, "in top gear");
    assert!((6.0..6.8).contains(&stuck.plant().x_m), "at the bump: {} m", stuck.plant().x_m);

    let through = driven(&scenario, 300.0, stall_aware);
    assert_eq!(through.outcome().cause, Cause::Finished);
    let rows = through.into_trace();
    let gears: Vec<u8> = rows.iter().filter(|r| r.position_m > 5.0).map(|r| r.gear).collect();
    let lowest = *gears.iter().min().unwrap();
    assert_eq!(gears[0], 3, "top gear before the bump");
    assert!(lowest < 3, "it steps down");
    assert_eq!(gears[gears.len() - 1], 3, "and up again");
}
