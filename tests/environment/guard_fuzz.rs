//! A million ticks under random requests: the guard's promises, read from what the vehicle does.
//!
//! What the motor is given shows in the battery's energy, and what the selector does in the gear that is in mesh; of
//! the guard itself only phase, confirmed gear and verdict are read.

use super::any_vehicle::any_scenario;
use super::check_values::cases;
use lowgear_env::{Drive, Mask, World};
use lowgear_onboard::{Phase, Request, Verdict};
use proptest::prelude::*;
use proptest::test_runner::TestCaseError;

/// Vehicles, and ticks with each of them.
const VEHICLES: u32 = 250;
const TICKS: u32 = 4000;

/// What was seen before a tick.
#[derive(Clone, Copy, Debug)]
struct Seen {
    phase: Phase,
    gear: u8,
    mesh: Option<usize>,
    battery_j: f64,
    turned_rad: f64,
    tilt_ddeg: i16,
    mask: Mask,
}

impl Seen {
    fn of(drive: &Drive) -> Seen {
        let (controller, plant) = (drive.controller(), drive.plant());
        Seen {
            phase: controller.guard().phase(),
            gear: controller.guard().gear(),
            mesh: plant.gear,
            battery_j: plant.energies.battery_j,
            turned_rad: plant.motor_turned_rad,
            tilt_ddeg: controller.observer().tilt_ddeg(),
            mask: drive.mask(),
        }
    }
}

/// The history that the promises speak of.
#[derive(Debug)]
struct Watch {
    /// Ticks since the last one with drive.
    cut: u32,
    /// Readings since the selector was confirmed in a gear; the one at the start counts.
    dwelt: u32,
    /// Ticks since a shift was accepted.
    since_accepted: u32,
    /// Gear that the last accepted shift leads to.
    goal: u8,
    /// Driven ticks in a row without a turn of the motor.
    stood: u32,
}

impl Watch {
    fn new(drive: &Drive) -> Watch {
        let gear = drive.controller().guard().gear();
        Watch { cut: 0, dwelt: 1, since_accepted: u32::MAX / 2, goal: gear, stood: 0 }
    }

    fn tick(&mut self, drive: &mut Drive, request: Request, decided: bool) -> Result<(), TestCaseError> {
        let before = Seen::of(drive);
        drive.tick(request, decided);
        let after = Seen::of(drive);
        let settings = drive.scenario().settings.guard;
        let verdict = drive.controller().guard().verdict();
        let accepted = verdict == Verdict::Accepted;
        let driven = after.battery_j != before.battery_j;
        self.check_request(&before, request, accepted, &settings)?;
        (self.cut, self.since_accepted) = (self.cut + 1, self.since_accepted + 1);
        if accepted {
            self.goal = if request == Request::Up { before.gear + 1 } else { before.gear - 1 };
            self.since_accepted = 0;
        }
        if driven {
            let in_mesh = before.mesh == Some(usize::from(before.gear)) && after.mesh == before.mesh;
            prop_assert!(in_mesh, "driven only with the confirmed gear in mesh: {:?}, {:?}", before, after);
            prop_assert!(before.phase == Phase::Driving && !accepted, "{before:?} {after:?}");
            self.cut = 0;
        }
        if before.mesh.is_some() && after.mesh != before.mesh {
            let lead = u32::from(settings.cut_lead_ticks);
            prop_assert!(self.cut > lead, "cut for {} ticks of {lead} before the dogs left", self.cut - 1);
            let retries = matches!(before.phase, Phase::Moving | Phase::Recalibrating);
            prop_assert!(retries || self.since_accepted <= lead, "nobody sent it: {before:?} {self:?}");
        }
        prop_assert!(after.gear == before.gear || after.gear == self.goal, "{before:?} {after:?}");
        prop_assert!(after.gear.abs_diff(before.gear) <= 1, "a gear was skipped");
        let arrived = after.phase == Phase::Driving
            && matches!(before.phase, Phase::Moving | Phase::Recalibrating | Phase::Cutting);
        self.dwelt = if arrived { 0 } else { self.dwelt + 1 };
        self.watch_stall(drive, &before, &after, driven)
    }

    /// Whether the guard may have accepted or refused this.
    fn check_request(
        &self,
        before: &Seen,
        request: Request,
        accepted: bool,
        settings: &lowgear_onboard::GuardSettings,
    ) -> Result<(), TestCaseError> {
        let promised = request != Request::Hold && before.mask.allows(request as usize);
        prop_assert_eq!(accepted, promised, "the mask tells what the guard does: {:?}", before);
        if accepted {
            prop_assert_eq!(before.phase, Phase::Driving, "no shift during a shift or a rest");
            prop_assert!(self.dwelt >= u32::from(settings.min_dwell_ticks), "{self:?}");
            let steep = before.tilt_ddeg >= settings.tilt_limit_ddeg;
            prop_assert!(request != Request::Up || !steep, "no upshift when steep: {before:?}");
            prop_assert!(request != Request::Up || before.gear + 1 < settings.gears, "no gear above the top");
            prop_assert!(request != Request::Down || before.gear > 0, "no gear below the lowest");
        }
        Ok(())
    }

    /// A motor that stands under drive is switched off in time. Readings come late by some ticks, and half a turn
    /// lies between two pulses.
    fn watch_stall(
        &mut self,
        drive: &Drive,
        before: &Seen,
        after: &Seen,
        driven: bool,
    ) -> Result<(), TestCaseError> {
        let settings = drive.scenario().settings.guard;
        let late = u32::from(drive.scenario().vehicle.sensors.latency_ticks);
        // A motor that the wheels turn while the drive is cut does not stand either.
        self.stood = if after.turned_rad == before.turned_rad { self.stood + u32::from(driven) } else { 0 };
        if after.phase == Phase::Resting {
            self.stood = 0;
        }
        let most = u32::from(settings.stall_cut_ticks) + late + 1;
        prop_assert!(self.stood <= most, "stood for {} ticks of {most} under drive", self.stood);
        Ok(())
    }
}

proptest! {
    #![proptest_config(cases(VEHICLES))]

    /// `eager` is the share of ticks with a request, of 16.
    #[test]
    fn no_sequence_of_requests_breaks_a_promise(scenario in any_scenario(), seed in any::<u64>(), eager in 1_u64..=16) {
        let mut drive = Drive::new(scenario, 0);
        let mut watch = Watch::new(&drive);
        let (mut state, mut episode) = (seed, 0);
        for _ in 0..TICKS {
            // An ordinary linear congruential generator (Knuth's MMIX constants): any sequence will do.
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let asked = (state >> 40) % 16 < eager;
            let request = if asked { Request::from_code((state >> 50 & 2) as u8) } else { Request::Hold };
            watch.tick(&mut drive, request, state >> 60 & 1 == 1)?;
            let outcome = drive.outcome();
            let over = outcome.distance_m >= drive.track().course.length_m || drive.plant().x_m < -20.0;
            if over {
                episode += 1;
                drive.reset(episode);
                watch = Watch::new(&drive);
            }
        }
    }
}
