//! The learner: acts, fills a rollout buffer, learns from it.

use lowgear_env::config::{Check, KeyError, require};
use lowgear_env::{End, Seed, Step, Stream};
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::{
    Actor, Mask, Network, NeuralError, Normaliser, PpoConfig, UpdateStatistics,
    minibatch::RolloutBuffer,
    normalise::RunningMeanVar,
    rollout::{Trajectory, Transition},
    update::discount,
};
use crate::neural::{Scratch, Trainer, check_length, guarded, limits::SIZES};

/// Numbers of the trainer's networks.
pub(super) const ACTOR: usize = 0;
pub(super) const CRITIC: usize = 1;

/// A learner for several worlds of one kind.
///
/// For each world: [`Ppo::begin_episode`], then [`Ppo::act`] (or [`Ppo::act_all`] for several worlds) and
/// [`Ppo::observe`] in turn until the episode is over. When [`Ppo::buffer_is_full`], [`Ppo::update`]. [`super::train`] does all this.
#[derive(Debug)]
pub struct Ppo {
    pub(crate) state: State,
    /// Of the policy and of the value.
    pub(crate) trainer: Trainer,
    pub(super) scratch: Scratch,
    pub(super) log_p: Vec<f32>,
    /// Room for the decisions to learn from; empty but in an update.
    buffer: RolloutBuffer,
    elapsed: Elapsed,
}

/// The discount and the decay of the last length of a decision: most last as long as the one before.
#[derive(Clone, Copy, Debug, Default)]
struct Elapsed {
    elapsed_s: f64,
    known: Option<(f64, f64)>,
}

impl Elapsed {
    fn discounts(&mut self, config: &PpoConfig, elapsed_s: f64) -> (f64, f64) {
        match self.known {
            Some(known) if self.elapsed_s == elapsed_s => known,
            _ => {
                let known =
                    (discount(config.gamma_per_s, elapsed_s), discount(config.lambda_per_s, elapsed_s));
                *self = Elapsed { elapsed_s, known: Some(known) };
                known
            }
        }
    }
}

#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct State {
    pub(crate) config: PpoConfig,
    /// How many of the last inputs only the value sees.
    pub(crate) privileged: usize,
    pub(crate) env_slots: Vec<EnvSlotState>,
    pub(crate) seen: RunningMeanVar,
    pub(crate) normaliser: Normaliser,
    pub(crate) returns: RunningMeanVar,
    pub(super) explore: ChaCha8Rng,
    pub(crate) learn: ChaCha8Rng,
    pub(crate) decisions: u64,
    episodes: u64,
    pub(crate) learn_steps: u64,
    pub(super) iterations: u64,
    /// Bias of the guide's action in this iteration.
    pub(crate) guide_bias: f32,
}

/// What is kept of one world.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct EnvSlotState {
    pub(crate) trajectory: Trajectory,
    /// Memories of policy and value.
    pub(crate) memories: [Vec<f32>; 2],
    /// A decision whose outcome is not known yet.
    pub(crate) pending: Option<Pending>,
    /// Whether the next decision is the first one of its episode.
    begins: bool,
    /// Discounted sum of rewards of the episode so far, newest decision last.
    running_return: f64,
    /// What is seen now, normalised, while an episode is under way.
    pub(crate) now: Vec<f32>,
}

/// A decision whose outcome is not known yet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Pending {
    /// Normalised.
    pub(crate) observation: Vec<f32>,
    pub(crate) transition: Transition,
    /// Memories of policy and value before it.
    pub(crate) memories: [Vec<f32>; 2],
}

impl Ppo {
    /// A fresh learner for observations of length `inputs`.
    ///
    /// # Errors
    /// A setting is out of its range.
    pub fn new(config: PpoConfig, inputs: usize, actions: usize, seed: Seed) -> Result<Ppo, NeuralError> {
        Ppo::with_privileged(config, inputs, 0, actions, seed)
    }

    /// The same for observations behind which `privileged` numbers follow that only the value sees.
    ///
    /// The networks have the same inputs, but the weights by which these enter the policy are 0 and stay so; the policy at
    /// work has no such inputs.
    ///
    /// # Errors
    /// A setting is out of its range.
    pub fn with_privileged(
        config: PpoConfig,
        observed: usize,
        privileged: usize,
        actions: usize,
        seed: Seed,
    ) -> Result<Ppo, NeuralError> {
        config.check()?;
        let inputs = observed + privileged;
        let fits = config.shape(inputs, actions).check().is_ok() && actions <= 32;
        require(fits, "inputs, actions", format!("{inputs}, {actions}"), SIZES)?;
        let mut rng = seed.stream(Stream::Learn, 0);
        let mut actor = Network::fresh(config.shape(inputs, actions), 0.01, &mut rng)?;
        let blind = Network::weights_of_last_inputs(actor.shape(), privileged);
        actor.weights_mut()[blind.clone()].fill(0.0);
        let critic = Network::fresh(config.shape(inputs, 1), 0.5, &mut rng)?;
        let (epsilon, longest) = (config.adam_epsilon, config.max_gradient_norm);
        let trainer = Trainer::new(&[actor, critic], epsilon, longest, &config.device.open()?);
        let trainer = trainer.freezing(blind);
        let state = State {
            privileged,
            env_slots: vec![EnvSlotState::default(); config.num_envs],
            seen: RunningMeanVar::new(inputs),
            normaliser: Normaliser::identity(inputs),
            returns: RunningMeanVar::new(1),
            explore: seed.stream(Stream::Explore, 0),
            learn: seed.stream(Stream::Learn, 1),
            decisions: 0,
            episodes: 0,
            learn_steps: 0,
            iterations: 0,
            guide_bias: config.guide_bias_at(0),
            config,
        };
        Ok(Ppo::from((state, trainer)))
    }

    /// Begins an episode in world number `env_slot` and returns the episode's number. An episode under way there
    /// is given up: its decisions still count, as if its clock had run out, but for one without outcome.
    ///
    /// # Errors
    /// There is no such world.
    pub fn begin_episode(&mut self, env_slot: usize) -> Result<u64, NeuralError> {
        self.close(env_slot)?;
        let number = self.state.episodes;
        self.state.episodes += 1;
        let env_slot = self.state.env_slots.get_mut(env_slot).ok_or_else(|| no_slot(env_slot))?;
        env_slot.begins = true;
        Ok(number)
    }

    /// Takes what the last action in world number `env_slot` led to. `next` is what is seen then, at the end of
    /// an episode too.
    ///
    /// # Errors
    /// No action was chosen before, a value is not finite, or there is no such world.
    pub fn observe(&mut self, env_slot: usize, step: &Step, next: &[f32]) -> Result<(), NeuralError> {
        self.check_seen(next, Mask::all(1))?;
        if !(step.reward.is_finite() && step.elapsed_s.is_finite() && step.elapsed_s >= 0.0) {
            return Err(NeuralError::NotFinite("reward or elapsed time"));
        }
        let State { config, env_slots, normaliser, returns, decisions, .. } = &mut self.state;
        let number = env_slot;
        let env_slot = env_slots.get_mut(env_slot).ok_or_else(|| no_slot(env_slot))?;
        let Some(Pending { observation, mut transition, memories }) = env_slot.pending.take() else {
            return Err(NeuralError::NothingPending);
        };
        let (passed, decay) = self.elapsed.discounts(config, step.elapsed_s);
        transition.reward = step.reward * f64::from(config.reward_scale);
        transition.discount = passed as f32;
        transition.decay = decay as f32;
        if step.end == Some(End::Terminated) {
            (transition.discount, transition.bootstrap_value, transition.last) = (0.0, Some(0.0), true);
        }
        let reward = transition.reward;
        let begins = std::mem::take(&mut env_slot.begins);
        env_slot.trajectory.push(&observation, transition, begins, config.bptt_length, &memories);
        env_slot.running_return = env_slot.running_return * passed + reward;
        if config.normalise_returns {
            returns.add([env_slot.running_return]);
        }
        *decisions += 1;
        env_slot.now.clear();
        env_slot.now.extend_from_slice(next);
        normaliser.apply(&mut env_slot.now);
        if step.end.is_some() { self.close(number) } else { Ok(()) }
    }

    /// Whether a buffer has enough decisions.
    #[must_use]
    pub fn buffer_is_full(&self) -> bool {
        self.buffer_len() >= self.state.config.n_steps
    }

    /// Decisions of the buffer so far.
    #[must_use]
    pub fn buffer_len(&self) -> u64 {
        self.state.env_slots.iter().map(|env_slot| env_slot.trajectory.len() as u64).sum()
    }

    /// Learns from the buffer and begins a new one. Episodes under way go on; their values are taken to be
    /// what the network says.
    ///
    /// # Errors
    /// An action is still without outcome, or learning diverged: the weights are then those before the
    /// failed step, and the buffer is over.
    pub fn update(&mut self) -> Result<UpdateStatistics, NeuralError> {
        if self.state.env_slots.iter().any(|env_slot| env_slot.pending.is_some()) {
            return Err(NeuralError::OutcomePending);
        }
        let scale = self.reward_scale();
        let mut buffer = std::mem::take(&mut self.buffer).emptied();
        for env_slot in 0..self.state.env_slots.len() {
            let bootstrap_value = self.value_now(env_slot);
            let trajectory = &mut self.state.env_slots[env_slot].trajectory;
            if let Some(last) = trajectory.transitions.last_mut() {
                last.bootstrap_value = last.bootstrap_value.or(Some(bootstrap_value));
            }
            let advantages_and_targets = trajectory.compute_gae(scale);
            buffer.add(trajectory, advantages_and_targets);
        }
        if self.state.config.normalise_advantages {
            buffer.standardise();
        }
        self.state.iterations += 1;
        let learned = self.learn(&buffer);
        self.buffer = buffer;
        self.state.guide_bias = self.state.config.guide_bias_at(self.state.decisions);
        if self.state.config.normalise_observations {
            self.state.normaliser = self.state.seen.normaliser();
        }
        learned
    }

    /// Learns where the weights are, and brings them back to where single observations are acted on.
    fn learn(&mut self, buffer: &RolloutBuffer) -> Result<UpdateStatistics, NeuralError> {
        let Ppo { state, trainer, .. } = self;
        if !trainer.is_remote() {
            return state.learn_buffer(trainer, buffer);
        }
        guarded(|| {
            let learned = state.learn_buffer(trainer, buffer);
            trainer.settle()?;
            learned
        })
    }

    /// The policy as it stands, with a fresh memory.
    ///
    /// # Errors
    /// None that can happen with a learner's own parts.
    pub fn actor(&self) -> Result<Actor, NeuralError> {
        let State { normaliser, guide_bias, privileged, .. } = &self.state;
        let network = self.actor_network().without_last_inputs(*privileged)?;
        Actor::new(normaliser.first(network.shape().inputs), network, *guide_bias)
    }

    /// The value that the network gives to what is seen at the begin of an episode, in the reward's own
    /// unit.
    #[must_use]
    pub fn value(&mut self, observation: &[f32]) -> f64 {
        let mut input = observation.to_vec();
        self.state.normaliser.apply(&mut input);
        let value = self.trainer.network(CRITIC).values(&input, &mut self.scratch)[0];
        f64::from(value) / self.reward_scale() / f64::from(self.state.config.reward_scale)
    }

    /// How many of the last numbers of an observation only the value sees.
    #[must_use]
    pub const fn privileged(&self) -> usize {
        self.state.privileged
    }

    /// Settings.
    #[must_use]
    pub const fn config(&self) -> &PpoConfig {
        &self.state.config
    }

    /// Decisions taken.
    #[must_use]
    pub const fn decisions(&self) -> u64 {
        self.state.decisions
    }

    /// Episodes begun.
    #[must_use]
    pub const fn episodes(&self) -> u64 {
        self.state.episodes
    }

    /// Learning steps taken.
    #[must_use]
    pub const fn learn_steps(&self) -> u64 {
        self.state.learn_steps
    }

    /// Iterations learned from.
    #[must_use]
    pub const fn iterations(&self) -> u64 {
        self.state.iterations
    }

    fn actor_network(&self) -> &Network {
        self.trainer.network(ACTOR)
    }

    /// What rewards are multiplied by, beyond the scale of the settings.
    fn reward_scale(&self) -> f64 {
        if self.state.config.normalise_returns { 1.0 / self.state.returns.scale() } else { 1.0 }
    }

    /// Ends the episode of a world, if one is under way, bootstrapping from what is seen last unless the
    /// task has ended.
    fn close(&mut self, env_slot: usize) -> Result<(), NeuralError> {
        if env_slot >= self.state.env_slots.len() {
            return Err(no_slot(env_slot));
        }
        let value = self.value_now(env_slot);
        let EnvSlotState { trajectory, memories, pending, running_return, now, .. } =
            &mut self.state.env_slots[env_slot];
        *pending = None;
        if let Some(transition) = trajectory.transitions.last_mut().filter(|_| !now.is_empty()) {
            transition.bootstrap_value = transition.bootstrap_value.or(Some(value));
            transition.last = true;
        }
        memories.iter_mut().for_each(Vec::clear);
        now.clear();
        *running_return = 0.0;
        Ok(())
    }

    /// The value of what a world's episode under way shows now; 0 without one.
    fn value_now(&mut self, env_slot: usize) -> f32 {
        let EnvSlotState { memories, now, .. } = &self.state.env_slots[env_slot];
        if now.is_empty() {
            return 0.0;
        }
        let mut memory = memories[1].clone();
        self.trainer.network(CRITIC).run(now, &mut memory, &mut self.scratch)[0]
    }

    /// Refuses an observation that does not fit; returns the mask without actions that do not exist.
    pub(super) fn check_seen(&self, observation: &[f32], mask: Mask) -> Result<Mask, NeuralError> {
        let shape = self.actor_network().shape();
        check_length("observation", observation.len(), shape.inputs)?;
        if observation.iter().all(|x| x.is_finite()) {
            Ok(mask.within(shape.outputs))
        } else {
            Err(NeuralError::NotFinite("observation"))
        }
    }
}

/// There is no such environment, or not at this place.
pub(super) fn no_slot(env_slot: usize) -> NeuralError {
    KeyError::new("env-slot", env_slot.to_string(), "less than `num-envs`, rising").into()
}

impl From<(State, Trainer)> for Ppo {
    fn from((state, trainer): (State, Trainer)) -> Ppo {
        let buffer = RolloutBuffer::new(trainer.network(ACTOR).shape().inputs, state.config.gru_size);
        let elapsed = Elapsed::default();
        Ppo { state, trainer, scratch: Scratch::default(), log_p: Vec::new(), buffer, elapsed }
    }
}
