//! The energy of wheels that slip, in the corners that random vehicles have found.

use super::check_values::{built, ground, reference};
use lowgear_env::motion::{Plant, Track};
use lowgear_env::terrain::{Segment, Surface};
use lowgear_env::vehicle::Vehicle;

/// Energy that is missing since the vehicle had `start_j` of motion.
fn missing_j(plant: &Plant, vehicle: &Vehicle, start_j: f64) -> f64 {
    let gained_j = plant.kinetic_j(vehicle) - start_j + plant.energies.potential_j;
    plant.energies.battery_j - gained_j - plant.energies.losses_j()
}

/// On a slippery slope the motor turns back with the wheels at first, braked by its current and its friction, and
/// comes to turn forward while the vehicle slides on: no loss gives energy back, and none is missing.
#[test]
fn a_motor_turned_back_by_slipping_wheels_keeps_the_energy() {
    let vehicle = built(&reference());
    let track = Track::new(ground(0.03, 0.2, 20.0), &vehicle);
    let mut plant = Plant::at(&vehicle, &track, 0.0, -0.5, 0);
    let start_j = plant.kinetic_j(&vehicle);
    for _ in 0..40 {
        let before = plant.energies;
        plant.advance(&vehicle, &track, 0.005, 1.0);
        let missing = missing_j(&plant, &vehicle, start_j);
        assert!(missing.abs() < 1e-6, "{missing} J missing: {plant:?}");
        assert!(plant.energies.gearing_j >= before.gearing_j, "the gears gave energy: {plant:?}");
    }
}

/// Wheels that spin when the gear is taken out have energy of their own, and the ground takes it.
#[test]
fn spinning_wheels_keep_their_energy_when_the_gear_is_taken_out() {
    let vehicle = built(&reference());
    let track = Track::new(ground(0.03, 0.2, 0.0), &vehicle);
    let mut plant = Plant::new(&vehicle, &track, 0);
    plant.advance(&vehicle, &track, 0.1, 1.0);
    assert!(plant.slipping, "first gear spins the wheels");
    assert!(missing_j(&plant, &vehicle, 0.0).abs() < 1e-9, "balanced before");
    plant.disengage(&vehicle);
    let missing = missing_j(&plant, &vehicle, 0.0);
    assert!(missing.abs() < 1e-9, "{missing} J missing");
}

/// Wheels that have come to rest do not slip, and turn no way, when the drive is less than the grip. Third gear
/// on a slope that stalls it; the state is reached when vehicle and wheels stop together at an edge.
#[test]
fn slipping_wheels_that_have_come_to_rest_stay_at_rest() {
    let vehicle = built(&reference());
    let track = Track::new(ground(0.03, 1.5, 30.0), &vehicle);
    let mut plant = Plant::new(&vehicle, &track, 2);
    plant.slipping = true;
    plant.advance(&vehicle, &track, 0.5, 1.0);
    assert!(!plant.slipping, "the drive is less than the grip");
    assert!(plant.energies.slip_j >= 0.0 && plant.motor_turned_rad >= 0.0, "{plant:?}");
    let missing = missing_j(&plant, &vehicle, 0.0);
    assert!(missing.abs() < 1e-9, "{missing} J missing");
}

/// Wheels begin to slip at the moment when the contact would have to carry more than the grip, wherever in a tick
/// that is: the same motion in ticks of 50 ms and of 1 ms. One driven axle comes from hard ground to soft and
/// slippery ground; heat and charge stay as they are.
#[test]
fn wheels_begin_to_slip_within_a_tick() {
    let mut config = reference();
    config.chassis.axles[1].driven = false;
    let vehicle = built(&config);
    let mut course = ground(0.03, 1.5, 0.0);
    course.surfaces.push(Surface { rolling: 0.3, friction: 0.4, ..course.surfaces[0].clone() });
    course.segments.push(Segment { start_m: 1.0, sin_grade: 0.0, surface: 1 });
    let track = Track::new(course, &vehicle);
    let run = |ticks: u32| {
        let mut plant = Plant::new(&vehicle, &track, 1);
        for _ in 0..ticks {
            plant.advance(&vehicle, &track, 3.0 / f64::from(ticks), 1.0);
        }
        plant
    };
    let (long, short) = (run(60), run(3000));
    assert!(short.slipping, "{short:?}");
    let apart = (long.x_m - short.x_m).abs();
    assert!(apart < 1e-5, "{apart} m apart: {} and {} m", long.x_m, short.x_m);
}
