//! A course as one vehicle meets it: factors applied, contacts worked out.

use crate::terrain::{Contact, Course, ObstacleShape};
use crate::vehicle::Vehicle;

/// A stretch of constant grade and surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Stretch {
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
pub(super) struct Hurdle {
    pub(super) top_m: f64,
    pub(super) height_m: f64,
    /// It rises on the near side.
    pub(super) up: bool,
    /// It falls on the far side.
    pub(super) down: bool,
    contacts: [Contact; 2],
}

impl Hurdle {
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
    pub(super) stretches: Vec<Stretch>,
    pub(super) hurdles: Vec<Hurdle>,
}

/// An obstacle that cannot be climbed: a wall that takes any thrust.
const WALL: Contact = Contact { slope: 1e3, width_m: 1e-3, cosine: 0.0 };

impl Track {
    /// Lays `course` for `vehicle`.
    #[must_use]
    pub fn new(course: Course, vehicle: &Vehicle) -> Track {
        let next = |i: usize| course.segments.get(i + 1).map_or(f64::INFINITY, |s| s.start_m);
        let stretches = course
            .segments
            .iter()
            .enumerate()
            .map(|(i, segment)| {
                let surface = &course.surfaces[segment.surface];
                Stretch {
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
        let hurdles = course
            .obstacles
            .iter()
            .map(|o| Hurdle {
                top_m: o.position_m,
                height_m: o.height_m,
                up: o.shape != ObstacleShape::Drop,
                down: o.shape != ObstacleShape::Edge,
                contacts: [false, true].map(|driven| {
                    Contact::new(o.shape, o.height_m, vehicle.wheel_radius_m, driven).unwrap_or(WALL)
                }),
            })
            .collect();
        Track { course, stretches, hurdles }
    }
}
