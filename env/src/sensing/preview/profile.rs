//! The ground under a sensor ahead, as the vehicle's own frame shows it.
//!
//! The frame is the plane through the points where first and last axle touch the ground: their wheels on an obstacle
//! pitch and lift it (rigid body, no suspension, small angles). A wheel on a cane `a` behind the sensor therefore
//! lowers the reading, and one of the last axle raises it: `y = z(x + a) - [f (1 + a/w) - r a/w]` with the ground `z`
//! under the roller, `f` and `r` under first and last axle and the wheelbase `w`.
//!
//! Circles meet obstacles with the law of their centre: over a bump of diameter `h` a circle of radius `r` is lifted
//! by `h/2 + sqrt((r + h/2)² - d²) - r` at the distance `d` from its top, over an edge by `h + sqrt(r² - d²) - r`. The
//! wheels follow the heights of the motion model instead, which lifts them by `h (1 - (d/width)²)`.

use super::own_track::{CELL_M, GrassCell, OwnTrack};
use crate::terrain::{Contact, Course, Obstacle, ObstacleShape};
use crate::vehicle::{Axle, Vehicle};
use std::sync::Arc;

/// Distance between two points of the profile, m.
pub(super) const STEP_M: f64 = 0.002;
/// How far the vehicle may roll back behind the start, or see behind the end, m; beyond, the ends stand for the rest.
const MARGIN_M: f64 = 0.1;
/// The lower stop of the arm, m below the plane of the wheels.
const LOWEST_M: f64 = -0.01;

/// Height of the roller on its track above the plane of the wheels, by the position of the front axle.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Profile {
    heights_m: Arc<[f32]>,
}

/// Heights at points [`STEP_M`] apart.
struct Heights {
    first_m: f64,
    values_m: Vec<f64>,
}

impl Profile {
    /// The profile of `course` for a roller of this radius that touches the ground `ahead_m` before the front axle.
    pub(super) fn new(
        course: &Course,
        own: &OwnTrack,
        vehicle: &Vehicle,
        (ahead_m, roller_m): (f64, f64),
    ) -> Profile {
        let axles = &vehicle.axles[..vehicle.axle_count];
        let (Some(front), Some(rear)) = (axles.first(), axles.last()) else {
            return Profile { heights_m: Arc::new([0.0]) };
        };
        let wheelbase_m = rear.behind_front_m;
        let plain = Heights::ground(course, -wheelbase_m - MARGIN_M, course.length_m + ahead_m + MARGIN_M);
        let wheels = |axle: &Axle| {
            let mut heights = plain.copied();
            for obstacle in &course.obstacles {
                heights.lift_wheel(obstacle, vehicle.wheel_radius_m, axle.driven);
            }
            heights
        };
        let front_m = wheels(front);
        let rear_m = if rear.driven == front.driven { None } else { Some(wheels(rear)) };
        let rear_m = rear_m.as_ref().unwrap_or(&front_m);
        let mut roller = plain.copied();
        for obstacle in &own.obstacles {
            roller.lift_roller(obstacle, roller_m);
        }
        let lever = if wheelbase_m > 0.0 { ahead_m / wheelbase_m } else { 0.0 };
        let steps = |distance_m: f64| (distance_m / STEP_M).round() as usize;
        // The first point has the last axle at the first height.
        let (front_at, roller_at) = (steps(wheelbase_m), steps(wheelbase_m) + steps(ahead_m));
        let count = plain.values_m.len().saturating_sub(roller_at).max(1);
        let height =
            |heights: &Heights, i: usize| heights.values_m.get(i).or(heights.values_m.last()).copied();
        let heights_m = (0..count).map(|i| {
            let at = |heights, i| height(heights, i).unwrap_or(0.0);
            let plane_m = at(&front_m, i + front_at) * (1.0 + lever) - at(rear_m, i) * lever;
            let over_m = at(&roller, i + roller_at) - plane_m;
            let seen_m = plain.first_m + (i + roller_at) as f64 * STEP_M;
            in_grass(&own.grass, seen_m, over_m).max(LOWEST_M) as f32
        });
        Profile { heights_m: heights_m.collect() }
    }

    /// The point of the profile where the front axle is at `x_m`.
    #[inline]
    pub(super) fn index(&self, x_m: f64) -> usize {
        // Rounds towards zero, and to zero below it.
        let steps = ((x_m + MARGIN_M) * (1.0 / STEP_M) + 0.5) as usize;
        steps.min(self.heights_m.len() - 1)
    }

    /// Height of the roller at a point, m.
    #[inline]
    pub(super) fn height_m(&self, index: usize) -> f32 {
        self.heights_m[index]
    }

    /// The heights from a point up to another one, both within the profile.
    #[inline]
    pub(super) fn heights_m(&self, from: usize, to: usize) -> &[f32] {
        self.heights_m.get(from..=to).unwrap_or(&[])
    }
}

/// The height that the arm has in the grass at `seen_m`, if there is any, instead of `over_m`.
fn in_grass(grass: &[GrassCell], seen_m: f64, over_m: f64) -> f64 {
    let cells = seen_m.max(0.0) / CELL_M;
    let (i, share) = (cells as usize, cells.fract());
    let Some(here) = grass.get(i) else { return over_m };
    match here.held_m {
        // Held down it lies on level ground whatever there is; held up it still gives way upwards.
        Some(0.0) => 0.0,
        Some(held_m) => over_m.max(held_m),
        None => {
            let next = grass.get(i + 1).map_or(0.0, |cell| cell.tuft_m);
            over_m + here.tuft_m + (next - here.tuft_m) * share
        }
    }
}

impl Heights {
    /// The ground without bumps, edges as steps.
    fn ground(course: &Course, first_m: f64, last_m: f64) -> Heights {
        let points = ((last_m - first_m) / STEP_M).ceil() as usize + 1;
        let mut values_m = Vec::with_capacity(points);
        let mut segments = course.segments.iter().skip(course.segment_at(first_m)).peekable();
        let mut sine = segments.next().map_or(0.0, |segment| segment.sin_grade);
        let mut edges = course.obstacles.iter().filter(|o| o.rise_m() != 0.0).peekable();
        let mut height_m = 0.0;
        for i in 0..points {
            let at_m = first_m + i as f64 * STEP_M;
            while let Some(segment) = segments.next_if(|segment| segment.start_m <= at_m) {
                sine = segment.sin_grade;
            }
            while let Some(edge) = edges.next_if(|edge| edge.position_m <= at_m) {
                height_m += edge.rise_m();
            }
            values_m.push(height_m);
            height_m += sine * STEP_M;
        }
        Heights { first_m, values_m }
    }

    fn copied(&self) -> Heights {
        Heights { first_m: self.first_m, values_m: self.values_m.clone() }
    }

    /// Lifts a wheel over an obstacle as the motion model does.
    fn lift_wheel(&mut self, obstacle: &Obstacle, radius_m: f64, driven: bool) {
        if let Some(Contact { width_m, .. }) =
            Contact::new(obstacle.shape, obstacle.height_m, radius_m, driven)
        {
            self.lift(obstacle, width_m, |d_m| obstacle.height_m * (1.0 - (d_m / width_m).powi(2)));
        }
    }

    /// Lifts a roller over an obstacle: its centre follows a circle.
    fn lift_roller(&mut self, obstacle: &Obstacle, radius_m: f64) {
        let h_m = obstacle.height_m;
        let (circle_m, over_m) = match obstacle.shape {
            ObstacleShape::Bump => (radius_m + 0.5 * h_m, 0.5 * h_m),
            ObstacleShape::Edge | ObstacleShape::Drop => (radius_m, h_m),
        };
        self.lift(obstacle, circle_m, |d_m| {
            over_m + (circle_m * circle_m - d_m * d_m).max(0.0).sqrt() - radius_m
        });
    }

    /// Adds what `rise_m` says at the distance from the top, up to `reach_m`, on the sides that the shape has.
    fn lift(&mut self, obstacle: &Obstacle, reach_m: f64, rise_m: impl Fn(f64) -> f64) {
        let (before_m, behind_m) = match obstacle.shape {
            ObstacleShape::Bump => (reach_m, reach_m),
            ObstacleShape::Edge => (reach_m, 0.0),
            ObstacleShape::Drop => (0.0, reach_m),
        };
        let point = |at_m: f64| ((at_m - self.first_m) / STEP_M).ceil().max(0.0) as usize;
        let from = point(obstacle.position_m - before_m);
        let to = point(obstacle.position_m + behind_m).min(self.values_m.len());
        for i in from..to {
            let d_m = self.first_m + i as f64 * STEP_M - obstacle.position_m;
            self.values_m[i] += rise_m(d_m.abs()).max(0.0);
        }
    }
}
