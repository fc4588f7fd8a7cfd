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
//!
//! A gyroscope feels `f - r` alone.

use super::beam::{Beam, Strip};
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

/// Height of the roller on its track above the plane of the wheels, or of the first axle over the last one, by the
/// position of the front axle.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Profile {
    heights_m: Arc<[f32]>,
}

/// Heights at points [`STEP_M`] apart.
struct Heights {
    first_m: f64,
    values_m: Vec<f64>,
}

/// What looks at the ground.
pub(super) enum Probe {
    /// A roller that touches the ground ahead of the front axle.
    Roller {
        /// How far ahead, m.
        ahead_m: f64,
        /// Its radius, m.
        radius_m: f64,
    },
    /// The beam of a range sensor.
    Beam(Beam),
    /// The height of the first axle over the last one.
    Pitch,
}

/// The plane of the wheels along a course.
struct Frame {
    plain: Heights,
    front: Heights,
    /// Where it differs from that under the first axle.
    rear: Option<Heights>,
    wheelbase_m: f64,
}

impl Frame {
    fn new(course: &Course, vehicle: &Vehicle, reach_m: f64) -> Option<Frame> {
        let axles = &vehicle.axles[..vehicle.axle_count];
        let (front, rear) = (axles.first()?, axles.last()?);
        let wheelbase_m = rear.behind_front_m;
        let plain = Heights::ground(course, -wheelbase_m - MARGIN_M, course.length_m + reach_m + MARGIN_M);
        let wheels = |axle: &Axle| {
            let mut heights = plain.copied();
            for obstacle in &course.obstacles {
                heights.lift_wheel(obstacle, vehicle.wheel_radius_m, axle.driven);
            }
            heights
        };
        let (first, last) = (wheels(front), (rear.driven != front.driven).then(|| wheels(rear)));
        Some(Frame { plain, front: first, rear: last, wheelbase_m })
    }

    /// Points between the last axle and a place so far ahead of the first one.
    fn steps(&self, ahead_m: f64) -> usize {
        ((self.wheelbase_m / STEP_M).round() + (ahead_m / STEP_M).round()) as usize
    }

    /// Height of the plane so far ahead of the first axle, with the last one at point `i`.
    fn plane_m(&self, i: usize, ahead_m: f64) -> f64 {
        let lever = if self.wheelbase_m > 0.0 { ahead_m / self.wheelbase_m } else { 0.0 };
        let rear = self.rear.as_ref().unwrap_or(&self.front);
        self.front.at(i + self.steps(0.0)) * (1.0 + lever) - rear.at(i) * lever
    }

    /// The place that lies so many points ahead of point `i`, m.
    fn place_m(&self, i: usize, steps: usize) -> f64 {
        self.plain.first_m + (i + steps) as f64 * STEP_M
    }
}

impl Profile {
    /// The profile of `course` for what looks at it.
    pub(super) fn new(course: &Course, own: &OwnTrack, vehicle: &Vehicle, probe: &Probe) -> Profile {
        let (reach_m, ahead_m, radius_m) = match probe {
            Probe::Roller { ahead_m, radius_m } => (*ahead_m, *ahead_m, *radius_m),
            Probe::Beam(beam) => (beam.reach_m(), beam.ahead_m, 0.0),
            Probe::Pitch => (0.0, 0.0, 0.0),
        };
        let Some(frame) = Frame::new(course, vehicle, reach_m) else {
            return Profile { heights_m: Arc::new([0.0]) };
        };
        let mut ground = frame.plain.copied();
        for obstacle in &own.obstacles {
            ground.lift_roller(obstacle, radius_m);
        }
        let count = ground.values_m.len().saturating_sub(frame.steps(reach_m)).max(1);
        let seen = frame.steps(ahead_m);
        let heights_m: Arc<[f32]> = match probe {
            Probe::Roller { .. } => {
                let over_m = |i: usize| ground.at(i + seen) - frame.plane_m(i, ahead_m);
                let grown_m = |i: usize| in_grass(&own.grass, frame.place_m(i, seen), over_m(i));
                (0..count).map(|i| grown_m(i).max(LOWEST_M) as f32).collect()
            }
            Probe::Beam(beam) => {
                let sums = ground.sums();
                let strips = beam.strips(|ahead_m| frame.steps(ahead_m));
                let over_m = |i: usize| {
                    let strip = |s: &Strip| s.weight * (s.mean(&sums, i) - frame.plane_m(i, s.ahead_m));
                    in_grass(&own.grass, frame.place_m(i, seen), strips.iter().map(strip).sum())
                };
                (0..count)
                    .map(|i| own.fault_m(frame.place_m(i, seen)).unwrap_or_else(|| over_m(i)) as f32)
                    .collect()
            }
            Probe::Pitch => {
                let rear = frame.rear.as_ref().unwrap_or(&frame.front);
                (0..count).map(|i| (frame.front.at(i + seen) - rear.at(i)) as f32).collect()
            }
        };
        Profile { heights_m }
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

    /// The height at a point, the last one beyond the end.
    fn at(&self, i: usize) -> f64 {
        self.values_m.get(i).or(self.values_m.last()).copied().unwrap_or(0.0)
    }

    /// Sums of the heights before each point.
    fn sums(&self) -> Vec<f64> {
        let sum = |sum: &mut f64, height_m: &f64| {
            *sum += height_m;
            Some(*sum)
        };
        std::iter::once(0.0).chain(self.values_m.iter().scan(0.0, sum)).collect()
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
