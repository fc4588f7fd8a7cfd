//! Vehicles at the limits that their files allow, and what ends an episode that is not physical.

use super::check_values::{built, cases};
use super::demo_cart::{driven, hold, nominal_cart, scenario, scripted, stretch};
use lowgear_env::config::{Check, Spread};
use lowgear_env::motion::{Piece, Plant, Track};
use lowgear_env::terrain::{ObstacleShape, ScriptedSection};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Cause, Drive, Scenario, Seed, Stream, World};
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

/// The side of an efficiency of 1 cannot be told by its value: the vehicle then stopped dead.
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
    cart.variation.efficiency_factor = Spread::Fixed(1.06);
    for gear in 1..=3 {
        let slope = scenario(cart.clone(), vec![stretch("hard path", 4.0, -6.0)], gear);
        assert_eq!(driven(&slope, 300.0, hold).outcome().cause, Cause::Finished, "gear {gear}");
    }
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
            let piece = Piece::new(mass, force, damping, push, speed);
            let late_s = late_s.min(piece.stop_s());
            let target = part * piece.moment(late_s).distance_m.clamp(-1e-2, 1e-2);
            prop_assume!(target != 0.0);
            let at_s = piece.reach_s(target, late_s);
            let reached = piece.moment(at_s);
            // As near as the time can say.
            let near_m = 1e-12 + 1e-13 * reached.speed_m_s.abs();
            prop_assert!((reached.distance_m - target).abs() <= near_m, "{reached:?} for {target} by {late_s} s: {piece:?}");
        }
    }
}

/// A full battery that gives less than an empty one, which no file may say: the motor turns faster than the bound on
/// the speed takes it to turn.
pub(super) fn unphysical() -> Arc<Scenario> {
    let mut cart = nominal_cart();
    cart.battery.ocv_v = vec![40.0, 1.0];
    cart.battery.cutoff_voltage_v = 0.0;
    cart.variation.charge = Spread::Fixed(0.0);
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
