//! Wheels that meet borders and obstacles: what happens at the end of a piece.

use super::forces::Touch;
use super::step::Event;
use super::supply::Supply;
use super::{Plant, Track};
use crate::vehicle::Vehicle;

/// A wheel that comes back to an obstacle more slowly than this does not bounce, m/s.
const BOUNCE_M_S: f64 = 0.01;

impl Plant {
    /// What happens at the end of a piece.
    pub(super) fn apply(
        &mut self,
        vehicle: &Vehicle,
        track: &Track,
        supply: &Supply,
        event: Event,
        forward: bool,
    ) {
        self.moved_on |= !matches!(event, Event::Clock | Event::Stop | Event::Finish);
        match event {
            Event::Clock => {}
            Event::Stop => self.come_to_rest(),
            Event::Finish => self.x_m = track.course.length_m,
            Event::Stretch { axle } => {
                let spot = &mut self.spots[axle];
                let from = &track.stretches[spot.stretch];
                let border = if forward { from.end_m } else { from.start_m };
                spot.stretch = if forward { spot.stretch + 1 } else { spot.stretch - 1 };
                self.x_m = border + vehicle.axles[axle].behind_front_m;
            }
            Event::Mount { axle } => self.mount(vehicle, track, axle, forward),
            Event::Leave { axle } => self.leave(vehicle, track, supply, axle, forward),
        }
    }

    pub(super) fn come_to_rest(&mut self) {
        self.v_m_s = 0.0;
        if self.gear.is_some() && !self.slipping {
            self.motor_rad_s = 0.0;
        }
    }

    pub(super) fn mount(&mut self, vehicle: &Vehicle, track: &Track, axle: usize, forward: bool) {
        let a = vehicle.axles[axle];
        let spot = &mut self.spots[axle];
        if !forward {
            spot.ahead -= 1;
        }
        spot.on = true;
        let hurdle = &track.hurdles[spot.ahead];
        let at = if forward { hurdle.begin_m(a.driven) } else { hurdle.end_m(a.driven) };
        self.x_m = at + a.behind_front_m;
        if if forward { hurdle.up } else { hurdle.down } {
            self.strike(vehicle, axle, hurdle.contact(a.driven).cosine);
        }
    }

    pub(super) fn leave(
        &mut self,
        vehicle: &Vehicle,
        track: &Track,
        supply: &Supply,
        axle: usize,
        forward: bool,
    ) {
        let a = vehicle.axles[axle];
        let hurdle = &track.hurdles[self.spots[axle].ahead];
        let at = if forward { hurdle.end_m(a.driven) } else { hurdle.begin_m(a.driven) };
        self.x_m = at + a.behind_front_m;
        let onto_the_ground = if forward { hurdle.down } else { hurdle.up };
        if onto_the_ground {
            self.strike(vehicle, axle, hurdle.contact(a.driven).cosine);
        }
        let spot = &mut self.spots[axle];
        spot.on = false;
        if forward {
            spot.ahead += 1;
        }
        if onto_the_ground {
            self.rest_against(vehicle, track, supply, axle, forward);
        }
    }

    /// A wheel that has slowly rolled back off an obstacle and is pushed against it again just rests there:
    /// otherwise it would bounce in ever shorter pieces.
    pub(super) fn rest_against(
        &mut self,
        vehicle: &Vehicle,
        track: &Track,
        supply: &Supply,
        axle: usize,
        forward: bool,
    ) {
        if self.v_m_s.abs() > BOUNCE_M_S {
            return;
        }
        self.look_around(vehicle, track);
        let (slope_n, press) = (self.ground.grade_n + self.ground.obstacle_n(self.x_m), self.ground.steady());
        let gear = self.gear.map(|g| &vehicle.gears[g]);
        let push_n = gear.map_or(0.0, |g| supply.line.stall_nm() * g.turn_rad_m * g.efficiency);
        let net_n = push_n.min(press.grip_n) - slope_n;
        let pushed_back = if forward { net_n < -press.rolling_n } else { net_n > -press.rolling_n };
        if pushed_back {
            let lost = self.kinetic_j(vehicle);
            self.come_to_rest();
            self.ledger.strike_j += lost - self.kinetic_j(vehicle);
            self.spots[axle].touch = if forward { Touch::Behind } else { Touch::Front };
            self.moved_on = true;
        }
    }

    /// Plastic strike of one axle: its share of mass keeps `cosine` of its speed.
    pub(super) fn strike(&mut self, vehicle: &Vehicle, axle: usize, cosine: f64) {
        let rotor_kg = match self.gear {
            Some(gear) if !self.slipping => vehicle.gears[gear].rotor_kg,
            _ => 0.0,
        };
        // Slipping wheels turn on their own and take no part.
        let total_kg = if self.slipping { vehicle.mass_kg } else { vehicle.rolling_mass_kg + rotor_kg };
        let share_kg = vehicle.mass_kg * vehicle.axles[axle].load_share;
        let kept = 1.0 - share_kg * (1.0 - cosine) / total_kg;
        let lost_m_s = self.v_m_s * (1.0 - kept);
        self.ledger.strike_j += 0.5 * total_kg * self.v_m_s * self.v_m_s * (1.0 - kept * kept);
        self.v_m_s *= kept;
        if rotor_kg > 0.0 {
            if let Some(gear) = self.gear {
                self.motor_rad_s = self.v_m_s * vehicle.gears[gear].turn_rad_m;
            }
            self.shock(vehicle, rotor_kg, lost_m_s / vehicle.wheel_radius_m);
        }
    }
}
