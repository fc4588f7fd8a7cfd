//! The learner: acts, remembers, learns.

use lowgear_env::{Seed, Step, Stream};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::{
    DqnConfig, Mask, Network, NeuralError, Scratch, TargetUpdate,
    loss::Loss,
    replay::{Decision, Replay, SampledBatch, Transition},
    update::{TargetStep, next_value, polyak_update, retrace_target},
};
use crate::neural::{
    self, Batch, Layer, Matrix, Trainer, TrainerRecord, check_length, finite, limits::SIZES, training_device,
};
use crate::policy::guided_best;
use lowgear_env::config::{Check, require};

/// The result of a learning step, averaged over its batch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UpdateStatistics {
    /// Loss, the guide's part included.
    pub loss: f32,
    /// Value of the actions taken.
    pub value: f32,
    /// Length of the gradient before it was shortened.
    pub gradient_norm: f32,
}

/// A deep Q-learner for one world.
///
/// Alternate [`Dqn::act`] and [`Dqn::observe`]. Everything that decides what happens next is in
/// [`Dqn::save_state`]: a learner read back goes on bit for bit as if it had never stopped.
#[derive(Debug)]
pub struct Dqn {
    state: State,
    trainer: Trainer,
    scratch: Scratch,
    sampled: SampledBatch,
}

#[derive(Debug, Serialize, Deserialize)]
struct State {
    config: DqnConfig,
    target: Network,
    replay: Replay,
    pending: Option<Decision>,
    explore: ChaCha8Rng,
    learn: ChaCha8Rng,
    decisions: u64,
    learn_steps: u64,
    episodes: u64,
}

/// First bytes of a saved state; the last one is the layout's version.
const MAGIC: &[u8] = b"lowgear-dqn\x04";

impl Dqn {
    /// A fresh learner for observations of length `inputs`.
    ///
    /// # Errors
    /// A setting is out of its range.
    pub fn new(config: DqnConfig, inputs: usize, actions: usize, seed: Seed) -> Result<Dqn, NeuralError> {
        config.check()?;
        let shape = config.shape(inputs, actions);
        let fits = shape.check().is_ok() && actions <= 32;
        require(fits, "inputs, actions", format!("{inputs}, {actions}"), SIZES)?;
        let bound = |layer: &Layer| (1.0 / layer.inputs as f32).sqrt();
        let online = Network::drawn(shape, bound, &mut seed.stream(Stream::Learn, 0))?;
        let (epsilon, longest) = (config.adam_epsilon, config.max_gradient_norm);
        let trainer = Trainer::new(std::slice::from_ref(&online), epsilon, longest, &training_device());
        let state = State {
            target: online,
            replay: Replay::new(inputs, config.replay_capacity, config.priority.is_some()),
            pending: None,
            explore: seed.stream(Stream::Explore, 0),
            learn: seed.stream(Stream::Learn, 1),
            decisions: 0,
            learn_steps: 0,
            episodes: 0,
            config,
        };
        Ok(Dqn::from((state, trainer)))
    }

    /// Chooses an action: with probability `epsilon` any possible one, else with probability `guide` the
    /// guide's if it is possible, else the one valued highest.
    ///
    /// # Errors
    /// The observation does not fit or is not finite, or no action is possible.
    pub fn act(
        &mut self,
        observation: &[f32],
        mask: Mask,
        guide: Option<usize>,
    ) -> Result<usize, NeuralError> {
        let mask = self.check_seen(observation, mask)?;
        if mask.count() == 0 {
            return Err(NeuralError::NoAction);
        }
        let State { config, explore, decisions, .. } = &mut self.state;
        let guide = guide.filter(|&g| mask.allows(g));
        let action = if explore.random::<f32>() < config.epsilon.at(*decisions) {
            mask.nth(explore.random_range(0..mask.count() as u32) as usize)
        } else if guide.is_some() && explore.random::<f32>() < config.guide.at(*decisions) {
            guide
        } else {
            let values = self.trainer.network(0).values(observation, &mut self.scratch);
            // With a margin of 0 the guide has no say, not even among equals.
            let guide = guide.filter(|_| config.rule_margin > 0.0);
            guided_best(values, mask, guide, config.rule_margin)
        };
        let action = action.ok_or(NeuralError::NoAction)?;
        self.state.pending = Some(Decision {
            observation: observation.to_vec(),
            mask,
            action: action as u8,
            guide: guide.map(|g| g as u8),
            reward: 0.0,
            discount: 0.0,
        });
        Ok(action)
    }

    /// Takes what the last action led to, and learns when it is time. `next` and `next_mask` are what is
    /// seen then, at the end of an episode too.
    ///
    /// # Errors
    /// No action was chosen before, a value is not finite, or learning diverged. After
    /// [`NeuralError::Diverged`] the weights are those before the failed step.
    pub fn observe(
        &mut self,
        step: &Step,
        next: &[f32],
        next_mask: Mask,
    ) -> Result<Option<UpdateStatistics>, NeuralError> {
        let over = step.end.is_some();
        let next_mask = self.check_seen(next, next_mask)?;
        if next_mask.count() == 0 && !over {
            return Err(NeuralError::NoAction);
        }
        if !(step.reward.is_finite() && step.elapsed_s.is_finite()) {
            return Err(NeuralError::NotFinite("reward or elapsed time"));
        }
        let State { config, replay, pending, .. } = &mut self.state;
        let mut decision = pending.take().ok_or(NeuralError::NothingPending)?;
        decision.resolve(step, config.gamma_per_s, config.reward_scale);
        replay.push(&Transition::new(&decision, over, next, next_mask));
        self.state.decisions += 1;
        self.state.episodes += u64::from(over);
        self.learn_when_due()
    }

    /// The learning network.
    #[must_use]
    pub fn online(&self) -> &Network {
        self.trainer.network(0)
    }

    /// The target network. With soft updates it is a running mean of the learning one, and steadier.
    #[must_use]
    pub const fn target(&self) -> &Network {
        &self.state.target
    }

    /// Settings.
    #[must_use]
    pub const fn config(&self) -> &DqnConfig {
        &self.state.config
    }

    /// Decisions lived through.
    #[must_use]
    pub const fn decisions(&self) -> u64 {
        self.state.decisions
    }

    /// Learning steps taken.
    #[must_use]
    pub const fn learn_steps(&self) -> u64 {
        self.state.learn_steps
    }

    /// Episodes lived through.
    #[must_use]
    pub const fn episodes(&self) -> u64 {
        self.state.episodes
    }

    /// Everything, as bytes.
    ///
    /// # Errors
    /// The state could not be written down.
    pub fn save_state(&self) -> Result<Vec<u8>, NeuralError> {
        postcard::to_extend(&(&self.state, self.trainer.record()?), MAGIC.to_vec())
            .map_err(|_| NeuralError::State("it could not be written down"))
    }

    /// Reads [`Dqn::save_state`] back. `config` must be the one it was made with.
    ///
    /// # Errors
    /// The bytes are damaged, of another version, or were made with other settings.
    pub fn load_state(config: &DqnConfig, bytes: &[u8]) -> Result<Dqn, NeuralError> {
        let body = bytes.strip_prefix(MAGIC).ok_or(NeuralError::State("other kind or version"))?;
        let ((state, record), rest): ((State, TrainerRecord), _) =
            postcard::take_from_bytes(body).map_err(|_| NeuralError::State("damaged or cut short"))?;
        if !rest.is_empty() {
            return Err(NeuralError::State("longer than it should be"));
        }
        if state.config != *config {
            return Err(NeuralError::State("made with other settings"));
        }
        let trainer =
            Trainer::resumed(record, config.adam_epsilon, config.max_gradient_norm, &training_device())?;
        if !(state.fits() && trainer.shapes() == std::slice::from_ref(state.target.shape())) {
            return Err(NeuralError::State("parts do not fit together"));
        }
        Ok(Dqn::from((state, trainer)))
    }

    /// Refuses an observation that does not fit; returns the mask without actions that do not exist.
    fn check_seen(&self, observation: &[f32], mask: Mask) -> Result<Mask, NeuralError> {
        let shape = self.state.target.shape();
        check_length("observation", observation.len(), shape.inputs)?;
        if observation.iter().all(|x| x.is_finite()) {
            Ok(mask.within(shape.outputs))
        } else {
            Err(NeuralError::NotFinite("observation"))
        }
    }

    fn learn_when_due(&mut self) -> Result<Option<UpdateStatistics>, NeuralError> {
        let State { config, decisions, replay, .. } = &self.state;
        let due = *decisions >= config.warm_up && decisions % config.learn_every == 0 && replay.len() > 0;
        let mut last = None;
        if due {
            for _ in 0..config.learn_steps {
                last = Some(self.learn()?);
            }
        }
        Ok(last)
    }

    /// One learning step: draw, target, gradient, Adam, target network.
    fn learn(&mut self) -> Result<UpdateStatistics, NeuralError> {
        let Dqn { state, trainer, .. } = self;
        let State { config, target, replay, learn, decisions, learn_steps, .. } = state;
        let step = *learn_steps;
        let beta = config.priority.map_or(0.0, |p| p.correction.at(*decisions));
        replay.sample(config.batch, beta, learn, &mut self.sampled);
        let batch: Vec<Transition> = self.sampled.slots.iter().map(|&slot| replay.get(slot)).collect();
        let targets = targets(config, replay, &self.sampled.slots, trainer.network(0), target);
        let outputs = trainer.forward(&Batch::rows(rows_of(batch.iter().map(|t| t.observation))))?;
        let mut loss = Loss::new(config, *decisions, &outputs.values, target.shape().outputs);
        for (row, ((transition, y), weight)) in
            batch.iter().zip(targets).zip(&self.sampled.weights).enumerate()
        {
            loss.add(row, transition, y, *weight);
        }
        let (mut learned, errors, slope) = loss.mean();
        finite("the loss", learned.loss, step)?;
        let gradient = trainer.gradient(outputs, slope)?;
        learned.gradient_norm = gradient.norm;
        finite("the gradient", learned.gradient_norm, step)?;
        trainer.step(gradient, config.learning_rate.at(*decisions))?;
        *learn_steps += 1;
        if let (Some(tree), Some(priority)) = (replay.priorities(), config.priority) {
            for (&slot, error) in self.sampled.slots.iter().zip(errors) {
                tree.change(slot, priority.of(error));
            }
        }
        match config.target {
            TargetUpdate::Soft { tau } => {
                polyak_update(target.weights_mut(), trainer.network(0).weights(), tau);
            }
            TargetUpdate::Hard { every } if *learn_steps % every == 0 => {
                target.clone_from(trainer.network(0));
            }
            TargetUpdate::Hard { .. } => {}
        }
        Ok(learned)
    }
}

impl From<(State, Trainer)> for Dqn {
    fn from((state, trainer): (State, Trainer)) -> Dqn {
        Dqn { state, trainer, scratch: Scratch::default(), sampled: SampledBatch::default() }
    }
}

impl State {
    fn fits(&self) -> bool {
        let shape = self.target.shape();
        let decision =
            |d: &Decision| d.observation.len() == shape.inputs && usize::from(d.action) < shape.outputs;
        self.config.check().is_ok()
            && *shape == self.config.shape(shape.inputs, shape.outputs)
            && shape.outputs <= 32
            && self.replay.fits(
                shape.inputs,
                self.config.replay_capacity,
                shape.outputs,
                self.config.priority.is_some(),
            )
            && self.pending.as_ref().is_none_or(decision)
    }
}

/// The target of the transition in each slot, from up to `n-step` transitions in a row.
fn targets(
    config: &DqnConfig,
    replay: &Replay,
    slots: &[usize],
    online: &Network,
    target_network: &Network,
) -> Vec<f32> {
    let rows: Vec<Vec<Transition>> =
        slots.iter().map(|&slot| replay.in_a_row(slot, config.n_step).collect()).collect();
    let next = rows_of(rows.iter().flatten().map(|t| t.next_observation));
    let judged = neural::values(target_network, next.clone());
    let choice = if config.double_q { neural::values(online, next) } else { judged.clone() };
    let actions = judged.columns();
    let mut values = choice.values().chunks(actions).zip(judged.values().chunks(actions));
    let target = |row: &Vec<Transition>| {
        let steps = row.iter().enumerate().zip(values.by_ref()).map(|((i, t), (choice, judged))| {
            let (next_value, best) = next_value(t.next_mask, choice, judged);
            let greedy_next = row.get(i + 1).is_some_and(|next| best == Some(usize::from(next.action)));
            TargetStep { reward: t.reward, discount: t.discount, next_value, greedy_next }
        });
        retrace_target(&steps.collect::<Vec<_>>())
    };
    rows.iter().map(target).collect()
}

fn rows_of<'a>(observations: impl Iterator<Item = &'a [f32]>) -> Matrix {
    let (mut values, mut columns) = (Vec::new(), 0);
    for observation in observations {
        values.extend_from_slice(observation);
        columns = observation.len();
    }
    Matrix::new(values, columns)
}
