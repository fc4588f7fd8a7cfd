//! A course as one vehicle meets it: factors applied, contacts computed.

use crate::terrain::{Contact, Course, ObstacleShape};
use crate::vehicle::Vehicle;

/// A segment of constant grade and surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct TrackSegment {
    pub(super) start_m: f64,
    pub(super) end_m: f64,
    pub(super) sin: f64,
    pub(super) cos: f64,
    pub(super) rolling: f64,
    pub(super) drag_s_m: f64,
    pub(super) friction: f64,
}

/// An obstacle for a towed and for a driven wheel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct ObstacleProfile {
    pub(super) top_m: f64,
    pub(super) height_m: f64,
    /// It rises on the near side.
    pub(super) up: bool,
    /// It falls on the far side.
    pub(super) down: bool,
    contacts: [Contact; 2],
}

impl ObstacleProfile {
    pub(super) fn contact(&self, driven: bool) -> &Contact {
        &self.contacts[usize::from(driven)]
    }

    pub(super) fn begin_m(&self, driven: bool) -> f64 {
        if self.up { self.top_m - self.contact(driven).width_m } else { self.top_m }
    }

    pub(super) fn end_m(&self, driven: bool) -> f64 {
        if self.down { self.top_m + self.contact(driven).width_m } else { self.top_m }
    }
}

/// A course ready to drive on.
#[derive(Clone, Debug, PartialEq)]
pub struct Track {
    /// The course.
    pub course: Course,
    pub(super) segments: Vec<TrackSegment>,
    pub(super) obstacles: Vec<ObstacleProfile>,
}

/// An obstacle that cannot be climbed: a wall that takes any tractive force.
const WALL: Contact = Contact { slope: 1e3, width_m: 1e-3, cosine: 0.0 };

impl Track {
    /// Lays `course` for `vehicle`.
    #[must_use]
    pub fn new(course: Course, vehicle: &Vehicle) -> Track {
        let next = |i: usize| course.segments.get(i + 1).map_or(f64::INFINITY, |s| s.start_m);
        let segments = course
            .segments
            .iter()
            .enumerate()
            .map(|(i, segment)| {
                let surface = &course.surfaces[segment.surface];
                TrackSegment {
                    start_m: if i == 0 { f64::NEG_INFINITY } else { segment.start_m },
                    end_m: next(i),
                    sin: segment.sin_grade,
                    cos: (1.0 - segment.sin_grade * segment.sin_grade).max(0.0).sqrt(),
                    rolling: surface.rolling * vehicle.rolling_factor,
                    drag_s_m: surface.drag_s_m * vehicle.rolling_factor,
                    friction: surface.friction * vehicle.friction_factor,
                }
            })
            .collect();
        let obstacles = course
            .obstacles
            .iter()
            .map(|o| ObstacleProfile {
                top_m: o.position_m,
                height_m: o.height_m,
                up: o.shape != ObstacleShape::Drop,
                down: o.shape != ObstacleShape::Edge,
                contacts: [false, true].map(|driven| {
                    Contact::new(o.shape, o.height_m, vehicle.wheel_radius_m, driven).unwrap_or(WALL)
                }),
            })
            .collect();
        Track { course, segments, obstacles }
    }
}
