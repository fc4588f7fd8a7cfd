//! A measured profile from CSV.

use super::{Course, Obstacle, ObstacleShape, Segment, Surface};
use serde::Deserialize;
use std::path::{Path, PathBuf};

/// Why a profile could not be used.
#[derive(Debug, thiserror::Error)]
pub enum ProfileError {
    /// The file could not be read or is not CSV with the expected columns.
    #[error("{file}: {reason}\n  hint: columns are distance_m, elevation_m, surface and, optionally, obstacle_height_m, obstacle_shape (rod or edge)")]
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
    let unreadable = |reason| ProfileError::Unreadable { file: file.to_owned(), reason };
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_path(file).map_err(unreadable)?;
    let rows: Vec<Row> = reader.deserialize().collect::<Result<_, _>>().map_err(unreadable)?;
    let fault = |line: usize, problem: String| ProfileError::Row { file: file.to_owned(), line, problem };
    if rows.len() < 2 {
        return Err(fault(1, format!("{} points; a course needs at least 2", rows.len())));
    }
    let mut course = Course {
        name: name.to_owned(),
        length_m: rows[rows.len() - 1].distance_m - rows[0].distance_m,
        surfaces: surfaces.to_vec(),
        segments: vec![],
        obstacles: vec![],
    };
    for (i, row) in rows.iter().enumerate() {
        let line = i + 2;
        if !row.distance_m.is_finite() || !row.elevation_m.is_finite() {
            return Err(fault(line, "distance_m and elevation_m must be finite numbers".into()));
        }
        let start_m = row.distance_m - rows[0].distance_m;
        if let Some(height_m) = row.obstacle_height_m {
            if !(height_m > 0.0 && height_m <= 0.5) {
                return Err(fault(line, format!("obstacle_height_m is {height_m} m; allowed: above 0 to 0.5 m")));
            }
            let shape = row.obstacle_shape.unwrap_or(ObstacleShape::Rod);
            course.obstacles.push(Obstacle { position_m: start_m, height_m, shape });
        }
        let Some(next) = rows.get(i + 1) else { break };
        let run = next.distance_m - row.distance_m;
        let sin_grade = (next.elevation_m - row.elevation_m) / run;
        if !(run > 0.0 && sin_grade.abs() < 0.71) {
            return Err(fault(
                line + 1,
                format!("a step of {run} m along and {sin_grade} up per metre; distances must increase and grades stay below 45°"),
            ));
        }
        let surface = surfaces.iter().position(|s| s.name == row.surface).ok_or_else(|| {
            let names: Vec<&str> = surfaces.iter().map(|s| s.name.as_str()).collect();
            fault(line, format!("surface \"{}\" is unknown; allowed: {}", row.surface, names.join(", ")))
        })?;
        let start_m = if i == 0 { -5.0 } else { start_m };
        course.segments.push(Segment { start_m, sin_grade, surface });
    }
    Ok(course)
}
