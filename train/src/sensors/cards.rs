//! A sensor in words and figures: how it is mounted, what it sees, and what it adds to a controller.

use super::Candidates;
use crate::config::SensorKind;
use crate::error::StudyError;
use lowgear_agents::table::{LookupTable, Provenance, TableAxis};
use lowgear_env::Scenario;
use lowgear_env::vehicle::{PreviewSensor, RangeConfig};
use lowgear_eval::sensors::{SensorCard, Sighting};
use lowgear_firmware::Target;
use lowgear_onboard::{Feature, Request};

/// What is known of a sensor on a vehicle before and after it has been driven.
pub(super) fn card(
    candidates: &Candidates,
    kind: SensorKind,
    scenario: &Scenario,
    sighting: Sighting,
    rule: Vec<String>,
) -> Result<SensorCard, StudyError> {
    let sensor = scenario.vehicle.sensors.preview().ok_or(StudyError::Nothing("sensors: no sensor"))?;
    let reference = kind == SensorKind::Exact;
    let origin = if reference {
        "a feeler without error, to compare with".to_owned()
    } else if candidates.fitted == Some(kind) {
        "the vehicle file".to_owned()
    } else {
        candidates.origin.clone()
    };
    let (sees, misses) = if reference { exactly(sensor) } else { sight(sensor) };
    Ok(SensorCard {
        name: kind.name().to_owned(),
        reference,
        origin,
        mounting: mounting(sensor),
        sees,
        misses,
        flash_bytes: flash_bytes(scenario),
        sighting,
        rule,
    })
}

fn mm(metres: f64) -> String {
    format!("{:.0} mm", 1000.0 * metres)
}

/// With tenths, for heights of obstacles.
fn fine_mm(metres: f64) -> String {
    format!("{:.1} mm", 1000.0 * metres)
}

fn mounting(sensor: PreviewSensor) -> String {
    match sensor {
        PreviewSensor::Gyro(_) => "anywhere on the body, its axis across the vehicle".to_owned(),
        PreviewSensor::Feeler(feeler) => {
            format!("roller {} ahead of the front axle, arm of {}", mm(feeler.ahead_m), mm(feeler.arm_m))
        }
        PreviewSensor::Whisker(whisker) => format!("tip {} ahead of the front axle", mm(whisker.ahead_m)),
        PreviewSensor::Range(range) => {
            let reach = match footprint_m(&range) {
                (near_m, Some(far_m)) => format!("{} to {} ahead", mm(near_m), mm(far_m)),
                (near_m, None) => format!("from {} ahead up to the horizon", mm(near_m)),
            };
            format!(
                "at the front axle, {} up, aimed {} ahead; its cone of {} degrees covers the ground {reach}",
                mm(range.height_m),
                mm(range.ahead_m),
                range.cone_deg
            )
        }
    }
}

/// Near and far end of the ground in a beam, m ahead; no far end where the beam reaches the horizon.
fn footprint_m(range: &RangeConfig) -> (f64, Option<f64>) {
    let down = (range.height_m / range.ahead_m).atan();
    let half = 0.5 * range.cone_deg.to_radians();
    // A beam that also looks behind the plumb line begins below the sensor.
    let near_m = range.height_m / (down + half).min(std::f64::consts::FRAC_PI_2).tan();
    let far_m = (down > half).then(|| range.height_m / (down - half).tan());
    (near_m, far_m)
}

fn sight(sensor: PreviewSensor) -> (String, String) {
    let (sees, misses) = match sensor {
        PreviewSensor::Feeler(feeler) => (
            format!(
                "bumps and edges from {} up on its track, from {} up as high ones",
                fine_mm(feeler.low_m),
                fine_mm(feeler.high_m)
            ),
            "what lies outside its track; anything while it is stuck in long grass".to_owned(),
        ),
        PreviewSensor::Whisker(whisker) => (
            format!("that something of {} or more is on its track", fine_mm(whisker.trigger_m)),
            "how high it is; what lies outside its track; anything while it is stuck in long grass"
                .to_owned(),
        ),
        PreviewSensor::Range(range) => (
            format!(
                "the mean height of its footprint, from {} up: kerbs, steps, long grass",
                mm(range.low_m)
            ),
            format!("single canes: a footprint averages them away, and its noise is {}", mm(range.noise_m)),
        ),
        PreviewSensor::Gyro(gyro) => (
            format!(
                "what the front axle climbs, from {} up, from {} up as high: the last axle meets it next",
                fine_mm(gyro.low_m),
                fine_mm(gyro.high_m)
            ),
            "anything ahead of the front axle; where slopes begin it takes them for obstacles".to_owned(),
        ),
    };
    (sees, misses)
}

fn exactly(sensor: PreviewSensor) -> (String, String) {
    let low_m = if let PreviewSensor::Feeler(feeler) = sensor { feeler.low_m } else { 0.0 };
    (
        format!("every obstacle from {} up, in its place", fine_mm(low_m)),
        "what pitch and odometry displace; what is further ahead".to_owned(),
    )
}

/// Program memory of a controller whose table has axes over strikes, less that of one whose table has not; none where
/// this machine has no compiler for it.
fn flash_bytes(scenario: &Scenario) -> Option<u32> {
    let edges = |feature, edges: &[i16]| TableAxis { feature, edges: edges.to_vec() };
    let gears = i16::try_from(scenario.gears()).ok()?;
    let blind =
        vec![edges(Feature::Gear, &(1..gears).collect::<Vec<_>>()), edges(Feature::SpeedRatio, &[400, 850])];
    let mut ahead = blind.clone();
    ahead.extend([edges(Feature::StrikeClass, &[2, 3]), edges(Feature::StrikeMm, &[150])]);
    let bytes = |axes: Vec<TableAxis>| {
        let cells = axes.iter().map(TableAxis::bins).product();
        let table =
            LookupTable::from_requests(axes, &vec![Request::Hold; cells], Provenance::default()).ok()?;
        Target::CortexM0.flash_bytes(&table, &scenario.settings)
    };
    bytes(ahead)?.checked_sub(bytes(blind)?)
}
