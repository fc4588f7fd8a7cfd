//! `lowgear export`.

use super::replace::Replace;
use super::{Advice, OtherVehicle, policy};
use crate::config::check_prefix;
use crate::error::StudyError;
use crate::jobs::{PolicyFile, PolicyInstance, SavedPolicy};
use crate::progress::Reporter;
use crate::store::write_atomically;
use crate::study::{
    Inputs, LEVEL, changed_rule, distil_policy, distil_to_network, prove_decider, read_inputs, verdict,
};
use lowgear_agents::integer_network::{IntegerNetwork, IntegerNetworkPolicy};
use lowgear_agents::policy::Policy;
use lowgear_agents::table::{LookupTable, TablePolicy};
use lowgear_env::Cause;
use lowgear_env::config::{Check, KeyError, shown};
use lowgear_eval::PolicyId;
use lowgear_eval::aggregate::{EvaluatedPolicy, time_difference};
use lowgear_eval::monitor::{COURSES, effect, learn};
use lowgear_eval::suite::TestSuite;
use lowgear_eval::summary::{Family, PolicyRecord};
use lowgear_firmware::{
    AGAINST, ExportError, ExportOptions, Format, laps_file_names, recorder_file_name, trial_sources,
};
use std::path::{Path, PathBuf};

/// What is written next to the exported files.
const COMPANIONS: [&str; 5] = ["README.txt", "harness.c", "size-sheet.txt", "vectors.csv", "network.csv"];

/// Export a saved policy as a table or network for firmware, with its proof.
///
/// Reads a study file (vehicle, guard, training courses) and a saved policy. A policy that is not a table or
/// network yet is distilled first, on training courses; that takes up to a minute. Writes the controller in the formats
/// asked for, a size sheet and notes; next to the C header also a harness and test vectors, which it compiles
/// and checks when there is a C compiler.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`, after `lowgear study study.toml --quick`:\n  lowgear export study.toml --policy runs/own-quick/table/seed-1 --out firmware"
)]
pub(super) struct ExportArguments {
    /// Study file (TOML)
    study: PathBuf,
    /// Saved policy: a policy.json, its folder, an exported file, or the word hand-rule
    #[arg(long, value_name = "POLICY")]
    policy: String,
    /// Folder for the exported files
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Prefix of the exported names [default: the study's]
    #[arg(long, value_name = "NAME")]
    prefix: Option<String>,
    /// What to write
    #[arg(long, value_name = "FORMAT", value_enum, default_value_t = Wanted::All)]
    format: Wanted,
    /// Most bytes of a table that is distilled [default: the study's]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(16..=1_048_576))]
    bytes: Option<u32>,
    /// What decides in the controller [default: a table, or a network where the policy is one]
    #[arg(long, value_name = "KIND", value_enum)]
    decider: Option<DeciderKind>,
    /// Units of each hidden layer of a network, as 32,32 [default: the study's, or 32,32]
    #[arg(long, value_name = "N,..", value_delimiter = ',', value_parser = clap::value_parser!(u8).range(1..=64))]
    hidden: Vec<u8>,
    /// A second policy for a trial: its controller goes into the folder against, and PREFIX_trial lets both drive in turn,
    /// with a monitor that goes back to the second one where the first falls behind
    #[arg(long, value_name = "POLICY")]
    against: Option<String>,
    /// Export the hand-written rule with at most N changes from the policy, each in one named situation and with a clear
    /// gain
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=20))]
    changes: Option<u8>,
    /// Add a memory of the way: a vehicle that drives the same way again learns lap by lap where it stalls; PREFIX_laps goes
    /// between the control loop and the controller
    #[arg(long, value_name = "ADVICE", value_enum, conflicts_with = "against")]
    lap_memory: Option<Advice>,
    #[command(flatten)]
    replace: Replace,
    #[command(flatten)]
    vehicles: OtherVehicle,
}

/// What decides in a controller, by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum DeciderKind {
    /// A table of two bits per cell
    Table,
    /// A network in integers
    Network,
}

/// The formats by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Wanted {
    /// A C99 header, with harness and test vectors
    C,
    /// A Rust module that needs nothing but `core`
    Rust,
    /// A module for small Python interpreters
    Micropython,
    /// The table as a list
    Csv,
    /// All of them
    All,
}

impl Wanted {
    fn formats(self) -> Vec<Format> {
        match self {
            Wanted::C => vec![Format::C],
            Wanted::Rust => vec![Format::Rust],
            Wanted::Micropython => vec![Format::MicroPython],
            Wanted::Csv => vec![Format::Csv],
            Wanted::All => Format::ALL.to_vec(),
        }
    }
}

pub(super) fn run(arguments: &ExportArguments) -> Result<String, StudyError> {
    if let Some(prefix) = &arguments.prefix {
        check_prefix(prefix).map_err(|e| KeyError { key: format!("--{}", e.key), ..e })?;
    }
    let mut inputs = read_inputs(&arguments.study, false)?;
    if let Some(bytes) = arguments.bytes {
        inputs.study.table.bytes = bytes as usize;
    }
    let prefix = arguments.prefix.clone().unwrap_or_else(|| inputs.study.table.prefix.clone());
    let formats = arguments.format.formats();
    let (second_prefix, second_folder) = (format!("{prefix}_{AGAINST}"), arguments.out.join(AGAINST));
    let mut outputs = places(&arguments.out, &formats, &prefix);
    if arguments.lap_memory.is_some() {
        outputs.extend(laps_file_names(&formats, &prefix).into_iter().map(|name| arguments.out.join(name)));
    }
    if arguments.against.is_some() {
        check_prefix(&second_prefix).map_err(|e| KeyError { key: format!("--{}", e.key), ..e })?;
        outputs.extend(places(&second_folder, &formats, &second_prefix));
        outputs
            .extend(["h", "rs", "py", "md"].map(|end| arguments.out.join(format!("{prefix}_trial.{end}"))));
    }
    let words = [&arguments.policy].into_iter().chain(&arguments.against);
    arguments.replace.of_study(&inputs, words, []).check_all(outputs)?;
    let (mut text, tested) =
        export_one(arguments, &inputs, &arguments.policy, arguments.changes, (&arguments.out, &prefix))?;
    if let Some(word) = &arguments.against {
        let (second, rule) = export_one(arguments, &inputs, word, None, (&second_folder, &second_prefix))?;
        text.push_str(&format!("\nThe policy that it is compared with:\n\n{second}\n"));
        text.push_str(&export_trial(&inputs, [&rule, &tested], &formats, (&arguments.out, &prefix))?);
    }
    Ok(text)
}

/// Writes what lets both controllers drive in turn, with the monitor; what is to say about it.
fn export_trial(
    inputs: &Inputs,
    [rule, tested]: [&PolicyInstance; 2],
    formats: &[Format],
    (folder, prefix): (&Path, &str),
) -> Result<String, StudyError> {
    let learned = learn(&inputs.scenario, rule, COURSES)?;
    let suite = TestSuite::new(&inputs.scenario, inputs.study.test_courses);
    let mut text = effect(&suite, rule, tested, &learned.settings).text(&learned);
    inputs.scenario.check_driven()?;
    let sources = trial_sources(formats, &inputs.scenario.settings, &learned.settings, prefix);
    for (name, source) in sources.map_err(ExportError::from)? {
        let place = folder.join(name);
        write_atomically(&place, source.as_bytes())?;
        text.push_str(&format!("both in turn: {}\n", shown(&place)));
    }
    Ok(text)
}

/// Where the files of one controller go.
fn places(folder: &Path, formats: &[Format], prefix: &str) -> Vec<PathBuf> {
    let recorders = formats.iter().filter_map(|format| recorder_file_name(*format, prefix));
    let names = formats.iter().map(|format| format.file_name(prefix)).chain(recorders);
    names.chain(COMPANIONS.map(str::to_owned)).map(|name| folder.join(name)).collect()
}

/// Exports one policy, distilled if it is no table yet; what is to say about it, and what is exported.
fn export_one(
    arguments: &ExportArguments,
    inputs: &Inputs,
    word: &str,
    changes: Option<u8>,
    (folder, prefix): (&Path, &str),
) -> Result<(String, PolicyInstance), StudyError> {
    let (file, instance) = policy(inputs, word, arguments.vehicles)?;
    let own = if matches!(file.policy, SavedPolicy::Network(_)) {
        DeciderKind::Network
    } else {
        DeciderKind::Table
    };
    if changes.is_none() && arguments.decider.unwrap_or(own) == DeciderKind::Network {
        return export_network(arguments, inputs, &file, &instance, (folder, prefix));
    }
    let (mut table, mut filled_cells, mut said) = match &file.policy {
        SavedPolicy::Table(text) => (LookupTable::from_json(text)?, None, String::new()),
        _ => {
            let seed = inputs.scenario.seed;
            let iteration = distil_policy(inputs, &file.name, &instance, &inputs.study.rule, seed)?.iteration;
            let student = TablePolicy::new(iteration.table.clone());
            let loss = closed_loop(inputs, &instance, ("table", &student))?;
            inputs.scenario.check_driven()?;
            (iteration.table, Some(iteration.unvisited as usize), loss)
        }
    };
    if let Some(most) = changes {
        let (_, rule) = policy(inputs, PolicyId::HandRule.as_str(), arguments.vehicles)?;
        let changed = changed_rule(inputs, &table, &rule, usize::from(most), &Reporter::new())?;
        said = format!("\n{}", changed.text());
        (table, filled_cells) = (changed.table, None);
    }
    let options = ExportOptions { filled_cells, ..export_options(arguments, inputs, prefix) };
    let proof = prove_decider(&table, &inputs.scenario.settings, &options, folder)?;
    let said = format!("{}{said}{}\n", proof.size.text(), verdict(&proof));
    Ok((said, PolicyInstance::Table(TablePolicy::new(table))))
}

fn export_options(arguments: &ExportArguments, inputs: &Inputs, prefix: &str) -> ExportOptions {
    ExportOptions {
        prefix: prefix.to_owned(),
        formats: arguments.format.formats(),
        laps: arguments.lap_memory.map(|advice| inputs.scenario.vehicle.lap_settings(advice.into())),
        ..ExportOptions::default()
    }
}

/// Exports one policy as a network, distilled if it is none yet; what is to say about it, and what is exported.
fn export_network(
    arguments: &ExportArguments,
    inputs: &Inputs,
    file: &PolicyFile,
    instance: &PolicyInstance,
    (folder, prefix): (&Path, &str),
) -> Result<(String, PolicyInstance), StudyError> {
    let (network, said) = if let SavedPolicy::Network(text) = &file.policy {
        (IntegerNetwork::from_json(text)?, String::new())
    } else {
        let mut config = inputs.study.network.clone().unwrap_or_default();
        if !arguments.hidden.is_empty() {
            config.hidden = arguments.hidden.iter().map(|&units| usize::from(units)).collect();
        }
        config.check().map_err(|e| e.within("network"))?;
        let seed = inputs.scenario.seed;
        let reporter = Reporter::new();
        let iteration = distil_to_network(inputs, &config, &file.name, instance, seed, &reporter)?.iteration;
        let student = IntegerNetworkPolicy::new(iteration.network.clone());
        let loss = closed_loop(inputs, instance, ("network", &student))?;
        inputs.scenario.check_driven()?;
        let shares = format!(
            "It decides as its teacher in {:.2} % of the decisions of its last training iteration, and its integers as \
             the real numbers that they were rounded from in {:.2} %.\n",
            100.0 * iteration.agreement,
            100.0 * iteration.rounding_agreement
        );
        (iteration.network, loss + &shares)
    };
    let options = export_options(arguments, inputs, prefix);
    let proof = prove_decider(&network, &inputs.scenario.settings, &options, folder)?;
    let said = format!("{}{said}{}\n", proof.size.text(), verdict(&proof));
    Ok((said, PolicyInstance::Network(IntegerNetworkPolicy::new(network))))
}

/// What a table or network loses against the policy it was distilled from, both driven over the study's test courses.
fn closed_loop(
    inputs: &Inputs,
    instance: &PolicyInstance,
    (name, student): (&str, &(impl Policy + Clone + Sync)),
) -> Result<String, StudyError> {
    let suite = TestSuite::new(&inputs.scenario, inputs.study.test_courses);
    let evaluated = |id: &str, outcomes| EvaluatedPolicy {
        record: PolicyRecord::new(id, id, Family::Table),
        outcomes: vec![outcomes],
    };
    let teacher = evaluated("teacher", suite.outcomes(|| instance.clone()));
    let student = evaluated(name, suite.outcomes(|| student.clone()));
    let time = time_difference(&student, &teacher, LEVEL)?;
    let damage = |c: &EvaluatedPolicy| c.outcomes[0].iter().map(|o| o.damage).sum::<f64>();
    let finished = |c: &EvaluatedPolicy| c.outcomes[0].iter().filter(|o| o.cause == Cause::Finished).count();
    Ok(format!(
        "\nIn closed loop on {} held-out courses the {name} takes {:+.2} s per course against its teacher ({} % \
         interval {:+.2} to {:+.2} s), at {:.2} times its gearbox damage; it finishes {}, its teacher {}.\n",
        suite.courses,
        time.mean,
        100.0 * LEVEL,
        time.low,
        time.high,
        damage(&student) / damage(&teacher),
        finished(&student),
        finished(&teacher),
    ))
}
