//! Where the energy goes.

use super::check_values::{built, cases, close, ground, reference};
use super::demo_cart::{cart, garden};
use lowgear_env::motion::{Plant, Track};
use lowgear_env::{Drive, EpisodeConfig, Scenario, Seed, World};
use proptest::prelude::*;
use std::sync::Arc;

/// What the balance may miss, relative to the energy that went through.
const BALANCE: f64 = 0.005;

/// `battery = kinetic + potential + losses` now, as the share of the energy turned over that is missing.
pub(super) fn imbalance(drive: &Drive) -> f64 {
    let plant = drive.plant();
    let energies = &plant.energies;
    let held_j = plant.kinetic_j(drive.vehicle()) + energies.potential_j;
    (energies.battery_j - held_j - energies.losses_j()).abs()
        / (energies.battery_j.abs() + held_j.abs() + 0.1)
}

/// A demo episode with its own vehicle and course.
pub(super) fn episode(seed: u64, start_gear: usize) -> Drive {
    let episode = EpisodeConfig { start_gear, give_up_s: 20.0, ..EpisodeConfig::default() };
    Drive::new(Arc::new(Scenario::new(cart(), (garden(), None), episode, Seed(seed))), 0)
}

/// The next action of a random sequence.
pub(super) fn random_action(state: &mut u64) -> usize {
    // An ordinary linear congruential generator (Knuth's MMIX constants): any sequence will do.
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    [0, 1, 1, 1, 2, 2][(*state >> 33) as usize % 6]
}

proptest! {
    #![proptest_config(cases(120))]

    /// Fact of the trade 13, on random courses with drawn vehicles and random requests.
    #[test]
    fn battery_energy_becomes_motion_height_and_heat(seed in 0_u64..1 << 40, start_gear in 1_usize..=3) {
        let mut drive = episode(seed, start_gear);
        let mut state = seed;
        for _ in 0..400 {
            let ended = drive.step(random_action(&mut state)).end.is_some();
            let missing = imbalance(&drive);
            prop_assert!(missing < BALANCE, "{missing} missing at {} m: {:?}", drive.plant().x_m, drive.plant().energies);
            if ended {
                break;
            }
        }
    }
}

/// Every loss is a loss: none may give energy back. Gears may not either when the rotor's momentum drives the
/// cart while the drive is cut.
#[test]
fn no_loss_ever_gives_energy_back() {
    for seed in 0..40 {
        let mut drive = episode(seed, 1 + seed as usize % 3);
        let mut state = seed;
        let mut last = drive.plant().energies;
        let tiny = -1e-9;
        for _ in 0..400 {
            let ended = drive.step(random_action(&mut state)).end.is_some();
            let now = drive.plant().energies;
            for (name, step) in [
                ("source", now.source_j - last.source_j),
                ("winding", now.winding_j - last.winding_j),
                ("motor friction", now.motor_friction_j - last.motor_friction_j),
                ("gearing", now.gearing_j - last.gearing_j),
                ("rolling", now.rolling_j - last.rolling_j),
                ("slip", now.slip_j - last.slip_j),
                ("impact", now.impact_j - last.impact_j),
                ("engage", now.engage_j - last.engage_j),
            ] {
                assert!(step >= tiny, "{name} gave back {step} J, seed {seed}, {:?}", drive.plant());
            }
            last = now;
            if ended {
                break;
            }
        }
    }
}

/// A flywheel drives a light vehicle through the gears while the drive is cut: closed form with the efficiency
/// on the side of the rotor. First gear of the reference with a rotor ten times as heavy.
#[test]
fn a_heavy_rotor_that_carries_the_vehicle_on_pays_the_gears_on_the_way_out() {
    let mut config = reference();
    config.motor.rotor_inertia_kg_m2 *= 10.0;
    let vehicle = built(&config);
    let track = Track::new(ground(0.1, 1.0, 0.0), &vehicle);
    let mut plant = Plant::at(&vehicle, &track, 0.0, 0.5, 0);
    plant.advance(&vehicle, &track, 0.1, 0.0);
    let gear = vehicle.gears[0];
    let friction_n = gear.turn_rad_m * 0.012 * 0.12;
    let resist_n = 0.1 * 1.6 * 9.806_65;
    let deceleration = (resist_n + 0.8 * friction_n) / (vehicle.rolling_mass_kg + 0.8 * gear.rotor_kg);
    assert!(gear.rotor_kg * deceleration > friction_n, "the rotor gives torque");
    close(plant.v_m_s, 0.5 - 0.1 * deceleration, 1e-12, "speed");
    assert!(plant.energies.gearing_j > 0.0);
}
