//! Wheels that meet borders and obstacles: what happens at the end of a phase.

use super::forces::Touch;
use super::next_events::Event;
use super::supply::Supply;
use super::{Plant, Track};
use crate::vehicle::Vehicle;

/// A wheel that comes back to an obstacle more slowly than this does not bounce, m/s.
const BOUNCE_M_S: f64 = 0.01;

impl Plant {
    /// What happens at the end of a phase.
    pub(super) fn apply(
        &mut self,
        vehicle: &Vehicle,
        track: &Track,
        supply: &Supply,
        event: Event,
        forward: bool,
    ) {
        self.contacts_dirty |= !matches!(event, Event::Clock | Event::Stop | Event::Finish);
        match event {
            Event::Clock => {}
            Event::Stop => self.stop_motion(),
            Event::Finish => self.x_m = track.course.length_m,
            Event::SegmentBorder { axle } => {
                let axle_contact = &mut self.axle_contacts[axle];
                let from = &track.segments[axle_contact.segment];
                let border = if forward { from.end_m } else { from.start_m };
                axle_contact.segment =
                    if forward { axle_contact.segment + 1 } else { axle_contact.segment - 1 };
                self.x_m = border + vehicle.axles[axle].behind_front_m;
            }
            Event::Mount { axle } => self.mount(vehicle, track, axle, forward),
            Event::Leave { axle } => self.leave(vehicle, track, supply, axle, forward),
        }
    }

    pub(super) fn stop_motion(&mut self) {
        self.v_m_s = 0.0;
        if self.gear.is_some() && !self.slipping {
            self.motor_rad_s = 0.0;
        }
    }

    pub(super) fn mount(&mut self, vehicle: &Vehicle, track: &Track, axle: usize, forward: bool) {
        let a = vehicle.axles[axle];
        let axle_contact = &mut self.axle_contacts[axle];
        if !forward {
            axle_contact.ahead -= 1;
        }
        axle_contact.on = true;
        let obstacle = &track.obstacles[axle_contact.ahead];
        let at = if forward { obstacle.begin_m(a.driven) } else { obstacle.end_m(a.driven) };
        self.x_m = at + a.behind_front_m;
        if if forward { obstacle.up } else { obstacle.down } {
            self.impact(vehicle, axle, obstacle.contact(a.driven).cosine);
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
        let obstacle = &track.obstacles[self.axle_contacts[axle].ahead];
        let at = if forward { obstacle.end_m(a.driven) } else { obstacle.begin_m(a.driven) };
        self.x_m = at + a.behind_front_m;
        let onto_the_ground = if forward { obstacle.down } else { obstacle.up };
        if onto_the_ground {
            self.impact(vehicle, axle, obstacle.contact(a.driven).cosine);
        }
        let axle_contact = &mut self.axle_contacts[axle];
        axle_contact.on = false;
        if forward {
            axle_contact.ahead += 1;
        }
        if onto_the_ground {
            self.rest_on_obstacle(vehicle, track, supply, axle, forward);
        }
    }

    /// A wheel that has slowly rolled back off an obstacle and is pushed against it again just rests there:
    /// otherwise it would bounce in ever shorter phases.
    pub(super) fn rest_on_obstacle(
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
        self.update_contacts(vehicle, track);
        let (slope_n, normal_load) =
            (self.ground.grade_n + self.ground.obstacle_n(self.x_m), self.ground.steady());
        let gear = self.gear.map(|g| &vehicle.gears[g]);
        let tractive_n = gear.map_or(0.0, |g| supply.line.stall_nm() * g.turn_rad_m * g.efficiency);
        let net_n = tractive_n.min(normal_load.grip_n) - slope_n;
        let pushed_back =
            if forward { net_n < -normal_load.rolling_n } else { net_n > -normal_load.rolling_n };
        if pushed_back {
            let lost = self.kinetic_j(vehicle);
            self.stop_motion();
            self.energies.impact_j += lost - self.kinetic_j(vehicle);
            self.axle_contacts[axle].touch = if forward { Touch::Behind } else { Touch::Front };
            self.contacts_dirty = true;
        }
    }

    /// Plastic strike of one axle: its share of mass keeps `cosine` of its speed.
    pub(super) fn impact(&mut self, vehicle: &Vehicle, axle: usize, cosine: f64) {
        let rotor_kg = match self.gear {
            Some(gear) if !self.slipping => vehicle.gears[gear].rotor_kg,
            _ => 0.0,
        };
        // Slipping wheels turn on their own and take no part.
        let total_kg = if self.slipping { vehicle.mass_kg } else { vehicle.rolling_mass_kg + rotor_kg };
        let share_kg = vehicle.mass_kg * vehicle.axles[axle].load_share;
        let kept = 1.0 - share_kg * (1.0 - cosine) / total_kg;
        let lost_m_s = self.v_m_s * (1.0 - kept);
        self.energies.impact_j += 0.5 * total_kg * self.v_m_s * self.v_m_s * (1.0 - kept * kept);
        self.v_m_s *= kept;
        if rotor_kg > 0.0 {
            if let Some(gear) = self.gear {
                self.motor_rad_s = self.v_m_s * vehicle.gears[gear].turn_rad_m;
            }
            self.shock(vehicle, rotor_kg, lost_m_s / vehicle.wheel_radius_m);
        }
    }
}
