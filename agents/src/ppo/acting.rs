//! Decisions: one, or those of several worlds at once.

use std::ops::Range;

use rand::RngExt;
use rayon::prelude::*;

use super::{
    Mask, NeuralError, Ppo,
    actor::biased_log_softmax,
    learner::{ACTOR, CRITIC, EnvSlotState, Pending, State, no_slot},
    rollout::Transition,
};
use crate::neural::{Batch, Matrix, Pass};

/// What a world shows before a decision.
#[derive(Clone, Copy, Debug)]
pub struct View<'a> {
    /// Number of the world.
    pub env_slot: usize,
    /// What the networks see.
    pub observation: &'a [f32],
    /// Which actions are possible.
    pub mask: Mask,
    /// The guide's action, ignored where it is not possible.
    pub guide: Option<usize>,
}

/// Fewer worlds than these are taken one by one: the library's products are for batches.
const FEW: usize = 4;

/// Worlds of one thread's share.
const SHARE: usize = 64;

/// Fewer worlds than these are not worth the way to another device.
const MANY: usize = 256;

impl Ppo {
    /// Draws an action. `guide` is the guide's, ignored where it is not possible. Asked again before an outcome, the
    /// decision replaces the one before.
    ///
    /// # Errors
    /// The observation does not fit or is not finite, no action is possible, or there is no such world.
    pub fn act(
        &mut self,
        env_slot: usize,
        observation: &[f32],
        mask: Mask,
        guide: Option<usize>,
    ) -> Result<usize, NeuralError> {
        let actions = self.act_all(&[View { env_slot, observation, mask, guide }])?;
        actions.first().copied().ok_or(NeuralError::NoAction)
    }

    /// Draws an action for each of several worlds, whose numbers rise.
    ///
    /// # Errors
    /// Those of [`Ppo::act`]; a number does not rise.
    pub fn act_all(&mut self, views: &[View<'_>]) -> Result<Vec<usize>, NeuralError> {
        if views.is_empty() {
            return Ok(Vec::new());
        }
        let mut free = 0..self.state.env_slots.len();
        for view in views {
            if !free.contains(&view.env_slot) {
                return Err(no_slot(view.env_slot));
            }
            free.start = view.env_slot + 1;
            if self.check_seen(view.observation, view.mask)?.count() == 0 {
                return Err(NeuralError::NoAction);
            }
        }
        let mut inputs = Vec::new();
        for view in views {
            self.state.see(view, &mut inputs);
        }
        let observations = Matrix::new(inputs, self.trainer.network(ACTOR).shape().inputs);
        let before: Vec<[Vec<f32>; 2]> = if self.state.config.gru_size > 0 {
            views.iter().map(|view| self.state.env_slots[view.env_slot].memories.clone()).collect()
        } else {
            vec![Default::default(); views.len()]
        };
        let [logits, values] = if self.is_sent(views.len()) {
            self.outputs_from_device(&observations)?
        } else {
            self.outputs(views, &observations)
        };
        let rows = observations.values().chunks_exact(observations.columns());
        let outputs = logits.chunks_exact(logits.len() / views.len()).zip(values);
        let mut actions = Vec::with_capacity(views.len());
        for (((view, input), memories), (logits, value)) in views.iter().zip(rows).zip(before).zip(outputs) {
            let transition = self.draw(view, logits, value)?;
            actions.push(usize::from(transition.action));
            self.state.env_slots[view.env_slot].pending =
                Some(Pending { observation: input.to_vec(), transition, memories });
        }
        Ok(actions)
    }

    /// Whether so many observations go to the device that learns. Memories stay on the CPU.
    const fn is_sent(&self, rows: usize) -> bool {
        self.trainer.is_remote() && self.state.config.gru_size == 0 && rows >= MANY
    }

    /// As [`Ppo::outputs`].
    fn outputs_from_device(&self, observations: &Matrix) -> Result<[Vec<f32>; 2], NeuralError> {
        let all = self.trainer.values(observations.values(), self.state.config.num_envs)?;
        let actions = self.trainer.network(ACTOR).shape().outputs;
        let (mut logits, mut values) = (Vec::new(), Vec::new());
        for row in all.chunks_exact(actions + 1) {
            logits.extend_from_slice(&row[..actions]);
            values.push(row[actions]);
        }
        Ok([logits, values])
    }

    /// What comes out of the policy and of the value for each world, row by row; moves the worlds' memories on.
    fn outputs(&mut self, views: &[View<'_>], observations: &Matrix) -> [Vec<f32>; 2] {
        let Ppo { state, trainer, scratch, .. } = self;
        let slots = &mut state.env_slots;
        let mut outputs = [Vec::new(), Vec::new()];
        if views.len() < FEW {
            for (view, input) in views.iter().zip(observations.values().chunks_exact(observations.columns()))
            {
                for who in [ACTOR, CRITIC] {
                    let memory = &mut slots[view.env_slot].memories[who];
                    outputs[who].extend_from_slice(trainer.network(who).run(input, memory, scratch));
                }
            }
            return outputs;
        }
        let width = state.config.gru_size;
        let mut memories = [ACTOR, CRITIC].map(|_| vec![0.0; views.len() * width]);
        for who in [ACTOR, CRITIC] {
            for (view, memory) in views.iter().zip(memories[who].chunks_exact_mut(width.max(1))) {
                memory.iter_mut().zip(&slots[view.env_slot].memories[who]).for_each(|(m, own)| *m = *own);
            }
        }
        let batch = Batch::rows(observations.clone());
        let plan = shares(views.len(), width > 0);
        let several = plan.len() > 2;
        let pass = |(who, rows): (usize, Range<usize>)| {
            let network = trainer.network(who);
            let (shape, weights) = (network.shape(), network.shared_weights());
            (who, Pass::new(shape, weights, &batch, rows, &memories[who], trainer.buffers()))
        };
        let passes: Vec<(usize, Pass)> = if several {
            plan.into_par_iter().map(pass).collect()
        } else {
            plan.into_iter().map(pass).collect()
        };
        for (who, pass) in passes {
            for (view, memory) in views.iter().zip(pass.memories_after().chunks_exact(width.max(1))) {
                slots[view.env_slot].memories[who] = memory.to_vec();
            }
            outputs[who].extend_from_slice(&pass.values);
        }
        outputs
    }

    /// Draws an action by the policy's logits.
    fn draw(&mut self, view: &View<'_>, logits: &[f32], value: f32) -> Result<Transition, NeuralError> {
        let State { guide_bias, explore, .. } = &mut self.state;
        let mask = view.mask.within(logits.len());
        let guide = view.guide.filter(|&g| mask.allows(g));
        biased_log_softmax(logits, mask, guide, *guide_bias, &mut self.log_p);
        let action = sampled(&self.log_p, mask, explore.random::<f32>()).ok_or(NeuralError::NoAction)?;
        Ok(Transition {
            mask,
            action: action as u8,
            guide: guide.map(|g| g as u8),
            log_p: self.log_p[action],
            value,
            reward: 0.0,
            discount: 0.0,
            decay: 0.0,
            bootstrap_value: None,
            last: false,
        })
    }
}

/// The rows that a thread leads through a network at a time, for each network; with a memory, all of them at once.
fn shares(rows: usize, memory: bool) -> Vec<(usize, Range<usize>)> {
    let share = if memory { rows } else { SHARE };
    let shares = |who| (0..rows).step_by(share).map(move |from| (who, from..rows.min(from + share)));
    [ACTOR, CRITIC].into_iter().flat_map(shares).collect()
}

impl State {
    /// Takes note of what a world shows and appends it to `inputs`, normalised.
    fn see(&mut self, view: &View<'_>, inputs: &mut Vec<f32>) {
        let EnvSlotState { pending, memories, .. } = &mut self.env_slots[view.env_slot];
        if let Some(replaced) = pending.take() {
            *memories = replaced.memories;
        }
        if self.config.normalise_observations {
            self.seen.add(view.observation.iter().map(|&x| f64::from(x)));
            // Nothing is known before the first iteration, and raw numbers may be of any size: until then the scales
            // move with each observation.
            if self.iterations == 0 {
                self.normaliser = self.seen.normaliser();
            }
        }
        let from = inputs.len();
        inputs.extend_from_slice(view.observation);
        self.normaliser.apply(&mut inputs[from..]);
    }
}

/// The action at `point`, in [0, 1), of probabilities laid side by side.
fn sampled(log_p: &[f32], mask: Mask, point: f32) -> Option<usize> {
    let mut sum = 0.0;
    let mut last = None;
    for (action, l) in log_p.iter().enumerate().filter(|(a, _)| mask.allows(*a)) {
        sum += l.exp();
        last = Some(action);
        if point < sum {
            break;
        }
    }
    last
}
