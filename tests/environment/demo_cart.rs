//! The demo cart without variation, on scripted ground made of the demo course's surfaces.

use lowgear_env::terrain::{CourseConfig, ObstacleShape, ScriptedSection};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Drive, EpisodeConfig, Scenario, Seed, Step, World, config};
use lowgear_onboard::{Features, Request};
use std::path::Path;
use std::sync::Arc;

/// The cart as its file has it, variation included.
pub(super) fn cart() -> VehicleConfig {
    config::parse(include_str!("../../configs/vehicles/demo-cart.toml"), Path::new("demo-cart.toml")).unwrap()
}

/// The cart with every parameter at its centre.
pub(super) fn nominal_cart() -> VehicleConfig {
    let cart = cart();
    VehicleConfig { variation: cart.variation.nominal(), ..cart }
}

/// The demo course.
pub(super) fn garden() -> CourseConfig {
    config::parse(include_str!("../../configs/courses/garden-mix.toml"), Path::new("garden-mix.toml"))
        .unwrap()
}

/// Ground of one surface and grade.
pub(super) fn stretch(surface: &str, length_m: f64, grade_deg: f64) -> ScriptedSection {
    ScriptedSection {
        length_m,
        surface: surface.into(),
        grade_deg,
        obstacle_height_m: None,
        obstacle_shape: None,
    }
}

/// A metre of flat hard path with a bump in its middle.
pub(super) fn bump(height_m: f64) -> ScriptedSection {
    ScriptedSection {
        obstacle_height_m: Some(height_m),
        obstacle_shape: Some(ObstacleShape::Bump),
        ..stretch("hard path", 1.0, 0.0)
    }
}

/// Scripted ground with the surfaces of the demo course.
pub(super) fn scripted(sections: Vec<ScriptedSection>) -> CourseConfig {
    CourseConfig { name: "scripted".into(), random: None, sections, ..garden() }
}

/// A vehicle on scripted ground; generous limits, so that the vehicle decides what happens.
pub(super) fn scenario(
    vehicle: VehicleConfig,
    sections: Vec<ScriptedSection>,
    start_gear: usize,
) -> Arc<Scenario> {
    let episode =
        EpisodeConfig { start_gear, time_limit_s: 600.0, give_up_s: 60.0, ..EpisodeConfig::default() };
    Arc::new(Scenario::new(vehicle, (scripted(sections), None), episode, Seed(20)))
}

/// Drives until the end or until `time_s`, asking `rule` at every decision. Returns the drive, with its trace.
pub(super) fn driven(
    scenario: &Arc<Scenario>,
    time_s: f64,
    mut rule: impl FnMut(&Features) -> Request,
) -> Drive {
    let mut drive = Drive::new(Arc::clone(scenario), 0).with_trace();
    let mut elapsed_s = 0.0;
    while elapsed_s < time_s {
        let wanted = rule(drive.observation()) as usize;
        let action = if drive.allowed(wanted) { wanted } else { Request::Hold as usize };
        let Step { elapsed_s: took_s, end, .. } = drive.step(action);
        elapsed_s += took_s;
        if end.is_some() {
            break;
        }
    }
    drive
}

/// Never shifts.
pub(super) fn hold(_: &Features) -> Request {
    Request::Hold
}
