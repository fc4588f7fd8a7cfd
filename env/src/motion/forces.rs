//! The forces on the vehicle from the ground under its axles.
//!
//! Grade, obstacles and grass act on each axle with its share of the weight on level ground, so that the work
//! they take is exactly the weight lifted and the grass bent. Rolling resistance and grip follow the load that
//! presses each axle on the ground: `N = W (share cos + lever h sin) + lever h m a`, with the lever of the axle
//! about the middle (load transfer by grade and by acceleration; rigid body on equally stiff axles, exact for
//! two of them).

use super::supply::Thrust;
use super::{GRAVITY_M_S2, Track};
use crate::vehicle::{Gear, MAX_AXLES, Vehicle};

/// Where one axle is.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Spot {
    /// Index of the stretch.
    pub(super) stretch: usize,
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

/// Sums over the axles. They hold until an axle meets a border or an obstacle.
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
    pub(super) rolling_kg: f64,
    /// The most that driven wheels can transmit without acceleration, N.
    grip_n: f64,
    /// What acceleration adds to it, N per m/s².
    grip_kg: f64,
    /// Accelerations at which an axle would lift off; load transfer ends there, m/s².
    lift_m_s2: [f64; 2],
}

impl Ground {
    pub(super) fn under(vehicle: &Vehicle, track: &Track, spots: &[Spot; MAX_AXLES]) -> Ground {
        let weight_n = vehicle.mass_kg * GRAVITY_M_S2;
        let mut sum = Ground {
            rolling_n: vehicle.drag_n,
            lift_m_s2: [f64::NEG_INFINITY, f64::INFINITY],
            ..Ground::default()
        };
        for (axle, spot) in vehicle.axles[..vehicle.axle_count].iter().zip(spots) {
            let stretch = &track.stretches[spot.stretch];
            let share_n = weight_n * axle.load_share;
            sum.grade_n += share_n * stretch.sin;
            sum.drag_n_s_m += share_n * stretch.drag_s_m;
            let (mut lean, mut front_lost) = (1.0, 0.0);
            if spot.on {
                let hurdle = &track.hurdles[spot.ahead];
                let contact = hurdle.contact(axle.driven);
                let fall_n_m = share_n * contact.slope / contact.width_m;
                sum.climb_n += fall_n_m * (hurdle.top_m + axle.behind_front_m);
                sum.fall_n_m += fall_n_m;
                lean = contact.cosine;
            }
            match spot.touch {
                Touch::None => {}
                Touch::Front => {
                    let contact = track.hurdles[spot.ahead].contact(axle.driven);
                    sum.front_n += share_n * contact.slope;
                    front_lost = 1.0 - contact.cosine;
                }
                Touch::Behind => {
                    sum.behind_n += share_n * track.hurdles[spot.ahead - 1].contact(axle.driven).slope;
                }
            }
            sum.touching |= spot.touch != Touch::None;
            // On a grade that would tip the vehicle over the upper axle has lifted off: ground does not pull.
            let pressed_n = weight_n * (axle.load_share * stretch.cos + axle.load_per_grade * stretch.sin);
            let pressed_n = pressed_n.max(0.0);
            let pressed_kg = vehicle.mass_kg * axle.load_per_grade;
            sum.press(stretch.rolling, pressed_n, pressed_kg);
            if axle.driven {
                sum.grip_n += stretch.friction * lean * pressed_n;
                sum.front_lost_n += stretch.friction * front_lost * pressed_n;
                sum.grip_kg += stretch.friction * lean * pressed_kg;
            }
        }
        sum
    }

    /// Adds an axle that is pressed on the ground with `n + kg a`.
    fn press(&mut self, rolling: f64, n: f64, kg: f64) {
        self.rolling_n += rolling * n;
        self.rolling_kg += rolling * kg;
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
    pub(super) fn follows_acceleration(&self) -> bool {
        self.grip_kg.abs() > 1e-9
    }

    /// The loads while the vehicle does not accelerate.
    pub(super) fn steady(&self) -> Press {
        self.pressed(0.0)
    }

    /// The loads while rolling resistance acts against `way`, thrust less every other resistance is `net_n` and
    /// `mass_kg` moves: acceleration and load transfer are solved for together.
    pub(super) fn driven(&self, net_n: f64, mass_kg: f64, way: f64) -> Press {
        self.pressed((net_n - self.rolling_n * way) / (mass_kg + self.rolling_kg * way))
    }

    /// The loads while the driven wheels slip forward and the grip itself drives the vehicle.
    pub(super) fn slipping(&self, resist_n: f64, mass_kg: f64, way: f64) -> Press {
        let net_n = self.grip_n - resist_n - self.rolling_n * way;
        self.pressed(net_n / (mass_kg + self.rolling_kg * way - self.grip_kg).max(0.1 * mass_kg))
    }

    /// Whether the contact of the driven wheels carries what acts through it: thrust less what the wheels and the
    /// rotor take to accelerate.
    #[inline]
    pub(super) fn carries(
        &self,
        vehicle: &Vehicle,
        gear: &Gear,
        thrust: &Thrust,
        speed_m_s: f64,
        acceleration_m_s2: f64,
    ) -> bool {
        let push_n = thrust.force_n - thrust.damping_n_s_m * speed_m_s;
        let spinning_kg = vehicle.wheel_kg + thrust.efficiency * gear.rotor_kg;
        push_n - spinning_kg * acceleration_m_s2 <= self.pressed(acceleration_m_s2).grip_n
    }

    fn pressed(&self, acceleration_m_s2: f64) -> Press {
        let [low, high] = self.lift_m_s2;
        let a = match acceleration_m_s2 {
            _ if low >= high => 0.0,
            a if a < low => low,
            a if a > high => high,
            a => a,
        };
        // Beyond lift-off the load moves no further.
        let rolling_kg = if a == acceleration_m_s2 { self.rolling_kg } else { 0.0 };
        Press {
            acceleration_m_s2,
            rolling_n: self.rolling_n + (self.rolling_kg - rolling_kg) * a,
            rolling_kg,
            grip_n: (self.grip_n + self.grip_kg * a).max(0.0),
        }
    }
}

/// What follows from the loads on the axles.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Press {
    /// The acceleration they belong to, m/s².
    pub(super) acceleration_m_s2: f64,
    /// Rolling resistance and constant drag without acceleration, N.
    pub(super) rolling_n: f64,
    /// What acceleration adds to it, N per m/s².
    pub(super) rolling_kg: f64,
    /// The most that driven wheels can transmit, N.
    pub(super) grip_n: f64,
}
