//! Logs: what a controller wrote down while the vehicle was driven.
//!
//! A log is CSV with a heading line. Names of columns say the quantity and its unit: `time_s`,
//! `motor_speed_rad_s`, `duty`, `battery_voltage_v`, `motor_current_a`, `tilt_deg`, `gear` (0 is neutral) or
//! `selector_deg`, `distance_m`, `event`, for trials `lap`, `policy`, `nudge`, `fallback`, and for replays of a recorded controller
//! `preview`, `request`, `ordered_gear`, `phase`. Time, motor speed and duty are needed. Other names and units are
//! declared in a [`Mapping`]. Memory is that of one row, however long the file.

mod columns;
mod dialect;
mod mapping;
mod number;
mod reader;
mod row;
mod sample_interval;

pub use columns::{Quantity, Unit};
pub use mapping::{ColumnMap, Decimal, DutyHolds, Mapping, SpeedIs};
pub use number::{Mark, NumberFault, number};
pub use reader::LogReader;
pub use row::{ReadCounters, RecordedOrder, Sample};

use std::path::PathBuf;

/// Why a log could not be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LogError {
    /// The file could not be read.
    #[error("{file}: {reason}\n  hint: check the path and that the file may be read")]
    Unreadable {
        /// File.
        file: PathBuf,
        /// What the system said.
        reason: std::io::Error,
    },
    /// The file is not a log at all.
    #[error("{file}: {problem}")]
    Format {
        /// File.
        file: PathBuf,
        /// What it is instead, and what to do.
        problem: String,
    },
    /// The heading line does not do.
    #[error("{file}, line {line}: {problem}")]
    Heading {
        /// File.
        file: PathBuf,
        /// Line, from 1.
        line: u64,
        /// What is missing or unknown, and what is allowed.
        problem: String,
    },
    /// Rows lie too far apart or too close: the time is in another unit.
    #[error("{file}, up to line {line}: {problem}")]
    SampleInterval {
        /// File.
        file: PathBuf,
        /// Line up to which the rows were looked at.
        line: u64,
        /// How far they lie apart, and the unit that the time is likely in.
        problem: String,
    },
    /// More rows than allowed could not be read.
    #[error(
        "{file}, line {line}: {bad} rows could not be read, allowed: {most}; the first:\n{first}\n  hint: mend the file, declare its columns in a mapping (--mapping), or raise `most-bad-rows` there"
    )]
    TooManyBadRows {
        /// File.
        file: PathBuf,
        /// Line of the last of them.
        line: u64,
        /// How many.
        bad: u64,
        /// How many are allowed.
        most: u64,
        /// The first few, one a line.
        first: String,
    },
}
