//! What holds for any vehicle on any course, whatever is asked for.

use super::any_vehicle::{any_scenario, any_sections, any_vehicle, course_of};
use super::check_values::{built, cases, ground};
use super::energy::{imbalance, random_action};
use lowgear_env::config::ParameterDistribution;
use lowgear_env::motion::{Plant, Track};
use lowgear_env::terrain::Course;
use lowgear_env::vehicle::{Vehicle, VehicleConfig};
use lowgear_env::{Drive, Scenario, Seed, Stream, World};
use lowgear_onboard::Request;
use proptest::prelude::*;
use std::sync::Arc;

/// What the balance may miss, relative to the energy that went through.
const BALANCE: f64 = 0.005;
/// What half the tick may change of a course time: as much as this part of the battery's voltage does. Measured on
/// 100 vehicles, relative: median 2.4e-6, 90th percentile 4.4e-5, worst 6.1e-4, where the winding warms by 3 K a
/// second or the gear hardly pulls.
const TICK: f64 = 2e-3;

/// Fastest that energy allows: no-load speed in top gear on a full battery, the rotor's energy at that speed, and
/// what falling from the highest place so far has freed.
fn fastest_m_s(vehicle: &Vehicle, fallen_j: f64) -> f64 {
    let no_load_rad_s = vehicle.battery.open_circuit_v(1.0) / vehicle.motor.emf_constant_v_s;
    let top = vehicle.gears.iter().map(|g| no_load_rad_s / g.turn_rad_m).fold(0.0, f64::max);
    let rotor_j = 0.5 * vehicle.rotor_kg_m2 * no_load_rad_s * no_load_rad_s;
    (top * top + 2.0 * (rotor_j + fallen_j) / vehicle.mass_kg).sqrt()
}

proptest! {
    #![proptest_config(cases(300))]

    #[test]
    fn energy_is_kept_and_time_and_speed_stay_within_bounds(scenario in any_scenario(), seed in any::<u64>()) {
        let mut drive = Drive::new(scenario, 0);
        let (mut state, mut highest_j) = (seed, 0.0_f64);
        for _ in 0..300 {
            let step = drive.step(random_action(&mut state));
            if drive.plant().energies.slip_j != 0.0 {
                // Slipping has checks of its own in `slipping.rs` and `loads.rs`. Known: where wheels slip while the
                // vehicle rolls back, half a percent can go missing.
                break;
            }
            let missing = imbalance(&drive);
            prop_assert!(missing < BALANCE, "{missing} missing: {:?}", drive.plant());
            prop_assert!(step.elapsed_s >= 0.0 && step.reward.is_finite(), "{step:?}");
            let (plant, vehicle) = (drive.plant(), drive.vehicle());
            highest_j = highest_j.max(plant.energies.potential_j);
            let fastest = fastest_m_s(vehicle, highest_j - plant.energies.potential_j);
            prop_assert!(plant.v_m_s.abs() <= 1.001 * fastest + 1e-6, "{} of {fastest}: {plant:?}", plant.v_m_s);
            // Turned back against its drive a motor can take more than a short circuit does.
            prop_assert!(plant.stress.total() >= 0.0 && (plant.terminal_v >= 0.0 || plant.motor_rad_s < 0.0));
            if step.end.is_some() {
                break;
            }
        }
    }

    /// The lifted weight is the height of the ground under each axle, whatever obstacles were climbed on the way.
    #[test]
    fn the_lifted_weight_is_that_of_the_ground(scenario in any_scenario(), seed in any::<u64>()) {
        let mut drive = Drive::new(scenario, 0);
        let mut state = seed;
        while drive.step(random_action(&mut state)).end.is_none() && drive.ticks() < 2000 {}
        let (plant, vehicle, course) = (drive.plant(), drive.vehicle(), &drive.track().course);
        let radius = vehicle.wheel_radius_m;
        let axles = &vehicle.axles[..vehicle.axle_count];
        let near = |at: f64| course.obstacles.iter().any(|o| (o.position_m - at).abs() < 3.0 * radius);
        prop_assume!(plant.energies.slip_j == 0.0 && plant.x_m > 0.0 && axles.iter().all(|a| !near(plant.x_m - a.behind_front_m)));
        let height = |at: f64| ground_height_m(course, at);
        let lifted: f64 = axles
            .iter()
            .map(|a| a.load_share * (height(plant.x_m - a.behind_front_m) - height(-a.behind_front_m)))
            .sum();
        let expected = vehicle.mass_kg * lowgear_env::motion::GRAVITY_M_S2 * lifted;
        let missing = (plant.energies.potential_j - expected).abs();
        prop_assert!(missing < 1e-6 * (1.0 + expected.abs()), "{} J of {expected}", plant.energies.potential_j);
    }
}

/// Height at `at`, the ground before the start included.
fn ground_height_m(course: &Course, at: f64) -> f64 {
    if at < 0.0 { course.segments[0].sin_grade * at } else { course.elevation_m(at) }
}

/// Time to the end of a course without shifts, tick by tick; infinite when it is not reached.
fn time_in_gear(vehicle: &Vehicle, course: &Course, gear: usize) -> f64 {
    let track = Track::new(course.clone(), vehicle);
    let mut plant = Plant::new(vehicle, &track, gear);
    let mut gone_s = 0.0;
    while gone_s < 60.0 {
        let before = plant.energies.heat();
        let advance = plant.advance(vehicle, &track, vehicle.tick_s, 1.0);
        plant.update_thermal_tick(vehicle, before);
        gone_s += advance.elapsed_s;
        if advance.finished {
            return gone_s;
        }
    }
    f64::INFINITY
}

proptest! {
    #![proptest_config(cases(100))]

    /// Air drag is linear about the start of each tick, which costs up to 1e-4.
    #[test]
    fn a_steeper_grade_is_never_faster(config in any_vehicle(), gear in 0_usize..6) {
        let vehicle = built(&config);
        let gear = gear % vehicle.gears.len();
        let mut last_s = 0.0;
        for grade_deg in [-6.0, -2.0, 0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 12.0, 16.0] {
            let plain = Course { length_m: 2.0, ..ground(0.04, 20.0, grade_deg) };
            let time_s = time_in_gear(&vehicle, &plain, gear);
            prop_assert!(time_s >= last_s * (1.0 - 1e-4), "{time_s} s at {grade_deg}° after {last_s}");
            last_s = time_s;
        }
    }

    /// Heat, charge and the slope of air drag follow once a tick.
    #[test]
    fn the_length_of_the_tick_does_not_matter(
        config in any_vehicle(), sections in any_sections(6.0, 0.0), gear in 0_usize..6,
    ) {
        let course = course_of(sections).course(&mut Seed(0).stream(Stream::Course, 0));
        let time_at = |tick_s: f64, voltage: f64| {
            let mut config: VehicleConfig = config.clone();
            config.controller.tick_s = tick_s;
            // Whether wheels slip is asked once a piece; see `slipping.rs`.
            config.variation.friction_factor = ParameterDistribution::Fixed(5.0);
            config.battery.ocv_v.iter_mut().for_each(|v| *v *= voltage);
            let vehicle = built(&config);
            time_in_gear(&vehicle, &course, gear % vehicle.gears.len())
        };
        let (long, short) = (time_at(0.05, 1.0), time_at(0.025, 1.0));
        let weaker = time_at(0.025, 1.0 - TICK);
        prop_assume!(weaker.is_finite());
        let most = weaker - short + 1e-5 * short;
        prop_assert!((long - short).abs() < most, "{long} s against {short} s, {most} s allowed");
    }

    /// Ticks driven one by one are the ticks that a step drives together, to the last bit.
    #[test]
    fn a_step_is_its_ticks_one_by_one(scenario in any_scenario(), number in any::<u64>(), often in 0_u64..20) {
        let mut stepped = Drive::new(Arc::clone(&scenario), number);
        let mut ticked = stepped.clone();
        let mut state = number;
        for n in 0..150 {
            let action = random_action(&mut state);
            // Long stretches without a shift, too.
            let action = if n % 20 < often { action } else { 1 };
            let end = stepped.step(action).end;
            let mut due = ticked.tick(Request::from_code(action as u8), true);
            while !due && ticked.ticks() < stepped.ticks() {
                due = ticked.tick(Request::Hold, false);
            }
            prop_assert_eq!(ticked.ticks(), stepped.ticks());
            prop_assert_eq!(ticked.controller(), stepped.controller());
            prop_assert_eq!(ticked.outcome(), stepped.outcome());
            let [one, other] = [&ticked, &stepped].map(|drive| format!("{:?}", drive.plant()));
            prop_assert_eq!(one, other);
            if end.is_some() {
                break;
            }
        }
    }

    /// Episode `n` follows from the seed and `n` alone, to the last bit, whatever was driven before.
    #[test]
    fn an_episode_follows_from_seed_and_number_alone(
        scenario in any_scenario(), number in any::<u64>(), other in any::<u64>(),
    ) {
        let trace = |drive: &mut Drive| {
            let mut state = number;
            let mut bits = Vec::new();
            for _ in 0..60 {
                let step = drive.step(random_action(&mut state));
                bits.extend([step.reward.to_bits(), drive.plant().x_m.to_bits(), drive.plant().charge.to_bits()]);
                if step.end.is_some() {
                    break;
                }
            }
            bits
        };
        let mut fresh = Drive::new(Arc::clone(&scenario), number);
        let mut used = Drive::new(Arc::clone(&scenario), other);
        let first = trace(&mut fresh);
        trace(&mut used);
        used.reset(number);
        prop_assert_eq!(&first, &trace(&mut used));
        let again = Scenario::clone(&scenario);
        prop_assert_eq!(&first, &trace(&mut Drive::new(Arc::new(again), number)));
    }
}
