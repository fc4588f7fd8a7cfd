//! The forces on the vehicle where it stands now.

use super::{GRAVITY_M_S2, Track};
use crate::vehicle::{MAX_AXLES, Vehicle};

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

/// Sums over the axles.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Ground {
    /// Grade force, resists forward motion when positive, N.
    pub(super) grade_n: f64,
    /// Rolling resistance and constant drag, N.
    pub(super) rolling_n: f64,
    /// Drag per speed, N·s/m.
    pub(super) drag_n_s_m: f64,
    /// Force of obstacles that wheels are on, resists forward motion when positive, N.
    pub(super) obstacle_n: f64,
    /// Its fall per distance, N/m.
    pub(super) obstacle_n_m: f64,
    /// Force needed to mount obstacles that wheels rest against in front, N.
    pub(super) front_n: f64,
    /// The same behind.
    pub(super) behind_n: f64,
    /// The most that driven wheels can transmit, N.
    pub(super) grip_n: f64,
}

impl Ground {
    pub(super) fn under(vehicle: &Vehicle, track: &Track, spots: &[Spot; MAX_AXLES], x_m: f64) -> Ground {
        let weight_n = vehicle.mass_kg * GRAVITY_M_S2;
        let mut sum = Ground { rolling_n: vehicle.drag_n, ..Ground::default() };
        for (axle, spot) in vehicle.axles[..vehicle.axle_count].iter().zip(spots) {
            let stretch = &track.stretches[spot.stretch];
            let load_n = weight_n * axle.load_share;
            sum.grade_n += load_n * stretch.sin;
            sum.rolling_n += load_n * stretch.cos * stretch.rolling;
            sum.drag_n_s_m += load_n * stretch.drag_s_m;
            let mut lean = 1.0;
            if spot.on {
                let hurdle = &track.hurdles[spot.ahead];
                let contact = hurdle.contact(axle.driven);
                let fall_n_m = load_n * contact.slope / contact.width_m;
                sum.obstacle_n += fall_n_m * (hurdle.top_m - (x_m - axle.behind_front_m));
                sum.obstacle_n_m += fall_n_m;
                lean = contact.cosine;
            }
            match spot.touch {
                Touch::None => {}
                Touch::Front => {
                    let contact = track.hurdles[spot.ahead].contact(axle.driven);
                    sum.front_n += load_n * contact.slope;
                    lean = contact.cosine;
                }
                Touch::Behind => {
                    sum.behind_n += load_n * track.hurdles[spot.ahead - 1].contact(axle.driven).slope;
                }
            }
            if axle.driven {
                let pressed_n =
                    weight_n * (axle.load_share * stretch.cos + axle.load_per_grade * stretch.sin);
                sum.grip_n += stretch.friction * pressed_n.max(0.0) * lean;
            }
        }
        sum
    }
}
