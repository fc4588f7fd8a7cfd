//! Vehicles at the limits that their files allow, and what ends an episode that is not physical.

use super::any_vehicle::{any_sections, any_vehicle, course_of};
use super::check_values::{built, cases};
use super::demo_cart::{driven, hold, nominal_cart, scenario, scripted, stretch};
use super::energy::{imbalance, random_action};
use lowgear_env::config::{Check, ParameterDistribution};
use lowgear_env::motion::{MotionPhase, Plant, Track};
use lowgear_env::terrain::{ObstacleShape, ScriptedSection};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Cause, Drive, End, EpisodeConfig, Scenario, Seed, Stream, World};
use proptest::prelude::*;
use std::sync::Arc;

/// Time down a slope with this efficiency both ways in every gear, s.
fn time_down_s(gear: usize, efficiency: f64, back_efficiency: f64) -> f64 {
    let mut cart = nominal_cart();
    cart.gearbox.efficiency.fill(efficiency);
    cart.gearbox.back_efficiency.fill(back_efficiency);
    let slope = scenario(cart, vec![stretch("hard path", 4.0, -6.0)], gear);
    let outcome = driven(&slope, 300.0, hold).outcome();
    assert_eq!(outcome.cause, Cause::Finished, "gear {gear}, {efficiency} and back {back_efficiency}");
    outcome.time_s
}

/// The side of an efficiency of 1 cannot be reported by its value: the vehicle then stopped dead.
#[test]
fn an_efficiency_of_one_drives_as_one_of_nearly_one() {
    for gear in 1..=3 {
        for efficiency in [0.5, 0.999_999, 1.0] {
            let nearly_s = time_down_s(gear, efficiency, 0.999_999);
            let one_s = time_down_s(gear, efficiency, 1.0);
            assert!((one_s - nearly_s).abs() < 1e-4 * nearly_s, "gear {gear}: {one_s} s, {nearly_s} s");
        }
    }
}

/// A draw above 1 is capped at 1.
#[test]
fn a_drawn_efficiency_that_is_capped_at_one_drives_on() {
    let mut cart = nominal_cart();
    cart.gearbox.back_efficiency.fill(0.95);
    cart.variation.efficiency_factor = ParameterDistribution::Fixed(1.06);
    for gear in 1..=3 {
        let slope = scenario(cart.clone(), vec![stretch("hard path", 4.0, -6.0)], gear);
        assert_eq!(driven(&slope, 300.0, hold).outcome().cause, Cause::Finished, "gear {gear}");
    }
}

/// Learners and comparisons must pursue one and the same sum: a run out of time costs what not finishing costs, and
/// nothing is bootstrapped from beyond.
#[test]
fn the_rewards_of_a_run_out_of_time_add_up_to_its_return() {
    let course = (scripted(vec![stretch("hard path", 40.0, 0.0)]), None);
    let episode = EpisodeConfig { time_limit_s: 5.0, ..EpisodeConfig::default() };
    let mut drive = Drive::new(Arc::new(Scenario::new(nominal_cart(), course, episode, Seed(3))), 0);
    let (mut sum, mut end) = (0.0, None);
    while end.is_none() {
        let step = drive.step(1);
        sum += step.reward;
        end = step.end;
    }
    let outcome = drive.outcome();
    assert_eq!((outcome.cause, end), (Cause::OutOfTime, Some(End::Terminated)));
    assert_eq!(outcome.reward.abort_s, -100.0);
    assert!((sum - outcome.reward.total_s()).abs() < 1e-9, "{sum}, {:?}", outcome.reward);
}

/// A kerb higher than the wheels' radius.
fn wall() -> Vec<ScriptedSection> {
    let kerb = ScriptedSection {
        obstacle_height_m: Some(0.04),
        obstacle_shape: Some(ObstacleShape::Edge),
        ..stretch("hard path", 0.5, 0.0)
    };
    vec![kerb, stretch("hard path", 2.0, 0.0)]
}

/// The force of a wall is a steep exponential in time: far out on it all of Newton's steps are alike, and sixty of them
/// did not find the edge, so that the vehicle flew on.
#[test]
fn a_wall_met_in_neutral_throws_nothing_back() {
    let mut front_heavy = nominal_cart();
    front_heavy.chassis.cg_behind_front_m = 0.03;
    let course = scripted(wall()).course(&mut Seed(0).stream(Stream::Course, 0));
    for (config, tick_s) in [(&front_heavy, 0.05), (&nominal_cart(), 0.1)] {
        let vehicle = built(&VehicleConfig {
            controller: lowgear_env::vehicle::ControllerConfig { tick_s, ..config.controller },
            ..config.clone()
        });
        let track = Track::new(course.clone(), &vehicle);
        for n in 0..400 {
            let from_m = course.obstacles[0].position_m - 1e-3 - 0.003 * f64::from(n % 20) - 1e-4;
            let first_m_s = 0.02 + 0.001 * f64::from(n);
            let mut plant = Plant::at(&vehicle, &track, from_m, first_m_s, 0);
            plant.disengage(&vehicle);
            for tick in 0..20 {
                plant.advance(&vehicle, &track, tick_s, 1.0);
                let place = format!("{} m/s at {} m in tick {tick}, run {n}", plant.v_m_s, plant.x_m);
                assert!(plant.v_m_s.abs() <= first_m_s && (plant.x_m - from_m).abs() < 0.3, "{place}");
            }
        }
    }
}

proptest! {
    #![proptest_config(cases(300))]

    /// Pushes as those of walls included, up to a thousand doublings before the time given.
    #[test]
    fn a_distance_is_reached_where_the_closed_form_has_it(
        mass in 0.1_f64..200.0, force in -1e3_f64..1e3, damping in 0.0_f64..1e3, push in 0.0_f64..1e8,
        speed in 0.0_f64..3.0, part in 0.0_f64..1.0, late_s in 1e-3_f64..0.25,
    ) {
        for push in [0.0, push] {
            let piece = MotionPhase::new(mass, force, damping, push, speed);
            let late_s = late_s.min(piece.stop_s());
            let target = part * piece.state_at(late_s).distance_m.clamp(-1e-2, 1e-2);
            prop_assume!(target != 0.0);
            let at_s = piece.reach_s(target, late_s);
            let reached = piece.state_at(at_s);
            // As near as the time can say.
            let near_m = 1e-12 + 1e-13 * reached.speed_m_s.abs();
            prop_assert!((reached.distance_m - target).abs() <= near_m, "{reached:?} for {target} by {late_s} s: {piece:?}");
        }
    }
}

/// Any vehicle with some of its keys at one end of what the file allows.
fn vehicle_at_limits() -> impl Strategy<Value = VehicleConfig> {
    let ends = proptest::collection::vec(0_u8..6, 16);
    (any_vehicle(), ends).prop_map(|(mut vehicle, ends)| {
        // 0 is the low end, 1 the high one, anything else leaves the value.
        let set = |which: usize, value: &mut f64, low: f64, high: f64| match ends[which] {
            0 => *value = low,
            1 => *value = high,
            _ => {}
        };
        let (chassis, gearbox) = (&mut vehicle.chassis, &mut vehicle.gearbox);
        gearbox.efficiency.iter_mut().for_each(|value| set(0, value, 0.05, 1.0));
        gearbox.back_efficiency.iter_mut().for_each(|value| set(1, value, 0.05, 1.0));
        set(2, &mut chassis.mass_kg, 0.1, 200.0);
        set(3, &mut chassis.wheel_inertia_kg_m2, 0.0, 10.0);
        set(4, &mut chassis.cg_height_m, 0.0, 1.0);
        set(5, &mut chassis.drag_n, 0.0, 100.0);
        set(6, &mut chassis.drag_area_m2, 0.0, 2.0);
        set(7, &mut vehicle.motor.rotor_inertia_kg_m2, 1e-9, 1e-2);
        set(8, &mut vehicle.motor.heat.winding_limit_c, 40.0, 250.0);
        let most = 0.005_f64.min(0.8 / (vehicle.motor.heat.winding_limit_c - 20.0));
        set(9, &mut vehicle.motor.heat.magnet_per_k, 0.0, most);
        set(10, &mut vehicle.battery.resistance_ohm, 0.0, 10.0);
        set(11, &mut vehicle.battery.capacity_ah, 0.05, 500.0);
        set(12, &mut vehicle.controller.tick_s, 0.005, 0.2);
        set(13, &mut vehicle.dogs.retry_s, 0.005, 2.0);
        set(14, &mut vehicle.selector.free_chance, 0.0, 1.0);
        set(15, &mut vehicle.selector.release_torque_nm, 1e-4, 1e3);
        vehicle
    })
}

proptest! {
    #![proptest_config(cases(400))]

    /// What the files allow is driven: energy is kept, speeds stay what energy allows, and nothing is not a number.
    #[test]
    fn a_vehicle_at_the_limits_of_its_file_stays_physical(
        vehicle in vehicle_at_limits(), sections in any_sections(20.0, 0.1), seed in any::<u64>(), start_gear in 1_usize..=6,
    ) {
        prop_assert!(vehicle.check().is_ok(), "{:?}", vehicle.check());
        let episode = EpisodeConfig { start_gear, time_limit_s: 60.0, ..EpisodeConfig::default() };
        let scenario = Arc::new(Scenario::new(vehicle, (course_of(sections), None), episode, Seed(seed)));
        let mut drive = Drive::new(Arc::clone(&scenario), 0);
        let mut state = seed;
        for _ in 0..200 {
            let ended = drive.step(random_action(&mut state)).end.is_some();
            prop_assert_eq!(scenario.check_driven(), Ok(()));
            let plant = drive.plant();
            prop_assert!(plant.stress.total().is_finite() && plant.charge.is_finite(), "{:?}", plant);
            if plant.energies.slip_j == 0.0 {
                let missing = imbalance(&drive);
                prop_assert!(missing < 0.005, "{missing} missing: {plant:?}");
            }
            if ended {
                break;
            }
        }
    }
}

/// A full battery that gives less than an empty one, which no file may say: the motor turns faster than the bound on
/// the speed takes it to turn.
pub(super) fn unphysical() -> Arc<Scenario> {
    let mut cart = nominal_cart();
    cart.battery.ocv_v = vec![40.0, 1.0];
    cart.battery.cutoff_voltage_v = 0.0;
    cart.variation.charge = ParameterDistribution::Fixed(0.0);
    assert!(cart.check().is_err());
    scenario(cart, vec![stretch("hard path", 40.0, 0.0)], 1)
}

#[test]
fn an_episode_that_is_not_physical_ends_and_is_named() {
    let scenario = unphysical();
    let other = scenario.with_seed(Seed(77));
    let mut drive = Drive::new(Arc::clone(&scenario), 4);
    while drive.step(2).end.is_none() {}
    let fault = scenario.check_driven().unwrap_err();
    assert_eq!((fault.course.as_str(), fault.seed, fault.episode), ("scripted", 20, 4));
    assert!(fault.time_s > 0.0 && fault.time_s < 30.0, "{fault}");
    for word in ["episode 4", "\"scripted\"", "seed 20", "m/s at", "hint:"] {
        assert!(fault.to_string().contains(word), "{fault}");
    }
    let outcome = drive.outcome();
    assert!(outcome.reward.total_s().is_finite() && outcome.damage.is_finite(), "{outcome:?}");
    assert_eq!(other.check_driven(), Err(fault), "whatever was made from the same scenario knows");
}
