//! What the report draws beyond the figures of the summary, as data: policies are driven and asked for it.

mod course;
mod data;
mod file;
mod shift_map;
mod trace;

pub use course::{Driver, course_picture, episode_picture, trace_picture};
pub use data::{
    CardSheet, CourseDifferences, CoursePicture, EventKind, FrontierPoint, GearMap, HeatPicture, LOAD_UNIT,
    LoadInterval, MapCell, ObstacleMark, Pictures, RunTrace, ShiftMapPicture, Support, SurfaceBand,
    TraceEvent, TracePicture, TraceSample,
};
pub use file::{FIGURES_FORMAT, FiguresError};
pub use shift_map::{CellSupport, probe_features, shift_map};
pub use trace::{plan_trace, run_trace, watch};

#[cfg(test)]
mod tests;
