//! `lowgear sensors`.

use super::replace::Replace;
use crate::config::{SensorKind, SensorsConfig, StudyConfig, check_ahead_m};
use crate::effort::Effort;
use crate::error::StudyError;
use crate::jobs::{LearnerSettings as _, PpoTraining};
use crate::progress::Reporter;
use crate::sensors::{Candidates, Distil, SensorOptions, SensorTraining, compare_sensors};
use crate::store::write_atomically;
use crate::study::{Inputs, LEVEL, distil_policy, enterable, read_inputs};
use crate::terminal;
use lowgear_env::Scenario;
use lowgear_env::config::{Check, KeyError, in_range, load, shown};
use lowgear_eval::sensors::text::sensors_text;
use lowgear_onboard::Feature;
use lowgear_report::sensors_page;
use std::path::PathBuf;

/// Say what one more sensor would be worth on a vehicle and its ground.
///
/// Reads a study file with its vehicle and course. Tunes the load-ratio rule without a sensor ahead and with each kind of
/// sensor (feeler, whisker, range sensor, gyroscope, and an exact preview to compare with), with the same budget, and drives all of
/// them over the same held-out courses, next to the clairvoyant plan. Prints what each saves in time and damage, what of
/// the obstacles it announces, what it adds to a controller, and whether it is worth it; with --out also as a page (HTML)
/// with a picture. What is learned may need a sensor less than a rule does: with --train it also trains a policy network,
/// and a table from it, with each sensor and without one, as [learners.ppo] of the study says. Sensors are those of
/// --sensors, then the vehicle file's own, then assumed ones for a small cart. Takes some minutes.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`:\n  lowgear sensors study.toml --quick --out sensors.html"
)]
pub(super) struct SensorsArguments {
    /// Study file (TOML)
    study: PathBuf,
    /// Other sensors than the shipped ones (TOML)
    #[arg(long, value_name = "FILE")]
    sensors: Option<PathBuf>,
    /// Mount all sensors but the gyroscope this far ahead of the front axle, m
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    ahead: Option<f64>,
    /// Smallest saving of time that makes a sensor worth it, %
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0, allow_negative_numbers = true)]
    margin: f64,
    /// Number of held-out courses [default: 1000]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(2..=100_000))]
    courses: Option<u64>,
    /// Also train a table with each sensor and without one, from the policy network of the study's [learners.ppo]
    #[arg(long)]
    train: bool,
    /// Small budgets, but every step: to see whether everything works
    #[arg(long)]
    quick: bool,
    /// Multiply the budget of every search by this factor, 0.001 to 10000
    #[arg(long, value_name = "FACTOR", conflicts_with = "quick")]
    effort: Option<f64>,
    /// Page to write (HTML)
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Threads [default: one per core]; the results do not depend on it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
    #[command(flatten)]
    replace: Replace,
}

pub(super) fn run(arguments: &SensorsArguments) -> Result<String, StudyError> {
    in_range("--margin", arguments.margin, 0.0, 100.0, "%")?;
    let inputs = read_inputs(&arguments.study, false)?;
    let candidates = candidates(arguments, &inputs.scenario.vehicle)?;
    let mut options = SensorOptions::new(&inputs.study, arguments.quick, LEVEL);
    options.margin_percent = arguments.margin;
    options.courses = arguments.courses.unwrap_or(options.courses);
    if let Some(factor) = arguments.effort {
        in_range("--effort", factor, 1e-3, 1e4, "")?;
        options.scale(factor);
    }
    if let Some(out) = &arguments.out {
        arguments.replace.of_study(&inputs, [], &arguments.sensors).check(out)?;
    }
    let threads = arguments.threads.map_or(0, usize::from);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build()?;
    let distil: &Distil<'_> = &|scenario, teacher, rule, seed| {
        let own = with_axes_of_sensor(&inputs, scenario);
        let made = distil_policy(&own, "ppo", teacher, rule, seed)?;
        Ok((made.iteration.table, made.score))
    };
    let training = network(arguments, &inputs.study)?.map(|network| SensorTraining { network, distil });
    let comparisons = pool.install(|| {
        let (study, scenario, reporter) = (&inputs.study, &inputs.scenario, Reporter::new());
        compare_sensors(study, scenario, &candidates, &options, training.as_ref(), enterable, &reporter)
    })?;
    let mut text = sensors_text(&comparisons, terminal::width());
    if let Some(out) = &arguments.out {
        write_atomically(out, sensors_page(&comparisons).as_bytes())?;
        text.push_str(&format!("page: {}\n", shown(out)));
    }
    Ok(text)
}

/// Training of the policy networks, if it is asked for.
fn network(arguments: &SensorsArguments, study: &StudyConfig) -> Result<Option<PpoTraining>, StudyError> {
    if !arguments.train {
        return Ok(None);
    }
    let allowed = "with a study file that has a table [learners.ppo]";
    let mut network = study.learners.ppo.clone().ok_or_else(|| KeyError::new("--train", "given", allowed))?;
    let quick = arguments.quick.then_some(study.quick.budget_share);
    network.scale(Effort(quick.or(arguments.effort).unwrap_or(1.0)));
    Ok(Some(network))
}

/// The study on the ground of a vehicle with a sensor. Its table may look ahead where the vehicle does.
fn with_axes_of_sensor(inputs: &Inputs, scenario: &Scenario) -> Inputs {
    let mut study = inputs.study.clone();
    for feature in [Feature::StrikeClass, Feature::StrikeMm] {
        let name = feature.name();
        if !study.table.features.iter().any(|known| known == name) {
            study.table.features.push(name.to_owned());
        }
    }
    Inputs { study, scenario: scenario.clone(), ..inputs.clone() }
}

/// The sensors to compare: the vehicle's own, and the others from a file.
fn candidates(
    arguments: &SensorsArguments,
    vehicle: &lowgear_env::vehicle::VehicleConfig,
) -> Result<Candidates, StudyError> {
    let (mut sensors, origin): (SensorsConfig, _) = match &arguments.sensors {
        Some(file) => (load(file)?, shown(file).to_string()),
        None => (SensorsConfig::shipped()?, "values for a small cart, assumed".to_owned()),
    };
    let given = arguments.sensors.is_some() && SensorKind::of(vehicle).is_some_and(|kind| sensors.has(kind));
    let fitted = if given { None } else { sensors.take_from(vehicle) };
    if let Some(ahead_m) = arguments.ahead {
        check_ahead_m(ahead_m)?;
        sensors.mount_at(ahead_m);
        sensors.check()?;
    }
    Ok(Candidates { sensors, fitted, origin })
}
