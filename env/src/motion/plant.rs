//! State of the vehicle and how it moves.
//!
//! Drive direction is forward only; the vehicle can roll back. Grade, surface and obstacles act per axle.
//! Load transfer by acceleration is that of the beginning of each phase (a tick at the longest).
//! Not modelled: pitch and suspension, backlash, tyre slip below the traction limit, spinning wheels under
//! braking.

use super::cruise::Cruise;
use super::forces::{AxleContact, Ground};
use super::next_events::{Event, NextEvents};
use super::track::Track;
use super::{EnergyBalance, HeatEnergies};
use crate::stress::Stress;
use crate::vehicle::BATCH;
use crate::vehicle::{MAX_AXLES, TemperatureRise, Vehicle};

/// The vehicle's state.
#[derive(Clone, Debug)]
pub struct Plant {
    /// Position of the front axle, m.
    pub x_m: f64,
    /// Speed, m/s.
    pub v_m_s: f64,
    /// Motor speed, rad/s.
    pub motor_rad_s: f64,
    /// Motor angle turned since the start, rad.
    pub motor_turned_rad: f64,
    /// Gear in mesh; `None` in neutral.
    pub gear: Option<usize>,
    /// State of charge.
    pub charge: f64,
    /// Motor temperatures above the air.
    pub temperature_rise: TemperatureRise,
    /// Damage.
    pub stress: Stress,
    /// Energies.
    pub energies: EnergyBalance,
    /// Torque through the gearbox output, N·m.
    pub output_nm: f64,
    /// Motor current at the end of the last advance, A.
    pub current_a: f64,
    /// Terminal voltage at the end of the last advance, V.
    pub terminal_v: f64,
    /// Driven wheels are slipping.
    pub slipping: bool,
    /// The most that the driven wheels could transmit when last looked at, N.
    pub(super) grip_n: f64,
    pub(super) axle_contacts: [AxleContact; MAX_AXLES],
    /// Sums over the axles, and the next events; both hold until `contacts_dirty`.
    pub(super) ground: Ground,
    pub(super) next_events: NextEvents,
    pub(super) contacts_dirty: bool,
    /// Open-circuit voltage at this charge, V.
    pub(super) ocv_v: f64,
    /// The points of the battery's voltage that it lies between: those from this number on.
    pub(super) ocv_cell: usize,
    /// Steady-state driving under way, not accumulated yet.
    pub(super) cruise: Cruise,
}

/// The result of an advance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Advance {
    /// Time that passed, s: less than asked for only when the end was reached.
    pub elapsed_s: f64,
    /// The front axle is at the end of the course.
    pub finished: bool,
}

/// Phases in one advance, at the most; after that the vehicle is held for the rest of it.
const MAX_PHASES: usize = 400;
/// Longest phase of slipping wheels whose grip follows the acceleration, s.
const SLIPPING_S: f64 = 0.005;

impl Plant {
    /// A vehicle at rest at the start with `gear` engaged.
    #[must_use]
    pub fn new(vehicle: &Vehicle, track: &Track, gear: usize) -> Plant {
        Plant::at(vehicle, track, 0.0, 0.0, gear)
    }

    /// A vehicle at `x_m` with speed `v_m_s` in `gear`, wheels on whatever lies there.
    #[must_use]
    pub fn at(vehicle: &Vehicle, track: &Track, x_m: f64, v_m_s: f64, gear: usize) -> Plant {
        let mut axle_contacts = [AxleContact::default(); MAX_AXLES];
        for (axle, axle_contact) in vehicle.axles[..vehicle.axle_count].iter().zip(&mut axle_contacts) {
            let at = x_m - axle.behind_front_m;
            axle_contact.segment = track.segments.partition_point(|s| s.start_m <= at).saturating_sub(1);
            axle_contact.ahead = track.obstacles.partition_point(|h| h.end_m(axle.driven) <= at);
            axle_contact.on =
                track.obstacles.get(axle_contact.ahead).is_some_and(|h| h.begin_m(axle.driven) < at);
        }
        let ocv_v = vehicle.battery.open_circuit_v(vehicle.charge);
        Plant {
            x_m,
            v_m_s,
            motor_rad_s: v_m_s * vehicle.gears[gear].turn_rad_m,
            motor_turned_rad: 0.0,
            gear: Some(gear),
            charge: vehicle.charge,
            temperature_rise: TemperatureRise::default(),
            stress: vehicle.stress(),
            energies: EnergyBalance::default(),
            output_nm: 0.0,
            current_a: 0.0,
            terminal_v: ocv_v,
            slipping: false,
            grip_n: f64::INFINITY,
            axle_contacts,
            ground: Ground::default(),
            next_events: NextEvents::NONE,
            contacts_dirty: true,
            ocv_v,
            ocv_cell: 0,
            cruise: Cruise::none(),
        }
    }

    /// The same vehicle with this state of charge and these temperatures.
    #[must_use]
    pub fn with_thermal_state(
        self,
        vehicle: &Vehicle,
        charge: f64,
        temperature_rise: TemperatureRise,
    ) -> Plant {
        Plant { charge, temperature_rise, ocv_v: vehicle.battery.open_circuit_v(charge), ..self }
    }

    /// Kinetic energy, J.
    #[must_use]
    pub fn kinetic_j(&self, vehicle: &Vehicle) -> f64 {
        let wheels = match self.gear {
            Some(gear) => self.motor_rad_s / vehicle.gears[gear].turn_rad_m,
            None => self.v_m_s,
        };
        0.5 * (vehicle.mass_kg * self.v_m_s * self.v_m_s
            + vehicle.wheel_kg * wheels * wheels
            + vehicle.rotor_kg_m2 * self.motor_rad_s * self.motor_rad_s)
    }

    /// Sine of the grade under the front axle.
    #[must_use]
    pub fn sin_grade(&self, track: &Track) -> f64 {
        track.segments[self.axle_contacts[0].segment].sin
    }

    /// Takes the gear out of mesh. Wheels that spin are brought to the speed of the vehicle by the ground.
    pub fn disengage(&mut self, vehicle: &Vehicle) {
        if let (true, Some(gear)) = (self.slipping, self.gear) {
            let rim_m_s = self.motor_rad_s / vehicle.gears[gear].turn_rad_m;
            self.energies.slip_j += 0.5 * vehicle.wheel_kg * (rim_m_s * rim_m_s - self.v_m_s * self.v_m_s);
        }
        self.gear = None;
        self.slipping = false;
        self.output_nm = 0.0;
        self.stress.push(0.0);
    }

    /// Speed difference between motor and wheels in `gear`, at the wheel shaft, rad/s.
    #[must_use]
    pub fn mismatch_rad_s(&self, vehicle: &Vehicle, gear: usize) -> f64 {
        self.motor_rad_s / vehicle.gears[gear].ratio - self.v_m_s / vehicle.wheel_radius_m
    }

    /// Brings `gear` into mesh: both sides take a common speed, the difference is lost, and the shock peaks at
    /// `dw sqrt(k J)` with `J` the two inertias in series (two-mass torsional oscillator, textbook).
    pub fn engage(&mut self, vehicle: &Vehicle, gear: usize) {
        let g = &vehicle.gears[gear];
        let difference = self.mismatch_rad_s(vehicle, gear);
        let radius = vehicle.wheel_radius_m;
        let reduced_kg = vehicle.rolling_mass_kg * g.rotor_kg / (vehicle.rolling_mass_kg + g.rotor_kg);
        let reduced_kg_m2 = reduced_kg * radius * radius;
        self.v_m_s += reduced_kg / vehicle.rolling_mass_kg * difference * radius;
        if self.v_m_s.abs() < 1e-9 {
            self.v_m_s = 0.0;
        }
        self.motor_rad_s = self.v_m_s * g.turn_rad_m;
        self.energies.engage_j += 0.5 * reduced_kg_m2 * difference * difference;
        self.gear = Some(gear);
        self.shock(vehicle, g.rotor_kg, difference);
    }

    /// The shock of a speed difference between motor and wheels: `dw sqrt(k J)`, but beyond the grip of the
    /// tyres only the wheels' own inertia takes part.
    pub(super) fn shock(&mut self, vehicle: &Vehicle, rotor_kg: f64, difference_rad_s: f64) {
        let radius = vehicle.wheel_radius_m;
        let peak = |other_kg: f64| {
            let reduced_kg = other_kg * rotor_kg / (other_kg + rotor_kg);
            difference_rad_s.abs() * radius * (vehicle.stiffness_nm_rad * reduced_kg).sqrt()
        };
        let slipping_nm = self.grip_n * radius + peak(vehicle.wheel_kg);
        let peak_nm = peak(vehicle.rolling_mass_kg).min(slipping_nm).copysign(difference_rad_s);
        self.stress.push(self.output_nm + peak_nm);
        self.stress.push(self.output_nm);
    }

    /// Moves on for `dt_s` at `duty` (0 to 1; 0 is drive cut: the motor's circuit is open).
    pub fn advance(&mut self, vehicle: &Vehicle, track: &Track, dt_s: f64, duty: f64) -> Advance {
        self.accumulate_energies(vehicle);
        let supply = self.supply(vehicle, duty);
        let mut left_s = dt_s;
        let mut finished = false;
        for phase in 0.. {
            if left_s <= 0.0 || finished {
                break;
            }
            if phase == MAX_PHASES {
                self.energies.impact_j += self.kinetic_j(vehicle);
                self.v_m_s = 0.0;
                self.motor_rad_s = 0.0;
                self.update_contacts(vehicle, track);
                self.rest(vehicle, &supply, left_s);
                break;
            }
            // Where grip follows acceleration it is looked at more often.
            let short = self.slipping && self.ground.grip_depends_on_acceleration() && left_s > SLIPPING_S;
            let most_s = if short { SLIPPING_S } else { left_s };
            let (used_s, event) = self.advance_phase(vehicle, track, &supply, most_s);
            left_s -= used_s;
            finished = event == Event::Finish;
        }
        self.finish_supply(&supply);
        Advance { elapsed_s: dt_s - left_s.max(0.0), finished }
    }

    /// Lets heat and charge follow the energies of one controller tick that began with `before`.
    pub fn update_thermal_tick(&mut self, vehicle: &Vehicle, before: HeatEnergies) {
        self.update_thermal(vehicle, before, 1);
    }

    /// The same for up to [`BATCH`] ticks over which the powers are taken as even.
    pub(super) fn update_thermal(&mut self, vehicle: &Vehicle, before: HeatEnergies, ticks: usize) {
        let [drawn_j, winding_j, housing_j] = self.energies.heat().since(before);
        let per_second = vehicle.ticks_per_s / ticks as i32 as f64;
        let step = &vehicle.heat_steps[(ticks - 1) % BATCH];
        self.temperature_rise =
            step.advance(self.temperature_rise, winding_j * per_second, housing_j * per_second);
        if drawn_j != 0.0 {
            let drawn = drawn_j * vehicle.charge_per_as / self.ocv_v;
            self.charge -= drawn;
            if self.charge < 0.0 || self.charge > 1.0 {
                self.charge = self.charge.clamp(0.0, 1.0);
            }
            (self.ocv_v, self.ocv_cell) = vehicle.battery.open_circuit_near_v(self.charge, self.ocv_cell);
        }
    }
}
