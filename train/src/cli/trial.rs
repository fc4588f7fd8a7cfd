//! `lowgear trial`: a trial of two policies on the ground, planned and evaluated.

use super::replace::Replace;
use super::{OtherVehicle, policy};
use crate::error::StudyError;
use crate::field::LogArguments;
use crate::store::write_atomically;
use crate::study::read_inputs;
use lowgear_env::config::{KeyError, escaped, shown};
use lowgear_env::{Scenario, Seed};
use lowgear_eval::PolicyId;
use lowgear_eval::trial::damage::LapModel;
use lowgear_eval::trial::laps::{LapFinder, LapRule};
use lowgear_eval::trial::plan::{Claim, MOST_PLANNED, PlanSettings, TrialPlan};
use lowgear_eval::trial::predict::predict;
use lowgear_eval::trial::result::{Trial, TrialSettings};
use lowgear_report::{plan_page, trial_page};
use lowgear_sysid::log::LogReader;
use std::path::PathBuf;

/// Plan a trial of two policies on the ground, and evaluate its laps.
///
/// Reads figures or logs. Writes a plan to print, or a verdict that holds however one stops.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`:\n  lowgear trial plan --gain 2.5 --scatter 3 --out trial.html"
)]
pub(super) struct TrialArguments {
    #[command(subcommand)]
    part: Part,
}

#[derive(clap::Subcommand)]
enum Part {
    Plan(PlanArguments),
    #[command(name = "judge")]
    Evaluate(EvaluateArguments),
}

/// Plan a trial: pairs of laps, their order, what to stop for.
///
/// Reads nothing but its options. Writes the plan as plain text to standard output, or with --out as a page to print
/// (HTML): how many pairs of laps a claim takes, with a number fixed in advance and with a look after every pair; a
/// random order; battery changes; cautions.
#[derive(clap::Args)]
#[command(after_help = "Example:\n  lowgear trial plan --gain 2.5 --scatter 3 --out trial.html")]
struct PlanArguments {
    /// Time that the tested policy is expected to save, %
    #[arg(long, value_name = "PERCENT", allow_negative_numbers = true, value_parser = number::<-90, 90>)]
    gain: f64,
    /// Standard deviation of the relative difference within a pair, %; the first four pairs of a trial show it
    #[arg(long, value_name = "PERCENT", value_parser = above_zero)]
    scatter: f64,
    /// The claim that the pairs are planned for
    #[arg(long, value_name = "CLAIM", value_enum, default_value_t = WantedClaim::Faster)]
    claim: WantedClaim,
    /// Pairs to plan [default: those after which four trials in five have their verdict]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=MOST_PLANNED as i64))]
    pairs: Option<u8>,
    /// Pairs driven with one battery
    #[arg(long, value_name = "N", default_value_t = 5, value_parser = clap::value_parser!(u8).range(1..=100))]
    pairs_per_battery: u8,
    /// Seed of the order
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Page to write (HTML)
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    #[command(flatten)]
    reading: Reading,
    #[command(flatten)]
    replace: Replace,
}

/// Evaluate a trial: find the laps, pair them, and say what they prove.
///
/// Reads logs with laps, in the order in which they were driven. Laps come from the columns lap and policy (as `lowgear
/// log` writes them), from events like `lap 3 table` and `end`, or with --landmarks from the distance column. Writes a
/// verdict that may be looked at after every pair, with its interval, wear, laps that do not count, and what more laps
/// would bring; with --out also as a page (HTML) with a picture. With --study the vehicle's model follows the logs: damage
/// is compared as well, and what battery and warmth at the start of the laps explain is taken off the differences.
#[derive(clap::Args)]
#[command(
    after_help = "Example, laps.csv being your log:\n  lowgear trial judge laps.csv --out verdict.html"
)]
struct EvaluateArguments {
    /// Logs (CSV)
    #[arg(required = true, value_name = "LOG")]
    logs: Vec<PathBuf>,
    /// Distances at which a lap begins and ends, m, in place of labels
    #[arg(long, value_name = "START,END", value_delimiter = ',', allow_negative_numbers = true)]
    landmarks: Option<Vec<f64>>,
    /// Numbers of laps that do not count, for a reason that has nothing to do with the policy
    #[arg(long, value_name = "LAP,LAP", value_delimiter = ',')]
    leave_out: Vec<u32>,
    /// Study file with vehicle and ground of the trial: adds damage and a control variate by its model; give it from the
    /// first look on or not at all
    #[arg(long, value_name = "FILE")]
    study: Option<PathBuf>,
    /// Page to write (HTML)
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    #[command(flatten)]
    columns: LogArguments,
    #[command(flatten)]
    reading: Reading,
    #[command(flatten)]
    replace: Replace,
}

/// What plan and evaluation share.
#[derive(clap::Args)]
struct Reading {
    /// Names of the reference (policy 0) and of the tested policy (policy 1)
    #[arg(long, value_name = "NAME,NAME", value_delimiter = ',', default_value = "rule,table")]
    policies: Vec<String>,
    /// Largest loss of time that does not matter, %
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0, value_parser = above_zero)]
    margin: f64,
    /// Confidence of the verdict, %
    #[arg(long, value_name = "PERCENT", default_value_t = 95.0, value_parser = confidence)]
    confidence: f64,
}

/// The claims by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum WantedClaim {
    /// The tested policy is faster
    Faster,
    /// It is slower by at most the margin
    NotSlower,
}

fn number<const LOW: i64, const HIGH: i64>(text: &str) -> Result<f64, String> {
    let allowed = || format!("allowed: a number from {LOW} to {HIGH}");
    let value: f64 = text.parse().map_err(|_| allowed())?;
    if value >= LOW as f64 && value <= HIGH as f64 { Ok(value) } else { Err(allowed()) }
}

fn above_zero(text: &str) -> Result<f64, String> {
    let value = number::<0, 90>(text).ok().filter(|value| *value >= 0.01);
    value.ok_or_else(|| "allowed: a number from 0.01 to 90".to_owned())
}

fn confidence(text: &str) -> Result<f64, String> {
    let value = number::<50, 100>(text).ok().filter(|value| *value <= 99.99);
    value.ok_or_else(|| "allowed: a number from 50 to 99.99".to_owned())
}

impl Reading {
    fn policies(&self) -> Result<[String; 2], KeyError> {
        let short =
            |name: &&String| (1..=30).contains(&name.chars().count()) && !name.contains(char::is_whitespace);
        let named: Vec<String> = self.policies.iter().filter(short).map(|name| escaped(name)).collect();
        match <[String; 2]>::try_from(named) {
            Ok(names) if names[0] != names[1] => Ok(names),
            _ => {
                let allowed = "two different names of 1 to 30 letters without spaces";
                Err(KeyError::new("--policies", self.policies.join(","), allowed))
            }
        }
    }

    fn level(&self) -> f64 {
        0.01 * self.confidence
    }
}

pub(super) fn run(arguments: &TrialArguments) -> Result<String, StudyError> {
    match &arguments.part {
        Part::Plan(a) => plan(a),
        Part::Evaluate(a) => evaluate(a),
    }
}

fn plan(arguments: &PlanArguments) -> Result<String, StudyError> {
    let plan = TrialPlan::new(PlanSettings {
        gain_percent: arguments.gain,
        scatter_percent: arguments.scatter,
        margin_percent: arguments.reading.margin,
        claim: match arguments.claim {
            WantedClaim::Faster => Claim::Faster,
            WantedClaim::NotSlower => Claim::NotSlower,
        },
        level: arguments.reading.level(),
        pairs: arguments.pairs.map(usize::from),
        pairs_per_battery: arguments.pairs_per_battery.into(),
        policies: arguments.reading.policies()?,
        seed: Seed(arguments.seed),
    });
    match &arguments.out {
        Some(file) => {
            arguments.replace.outputs::<&PathBuf>([]).check(file)?;
            write_atomically(file, plan_page(&plan).as_bytes())?;
            Ok(format!("{}\nplan: {}\n", plan.lead(), shown(file)))
        }
        None => Ok(plan.text()),
    }
}

/// The model of a study's vehicle on the mean friction of its ground.
fn model(scenario: &Scenario) -> LapModel {
    let surfaces = &scenario.course.surfaces;
    let friction = surfaces.iter().map(|s| s.friction).sum::<f64>() / surfaces.len().max(1) as f64;
    LapModel::new(&scenario.vehicle, friction)
}

fn evaluate(arguments: &EvaluateArguments) -> Result<String, StudyError> {
    let policies = arguments.reading.policies()?;
    let landmarks_m = match arguments.landmarks.as_deref() {
        None => None,
        Some(&[start, end]) if start.is_finite() && end.is_finite() && end > start => Some([start, end]),
        Some(given) => {
            return Err(KeyError::new(
                "--landmarks",
                format!("{given:?}"),
                "START,END in m, END above START",
            )
            .into());
        }
    };
    let study = arguments.study.as_ref().map(|file| read_inputs(file, false)).transpose()?;
    if let Some(file) = &arguments.out {
        let inputs = arguments.logs.iter().chain(arguments.columns.file());
        match &study {
            Some(study) => arguments.replace.of_study(study, [], inputs).check(file)?,
            None => arguments.replace.outputs(inputs).check(file)?,
        }
    }
    let mapping = arguments.columns.mapping()?;
    let mut finder = LapFinder::new(LapRule { policies: policies.clone(), landmarks_m });
    if let Some(study) = &study {
        finder = finder.with_model(model(&study.scenario));
    }
    let (mut notes, mut files) = (String::new(), Vec::new());
    for file in &arguments.logs {
        let mut log = LogReader::open(file, &mapping)?;
        finder.read(&mut log)?;
        let name = escaped(&file.file_name().unwrap_or_default().to_string_lossy());
        for line in log.counters().text().lines() {
            notes.push_str(&format!("{name}: {line}\n"));
        }
        files.push(name);
    }
    let mut laps = finder.finish();
    if laps.is_empty() {
        return Err(StudyError::NoLaps);
    }
    if let Some(study) = &study {
        let (_, rule) = policy(study, PolicyId::HandRule.as_str(), OtherVehicle { other_vehicle: false })?;
        predict(&mut laps, &study.scenario, &rule);
        study.scenario.check_driven()?;
    }
    let settings = TrialSettings {
        policies,
        level: arguments.reading.level(),
        margin_percent: arguments.reading.margin,
        left_out: arguments.leave_out.clone(),
    };
    let trial = Trial::new(laps, settings);
    let mut text = format!("{}\n{notes}", trial.text(&files));
    if let Some(file) = &arguments.out {
        write_atomically(file, trial_page(&trial, &files).as_bytes())?;
        text.push_str(&format!("page: {}\n", shown(file)));
    }
    Ok(text)
}
