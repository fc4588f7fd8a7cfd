//! Files that people read: episodes, summary, report.

use super::LEVEL;
use super::card::{self, Card};
use super::compare::{Comparison, label};
use super::firmware::{Firmware, verdict_in_files};
use super::network::{NetworkFirmware, network_sheet};
use super::pages::{self, FIGURES_FILE};
use super::pictures::{family, pictures};
use super::resolved::{RESOLVED_FILE, input_digests};
use super::thresholds::{enterable, thresholds};
use super::{Inputs, RunFolder, TrainingOutcome};
use crate::error::StudyError;
use crate::jobs::PolicyInstance;
use crate::progress::Reporter;
use crate::sensors::PreviewGain;
use crate::store::write_atomically;
use crate::terminal;
use lowgear_agents::rule::RuleSettings;
use lowgear_eval::PolicyId;
use lowgear_eval::aggregate::{
    EvaluatedPolicy, StudyMetadata, curve, suite_card, summarise, terminal_table, vehicle_card, wrapped,
    write_episodes,
};
use lowgear_eval::figures::Pictures;
use lowgear_eval::incidents::places;
use lowgear_eval::suite::TestSuite;
use lowgear_eval::summary::{
    Curve, FittedComparison, PlaceCount, PolicyRecord, RobustnessMap, Roles, Study, Summary, TableAxis,
    TableSheet, TunedRule,
};
use lowgear_firmware::TargetCost;

/// The figures of a study in its folder; where it stands, the study is complete.
pub const SUMMARY_FILE: &str = "summary.json";

/// All that was driven for the report.
pub(super) struct StudyResults<'a> {
    /// The rule card.
    pub(super) card: &'a Card,
    /// The comparison.
    pub(super) comparison: &'a Comparison,
    /// The perturbed conditions.
    pub(super) robustness: Vec<RobustnessMap>,
    /// The vehicles that fit the owner's logs.
    pub(super) fitted: Vec<FittedComparison>,
    /// What an exact preview would bring, on a vehicle without a sensor ahead.
    pub(super) ahead: Option<PreviewGain>,
}

/// Writes episodes.csv, figures.json, the pages and summary.json; returns the table for the terminal.
///
/// # Errors
/// [`StudyError`].
pub(super) fn publish(
    inputs: &Inputs,
    folder: &RunFolder,
    learned: &TrainingOutcome,
    (firmware, network): (&Firmware, Option<&NetworkFirmware>),
    driven: StudyResults<'_>,
    reporter: &Reporter,
) -> Result<String, StudyError> {
    reporter.line("writing the report");
    let comparison = driven.comparison;
    let roles = Roles {
        subject: PolicyId::Table,
        hand_rule: PolicyId::HandRule,
        tuned_rule: PolicyId::TunedLoadRule,
        plan: Some(PolicyId::Plan),
    };
    let metadata = StudyMetadata {
        also_against: [PolicyId::TunedSpeedRule]
            .into_iter()
            .chain(learned.preview_rule.is_some().then_some(PolicyId::TunedPreviewRule))
            .collect(),
        robustness: driven.robustness,
        fitted: driven.fitted,
        places: incidents_by_place(comparison),
        curves: curves(learned),
        tuned: tuned_rules(inputs, learned, driven.card)?,
        table: Some(table_sheet(inputs, firmware)),
        network: network.map(|network| network_sheet(inputs, network)),
        ..metadata(inputs, &comparison.suite, roles, Some(comparison.bound_s))?
    };
    let mut metadata = metadata;
    metadata.test_suite.note.push_str(&driven.ahead.map_or_else(String::new, seeing_ahead));
    metadata.test_suite.note.push_str(&searched(inputs));
    metadata.test_suite.note.push_str(&ended_early(learned));
    let summary = summarise(metadata, &comparison.evaluated_policies)?;
    let json = summary.to_json()?;
    let mut episodes = Vec::new();
    write_episodes(&comparison.evaluated_policies, &mut episodes)?;
    let pictures = Pictures {
        card: Some(card::sheet(inputs, driven.card, comparison)?),
        ..pictures(inputs, (firmware, network.map(|n| n.exported)), comparison)
    };
    let figures = pictures.to_json()?;
    write_atomically(&folder.file("episodes.csv"), &episodes)?;
    write_atomically(&folder.file(FIGURES_FILE), figures.as_bytes())?;
    pages::write(&folder.path, &summary, &pictures)?;
    // Written last: where it stands, the study is complete.
    write_atomically(&folder.file(SUMMARY_FILE), json.as_bytes())?;
    let width = terminal::width();
    let fitted: String = summary.fitted.iter().map(|f| format!("\n{}\n", f.sentence(&summary))).collect();
    Ok(terminal_table(&summary, width)
        + &wrapped(&fitted, width)
        + &wrapped(&enterable_thresholds(&summary), width))
}

/// The rules that were found, as a controller can be given them.
fn tuned_rules(
    inputs: &Inputs,
    learned: &TrainingOutcome,
    card: &Card,
) -> Result<Vec<TunedRule>, StudyError> {
    let preview = learned.preview_rule.iter().map(|rule| (PolicyId::TunedPreviewRule, &rule.settings));
    let found = [
        (PolicyId::HandRule, &inputs.study.rule),
        (PolicyId::TunedSpeedRule, &learned.speed_rule.settings),
        (PolicyId::TunedLoadRule, &learned.load_rule.settings),
    ];
    let card = [(PolicyId::RuleCard, &card.card.settings)];
    found.into_iter().chain(preview).chain(card).map(|(id, rule)| tuned_rule(inputs, id, rule)).collect()
}

/// Stalls, failed upshifts and hunting of the table and of the rule that it is compared with.
fn incidents_by_place(comparison: &Comparison) -> Vec<PlaceCount> {
    let chosen = comparison
        .compared_policies
        .iter()
        .filter(|c| c.record.id == PolicyId::Table || c.record.id == PolicyId::TunedLoadRule);
    chosen.flat_map(|c| places(&comparison.suite, &c.record.id, &c.instances)).collect()
}

/// What a reader could type into a controller.
fn enterable_thresholds(summary: &Summary) -> String {
    let rules = summary.tuned.iter();
    rules.map(|r| format!("\n{}:\n  {}\n", summary.label(&r.policy), r.enterable.join("\n  "))).collect()
}

/// What the summary holds for every policy.
/// `bound_s` is the mean value of the plan, where one was driven.
fn metadata(
    inputs: &Inputs,
    suite: &TestSuite,
    roles: Roles,
    bound_s: Option<f64>,
) -> Result<StudyMetadata, StudyError> {
    let note = if let Some(bound_s) = bound_s {
        format!(
            "Random courses of the kind \"{}\"; the plan's own value, an optimistic bound on any mean return, is \
             {bound_s:.1} s.",
            inputs.scenario.course.name
        )
    } else {
        format!("Courses of the kind \"{}\".", inputs.scenario.course.name)
    };
    Ok(StudyMetadata {
        study: Study {
            name: inputs.study.name.clone(),
            seed: inputs.study.seed,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            task_version: lowgear_env::TASK_VERSION,
            quick: inputs.quick,
            level: LEVEL,
            command: format!("lowgear study {RESOLVED_FILE}"),
            inputs: input_digests(inputs)?,
        },
        vehicle: vehicle_card(&inputs.scenario.vehicle),
        test_suite: suite_card(suite, &note),
        time_limit_s: inputs.scenario.episode.time_limit_s,
        roles,
        also_against: vec![],
        robustness: vec![],
        fitted: vec![],
        places: vec![],
        curves: vec![],
        tuned: vec![],
        table: None,
        network: None,
    })
}

/// What seeing ahead would bring.
fn seeing_ahead(gain: PreviewGain) -> String {
    let PreviewGain { ahead_m, saved_percent: saved } = gain;
    format!(
        " Seeing ahead: with an exact preview of the obstacles {:.0} mm ahead a tuned rule saves {:.1} % ({:.1} to {:.1} %) \
         of the course time of one that was tuned as long without it; `lowgear sensors` says what a real sensor keeps of it.",
        1000.0 * ahead_m,
        saved.mean,
        saved.low,
        saved.high
    )
}

/// The search for settings, if there was one.
fn searched(inputs: &Inputs) -> String {
    inputs.study.hyper_search.as_ref().map_or_else(String::new, |search| {
        format!(
            " The hyper-parameters of every rule and learner were searched on validation courses, {} candidates and {} \
             training ticks each.",
            search.candidates,
            search.ticks()
        )
    })
}

/// Training runs that ended early, and why; empty when none did.
fn ended_early(learned: &TrainingOutcome) -> String {
    let runs =
        learned.learners.iter().flat_map(|l| l.runs.iter().zip(1..).map(move |(run, seed)| (l, run, seed)));
    let early = runs.filter_map(|(l, run, seed)| {
        let why = run.record.failure.as_ref().or(run.record.cut.as_ref())?;
        Some(format!(" {} seed {seed} ended early: {why}.", label(l.learner)))
    });
    early.collect()
}

fn curves(learned: &TrainingOutcome) -> Vec<Curve> {
    let runs =
        learned.learners.iter().flat_map(|l| l.runs.iter().zip(1..).map(move |(run, seed)| (l, run, seed)));
    runs.map(|(l, run, seed)| {
        let points = run.record.curve.iter().map(|p| (p.ticks, p.mean, p.standard_error));
        curve(l.learner, seed, points)
    })
    .collect()
}

fn tuned_rule(inputs: &Inputs, policy: PolicyId, rule: &RuleSettings) -> Result<TunedRule, StudyError> {
    let thresholds = thresholds(&inputs.scenario, rule);
    let enterable = enterable(&inputs.scenario, rule);
    Ok(TunedRule { policy, lines: lines(rule)?, enterable, thresholds })
}

/// A rule in the notation of the study file.
fn lines(rule: &RuleSettings) -> Result<Vec<String>, StudyError> {
    let text = toml::to_string(rule)?;
    Ok(text.lines().map(str::to_owned).collect())
}

fn table_sheet(inputs: &Inputs, firmware: &Firmware) -> TableSheet {
    let iteration = &firmware.tables[firmware.exported].iteration;
    let table = &iteration.table;
    let cells = table.count();
    TableSheet {
        teacher: firmware.teacher.into(),
        seed: firmware.exported as u64 + 1,
        header: format!("firmware/{}.h", inputs.study.table.prefix),
        refined: inputs.study.table.edge_refinement.is_some(),
        bytes: firmware.proof.size.cell_bytes + firmware.proof.size.axis_bytes,
        cells,
        visited_cells: cells - iteration.unvisited as usize,
        filled_from_rule: iteration.unvisited as usize,
        axes: table
            .axes()
            .iter()
            .map(|axis| TableAxis {
                feature: axis.feature.name().to_owned(),
                cells: axis.bins(),
                edges: axis.edges.clone(),
            })
            .collect(),
        hash: table.hash(),
        vectors: firmware.proof.vectors as usize,
        proof: vec![format!("C99: {}", verdict_in_files(&firmware.proof))],
        costs: firmware.proof.size.targets.iter().map(TargetCost::sentence).collect(),
    }
}

/// Compares policies by name on test courses: the summary as JSON, the table for the terminal, episodes.csv.
///
/// # Errors
/// [`StudyError`].
pub fn compare_policies(
    inputs: &Inputs,
    instances: &[(String, PolicyInstance)],
    courses: u64,
) -> Result<(String, String, Vec<u8>), StudyError> {
    let suite = TestSuite::new(&inputs.scenario, courses);
    let evaluated_policies: Vec<EvaluatedPolicy> = instances
        .iter()
        .map(|(name, instance)| EvaluatedPolicy {
            record: PolicyRecord::new(name.as_str(), name.as_str(), family(instance)),
            outcomes: vec![suite.outcomes(|| instance.clone())],
        })
        .collect();
    inputs.scenario.check_driven()?;
    let reference = PolicyId::from(instances[0].0.as_str());
    let roles = Roles {
        subject: instances[1].0.as_str().into(),
        hand_rule: reference.clone(),
        tuned_rule: reference,
        plan: None,
    };
    let metadata = metadata(inputs, &suite, roles, None)?;
    let summary: Summary = summarise(metadata, &evaluated_policies)?;
    let json = summary.to_json()?;
    let mut episodes = Vec::new();
    write_episodes(&evaluated_policies, &mut episodes)?;
    Ok((json, terminal_table(&summary, terminal::width()), episodes))
}
