//! A run re-simulated by the simulator, with the duties of the log.

use super::parameters::{Shared, Surfaces};
use super::problem::RunParameters;
use crate::runs::{Recipe, Run};
use lowgear_env::motion::{Plant, Track};
use lowgear_env::terrain::{Course, Segment, Surface};
use lowgear_env::vehicle::{Constants, TemperatureRise, Vehicle, VehicleConfig};
use lowgear_env::{Seed, Stream};

/// What the simulator says for one row.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Predicted {
    /// Mean motor speed since the row before, rad/s.
    pub mean_rad_s: f64,
    /// Motor speed of the moment, rad/s.
    pub motor_rad_s: f64,
    /// Motor current, A.
    pub current_a: f64,
    /// Battery voltage under load, V.
    pub terminal_v: f64,
    /// Vehicle speed, m/s.
    pub speed_m_s: f64,
    /// Torque through the gears over the wheel radius, N.
    pub drive_force_n: f64,
    /// Winding temperature above the air, K.
    pub winding_k: f64,
}

/// What one run is driven with.
#[derive(Clone, Debug)]
pub struct World {
    vehicle: Vehicle,
    track: Track,
    charge: f64,
    temperature_rise: TemperatureRise,
}

/// Heat and charge follow at least this often, s. What the winding is late by stands in its fitted resistance: with the 50 ms of a
/// controller's tick 0.006 %, a twentieth of its standard error in a usual fit.
const SETTLED_S: f64 = 0.05;
/// Mass that stands for wheels in the air, kg: too little to matter.
const NO_MASS_KG: f64 = 1e-6;
/// Mass that stands for a vehicle held by a spring scale, kg: it does not move.
const HELD_KG: f64 = 1e9;
/// Friction without which such a vehicle would slip.
const NO_SLIP: f64 = 1e12;

impl World {
    /// The vehicle of `config` on the ground of a run; its battery gives `ocv_offset_v` more than the curve in the file says
    /// at `charge`.
    #[must_use]
    pub fn new(
        config: &VehicleConfig,
        surfaces: &Surfaces,
        run: &Run,
        charge: f64,
        ocv_offset_v: f64,
    ) -> World {
        World::on_grade(config, surfaces, run, charge, ocv_offset_v, run.grade_deg)
    }

    fn on_grade(
        config: &VehicleConfig,
        surfaces: &Surfaces,
        run: &Run,
        charge: f64,
        ocv_offset_v: f64,
        grade_deg: f64,
    ) -> World {
        let mut config = config.clone();
        config.controller.tick_s = config.controller.tick_s.min(SETTLED_S);
        let mut vehicle = config.draw(&mut Seed(0).stream(Stream::Vehicle, 0));
        for ocv_v in &mut vehicle.battery.ocv_v {
            *ocv_v = (*ocv_v + ocv_offset_v).max(0.1);
        }
        let at = run.surface.as_ref().and_then(|name| surfaces.names.iter().position(|n| n == name));
        let mut surface = Surface {
            name: run.surface.clone().unwrap_or_default(),
            rolling: at.map_or(0.0, |i| surfaces.rolling[i]),
            drag_s_m: at.map_or(0.0, |i| surfaces.drag_s_m[i]),
            friction: surfaces.friction,
        };
        if matches!(run.recipe, Recipe::WheelsOff | Recipe::StallPull) {
            surface.friction = NO_SLIP;
            for axle in &mut vehicle.axles {
                axle.load_per_grade = 0.0;
            }
            vehicle.mass_kg = NO_MASS_KG;
            if run.recipe == Recipe::StallPull {
                vehicle.wheel_kg = HELD_KG;
            }
            vehicle.rolling_mass_kg = vehicle.mass_kg + vehicle.wheel_kg;
        }
        let course = Course {
            name: String::new(),
            length_m: 1e9,
            surfaces: vec![surface],
            segments: vec![Segment { start_m: 0.0, sin_grade: grade_deg.to_radians().sin(), surface: 0 }],
            obstacles: vec![],
        };
        let track = Track::new(course, &vehicle);
        World { vehicle, track, charge, temperature_rise: run.thermal_state.temperature_rise(1.0, 1.0) }
    }

    /// Drag of the ground that grows with speed, s/m.
    pub(super) fn ground_s_m(&self) -> f64 {
        self.track.course.surfaces.first().map_or(0.0, |surface| surface.drag_s_m)
    }

    /// The vehicle on its wheels, as the run has it.
    pub(super) const fn vehicle(&self) -> &Vehicle {
        &self.vehicle
    }

    /// The same while fitting. How warm the motor is at the beginning was computed with the constants of the start file; what the copper
    /// has warmed goes with the resistance, the rest with the friction.
    pub(super) fn of(shared: &Shared, run: &Run, run_parameters: &RunParameters) -> World {
        let grade_deg = run.grade_deg + run_parameters.grade_off_deg;
        let mut world = World::on_grade(
            &shared.config,
            &shared.surfaces,
            run,
            run_parameters.charge,
            run_parameters.ocv_offset_v,
            grade_deg,
        );
        if shared.heat_moves {
            world.temperature_rise =
                run.past.temperature_rise(&shared.config.motor.heat, &shared.config.motor.line.constants());
            return world;
        }
        let (now, then) = (shared.config.motor.line.constants(), shared.tracked);
        let friction_nm = |of: Constants| of.torque_constant_nm_a * of.no_load_current_a;
        let friction = if friction_nm(then) > 0.0 { friction_nm(now) / friction_nm(then) } else { 1.0 };
        world.temperature_rise =
            run.thermal_state.temperature_rise(now.resistance_ohm / then.resistance_ohm, friction);
        world
    }
}

/// What a simulation has on top of the vehicle of the file.
pub(super) trait Addition {
    /// The duty that acts on the motor.
    fn duty(&self, vehicle: &Vehicle, plant: &Plant, duty: f64) -> f64;

    /// Changes the vehicle before a step.
    fn before(&mut self, vehicle: &mut Vehicle, plant: &Plant, duty: f64, step_s: f64);
}

/// Nothing is added.
struct Nothing;

impl Addition for Nothing {
    fn duty(&self, _: &Vehicle, _: &Plant, duty: f64) -> f64 {
        duty
    }

    fn before(&mut self, _: &mut Vehicle, _: &Plant, _: f64, _: f64) {}
}

/// Drives a run from the speed `start_m_s`; one prediction per row, the first is the start.
#[must_use]
pub fn simulate(world: &World, run: &Run, start_m_s: f64) -> Vec<Predicted> {
    simulate_with(world, run, start_m_s, &mut Nothing)
}

/// The same with an addition.
pub(super) fn simulate_with(
    world: &World,
    run: &Run,
    start_m_s: f64,
    addition: &mut impl Addition,
) -> Vec<Predicted> {
    let track = &world.track;
    let mut vehicle = world.vehicle.clone();
    let vehicle = &mut vehicle;
    let mut plant = Plant::at(vehicle, track, 0.0, start_m_s, run.gear).with_thermal_state(
        vehicle,
        world.charge,
        world.temperature_rise,
    );
    let mut before = plant.energies.heat();
    let mut to_tick_s = vehicle.tick_s;
    let mut out = Vec::with_capacity(run.samples.len());
    for (k, sample) in run.samples.iter().enumerate() {
        let turned_rad = plant.motor_turned_rad;
        let mut left_s = if k == 0 { 0.0 } else { sample.dt_s };
        while left_s > 1e-9 {
            let step_s = left_s.min(to_tick_s);
            let duty = addition.duty(vehicle, &plant, sample.duty);
            addition.before(vehicle, &plant, duty, step_s);
            plant.advance(vehicle, track, step_s, duty);
            left_s -= step_s;
            to_tick_s -= step_s;
            if to_tick_s <= 1e-9 {
                plant.update_thermal_tick(vehicle, before);
                before = plant.energies.heat();
                to_tick_s = vehicle.tick_s;
            }
        }
        let mean_rad_s =
            if k == 0 { plant.motor_rad_s } else { (plant.motor_turned_rad - turned_rad) / sample.dt_s };
        let resting = k == 0 || sample.duty <= 0.0;
        out.push(Predicted {
            mean_rad_s,
            motor_rad_s: plant.motor_rad_s,
            current_a: if resting { 0.0 } else { plant.current_a },
            terminal_v: if k == 0 { vehicle.battery.open_circuit_v(world.charge) } else { plant.terminal_v },
            speed_m_s: plant.v_m_s,
            drive_force_n: plant.output_nm / vehicle.wheel_radius_m,
            winding_k: plant.temperature_rise.winding_k,
        });
    }
    out
}
