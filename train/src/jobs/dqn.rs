//! Training a value network, guided by the tuned rule at first.

use super::{Job, Record, Trained, Workbench, note};
use crate::config::DqnTraining;
use crate::error::StudyError;
use crate::progress::JobProgress;
use crate::saved::SavedPolicy;
use crate::search::{CurvePoint, curve_point};
use crate::store::{load_checkpoint, save_checkpoint};
use lowgear_agents::dqn::{Dqn, DqnPolicy, FeatureScaler, Guide, train};
use lowgear_agents::policy::Policy;
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_eval::suite::training_world;
use lowgear_onboard::{Feature, Features, Request};
use serde::{Deserialize, Serialize};
use std::ops::ControlFlow;
use std::path::Path;

/// One training run of a network.
pub struct DqnJob {
    /// Settings.
    pub config: DqnTraining,
    /// The guide.
    pub rule: RuleSettings,
    /// Number of the run.
    pub run: u64,
}

/// What a checkpoint holds.
#[derive(Serialize, Deserialize)]
struct State {
    learner: Vec<u8>,
    best: Option<Vec<f32>>,
    ticks: u64,
    curve: Vec<CurvePoint>,
    failure: Option<String>,
}

/// The rule as a guide.
struct RuleGuide {
    rule: Rule,
    gears: usize,
}

impl Guide<Features> for RuleGuide {
    fn reset(&mut self) {
        self.rule.reset();
    }

    fn advise(&mut self, features: &Features) -> Option<usize> {
        let gear = usize::try_from(features.get(Feature::Gear)).unwrap_or(0);
        let mask = Request::ALL.map(|request| match request {
            Request::Down => gear > 0,
            Request::Hold => true,
            Request::Up => gear + 1 < self.gears,
        });
        Some(self.rule.decide(features, mask) as usize)
    }
}

impl Job for DqnJob {
    fn learner(&self) -> &'static str {
        "dqn"
    }

    fn run_number(&self) -> u64 {
        self.run
    }

    fn steps(&self) -> u64 {
        self.config.decisions
    }

    fn train(
        &self,
        bench: &Workbench<'_>,
        folder: &Path,
        progress: &JobProgress<'_>,
    ) -> Result<Trained, StudyError> {
        let fail = StudyError::learner("dqn");
        let text = |e: lowgear_agents::dqn::DqnError| fail(e.to_string());
        let seed = bench.job_seed(5, self.run);
        let mut scaler = FeatureScaler::new(bench.gears as u8, self.config.stack);
        let rule = Rule::new(self.rule.clone(), bench.gears).map_err(|e| fail(e.to_string()))?;
        let checkpoint = folder.join("checkpoint.bin");
        let config = &self.config.settings;
        let (mut dqn, mut state) = match load_checkpoint::<State>(&checkpoint, |w| bench.reporter.line(&w))? {
            Some(state) => (Dqn::load_state(config, &state.learner).map_err(text)?, state),
            None => {
                let dqn = Dqn::new(config.clone(), scaler.inputs(), 3, seed).map_err(text)?;
                let (returns, _) = bench.validation.returns(&mut rule.clone());
                let curve = vec![curve_point(0, &returns)];
                (dqn, State { learner: vec![], best: None, ticks: 0, curve, failure: None })
            }
        };
        let mut world = training_world(&bench.training.for_run(seed));
        let tick_s = bench.training.scenario().vehicle.controller.tick_s;
        let mut guide = RuleGuide { rule, gears: bench.gears };
        while dqn.decisions() < self.config.decisions && state.failure.is_none() {
            let every = self.config.validate_every;
            let until = ((dqn.decisions() / every + 1) * every).min(self.config.decisions);
            let (ticks, curve) = (&mut state.ticks, &state.curve);
            let outcome = train(&mut dqn, &mut world, &mut scaler, &mut guide, until, |dqn, episode| {
                *ticks += (episode.duration_s / tick_s).round() as u64;
                progress.update(dqn.decisions(), self.config.decisions, &note(curve));
                ControlFlow::Continue(())
            });
            if let Err(error) = outcome {
                // A network that has diverged stops here; what validation selected before stands.
                state.failure = Some(error.to_string());
                break;
            }
            let network = dqn.target().clone();
            let mut policy = DqnPolicy::new(scaler.clone(), network).map_err(text)?;
            let (returns, _) = bench.validation.returns(&mut policy);
            let point = curve_point(state.ticks, &returns);
            if state.curve.iter().all(|p| point.mean > p.mean) {
                state.best = Some(dqn.target().weights().to_vec());
            }
            state.curve.push(point);
            state.learner = dqn.save_state().map_err(text)?;
            save_checkpoint(&checkpoint, &state)?;
        }
        let saved = |weights: Vec<f32>| -> Result<SavedPolicy, StudyError> {
            let network =
                lowgear_agents::dqn::Mlp::new(dqn.target().shape().clone(), weights).map_err(text)?;
            Ok(SavedPolicy::Dqn(Box::new(DqnPolicy::new(scaler.clone(), network).map_err(text)?)))
        };
        let score = state.curve.iter().map(|p| p.mean).fold(f64::NEG_INFINITY, f64::max);
        let last = saved(dqn.target().weights().to_vec())?;
        let selected = match state.best {
            Some(weights) => saved(weights)?,
            None => SavedPolicy::Rule(self.rule.clone()),
        };
        let record = Record { ticks: state.ticks, curve: state.curve, score, failure: state.failure };
        Ok(Trained { record, selected, last })
    }
}
