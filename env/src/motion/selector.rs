//! The selector at work: moves, arrivals, dogs that enter or do not, jams.

use super::Plant;
use crate::vehicle::Vehicle;
use lowgear_onboard::Command;
use rand::{Rng, RngExt};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// What the selector is doing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Dogs {
    /// The target gear is in mesh.
    In,
    /// The drum turns.
    Moving {
        /// Time to arrival, s.
        left_s: f64,
    },
    /// The drum has arrived; tooth stands on tooth.
    Riding {
        /// Time to the next try, s.
        left_s: f64,
    },
    /// The drum missed the position by more than the window.
    Missed,
    /// The drum runs against its reference.
    Recalibrating {
        /// Time to the end, s.
        left_s: f64,
    },
    /// The dogs of the old gear are held by torque.
    Jammed,
}

/// The selector.
#[derive(Clone, Debug)]
pub struct Selector {
    /// What it is doing.
    pub dogs: Dogs,
    /// Gear it is sent to.
    pub target: usize,
    /// First tries that missed.
    pub missed: u32,
    /// Whether the present shift has missed already.
    missed_now: bool,
    from_deg: f64,
    offset_deg: f64,
    error_deg: f64,
    rng: Option<ChaCha8Rng>,
}

/// Time that a recalibration takes, s, beyond the move to the target.
const RECALIBRATION_S: f64 = 0.5;
/// Drum angle short of a position while the dogs are out, in windows.
const SHORT: f64 = 1.5;

impl Selector {
    /// A selector in `gear`. Without a generator every arrival is perfect and every try enters.
    #[must_use]
    pub fn new(vehicle: &Vehicle, gear: usize, rng: Option<ChaCha8Rng>) -> Selector {
        Selector {
            dogs: Dogs::In,
            target: gear,
            missed: 0,
            missed_now: false,
            from_deg: vehicle.gear_angle_deg[gear],
            offset_deg: 0.0,
            error_deg: 0.0,
            rng,
        }
    }

    /// Drum angle as its sensor shows it, degrees.
    #[must_use]
    pub fn angle_deg(&self, vehicle: &Vehicle) -> f64 {
        let target_deg = vehicle.gear_angle_deg[self.target];
        if self.dogs == Dogs::In {
            return target_deg + self.error_deg;
        }
        let short =
            SHORT * vehicle.selector.window_deg * if target_deg >= self.from_deg { -1.0 } else { 1.0 };
        match self.dogs {
            Dogs::In => target_deg + self.error_deg,
            Dogs::Moving { left_s } => {
                let total_s = vehicle.selector.move_time_s((target_deg - self.from_deg).abs()).max(1e-9);
                let share = (left_s / total_s).min(1.0);
                let way = self.from_deg - target_deg;
                let shown = way * share;
                target_deg + if shown.abs() > short.abs() { shown } else { short }
            }
            Dogs::Riding { .. } => target_deg + short,
            // Clearly outside the window, however the sensor rounds.
            Dogs::Missed => {
                let least_deg = vehicle.selector.window_deg + 0.2;
                target_deg + self.error_deg.abs().max(least_deg).copysign(self.error_deg)
            }
            Dogs::Recalibrating { .. } => target_deg + 2.0 * short,
            Dogs::Jammed => 0.5 * (self.from_deg + target_deg),
        }
    }

    /// Whether the gear it is sent to is in mesh and this order changes nothing.
    #[must_use]
    pub fn at_rest(&self, command: &Command) -> bool {
        self.dogs == Dogs::In && usize::from(command.gear) == self.target && !command.recalibrate
    }

    /// Takes an order of the guard (or of a caller that moves the gearbox without one).
    pub fn command(&mut self, vehicle: &Vehicle, plant: &mut Plant, command: &Command) {
        let gear = usize::from(command.gear);
        if gear != self.target {
            self.send(vehicle, plant, gear);
        } else if command.recalibrate {
            self.recalibrate(vehicle, plant);
        } else if command.nudge {
            match self.dogs {
                Dogs::Riding { .. } => self.try_dogs(vehicle, plant),
                Dogs::Missed => self.arrive(vehicle, plant),
                Dogs::Jammed => self.start(vehicle, plant),
                Dogs::In | Dogs::Moving { .. } | Dogs::Recalibrating { .. } => {}
            }
        }
    }

    fn send(&mut self, vehicle: &Vehicle, plant: &mut Plant, gear: usize) {
        self.missed_now = false;
        match self.dogs {
            Dogs::In => self.from_deg = vehicle.gear_angle_deg[self.target],
            Dogs::Jammed => {
                // The other direction: back into the gear that is still in mesh.
                let freed = self.chance(vehicle.selector.free_chance);
                if plant.gear == Some(gear) && freed {
                    self.target = gear;
                    self.dogs = Dogs::In;
                    return;
                }
            }
            Dogs::Moving { .. } => {
                // A command before arrival: the drum stops short and has lost its position.
                self.offset_deg += vehicle.selector.interrupted_error_deg * self.normal();
                self.from_deg = vehicle.gear_angle_deg[self.target];
            }
            Dogs::Riding { .. } | Dogs::Missed | Dogs::Recalibrating { .. } => {
                self.from_deg = vehicle.gear_angle_deg[self.target];
            }
        }
        self.target = gear;
        self.start(vehicle, plant);
    }

    /// Pulls the dogs out and sets the drum in motion, or jams.
    fn start(&mut self, vehicle: &Vehicle, plant: &mut Plant) {
        if plant.gear.is_some() {
            if plant.output_nm.abs() > vehicle.selector.release_torque_nm {
                self.dogs = Dogs::Jammed;
                return;
            }
            plant.disengage(vehicle);
        }
        let target_deg = vehicle.gear_angle_deg[self.target];
        let left_s = vehicle.selector.move_time_s((target_deg - self.from_deg).abs());
        self.dogs = Dogs::Moving { left_s };
    }

    fn recalibrate(&mut self, vehicle: &Vehicle, plant: &mut Plant) {
        if matches!(self.dogs, Dogs::Jammed) {
            if !self.chance(vehicle.selector.free_chance) {
                return;
            }
            plant.disengage(vehicle);
        }
        if !matches!(self.dogs, Dogs::In) {
            self.dogs = Dogs::Recalibrating { left_s: RECALIBRATION_S };
        }
    }

    /// Time until something happens by itself, s.
    #[must_use]
    pub fn next_s(&self) -> f64 {
        match self.dogs {
            Dogs::Moving { left_s } | Dogs::Riding { left_s } | Dogs::Recalibrating { left_s } => left_s,
            Dogs::In | Dogs::Missed | Dogs::Jammed => f64::INFINITY,
        }
    }

    /// Lets `dt_s` pass (at most [`Selector::next_s`]) and does what falls due.
    pub fn pass(&mut self, vehicle: &Vehicle, plant: &mut Plant, dt_s: f64) {
        let due = match &mut self.dogs {
            Dogs::Moving { left_s } | Dogs::Riding { left_s } | Dogs::Recalibrating { left_s } => {
                *left_s -= dt_s;
                *left_s <= 1e-12
            }
            Dogs::In | Dogs::Missed | Dogs::Jammed => false,
        };
        if !due {
            return;
        }
        match self.dogs {
            Dogs::Moving { .. } => self.arrive(vehicle, plant),
            Dogs::Riding { .. } => self.try_dogs(vehicle, plant),
            Dogs::Recalibrating { .. } => {
                self.offset_deg = 0.0;
                let target_deg = vehicle.gear_angle_deg[self.target];
                self.from_deg = vehicle.selector.angle_deg.first().copied().unwrap_or(0.0);
                let left_s = vehicle.selector.move_time_s((target_deg - self.from_deg).abs());
                self.dogs = Dogs::Moving { left_s };
            }
            Dogs::In | Dogs::Missed | Dogs::Jammed => {}
        }
    }

    fn arrive(&mut self, vehicle: &Vehicle, plant: &mut Plant) {
        self.error_deg = self.offset_deg + vehicle.selector.arrival_error_deg * self.normal();
        if self.error_deg.abs() > vehicle.selector.window_deg {
            self.dogs = Dogs::Missed;
            self.note_miss();
        } else {
            self.try_dogs(vehicle, plant);
        }
    }

    fn try_dogs(&mut self, vehicle: &Vehicle, plant: &mut Plant) {
        let mismatch = plant.mismatch_rad_s(vehicle, self.target);
        let chance = if self.rng.is_some() { vehicle.dogs.entry_chance(mismatch) } else { 1.0 };
        if self.chance(chance) {
            plant.engage(vehicle, self.target);
            self.dogs = Dogs::In;
        } else {
            self.dogs = Dogs::Riding { left_s: vehicle.dogs.retry_s };
            self.note_miss();
        }
    }

    fn note_miss(&mut self) {
        if !self.missed_now {
            self.missed_now = true;
            self.missed += 1;
        }
    }

    fn normal(&mut self) -> f64 {
        self.rng.as_mut().map_or(0.0, |rng| StandardNormal.sample(rng))
    }

    fn chance(&mut self, chance: f64) -> bool {
        self.rng.as_mut().is_none_or(|rng| draw(rng) < chance)
    }
}

fn draw(rng: &mut impl Rng) -> f64 {
    rng.random()
}
