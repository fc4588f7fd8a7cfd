//! Training a table of action values, guided by the tuned rule.

use super::{Job, Record, Trained, Workbench, note};
use crate::config::TabularConfig;
use crate::error::StudyError;
use crate::progress::JobProgress;
use crate::saved::SavedPolicy;
use crate::search::{CurvePoint, curve_point};
use crate::store::{load_checkpoint, save_checkpoint};
use lowgear_agents::grid::Grid;
use lowgear_agents::policy::Policy;
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_agents::tabular::{TabularLearner, TabularPolicy, run_episode};
use lowgear_eval::suite::training_world;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// One training run of a table.
pub struct TabularJob {
    /// Settings.
    pub config: TabularConfig,
    /// The guide.
    pub rule: RuleSettings,
    /// Number of the run.
    pub run: u64,
}

/// What a checkpoint holds.
#[derive(Serialize, Deserialize)]
struct State {
    learner: TabularLearner,
    best: Option<TabularLearner>,
    episodes: u64,
    ticks: u64,
    curve: Vec<CurvePoint>,
}

impl Job for TabularJob {
    fn learner(&self) -> &'static str {
        "tabular"
    }

    fn run_number(&self) -> u64 {
        self.run
    }

    fn steps(&self) -> u64 {
        self.config.episodes
    }

    fn train(
        &self,
        bench: &Workbench<'_>,
        folder: &Path,
        progress: &JobProgress<'_>,
    ) -> Result<Trained, StudyError> {
        let fail = StudyError::learner("tabular");
        let seed = bench.job_seed(4, self.run);
        let grid = Grid::new(self.config.grid.clone()).map_err(|e| fail(e.to_string()))?;
        let mut rule = Rule::new(self.rule.clone(), bench.gears).map_err(|e| fail(e.to_string()))?;
        let checkpoint = folder.join("checkpoint.bin");
        let mut state = match load_checkpoint::<State>(&checkpoint, |w| bench.reporter.line(&w))? {
            Some(state) => state,
            None => {
                let learner = TabularLearner::new(self.config.settings.clone(), grid.cells(), 3, seed)
                    .map_err(|e| fail(e.to_string()))?;
                let (returns, _) = bench.validation.returns(&mut rule);
                State { learner, best: None, episodes: 0, ticks: 0, curve: vec![curve_point(0, &returns)] }
            }
        };
        let mut world = training_world(&bench.training.for_run(seed));
        while state.episodes < self.config.episodes {
            rule.reset();
            let guide = |features: &_, allowed: &[bool]| {
                let mask = [allowed[0], allowed[1], allowed[2]];
                Some(rule.decide(features, mask) as usize)
            };
            run_episode(
                &mut world,
                |features| grid.cell(features),
                &mut state.learner,
                state.episodes,
                guide,
            );
            state.ticks += world.ticks();
            state.episodes += 1;
            progress.update(state.episodes, self.config.episodes, &note(&state.curve));
            let due = state.episodes % self.config.validate_every == 0;
            if due || state.episodes == self.config.episodes {
                let mut policy = TabularPolicy::new(&state.learner, grid.clone(), rule.clone())
                    .map_err(|e| fail(e.to_string()))?;
                let (returns, _) = bench.validation.returns(&mut policy);
                let point = curve_point(state.ticks, &returns);
                if state.curve.iter().all(|p| point.mean > p.mean) {
                    state.best = Some(state.learner.clone());
                }
                state.curve.push(point);
                save_checkpoint(&checkpoint, &state)?;
            }
        }
        let saved = |learner: TabularLearner| SavedPolicy::Tabular {
            learner: Box::new(learner),
            grid: grid.clone(),
            rule: self.rule.clone(),
        };
        let score = state.curve.iter().map(|p| p.mean).fold(f64::NEG_INFINITY, f64::max);
        Ok(Trained {
            record: Record { ticks: state.ticks, curve: state.curve, score, failure: None },
            selected: state.best.map_or_else(|| SavedPolicy::Rule(self.rule.clone()), saved),
            last: saved(state.learner),
        })
    }
}
