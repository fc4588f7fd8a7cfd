//! The forces on the vehicle from the ground under its axles.
//!
//! Grade, obstacles and grass act on each axle with its share of the weight on level ground, so that the work
//! they take is exactly the weight lifted and the grass bent. Rolling resistance and grip follow the load that
//! presses each axle on the ground: `N = W (share cos + lever h sin) + lever h m a`, with the lever of the axle
//! about the middle (load transfer by grade and by acceleration; rigid body on equally stiff axles, exact for
//! two of them).

use super::supply::TractiveForce;
use super::{GRAVITY_M_S2, Track};
use crate::vehicle::{Gear, MAX_AXLES, Vehicle};

/// Where one axle is.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct AxleContact {
    /// Index of the segment.
    pub(super) segment: usize,
    /// Index of the first obstacle that is not behind the axle.
    pub(super) ahead: usize,
    /// Whether the wheel is on that obstacle.
    pub(super) on: bool,
    /// Resting against an obstacle.
    pub(super) touch: Touch,
}

/// A wheel that rests against an obstacle without being on it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) enum Touch {
    /// Free.
    #[default]
    None,
    /// The obstacle ahead.
    Front,
    /// The obstacle behind.
    Behind,
}

/// Sums over the axles, valid until an axle meets a segment border or an obstacle.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Ground {
    /// Grade force, resists forward motion when positive, N.
    pub(super) grade_n: f64,
    /// Drag per speed, N·s/m.
    pub(super) drag_n_s_m: f64,
    /// Force of obstacles that wheels are on, where the front axle is at 0, N.
    climb_n: f64,
    /// Its fall per distance, N/m.
    pub(super) fall_n_m: f64,
    /// Force needed to mount obstacles that wheels rest against in front, N.
    pub(super) front_n: f64,
    /// Grip that those wheels lose when they are pressed against them, N.
    pub(super) front_lost_n: f64,
    /// Force needed to mount obstacles that wheels rest against behind, N.
    pub(super) behind_n: f64,
    /// A wheel rests against an obstacle.
    pub(super) touching: bool,
    /// Rolling resistance and constant drag without acceleration, N.
    pub(super) rolling_n: f64,
    /// What acceleration adds to it, N per m/s².
    pub(super) rolling_transfer_kg: f64,
    /// The most that driven wheels can transmit without acceleration, N.
    grip_n: f64,
    /// What acceleration adds to it, N per m/s².
    grip_transfer_kg: f64,
    /// Accelerations at which an axle would lift off; load transfer ends there, m/s².
    lift_m_s2: [f64; 2],
}

impl Ground {
    pub(super) fn under(
        vehicle: &Vehicle,
        track: &Track,
        axle_contacts: &[AxleContact; MAX_AXLES],
    ) -> Ground {
        let weight_n = vehicle.mass_kg * GRAVITY_M_S2;
        let mut sum = Ground {
            rolling_n: vehicle.drag_n,
            lift_m_s2: [f64::NEG_INFINITY, f64::INFINITY],
            ..Ground::default()
        };
        // The roller of a feeler is taken to be on the surface of the front axle, though it is ahead of it.
        let front = &track.segments[axle_contacts[0].segment];
        sum.rolling_n += vehicle.roller.drag_n(front.rolling, front.friction);
        for (axle, axle_contact) in vehicle.axles[..vehicle.axle_count].iter().zip(axle_contacts) {
            let segment = &track.segments[axle_contact.segment];
            let share_n = weight_n * axle.load_share;
            sum.grade_n += share_n * segment.sin;
            sum.drag_n_s_m += share_n * segment.drag_s_m;
            let (mut flank_grip, mut front_lost) = (1.0, 0.0);
            if axle_contact.on {
                let obstacle = &track.obstacles[axle_contact.ahead];
                let contact = obstacle.contact(axle.driven);
                let fall_n_m = share_n * contact.slope / contact.width_m;
                sum.climb_n += fall_n_m * (obstacle.top_m + axle.behind_front_m);
                sum.fall_n_m += fall_n_m;
                flank_grip = contact.cosine;
            }
            match axle_contact.touch {
                Touch::None => {}
                Touch::Front => {
                    let contact = track.obstacles[axle_contact.ahead].contact(axle.driven);
                    sum.front_n += share_n * contact.slope;
                    front_lost = 1.0 - contact.cosine;
                }
                Touch::Behind => {
                    sum.behind_n +=
                        share_n * track.obstacles[axle_contact.ahead - 1].contact(axle.driven).slope;
                }
            }
            sum.touching |= axle_contact.touch != Touch::None;
            let normal_force_n =
                weight_n * (axle.load_share * segment.cos + axle.load_per_grade * segment.sin);
            // On a grade that would tip the vehicle over, the upper axle has lifted off: ground does not pull.
            let normal_force_n = normal_force_n.max(0.0);
            let normal_transfer_kg = vehicle.mass_kg * axle.load_per_grade;
            sum.add_axle_load(segment.rolling, normal_force_n, normal_transfer_kg);
            if axle.driven {
                sum.grip_n += segment.friction * flank_grip * normal_force_n;
                sum.front_lost_n += segment.friction * front_lost * normal_force_n;
                sum.grip_transfer_kg += segment.friction * flank_grip * normal_transfer_kg;
            }
        }
        sum
    }

    /// Adds an axle that is pressed on the ground with `n + kg a`.
    fn add_axle_load(&mut self, rolling: f64, n: f64, kg: f64) {
        self.rolling_n += rolling * n;
        self.rolling_transfer_kg += rolling * kg;
        if kg > 0.0 {
            self.lift_m_s2[0] = self.lift_m_s2[0].max(-n / kg);
        } else if kg < 0.0 {
            self.lift_m_s2[1] = self.lift_m_s2[1].min(-n / kg);
        }
    }

    /// Force of obstacles with the front axle at `x_m`, resists forward motion when positive, N.
    pub(super) fn obstacle_n(&self, x_m: f64) -> f64 {
        self.climb_n - self.fall_n_m * x_m
    }

    /// Whether grip depends on the acceleration.
    pub(super) fn grip_depends_on_acceleration(&self) -> bool {
        self.grip_transfer_kg.abs() > 1e-9
    }

    /// The loads while the vehicle does not accelerate.
    pub(super) fn steady(&self) -> NormalLoad {
        self.normal_load(0.0)
    }

    /// The loads while rolling resistance acts against `direction`, tractive force less every other resistance is `net_n` and
    /// `mass_kg` moves: acceleration and load transfer are solved for together.
    pub(super) fn driven(&self, net_n: f64, mass_kg: f64, direction: f64) -> NormalLoad {
        self.normal_load(
            (net_n - self.rolling_n * direction) / (mass_kg + self.rolling_transfer_kg * direction),
        )
    }

    /// The loads while the driven wheels slip forward and the grip itself drives the vehicle.
    pub(super) fn slipping(&self, resist_n: f64, mass_kg: f64, direction: f64) -> NormalLoad {
        let net_n = self.grip_n - resist_n - self.rolling_n * direction;
        self.normal_load(
            net_n
                / (mass_kg + self.rolling_transfer_kg * direction - self.grip_transfer_kg).max(0.1 * mass_kg),
        )
    }

    /// Whether the contact of the driven wheels carries what acts through it: tractive force less what the wheels and the
    /// rotor take to accelerate.
    #[inline]
    pub(super) fn carries(
        &self,
        vehicle: &Vehicle,
        gear: &Gear,
        tractive: &TractiveForce,
        speed_m_s: f64,
        acceleration_m_s2: f64,
    ) -> bool {
        let tractive_n = tractive.force_n - tractive.damping_n_s_m * speed_m_s;
        let spinning_kg = vehicle.wheel_kg + tractive.efficiency * gear.rotor_kg;
        tractive_n - spinning_kg * acceleration_m_s2 <= self.normal_load(acceleration_m_s2).grip_n
    }

    /// The loads at an acceleration. That no axle lifts off is a branch, so that the processor goes on with the mass that
    /// moves while the acceleration is still divided.
    #[inline]
    fn normal_load(&self, acceleration_m_s2: f64) -> NormalLoad {
        let [low, high] = self.lift_m_s2;
        if low < high && acceleration_m_s2 >= low && acceleration_m_s2 <= high {
            NormalLoad {
                acceleration_m_s2,
                rolling_n: self.rolling_n,
                rolling_transfer_kg: self.rolling_transfer_kg,
                grip_n: (self.grip_n + self.grip_transfer_kg * acceleration_m_s2).max(0.0),
            }
        } else {
            self.lifted(acceleration_m_s2)
        }
    }

    /// The same beyond lift-off, from where on the load moves no further.
    #[cold]
    #[inline(never)]
    fn lifted(&self, acceleration_m_s2: f64) -> NormalLoad {
        let [low, high] = self.lift_m_s2;
        let a = match acceleration_m_s2 {
            _ if low >= high => 0.0,
            a if a < low => low,
            a if a > high => high,
            a => a,
        };
        let rolling_transfer_kg = if a == acceleration_m_s2 { self.rolling_transfer_kg } else { 0.0 };
        NormalLoad {
            acceleration_m_s2,
            rolling_n: self.rolling_n + (self.rolling_transfer_kg - rolling_transfer_kg) * a,
            rolling_transfer_kg,
            grip_n: (self.grip_n + self.grip_transfer_kg * a).max(0.0),
        }
    }
}

/// What follows from the loads on the axles.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct NormalLoad {
    /// The acceleration they belong to, m/s².
    pub(super) acceleration_m_s2: f64,
    /// Rolling resistance and constant drag without acceleration, N.
    pub(super) rolling_n: f64,
    /// What acceleration adds to it, N per m/s².
    pub(super) rolling_transfer_kg: f64,
    /// The most that driven wheels can transmit, N.
    pub(super) grip_n: f64,
}
