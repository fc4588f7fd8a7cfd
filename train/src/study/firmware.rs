//! From the best learner to tables, and from the best table to firmware.

use super::phases::{LearnerRuns, damage_limit, share, training_context};
use super::{Inputs, RunFolder, TrainingOutcome};
use crate::error::{PolicyError, StudyError};
use crate::jobs::EdgeRefinementConfig;
use crate::jobs::{EdgeRefinementJob, TrainingContext};
use crate::jobs::{PolicyFile, PolicyInstance, SavedPolicy};
use crate::progress::Reporter;
use crate::stop::StopRequest;
use crate::store::{StoreError, create_folder, write_atomically};
use lowgear_agents::policy::grid::feature_by_name;
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_agents::table::distil::{
    DaggerIteration, DistilSettings, Distilled, EdgeBudget, Grid, Visit, distil, neutral_features,
};
use lowgear_agents::table::{LookupTable, TablePolicy};
use lowgear_env::Seed;
use lowgear_eval::PolicyId;
use lowgear_eval::suite::{TrainingSuite, ValidationSuite, training_world};
use lowgear_firmware::{Decider, ExportError, ExportOptions, ProofOutcome, ProofStatus, prove};
use lowgear_onboard::Request;
use rayon::prelude::*;
use std::path::Path;

/// The tables of a study.
pub struct Firmware {
    /// Learner that the tables were distilled from.
    pub teacher: &'static str,
    /// One table per training run of that learner.
    pub tables: Vec<Distillate>,
    /// Index of the exported one: the best by validation.
    pub exported: usize,
    /// Ticks of all searches of edges together.
    pub ticks: u64,
    /// The proof of the exported one.
    pub proof: ProofOutcome,
}

/// A table and how it was made.
#[derive(Clone)]
pub struct Distillate {
    /// The round that validation selected, with the edges that were found for it since.
    pub iteration: DaggerIteration,
    /// Its validation score, s; after a search of edges with the weights of that.
    pub score: f64,
}

/// A visit counts as few below this.
pub(super) const FEW_VISITS: u32 = 5;

/// Distils every run of the best learner into a table and exports the best table with its proof.
///
/// # Errors
/// [`StudyError`].
pub(super) fn export(
    inputs: &Inputs,
    folder: &RunFolder,
    learned: &TrainingOutcome,
    reporter: &Reporter,
    stop: &StopRequest,
) -> Result<Firmware, StudyError> {
    let best = learned.best_learner().ok_or(StudyError::Nothing("table: no learner in the study file"))?;
    reporter.line(&format!("distilling {} into tables of {} bytes", best.learner, inputs.study.table.bytes));
    let mut tables: Vec<Distillate> = (0..best.runs.len())
        .into_par_iter()
        .map(|run| stop.check().and_then(|()| distil_run(inputs, learned, best, run)))
        .collect::<Result<_, _>>()?;
    let ticks = match &inputs.study.table.edge_refinement {
        Some(config) => {
            let limit = damage_limit(inputs, &learned.load_rule.settings)?;
            let context = TrainingContext { limit, ..training_context(inputs, folder, reporter, stop) };
            refine_edges(inputs, &mut tables, *config, &context)?
        }
        None => 0,
    };
    let exported =
        (0..tables.len()).max_by(|&a, &b| tables[a].score.total_cmp(&tables[b].score)).unwrap_or(0);
    for (run, table) in tables.iter().enumerate() {
        let name = format!("{}/seed-{}", PolicyId::Table, run + 1);
        let path = folder.path.join(&name);
        create_folder(&path)?;
        save_table(inputs, &name, &table.iteration.table, &path.join("policy.json"))?;
        write_atomically(&path.join("visits.csv"), visits_csv(&table.iteration.visits).as_bytes())?;
    }
    let proof = export_table(inputs, &tables[exported].iteration, &folder.file("firmware"))?;
    reporter.line(&format!("firmware: {}", verdict(&proof)));
    Ok(Firmware { teacher: best.learner, tables, exported, ticks, proof })
}

/// Searches the edges of every table, and recounts what its cells rest on. Returns the ticks of all searches.
fn refine_edges(
    inputs: &Inputs,
    tables: &mut [Distillate],
    config: EdgeRefinementConfig,
    context: &TrainingContext<'_>,
) -> Result<u64, StudyError> {
    context.reporter.line(&format!("searching for the edges of {} tables", tables.len()));
    let job_budget = share(inputs, 1, tables.len());
    let ticks = (1u64..).zip(&mut *tables).collect::<Vec<_>>().into_par_iter().map(|(run, distillate)| {
        let job = EdgeRefinementJob { table: distillate.iteration.table.clone(), config, run };
        let trained = context.finish(&job, job_budget)?;
        if let SavedPolicy::Table(json) = &trained.selected {
            distillate.iteration.table = LookupTable::from_json(json)?;
        }
        distillate.score = trained.record.score;
        let courses = context.training.for_run(context.job_seed(9, run));
        distillate.iteration.recount(|_| training_world(&courses), inputs.study.table.courses, FEW_VISITS);
        Ok(trained.record.ticks)
    });
    ticks.sum()
}

/// How often each cell was met while the table was made; cells never met are filled from the rule.
fn visits_csv(visits: &[u32]) -> String {
    let lines = visits.iter().enumerate().map(|(cell, visits)| format!("{cell},{visits}\n"));
    std::iter::once("cell,visits\n".to_owned()).chain(lines).collect()
}

/// Writes the exported files of a table and proves them.
///
/// # Errors
/// [`StudyError`]; also when the compiled table decides otherwise.
fn export_table(
    inputs: &Inputs,
    iteration: &DaggerIteration,
    out: &Path,
) -> Result<ProofOutcome, StudyError> {
    let options = ExportOptions {
        prefix: inputs.study.table.prefix.clone(),
        filled_cells: Some(iteration.unvisited as usize),
        ..ExportOptions::default()
    };
    prove_decider(&iteration.table, &inputs.scenario.settings, &options, out)
}

/// Writes the exported files of a table or network for a vehicle with these settings, and proves them.
///
/// # Errors
/// [`StudyError`]; also when the compiled controller decides otherwise.
pub fn prove_decider<'a>(
    decider: impl Into<Decider<'a>>,
    settings: &lowgear_onboard::Settings,
    options: &ExportOptions,
    out: &Path,
) -> Result<ProofOutcome, StudyError> {
    let proof = prove(out, decider, settings, options).map_err(|e| match e {
        ExportError::Io { path, source } => StudyError::from(StoreError::io(&path)(source)),
        other => other.into(),
    })?;
    match &proof.status {
        ProofStatus::Proven
        | ProofStatus::NoCompiler
        | ProofStatus::NotAsked
        | ProofStatus::NotMade { .. } => Ok(proof),
        _ => Err(StudyError::NotProven { verdict: verdict(&proof) }),
    }
}

/// What decides in the exported controller, in a word.
const fn word(proof: &ProofOutcome) -> &'static str {
    if proof.size.network.is_some() { "network" } else { "table" }
}

/// What was compared in the proof.
fn checked(proof: &ProofOutcome) -> String {
    if proof.size.network.is_some() {
        format!("{} vectors", proof.vectors)
    } else {
        format!("{} vectors and {} cells", proof.vectors, proof.cells)
    }
}

/// The proof in a sentence that is the same whichever compiler made it, for files.
#[must_use]
pub(super) fn verdict_in_files(proof: &ProofOutcome) -> String {
    match &proof.status {
        ProofStatus::Proven => {
            format!("{} decided alike by the host and by the compiled {}", checked(proof), word(proof))
        }
        ProofStatus::NoCompiler => "NOT PROVEN: no C compiler was found".to_owned(),
        ProofStatus::NotMade { reason, .. } => format!("NOT PROVEN: {}", reason.words()),
        _ => verdict(proof),
    }
}

/// The proof in a sentence, for the terminal.
#[must_use]
pub fn verdict(proof: &ProofOutcome) -> String {
    match &proof.status {
        ProofStatus::Proven => format!(
            "{} decided alike by the host and by the {} compiled with {}{}",
            checked(proof),
            word(proof),
            proof.compiler.as_deref().unwrap_or("the system compiler"),
            if proof.sanitized { "" } else { ", without sanitizers, which do not run here" }
        ),
        ProofStatus::NoCompiler => {
            "NOT PROVEN: no C compiler was found on this machine; set CC or install one".to_owned()
        }
        ProofStatus::NotMade { reason, said } => {
            format!("NOT PROVEN: {}; {}", reason.words(), said.replace('\n', "\n  "))
        }
        ProofStatus::NotAsked => {
            "not proven: the proof needs the C header, which was not asked for".to_owned()
        }
        ProofStatus::Differs { expected, found } => {
            format!("the compiled {} decides otherwise: expected {expected}, found {found}", word(proof))
        }
        ProofStatus::NotCompiled(text) => format!("the {} did not compile: {text}", word(proof)),
        ProofStatus::NotRun(text) => format!("the compiled {} did not run: {text}", word(proof)),
    }
}

fn save_table(inputs: &Inputs, name: &str, table: &LookupTable, path: &Path) -> Result<(), StudyError> {
    let saved = SavedPolicy::Table(table.to_json()?);
    PolicyFile::new(name, &inputs.scenario.vehicle.name, inputs.scenario.gears(), saved).save(path)
}

/// Distils one run of a learner.
fn distil_run(
    inputs: &Inputs,
    learned: &TrainingOutcome,
    learner: &LearnerRuns,
    run: usize,
) -> Result<Distillate, StudyError> {
    let instance = learner.runs[run].selected.instantiate(inputs.scenario.gears())?;
    let name = format!("{}/seed-{}", learner.learner, run + 1);
    let seed = inputs.scenario.seed.part(0x7ab1e + run as u64);
    distil_policy(inputs, &name, &instance, &learned.guide().settings, seed)
}

/// Distils a policy into a table of the study's size; validation chooses among the rounds. Cells that are
/// never visited are filled by `rule`.
///
/// # Errors
/// [`StudyError`].
pub fn distil_policy(
    inputs: &Inputs,
    name: &str,
    instance: &PolicyInstance,
    rule: &RuleSettings,
    seed: Seed,
) -> Result<Distillate, StudyError> {
    let study = &inputs.study;
    let features = study.table.features.iter().filter_map(|name| feature_by_name(name).ok()).collect();
    let grid = Grid::Chosen(EdgeBudget::new(features, inputs.scenario.gears() as u8, study.table.bytes));
    distil_on(grid, inputs, name, instance, rule, seed)
}

/// The same on given axes, or with axes that are chosen otherwise.
///
/// # Errors
/// [`StudyError`].
pub(super) fn distil_on(
    grid: Grid,
    inputs: &Inputs,
    name: &str,
    instance: &PolicyInstance,
    rule: &RuleSettings,
    seed: Seed,
) -> Result<Distillate, StudyError> {
    let study = &inputs.study;
    let gears = inputs.scenario.gears();
    let mut rule = Rule::new(rule.clone(), gears).map_err(PolicyError::from)?;
    let settings = DistilSettings {
        grid,
        iterations: study.table.iterations as u32,
        episodes: study.table.courses,
        first_episode: 0,
        gears: gears as u8,
        few_visits: FEW_VISITS,
        patience: 8,
        neutral: neutral_features(),
        provenance: inputs.provenance(name),
    };
    let training = TrainingSuite::new(&inputs.scenario).for_run(seed);
    // A hold lasts for many decisions and a shift for one: by time alone the table would shift too rarely.
    let shift_weight = study.table.shift_weight;
    let weigh =
        move |visit: &Visit| visit.by_time() * if visit.wanted == Request::Hold { 1.0 } else { shift_weight };
    let Distilled { iterations } =
        distil(|_| training_world(&training), || instance.clone(), &mut rule, weigh, &settings)?;
    let validation = ValidationSuite::new(&inputs.scenario, study.validation_courses);
    iterations
        .into_iter()
        .map(|iteration| {
            let (returns, _) = validation.returns(&mut TablePolicy::new(iteration.table.clone()));
            let score = returns.iter().sum::<f64>() / returns.len() as f64;
            Distillate { iteration, score }
        })
        .max_by(|a, b| a.score.total_cmp(&b.score))
        .ok_or(StudyError::Nothing("table: no iteration of distillation was run"))
}
