//! The ground: surfaces, grades, roughness and obstacles along a course.

mod course;
mod generate;
mod laps;
mod obstacle;
mod placing;
mod profile;
mod roughness;

pub use course::{Course, Obstacle, Segment, Surface};
pub use generate::{
    CourseConfig, GradeConfig, LEAST_GAP_M, PatchConfig, RandomConfig, ScriptedSection, SurfaceConfig,
};
pub use laps::{GroundChange, LapNumber, LapsConfig};
pub use obstacle::{Contact, ObstacleShape};
pub use placing::{FREE_END_M, FREE_START_M, ObstacleConfig, PlacedObstacle};
pub use profile::{ProfileError, read_profile};
pub use roughness::{RoughnessClass, roughness_profile};
