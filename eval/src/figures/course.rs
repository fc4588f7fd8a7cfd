//! Courses to draw, and runs on them.

use std::sync::Arc;

use lowgear_agents::policy::Policy;
use lowgear_env::Scenario;
use lowgear_env::terrain::{Course, ObstacleShape};

use super::trace::{plan_trace, run_trace};
use crate::bound::GridResolution;
use crate::figures::{CoursePicture, ObstacleMark, RunTrace, SurfaceBand, TracePicture};
use crate::summary::Family;

/// Stretches that a profile is drawn in.
const STRETCHES: u32 = 600;
/// An edge is drawn as a rise over this length, m.
const EDGE_M: f64 = 1e-4;

/// A course as the report draws it: elevation of the ground, surfaces, obstacles.
#[must_use]
pub fn course_picture(course: &Course) -> CoursePicture {
    let edges = course.obstacles.iter().filter(|o| o.rise_m() != 0.0);
    let even = (0..=STRETCHES).map(|i| course.length_m * f64::from(i) / f64::from(STRETCHES));
    let mut places: Vec<f64> =
        even.chain(edges.flat_map(|edge| [edge.position_m - EDGE_M, edge.position_m])).collect();
    places.retain(|place| (0.0..=course.length_m).contains(place));
    places.sort_by(f64::total_cmp);
    places.dedup();
    CoursePicture {
        name: course.name.clone(),
        profile: places.into_iter().map(|place| (place, course.elevation_m(place))).collect(),
        surfaces: bands(course),
        obstacles: course
            .obstacles
            .iter()
            .filter(|obstacle| (0.0..=course.length_m).contains(&obstacle.position_m))
            .map(|obstacle| ObstacleMark {
                at_m: obstacle.position_m,
                height_m: obstacle.height_m,
                name: match obstacle.shape {
                    ObstacleShape::Bump => "bump".to_owned(),
                    ObstacleShape::Edge => "edge".to_owned(),
                    ObstacleShape::Drop => "drop".to_owned(),
                },
            })
            .collect(),
    }
}

/// Stretches of one surface from start to end; neighbours of one name are joined.
fn bands(course: &Course) -> Vec<SurfaceBand> {
    let mut bands: Vec<SurfaceBand> = Vec::new();
    for (i, segment) in course.segments.iter().enumerate() {
        let next_m = course.segments.get(i + 1).map_or(f64::INFINITY, |next| next.start_m);
        let (from_m, to_m) = (segment.start_m.max(0.0), next_m.min(course.length_m));
        if to_m <= from_m {
            continue;
        }
        let name = &course.surfaces[segment.surface].name;
        match bands.last_mut() {
            Some(last) if last.name == *name => last.to_m = to_m,
            _ => bands.push(SurfaceBand { from_m, to_m, name: name.clone() }),
        }
    }
    bands
}

/// Runs on one course, ready to draw.
#[must_use]
pub fn trace_picture(title: &str, course: &Course, gears: usize, runs: Vec<RunTrace>) -> TracePicture {
    TracePicture {
        title: title.to_owned(),
        note: String::new(),
        course: course_picture(course),
        gears: gears as u8,
        runs,
    }
}

/// A policy with its name and kind.
pub type Driver = (String, Family, Box<dyn Policy>);

/// Drives each policy through the same episode, then the plan if a label and fineness for it are given.
pub fn episode_picture(
    scenario: &Arc<Scenario>,
    episode: u64,
    title: &str,
    drivers: &mut [Driver],
    plan: Option<(&str, GridResolution)>,
) -> TracePicture {
    let mut runs: Vec<RunTrace> = drivers
        .iter_mut()
        .map(|(label, family, policy)| run_trace(scenario, episode, policy.as_mut(), label, *family).0)
        .collect();
    runs.extend(plan.map(|(label, resolution)| plan_trace(scenario, episode, resolution, label).0));
    trace_picture(title, &scenario.instantiate(episode).1.course, scenario.gears(), runs)
}
