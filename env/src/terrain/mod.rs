//! The ground: surfaces, grades, roughness and obstacles along a course.

mod course;
mod generate;
mod obstacle;
mod profile;
mod roughness;

pub use course::{Course, Obstacle, Segment, Surface};
pub use generate::{
    CourseConfig, GradeConfig, ObstacleConfig, PatchConfig, RandomConfig, ScriptedSection, SurfaceConfig,
};
pub use obstacle::{Contact, ObstacleShape};
pub use profile::{ProfileError, read_profile};
pub use roughness::{RoughnessClass, roughness_profile};
