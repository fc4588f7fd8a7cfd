//! From the best learner to integer networks, and from the best of them to firmware.

use super::firmware::{prove_decider, verdict, verdict_in_files};
use super::{Inputs, RunFolder, TrainingOutcome};
use crate::config::NetworkConfig;
use crate::error::StudyError;
use crate::jobs::{PolicyFile, PolicyInstance, SavedPolicy};
use crate::progress::Reporter;
use crate::stop::StopRequest;
use crate::store::create_folder;
use lowgear_agents::integer_network::distil::{
    NetworkDistilError, NetworkDistilSettings, NetworkIteration, distil_network,
};
use lowgear_agents::integer_network::{
    IntegerNetwork, IntegerNetworkPolicy, Student, StudentSettings, inputs_for,
};
use lowgear_agents::table::distil::Visit;
use lowgear_env::Seed;
use lowgear_eval::PolicyId;
use lowgear_eval::suite::{TrainingSuite, ValidationSuite, training_world};
use lowgear_eval::summary::NetworkSheet;
use lowgear_firmware::{Decider, ExportError, ExportOptions, ProofOutcome, TargetCost};
use lowgear_onboard::Request;
use rayon::prelude::*;

/// Folder of its exported files below that of the table.
const FOLDER: &str = "firmware/network";

/// The networks of a study.
pub struct NetworkFirmware {
    /// Learner that they were distilled from.
    pub teacher: &'static str,
    /// One network per training run of that learner.
    pub networks: Vec<DistilledNetwork>,
    /// Index of the exported one: the best by validation.
    pub exported: usize,
    /// The proof of the exported one.
    pub proof: ProofOutcome,
}

/// A network and how it was made.
#[derive(Clone)]
pub struct DistilledNetwork {
    /// The iteration that validation selected.
    pub iteration: NetworkIteration,
    /// Its validation score, s.
    pub score: f64,
}

/// Distils every run of the best learner into an integer network and exports the best one with its proof; nothing where
/// the study has no network.
///
/// # Errors
/// [`StudyError`].
pub(super) fn export(
    inputs: &Inputs,
    folder: &RunFolder,
    learned: &TrainingOutcome,
    reporter: &Reporter,
    stop: &StopRequest,
) -> Result<Option<NetworkFirmware>, StudyError> {
    let Some(config) = &inputs.study.network else { return Ok(None) };
    let best = learned.best_learner().ok_or(StudyError::Nothing("network: no learner in the study file"))?;
    reporter.line(&format!("distilling {} into integer networks", best.learner));
    let networks: Vec<DistilledNetwork> = (0..best.runs.len())
        .into_par_iter()
        .map(|run| {
            stop.check()?;
            let instance = best.runs[run].selected.instantiate(inputs.scenario.gears())?;
            let name = format!("{}/seed-{}", best.learner, run + 1);
            let seed = inputs.scenario.seed.part(0x4e7 + run as u64);
            distil_to_network(inputs, config, &name, &instance, seed, reporter)
        })
        .collect::<Result<_, _>>()?;
    let exported =
        (0..networks.len()).max_by(|&a, &b| networks[a].score.total_cmp(&networks[b].score)).unwrap_or(0);
    for (run, network) in networks.iter().enumerate() {
        let name = format!("{}/seed-{}", PolicyId::Network, run + 1);
        let path = folder.path.join(&name);
        create_folder(&path)?;
        let saved = SavedPolicy::Network(network.iteration.network.to_json()?);
        let vehicle = &inputs.scenario.vehicle.name;
        PolicyFile::new(&name, vehicle, inputs.scenario.gears(), saved).save(&path.join("policy.json"))?;
    }
    let options = ExportOptions { prefix: inputs.study.table.prefix.clone(), ..ExportOptions::default() };
    let network = &networks[exported].iteration.network;
    let proof = prove_decider(network, &inputs.scenario.settings, &options, &folder.file(FOLDER))?;
    reporter.line(&format!("network for firmware: {}", verdict(&proof)));
    Ok(Some(NetworkFirmware { teacher: best.learner, networks, exported, proof }))
}

/// Distils a policy into an integer network; validation chooses among the iterations.
///
/// # Errors
/// [`StudyError`].
pub fn distil_to_network(
    inputs: &Inputs,
    config: &NetworkConfig,
    name: &str,
    instance: &PolicyInstance,
    seed: Seed,
    reporter: &Reporter,
) -> Result<DistilledNetwork, StudyError> {
    let study = &inputs.study;
    let settings = NetworkDistilSettings {
        features: config.features_on(&inputs.scenario.settings),
        student: StudentSettings {
            hidden: config.hidden.clone(),
            steps: config.steps,
            learning_rate: config.learning_rate as f32,
            seed,
        },
        iterations: config.iterations as u32,
        episodes: config.courses,
        gears: inputs.scenario.gears(),
        provenance: inputs.provenance(name),
    };
    // One that is too large is refused before it learns.
    let unlearned = Student::new(inputs_for(&settings.features, settings.gears), &settings.student)
        .map_err(NetworkDistilError::from)?
        .integer(&[], settings.provenance.clone())?;
    Decider::from(&unlearned).check_size().map_err(ExportError::from)?;
    let training = TrainingSuite::new(&inputs.scenario).for_run(seed);
    // As for a table: a hold lasts for many decisions and a shift for one.
    let shift_weight = config.shift_weight;
    let weigh =
        move |visit: &Visit| visit.by_time() * if visit.wanted == Request::Hold { 1.0 } else { shift_weight };
    let rounds = u64::from(settings.iterations) + 1;
    let progress = reporter.job(&format!("network of {name}"), rounds);
    let advanced = |iterations: u32| progress.update(iterations.into(), rounds, "learning");
    let world = |_| training_world(&training);
    let iterations = distil_network(world, || instance.clone(), weigh, &settings, advanced)?;
    let validation = ValidationSuite::new(&inputs.scenario, study.validation_courses);
    let scored = iterations.into_iter().map(|iteration| {
        let (returns, _) = validation.returns(&mut IntegerNetworkPolicy::new(iteration.network.clone()));
        DistilledNetwork { iteration, score: returns.iter().sum::<f64>() / returns.len() as f64 }
    });
    let best = scored
        .max_by(|a, b| a.score.total_cmp(&b.score))
        .ok_or(StudyError::Nothing("network: no iteration of distillation was run"))?;
    progress.finish(&format!("validation return {:.1} s", best.score));
    Ok(best)
}

/// The sheet of the exported network.
pub(super) fn network_sheet(inputs: &Inputs, firmware: &NetworkFirmware) -> NetworkSheet {
    let DistilledNetwork { iteration, .. } = &firmware.networks[firmware.exported];
    let network: &IntegerNetwork = &iteration.network;
    NetworkSheet {
        teacher: firmware.teacher.into(),
        seed: firmware.exported as u64 + 1,
        header: format!("{FOLDER}/{}.h", inputs.study.table.prefix),
        sizes: network.sizes(),
        features: network.features().into_iter().map(|feature| feature.name().to_owned()).collect(),
        bytes: network.bytes(),
        products: network.weights().len(),
        agreement_percent: 100.0 * iteration.agreement,
        rounding_agreement_percent: 100.0 * iteration.rounding_agreement,
        hash: network.hash(),
        vectors: firmware.proof.vectors as usize,
        proof: vec![format!("C99: {}", verdict_in_files(&firmware.proof))],
        costs: firmware.proof.size.targets.iter().map(TargetCost::sentence).collect(),
    }
}
