//! A learner as bytes, and back.

use super::{
    NeuralError, Ppo, PpoConfig,
    learner::{EnvSlotState, Pending, State},
};
use crate::neural::{Network, NetworkShape, Trainer, TrainerRecord};
use lowgear_env::config::Check;

/// First bytes of a saved state; the last one is the layout's version.
const MAGIC: &[u8] = b"lowgear-ppo\x06";

impl Ppo {
    /// Everything, as bytes: weights, moments, statistics, random streams, memories and the iteration so far.
    ///
    /// # Errors
    /// The state could not be written down.
    pub fn save_state(&self) -> Result<Vec<u8>, NeuralError> {
        postcard::to_extend(&(&self.state, self.trainer.record()?), MAGIC.to_vec())
            .map_err(|_| NeuralError::State("it could not be written down"))
    }

    /// Reads [`Ppo::save_state`] back. `config` must be the one it was made with.
    ///
    /// # Errors
    /// The bytes are damaged, of another version, or were made with other settings.
    pub fn load_state(config: &PpoConfig, bytes: &[u8]) -> Result<Ppo, NeuralError> {
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
            Trainer::resumed(record, config.adam_epsilon, config.max_gradient_norm, &config.device.open()?)?;
        if !state.fits(trainer.shapes()) {
            return Err(NeuralError::State("parts do not fit together"));
        }
        let blind = Network::weights_of_last_inputs(&trainer.shapes()[0], state.privileged);
        let trainer = trainer.freezing(blind);
        Ok(Ppo::from((state, trainer)))
    }
}

impl Pending {
    fn fits(&self, inputs: usize, actions: usize, memory: usize) -> bool {
        self.observation.len() == inputs
            && self.transition.fits(actions)
            && self.memories.iter().all(|m| m.is_empty() || m.len() == memory)
    }
}

impl State {
    fn fits(&self, shapes: &[NetworkShape]) -> bool {
        let PpoConfig { gru_size, num_envs, .. } = &self.config;
        let [actor, critic] = shapes else { return false };
        let inputs = actor.inputs;
        let env_slot = |env_slot: &EnvSlotState| {
            env_slot.trajectory.fits(inputs, actor.outputs, *gru_size)
                && env_slot.memories.iter().all(|m| m.is_empty() || m.len() == *gru_size)
                && env_slot
                    .pending
                    .as_ref()
                    .is_none_or(|pending| pending.fits(inputs, actor.outputs, *gru_size))
                && (env_slot.now.is_empty() || env_slot.now.len() == inputs)
        };
        self.config.check().is_ok()
            && self.privileged < inputs
            && *actor == self.config.shape(inputs, actor.outputs)
            && *critic == self.config.shape(inputs, 1)
            && actor.outputs <= 32
            && self.env_slots.len() == *num_envs
            && self.env_slots.iter().all(env_slot)
            && self.seen.fits(inputs)
            && self.returns.fits(1)
            && self.normaliser.check(inputs).is_ok()
    }
}
