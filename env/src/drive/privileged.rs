//! What the world knows and no sensor shows, for learners that are judged with more than they see.

use super::Drive;

/// How far ahead of the front axle the ground is looked at, m.
const AHEAD_M: [f64; 5] = [0.0, 0.15, 0.4, 0.8, 1.5];
/// Obstacles ahead that are shown.
const OBSTACLES: usize = 2;
/// Scale of the nearness of an obstacle, m.
const NEAR_M: f64 = 0.2;

/// How many numbers [`Drive`] appends in [`crate::World::privileged`].
pub const PRIVILEGED: usize = 2 * AHEAD_M.len() + 2 * OBSTACLES + 4;

impl Drive {
    /// Of the ground at some distances ahead the sine of the grade and the rolling resistance; of the next obstacles
    /// ahead of the front axle nearness, `exp(-distance / 0.2 m)`, and height over the wheel's radius; then mass, kg,
    /// charge, share of full, speed, m/s, and the way that is left, m.
    pub(super) fn append_privileged(&self, out: &mut Vec<f32>) {
        let (course, vehicle) = (&self.track.course, &self.vehicle);
        let x_m = self.plant.x_m;
        for ahead_m in AHEAD_M {
            let segment = course.segments[course.segment_at(x_m + ahead_m)];
            let rolling = course.surfaces[segment.surface].rolling * vehicle.rolling_factor;
            out.extend([segment.sin_grade as f32, rolling as f32]);
        }
        let first = course.obstacles.partition_point(|obstacle| obstacle.position_m < x_m);
        for number in first..first + OBSTACLES {
            let seen = course.obstacles.get(number).map_or([0.0, 0.0], |obstacle| {
                let nearness = (-(obstacle.position_m - x_m) / NEAR_M).exp();
                [nearness, obstacle.height_m / vehicle.wheel_radius_m]
            });
            out.extend(seen.map(|number| number as f32));
        }
        let left_m = course.length_m - x_m;
        out.extend([vehicle.mass_kg, self.plant.charge, self.plant.v_m_s, left_m].map(|x| x as f32));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::World;
    use crate::scenario::tests::scenario;
    use std::sync::Arc;

    #[test]
    fn ground_obstacle_and_way_are_those_of_the_course() {
        let drive = Drive::new(Arc::new(scenario(5)), 3);
        let mut out = Vec::new();
        drive.privileged(&mut out);
        assert_eq!(out.len(), PRIVILEGED);
        let course = &drive.track().course;
        let rolling = course.surface_at(0.8).rolling * drive.vehicle().rolling_factor;
        assert_eq!(out[7], rolling as f32);
        let next = course.obstacles.iter().find(|obstacle| obstacle.position_m >= 0.0);
        let height = next.map_or(0.0, |obstacle| obstacle.height_m / drive.vehicle().wheel_radius_m);
        assert_eq!(out[11], height as f32);
        assert_eq!(out[PRIVILEGED - 1], course.length_m as f32);
    }
}
