//! A course: what lies along the way.

use super::ObstacleShape;

/// A kind of ground.
#[derive(Clone, Debug, PartialEq)]
pub struct Surface {
    /// Name for pictures.
    pub name: String,
    /// Rolling resistance coefficient, at any speed.
    pub rolling: f64,
    /// Drag that grows with speed (grass), N per m/s and N of weight.
    pub drag_s_m: f64,
    /// Friction coefficient for traction.
    pub friction: f64,
}

/// A stretch of constant grade and surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Segment {
    /// Where it begins, m.
    pub start_m: f64,
    /// Sine of the slope angle, uphill positive.
    pub sin_grade: f64,
    /// Index into [`Course::surfaces`].
    pub surface: usize,
}

/// Something to roll over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Obstacle {
    /// Where its top lies, m.
    pub position_m: f64,
    /// Height, m.
    pub height_m: f64,
    /// Shape.
    pub shape: ObstacleShape,
}

impl Obstacle {
    /// How much higher the ground is behind it, m.
    #[must_use]
    pub fn rise_m(&self) -> f64 {
        match self.shape {
            ObstacleShape::Bump => 0.0,
            ObstacleShape::Edge => self.height_m,
            ObstacleShape::Drop => -self.height_m,
        }
    }
}

/// A course. Segments are in order, the first begins at or before 0, and the last has no end: the ground
/// before the start and behind the end goes on.
#[derive(Clone, Debug, PartialEq)]
pub struct Course {
    /// Name for reports.
    pub name: String,
    /// Length, m: reached by the front axle, the course is finished.
    pub length_m: f64,
    /// Kinds of ground.
    pub surfaces: Vec<Surface>,
    /// Segments, in order.
    pub segments: Vec<Segment>,
    /// Obstacles, in order, at least far enough apart that a wheel meets one at a time.
    pub obstacles: Vec<Obstacle>,
}

impl Course {
    /// Index of the segment that holds `position_m`.
    #[must_use]
    pub fn segment_at(&self, position_m: f64) -> usize {
        self.segments.partition_point(|s| s.start_m <= position_m).saturating_sub(1)
    }

    /// Elevation of the ground at `position_m` above the start, m, edges and drops included, bumps not.
    #[must_use]
    pub fn elevation_m(&self, position_m: f64) -> f64 {
        let mut height = 0.0;
        for (i, segment) in self.segments.iter().enumerate() {
            let from = segment.start_m.max(0.0);
            let to = self.segments.get(i + 1).map_or(f64::INFINITY, |s| s.start_m).min(position_m);
            if to > from {
                height += segment.sin_grade * (to - from);
            }
        }
        let passed = self.obstacles.iter().filter(|o| o.position_m <= position_m);
        height + passed.map(|o| o.rise_m()).sum::<f64>()
    }

    /// The surface at `position_m`.
    #[must_use]
    pub fn surface_at(&self, position_m: f64) -> &Surface {
        &self.surfaces[self.segments[self.segment_at(position_m)].surface]
    }
}
