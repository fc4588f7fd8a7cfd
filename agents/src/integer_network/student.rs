//! A network of real numbers that learns to decide as shown. Its weights are rounded once it has learned.

use lowgear_env::{Seed, Stream};
use lowgear_onboard::{Features, NetworkInput, Request};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::quantise::{INPUT_SCALE, INPUT_ZERO, quantised};
use super::{IntegerNetwork, NetworkFault};
use crate::neural::{
    Activation, Batch, Layer, Matrix, Network, NetworkShape, NeuralError, Trainer, training_device, values,
};
use crate::schedule::Schedule;
use crate::table::Provenance;

/// Examples of a learning step.
const BATCH: usize = 256;
/// Examples that set the scales of activations.
const CALIBRATION: usize = 2048;

/// How a student learns.
#[derive(Clone, Debug, PartialEq)]
pub struct StudentSettings {
    /// Units of each hidden layer.
    pub hidden: Vec<usize>,
    /// Learning steps in all; the step size falls to a twentieth over them.
    pub steps: u64,
    /// Step size of Adam at the start.
    pub learning_rate: f32,
    /// Where the randomness comes from.
    pub seed: Seed,
}

/// A decision to be learned.
#[derive(Clone, Debug, PartialEq)]
pub struct Example {
    /// What goes into the network.
    pub activations: Vec<u8>,
    /// What it is to decide.
    pub request: Request,
    /// How much it counts.
    pub weight: f32,
}

impl Example {
    /// The example of a decision at `features`.
    #[must_use]
    pub fn new(inputs: &[NetworkInput], features: &Features, request: Request, weight: f64) -> Example {
        let activations = inputs.iter().map(|input| input.activation(features.at(input.feature))).collect();
        Example { activations, request, weight: weight as f32 }
    }
}

/// See the module.
#[derive(Debug)]
pub struct Student {
    inputs: Vec<NetworkInput>,
    layers: Vec<Layer>,
    trainer: Trainer,
    learning_rate: Schedule,
    step: u64,
    rng: ChaCha8Rng,
}

impl Student {
    /// A student that has learned nothing.
    ///
    /// # Errors
    /// [`NeuralError`] when the sizes are unusable.
    pub fn new(inputs: Vec<NetworkInput>, settings: &StudentSettings) -> Result<Student, NeuralError> {
        let mut rng = settings.seed.stream(Stream::Learn, 0);
        let shape = NetworkShape {
            inputs: inputs.len(),
            hidden: settings.hidden.clone(),
            activation: Activation::Relu,
            gru_size: 0,
            outputs: Request::ALL.len(),
            dueling: false,
        };
        let offsets = shape.layer_offsets();
        let layers = offsets.trunk.into_iter().chain([offsets.last]).collect();
        let network = Network::fresh(shape, 0.1, &mut rng)?;
        let rate = settings.learning_rate;
        Ok(Student {
            inputs,
            layers,
            trainer: Trainer::new(&[network], 1e-5, 1.0, &training_device()),
            learning_rate: Schedule::linear(rate, rate / 20.0, settings.steps.max(1)),
            step: 0,
            rng,
        })
    }

    /// Takes learning steps, each on examples chosen at random.
    ///
    /// # Errors
    /// [`NeuralError`] when the loss leaves the finite numbers.
    pub fn learn(&mut self, examples: &[Example], steps: u64) -> Result<(), NeuralError> {
        if examples.is_empty() {
            return Ok(());
        }
        let total: f32 = examples.iter().map(|example| example.weight).sum();
        let mean = (total / examples.len() as f32).max(f32::MIN_POSITIVE);
        for _ in 0..steps {
            let chosen: Vec<&Example> =
                (0..BATCH).map(|_| &examples[self.rng.random_range(0..examples.len())]).collect();
            let outputs = self.trainer.forward(&Batch::rows(self.matrix(&chosen)))?;
            let mut slope = Vec::with_capacity(outputs.values.len());
            for (row, example) in outputs.values.chunks_exact(Request::ALL.len()).zip(&chosen) {
                slope.extend(cross_entropy_slope(row, example).map(|s| s / (mean * BATCH as f32)));
            }
            let gradient = self.trainer.gradient(outputs, slope)?;
            crate::neural::finite("gradient", gradient.norm, self.step)?;
            self.trainer.step(gradient, self.learning_rate.at(self.step))?;
            self.step += 1;
        }
        Ok(())
    }

    fn matrix(&self, examples: &[&Example]) -> Matrix {
        let activations = examples.iter().flat_map(|example| &example.activations);
        let real = activations.map(|&x| (f32::from(x) - INPUT_ZERO) / INPUT_SCALE);
        Matrix::new(real.collect(), self.inputs.len())
    }

    /// The network in integers; scales are set by examples evenly spaced among these.
    ///
    /// # Errors
    /// [`NetworkFault`] when it is larger than a controller takes.
    pub fn integer(
        &self,
        examples: &[Example],
        provenance: Provenance,
    ) -> Result<IntegerNetwork, NetworkFault> {
        let every = examples.len().div_ceil(CALIBRATION).max(1);
        let chosen: Vec<Example> = examples.iter().step_by(every).cloned().collect();
        let weights = self.trainer.network(0).weights();
        quantised(&self.inputs, &self.layers, weights, &chosen, provenance)
    }

    /// What the network of real numbers decides in each example, by code.
    #[must_use]
    pub fn decisions(&self, examples: &[Example]) -> Vec<u8> {
        let examples: Vec<&Example> = examples.iter().collect();
        let sums = values(self.trainer.network(0), self.matrix(&examples));
        sums.values().chunks_exact(Request::ALL.len()).map(greatest).collect()
    }
}

/// The greatest of three, holding before shifting down before shifting up where they are equal.
fn greatest(sums: &[f32]) -> u8 {
    let mut best = Request::Hold;
    for request in [Request::Down, Request::Up] {
        if sums[request as usize] > sums[best as usize] {
            best = request;
        }
    }
    best as u8
}

/// Derivative of the weighted cross-entropy by each output: `weight (softmax - 1 at the request)`.
fn cross_entropy_slope(outputs: &[f32], example: &Example) -> [f32; 3] {
    let largest = outputs.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let exp: [f32; 3] = std::array::from_fn(|i| (outputs[i] - largest).exp());
    let sum: f32 = exp.iter().sum();
    std::array::from_fn(|i| example.weight * (exp[i] / sum - f32::from(i == example.request as usize)))
}
