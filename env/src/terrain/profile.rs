//! A measured profile from CSV.

use super::{Course, Obstacle, ObstacleShape, Segment, Surface};
use crate::config::escaped;
use serde::Deserialize;
use std::path::{Path, PathBuf};

/// Why a profile could not be used.
#[derive(Debug, thiserror::Error)]
pub enum ProfileError {
    /// The file could not be read or is not CSV with the expected columns.
    #[error(
        "{file}: {reason}\n  hint: columns are distance_m, elevation_m, surface and, optionally, obstacle_height_m, obstacle_shape (bump or edge)"
    )]
    Unreadable {
        /// File.
        file: PathBuf,
        /// What is wrong.
        reason: csv::Error,
    },
    /// A row does not fit.
    #[error("{file}, line {line}: {problem}")]
    Row {
        /// File.
        file: PathBuf,
        /// Line, from 1.
        line: usize,
        /// What is wrong and what is allowed.
        problem: String,
    },
}

/// Least and greatest length, m.
const LENGTHS_M: (f64, f64) = (0.5, 10_000.0);
/// Farthest place from zero, m.
const FARTHEST_M: f64 = 1e6;

#[derive(Deserialize)]
struct Row {
    distance_m: f64,
    elevation_m: f64,
    surface: String,
    obstacle_height_m: Option<f64>,
    obstacle_shape: Option<ObstacleShape>,
}

/// Reads a profile: one row per measured point, `surface` and grade hold up to the next point, an obstacle
/// stands at its point.
///
/// # Errors
/// [`ProfileError`] with file, line and what is allowed.
pub fn read_profile(file: &Path, name: &str, surfaces: &[Surface]) -> Result<Course, ProfileError> {
    let rows = read_rows(file)?;
    let fault = |line: usize, problem: String| ProfileError::Row { file: file.to_owned(), line, problem };
    let [(_, first), .., (last_line, last)] = rows.as_slice() else {
        return Err(fault(1, format!("{} points; a course needs at least 2", rows.len())));
    };
    let length_m = last.distance_m - first.distance_m;
    if !(LENGTHS_M.0..=LENGTHS_M.1).contains(&length_m) {
        let (low, high) = LENGTHS_M;
        return Err(fault(
            *last_line,
            format!("the profile is {length_m} m long; allowed: {low} to {high} m"),
        ));
    }
    let mut course = Course {
        name: name.to_owned(),
        length_m,
        surfaces: surfaces.to_vec(),
        segments: vec![],
        obstacles: vec![],
    };
    for (i, (line, row)) in rows.iter().enumerate() {
        let surface = surfaces.iter().position(|s| s.name == row.surface).ok_or_else(|| {
            let names: Vec<&str> = surfaces.iter().map(|s| s.name.as_str()).collect();
            fault(
                *line,
                format!("surface \"{}\" is unknown; allowed: {}", escaped(&row.surface), names.join(", ")),
            )
        })?;
        let start_m = row.distance_m - first.distance_m;
        if let Some(height_m) = row.obstacle_height_m {
            if !(height_m > 0.0 && height_m <= 0.5) {
                let problem = format!("obstacle_height_m is {height_m} m; allowed: above 0 to 0.5 m");
                return Err(fault(*line, problem));
            }
            let shape = row.obstacle_shape.unwrap_or(ObstacleShape::Bump);
            course.obstacles.push(Obstacle { position_m: start_m, height_m, shape });
        }
        let Some((next_line, next)) = rows.get(i + 1) else { break };
        let run = next.distance_m - row.distance_m;
        let sin_grade = (next.elevation_m - row.elevation_m) / run;
        if !(run > 0.0 && sin_grade.abs() < 0.71) {
            return Err(fault(
                *next_line,
                format!(
                    "a step of {run} m along and {sin_grade} up per metre; distances must increase and grades stay below 45°"
                ),
            ));
        }
        let start_m = if i == 0 { -5.0 } else { start_m };
        course.segments.push(Segment { start_m, sin_grade, surface });
    }
    Ok(course)
}

/// The rows with their lines in the file.
fn read_rows(file: &Path) -> Result<Vec<(usize, Row)>, ProfileError> {
    let unreadable = |reason| ProfileError::Unreadable { file: file.to_owned(), reason };
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_path(file).map_err(unreadable)?;
    let headings = reader.headers().map_err(unreadable)?.clone();
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|e| at_its_line(file, &headings, e))?;
        let line = record.position().map_or(0, |p| p.line() as usize);
        let row: Row = record.deserialize(Some(&headings)).map_err(|e| at_its_line(file, &headings, e))?;
        // Beyond, centimetres would be lost in rounding.
        if ![row.distance_m, row.elevation_m].iter().all(|place| place.abs() <= FARTHEST_M) {
            let problem =
                format!("distance_m and elevation_m must be finite numbers, -{FARTHEST_M} to {FARTHEST_M} m");
            return Err(ProfileError::Row { file: file.to_owned(), line, problem });
        }
        rows.push((line, row));
    }
    Ok(rows)
}

/// An error of the CSV reader with its line and heading, if it is one of a row.
fn at_its_line(file: &Path, headings: &csv::StringRecord, reason: csv::Error) -> ProfileError {
    let problem = match reason.kind() {
        csv::ErrorKind::UnequalLengths { expected_len, len, .. } => {
            Some(format!("{len} fields; allowed: {expected_len}, one for each heading"))
        }
        csv::ErrorKind::Deserialize { err, .. } => {
            let heading = err.field().and_then(|i| headings.get(usize::try_from(i).ok()?));
            Some(heading.map_or_else(|| err.kind().to_string(), |h| format!("{h}: {}", err.kind())))
        }
        _ => None,
    };
    match (problem, reason.position().map(|p| p.line() as usize)) {
        (Some(problem), Some(line)) => ProfileError::Row { file: file.to_owned(), line, problem },
        _ => ProfileError::Unreadable { file: file.to_owned(), reason },
    }
}
