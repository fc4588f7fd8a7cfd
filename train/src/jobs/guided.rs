//! What the learners share that train in addition to the tuned rule: they begin with its score, train from one
//! validation to the next, keep what validation likes better than everything before, and keep checkpoints.

use super::{JobContext, JobRecord, SavedPolicy, TrainingContext, TrainingResult};
use crate::checkpoint::{load_checkpoint, save_checkpoint};
use crate::error::{LearnerError, StudyError};
use crate::search::{CurvePoint, curve_point};
use crate::stop::Interrupt;
use crate::timing::Stage;
use lowgear_agents::rule::RuleSettings;
use lowgear_env::config::shown;
use serde::{Deserialize, Serialize};
use std::ops::ControlFlow;

/// A trainable agent.
pub(super) trait TrainableAgent: Sized {
    /// Steps taken; what a step is, each learner knows.
    fn steps(&self) -> u64;

    /// Learns until `until` steps have been taken in all. Between two steps that can be distinguished after
    /// an interruption it says `after(steps, ticks)`: steps in all, and ticks driven since it said so last.
    ///
    /// # Errors
    /// Learning has diverged; the policy is the one before that.
    fn advance(
        &mut self,
        until: u64,
        after: &mut dyn FnMut(u64, u64) -> ControlFlow<()>,
    ) -> Result<(), LearnerError>;

    /// Everything that training needs to go on bit for bit.
    ///
    /// # Errors
    /// It cannot be written down.
    fn to_bytes(&self) -> Result<Vec<u8>, LearnerError>;

    /// The policies that it offers now; validation chooses.
    ///
    /// # Errors
    /// Its parts do not fit.
    fn policies(&self) -> Result<Vec<SavedPolicy>, LearnerError>;
}

/// How a trainee is trained.
pub(super) struct Training<'a> {
    /// Learner, as folders name it.
    pub(super) learner: &'static str,
    /// Steps in all.
    pub(super) steps: u64,
    /// Steps from one validation to the next.
    pub(super) validate_every: u64,
    /// The rule it begins with.
    pub(super) rule: &'a RuleSettings,
}

/// What a checkpoint holds.
#[derive(Serialize, Deserialize)]
struct State {
    agent: Vec<u8>,
    best: Option<SavedPolicy>,
    ticks: u64,
    curve: Vec<CurvePoint>,
}

impl Training<'_> {
    /// Trains to the end, from the checkpoint if there is one. `begin` makes the agent, fresh or from its
    /// bytes.
    ///
    /// # Errors
    /// [`StudyError`]; [`StudyError::Stopped`] after a checkpoint.
    pub(super) fn run<T: TrainableAgent>(
        &self,
        context: &TrainingContext<'_>,
        job_context: &JobContext<'_>,
        begin: impl FnOnce(Option<&[u8]>) -> Result<T, LearnerError>,
    ) -> Result<TrainingResult, StudyError> {
        let fail = StudyError::learner(self.learner);
        let (checkpoint, identity) = (job_context.checkpoint(), job_context.identity(context));
        let kept = load_checkpoint::<State>(&checkpoint, &identity, |w| context.reporter.line(&w))?;
        let mut agent = begin(kept.as_ref().map(|state| state.agent.as_slice())).map_err(&fail)?;
        let mut state = match kept {
            Some(state) => state,
            None => self.first_state(context)?,
        };
        let (mut failure, mut cut) = (None, None);
        job_context.stopwatch.begin(agent.steps(), state.ticks);
        while agent.steps() < self.steps {
            if job_context.stop_condition.interrupt(state.ticks) == Some(Interrupt::Spent) {
                cut = job_context.stop_condition.cut(&format!("{} steps", agent.steps()));
                break;
            }
            let until = ((agent.steps() / self.validate_every + 1) * self.validate_every).min(self.steps);
            let mut interrupt = None;
            let (ticks, curve) = (&mut state.ticks, &state.curve);
            let outcome = agent.advance(until, &mut |steps, driven| {
                *ticks += driven;
                job_context.show(steps, self.steps, *ticks, curve);
                interrupt = job_context.stop_condition.interrupt(*ticks);
                if interrupt.is_some() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
            });
            if let Err(problem) = outcome {
                let problem = format!("diverged: {problem}");
                // Training that has diverged stops here; what validation selected before stands.
                context
                    .reporter
                    .line(&format!("{}: {problem}; training ends here", shown(job_context.folder)));
                failure = Some(problem);
                break;
            }
            if agent.steps() >= until || interrupt == Some(Interrupt::Spent) {
                job_context.stopwatch.enter(Stage::Validation);
                self.validate(context, &agent, &mut state)?;
            }
            job_context.stopwatch.enter(Stage::Checkpointing);
            state.agent = agent.to_bytes().map_err(&fail)?;
            context.check_driven()?;
            save_checkpoint(&checkpoint, &identity, &state)?;
            job_context.on_checkpoint(agent.steps(), state.ticks, &state.curve)?;
            job_context.stopwatch.enter(Stage::Learning);
            if interrupt == Some(Interrupt::Stop) {
                return Err(StudyError::Stopped);
            }
        }
        // What has diverged is no policy: the last good one is the one selected.
        let last = match failure {
            Some(_) => state.best.clone(),
            None => agent.policies().map_err(&fail)?.into_iter().next(),
        };
        Ok(self.trained(state, last, failure, cut))
    }

    /// Nothing is learned yet: the rule's own score.
    fn first_state(&self, context: &TrainingContext<'_>) -> Result<State, StudyError> {
        let rule = SavedPolicy::Rule(self.rule.clone());
        let curve = vec![score(context, self.learner, &rule, 0)?];
        Ok(State { agent: vec![], best: None, ticks: 0, curve })
    }

    /// Scores what the trainee offers; the best of it is kept if nothing before was as good.
    fn validate<T: TrainableAgent>(
        &self,
        context: &TrainingContext<'_>,
        agent: &T,
        state: &mut State,
    ) -> Result<(), StudyError> {
        let offered = agent.policies().map_err(StudyError::learner(self.learner))?;
        let mut best: Option<(CurvePoint, SavedPolicy)> = None;
        for policy in offered {
            let point = score(context, self.learner, &policy, state.ticks)?;
            if best.as_ref().is_none_or(|(b, _)| point.mean > b.mean) {
                best = Some((point, policy));
            }
        }
        let Some((point, policy)) = best else { return Ok(()) };
        if state.curve.iter().all(|p| point.mean > p.mean) {
            state.best = Some(policy);
        }
        state.curve.push(point);
        Ok(())
    }

    fn trained(
        &self,
        state: State,
        last: Option<SavedPolicy>,
        failure: Option<String>,
        cut: Option<String>,
    ) -> TrainingResult {
        let rule = || SavedPolicy::Rule(self.rule.clone());
        let score = state.curve.iter().map(|p| p.mean).fold(f64::NEG_INFINITY, f64::max);
        TrainingResult {
            record: JobRecord { ticks: state.ticks, curve: state.curve, score, failure, cut },
            selected: state.best.unwrap_or_else(rule),
            last: last.unwrap_or_else(rule),
        }
    }
}

/// The score of a policy on the validation courses.
fn score(
    context: &TrainingContext<'_>,
    learner: &str,
    policy: &SavedPolicy,
    ticks: u64,
) -> Result<CurvePoint, StudyError> {
    let mut instance =
        policy.instantiate(context.gears).map_err(|e| StudyError::learner(learner)(e.into()))?;
    let (returns, _) = context.validation.returns(&mut instance);
    Ok(curve_point(ticks, &returns))
}
