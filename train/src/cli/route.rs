//! `lowgear route`.

use super::replace::Replace;
use super::{Advice, OtherVehicle, policy};
use crate::error::StudyError;
use crate::route::{RouteOptions, route_worth};
use crate::store::write_atomically;
use crate::study::{LEVEL, read_inputs};
use lowgear_env::config::shown;
use lowgear_env::load_course;
use lowgear_eval::suite::TestSuite;
use lowgear_report::laps_page;
use std::path::PathBuf;

/// Say what a memory of the way would be worth to a vehicle that drives it again and again.
///
/// Reads a study file (vehicle, course, rules of the episode) and a saved policy. Makes a map of the gear to be in by position for
/// each way, from its first lap, and drives other laps of it (table [laps] of the course file) with a position that is known but for
/// an error of 0 to 0.3 m, by dead reckoning alone, and with obstacles as landmarks; next to the policy alone and the plan of each
/// lap. Where the course has laps, also lets vehicles without a map learn each way by themselves, lap by lap, and says what that costs
/// when the ground changes. Writes a table.
/// Takes some seconds per way, with --learned a hundredth of that.
#[derive(clap::Args)]
#[command(after_help = "Example, in a folder made by `lowgear new`:\n  lowgear route study.toml --ways 10")]
pub(super) struct RouteArguments {
    /// Study file (TOML)
    study: PathBuf,
    /// Saved policy: a policy.json, its folder, an exported file, or the word hand-rule
    #[arg(long, default_value = "hand-rule", value_name = "POLICY")]
    policy: String,
    /// Another course file than the study's
    #[arg(long, value_name = "FILE")]
    course: Option<PathBuf>,
    /// Number of ways
    #[arg(long, value_name = "N", default_value_t = 100, value_parser = clap::value_parser!(u64).range(2..=10_000))]
    ways: u64,
    /// Only what vehicles learn by themselves: no maps, no plans
    #[arg(long)]
    learned: bool,
    /// What a vehicle does with what it has learned by itself
    #[arg(long, value_name = "ADVICE", value_enum, default_value_t = Advice::Early)]
    lap_memory: Advice,
    /// Page to write (HTML): what is learned, where on the lap it is won, and what it costs when the way changes
    #[arg(long, value_name = "FILE", requires = "learned")]
    out: Option<PathBuf>,
    /// Threads [default: one per core]; the results do not depend on it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
    #[command(flatten)]
    replace: Replace,
    #[command(flatten)]
    vehicles: OtherVehicle,
}

pub(super) fn run(arguments: &RouteArguments) -> Result<String, StudyError> {
    let mut inputs = read_inputs(&arguments.study, false)?;
    if let Some(out) = &arguments.out {
        arguments.replace.of_study(&inputs, [&arguments.policy], &arguments.course).check(out)?;
    }
    let (file, instance) = policy(&inputs, &arguments.policy, arguments.vehicles)?;
    if let Some(course) = &arguments.course {
        (inputs.scenario.course, inputs.scenario.measured) = load_course(course)?;
    }
    let suite = TestSuite::new(&inputs.scenario, arguments.ways);
    let options = RouteOptions {
        ways: arguments.ways,
        level: LEVEL,
        maps: !arguments.learned,
        advice: arguments.lap_memory.into(),
    };
    let threads = arguments.threads.map_or(0, usize::from);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build()?;
    let worth = pool.install(|| route_worth(suite.scenario(), (&file.name, &instance), &options))?;
    inputs.scenario.check_driven()?;
    let mut text = worth.text();
    if let Some((out, learned)) = arguments.out.as_ref().zip(worth.learned.as_ref()) {
        write_atomically(out, laps_page(learned).as_bytes())?;
        text.push_str(&format!("page: {}\n", shown(out)));
    }
    Ok(text)
}
