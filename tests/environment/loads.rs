//! Loads on the axles under acceleration, weakened magnets, an empty battery, a step down.

use super::check_values::{built, close, drive_for, ground, ground_with, reference};
use super::demo_cart::{driven, hold, nominal_cart, scenario, stretch};
use lowgear_env::Cause;
use lowgear_env::motion::{GRAVITY_M_S2, Plant, Track};
use lowgear_env::terrain::{Obstacle, ObstacleShape};

/// Traction-limited acceleration on the level, `a = g (mu b/L - f) / (1 -+ mu h/L)` with `b` the distance of the
/// centre of gravity from the axle that is not driven, minus for rear and plus for front drive (Wong, *Theory of
/// Ground Vehicles*, ch. 3; Gillespie, *Fundamentals of Vehicle Dynamics*, 1992, ch. 2; formula from memory).
/// Wheels that slip carry no inertia of the vehicle, so its mass alone moves.
#[test]
fn slipping_wheels_push_with_the_grip_that_acceleration_gives_their_axle() {
    let (friction, rolling) = (0.25, 0.03);
    for (driven_axle, sign) in [(1, -1.0), (0, 1.0)] {
        let mut config = reference();
        config.chassis.axles[1 - driven_axle].driven = false;
        let vehicle = built(&config);
        let track = Track::new(ground(rolling, friction, 0.0), &vehicle);
        let mut plant = Plant::new(&vehicle, &track, 0);
        plant.advance(&vehicle, &track, 0.01, 1.0);
        assert!(plant.slipping, "first gear spins the wheels");
        let (half, height_by_base) = (0.5, 0.06 / 0.25);
        let expected = GRAVITY_M_S2 * (friction * half - rolling) / (1.0 + sign * friction * height_by_base);
        close(plant.v_m_s / 0.01, expected, 2e-3, "acceleration");
    }
}

/// Torque and back-EMF follow the flux: weaker magnets lower the stall torque and raise the no-load speed.
#[test]
fn warm_magnets_lower_the_stall_torque_and_raise_the_no_load_speed() {
    let motor = built(&reference()).motor;
    let weak = motor.weakened(0.9);
    let line = |m: lowgear_env::vehicle::Constants| m.line(7.4, 0.0, 1.0, m.resistance_ohm);
    close(line(weak).electrical_stall_nm, 0.9 * line(motor).electrical_stall_nm, 1e-12, "stall torque");
    close(line(weak).friction_nm, line(motor).friction_nm, 1e-12, "friction stays");
    let free = |m| line(m).electrical_stall_nm / line(m).slope_nm_s;
    close(free(weak), free(motor) / 0.9, 1e-12, "speed without friction");
    let mut config = reference();
    config.motor.heat.magnet_per_k = 0.002;
    config.variation.air_c = lowgear_env::config::ParameterDistribution::Fixed(60.0);
    let vehicle = built(&config);
    let track = Track::new(ground(0.03, 1.5, 0.0), &vehicle);
    let mut plant = Plant::new(&vehicle, &track, 0);
    drive_for(&mut plant, &vehicle, &track, 1.0, 1.0);
    let ohm = vehicle.motor.resistance_ohm * (1.0 + lowgear_env::vehicle::COPPER_PER_K * 40.0);
    let line = vehicle.motor.weakened(1.0 - 0.002 * 40.0).line(7.4, vehicle.battery.resistance_ohm, 1.0, ohm);
    assert!(plant.motor_rad_s > 400.0, "up to speed");
    close(plant.current_a, line.stall_a - line.slope_a_s * plant.motor_rad_s, 1e-6, "current");
}

/// A battery whose protection switches off above its own voltage under load ends the episode.
#[test]
fn an_empty_battery_ends_the_episode() {
    let course = vec![stretch("hard path", 5.0, 0.0)];
    let mut config = nominal_cart();
    config.battery.cutoff_voltage_v = 7.55;
    let outcome = driven(&scenario(config, course.clone(), 1), 20.0, hold).outcome();
    assert_eq!(outcome.cause, Cause::BatteryEmpty, "{outcome:?}");
    let mut config = nominal_cart();
    config.battery.cutoff_voltage_v = 6.0;
    let outcome = driven(&scenario(config, course, 1), 20.0, hold).outcome();
    assert_ne!(outcome.cause, Cause::BatteryEmpty, "{outcome:?}");
}

/// A drop gives back the energy of its height, less the plastic strike at its foot; met from below it is an edge.
#[test]
fn a_drop_frees_the_energy_of_its_height_and_is_an_edge_from_below() {
    let vehicle = built(&reference());
    let height_m = 0.01;
    let drop = Obstacle { position_m: 1.0, height_m, shape: ObstacleShape::Drop };
    let track = Track::new(ground_with(drop, 0.0, 1.0), &vehicle);
    let mut plant = Plant::at(&vehicle, &track, 0.9, 0.4, 0);
    plant.disengage(&vehicle);
    let start_j = plant.kinetic_j(&vehicle);
    drive_for(&mut plant, &vehicle, &track, 2.0, 0.0);
    assert!(plant.x_m > 1.5, "both axles are down: {}", plant.x_m);
    let weight_n = vehicle.mass_kg * GRAVITY_M_S2;
    close(plant.energies.potential_j, -weight_n * height_m, 1e-9, "lowered weight");
    let losses_j = plant.energies.impact_j + plant.energies.motor_friction_j;
    close(plant.kinetic_j(&vehicle) + losses_j, start_j + weight_n * height_m, 1e-9, "energy");
    assert!(plant.energies.impact_j > 0.0);
    // Backwards and slowly it stops at the foot.
    let mut back = Plant::at(&vehicle, &track, 1.6, -0.05, 0);
    back.disengage(&vehicle);
    drive_for(&mut back, &vehicle, &track, 20.0, 0.0);
    assert!(back.x_m > 1.0 + 0.25, "the rear axle is still below: {}", back.x_m);
}
