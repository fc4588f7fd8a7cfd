//! Networks that learn: a module of the tensor library and its optimiser.

use burn::{
    backend::flex::Flex,
    grad_clipping::GradientClipping,
    module::{Module, Param, ParamId},
    optim::{GradientsParams, ModuleOptimizer},
    store::ModuleRecord,
    tensor::{Bytes, Device, Tensor, TensorData},
};
use serde::{Deserialize, Serialize};
use std::ops::Range;

use super::{
    Buffers, Network, NetworkShape, NeuralError,
    adam::FusedAdam,
    check_length,
    matrix::Weights,
    operation::{self, places},
    pass::Batch,
};

/// Networks that see the same observations and learn together. Their weights are one parameter: the optimiser goes
/// through it once, and a gradient is as long as it is over all of them.
#[derive(Module, Debug)]
struct Networks {
    weights: Param<Tensor<1>>,
    #[module(skip)]
    shapes: Vec<NetworkShape>,
}

/// The only parameter's number: a drawn one would change the bytes of a saved learner.
const WEIGHTS: u64 = 1;

/// Where learners learn: on the CPU, with gradients recorded.
pub(crate) fn training_device() -> Device {
    Device::flex().autodiff()
}

/// Networks with their optimiser.
#[derive(Debug)]
pub(crate) struct Trainer {
    networks: Networks,
    adam: Optimiser,
    /// The networks as they stand, to act with.
    acting: Vec<Network>,
    /// Weights that stay as they are.
    frozen: Range<usize>,
    /// Gradients are shortened to this length (Pascanu, Mikolov, Bengio 2013, "On the difficulty of training recurrent
    /// neural networks", ICML).
    longest: f32,
    /// Working memory of its passes.
    buffers: Buffers,
}

/// [`FusedAdam`] with its state.
struct Optimiser(ModuleOptimizer);

impl std::fmt::Debug for Optimiser {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Optimiser")
    }
}

/// What came out for a batch, and the way back.
pub(crate) struct Outputs {
    tensor: Tensor<2>,
    /// `[rows, outputs of all networks]`.
    pub(crate) values: Vec<f32>,
}

/// The derivative of a loss by each weight.
pub(crate) struct Gradient {
    tensor: Tensor<1>,
    /// Its length.
    pub(crate) norm: f32,
}

/// The library's records of a trainer.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct TrainerRecord {
    shapes: Vec<NetworkShape>,
    networks: Vec<u8>,
    adam: Vec<u8>,
}

impl Trainer {
    /// Networks with their weights, and Adam at rest with this guard against division by zero. `device` must record
    /// gradients.
    pub(crate) fn new(networks: &[Network], epsilon: f32, longest: f32, device: &Device) -> Trainer {
        let weights: Vec<f32> = networks.iter().flat_map(Network::weights).copied().collect();
        let length = weights.len();
        let weights = Tensor::from_data(TensorData::new(weights, [length]), device).require_grad();
        let shapes = networks.iter().map(|network| network.shape().clone()).collect();
        Trainer {
            networks: Networks { weights: Param::initialized(ParamId::from(WEIGHTS), weights), shapes },
            adam: Optimiser(ModuleOptimizer::from(FusedAdam::new(epsilon))),
            acting: networks.to_vec(),
            frozen: 0..0,
            longest,
            buffers: Buffers::default(),
        }
    }

    /// The same with weights that stay as they are, counted over all networks.
    pub(crate) fn freezing(self, frozen: Range<usize>) -> Trainer {
        Trainer { frozen, ..self }
    }

    /// Sizes of the networks.
    pub(crate) fn shapes(&self) -> &[NetworkShape] {
        &self.networks.shapes
    }

    /// A network as it stands, to act with.
    pub(crate) fn network(&self, number: usize) -> &Network {
        &self.acting[number]
    }

    /// Working memory for passes through its networks.
    pub(crate) const fn buffers(&self) -> &Buffers {
        &self.buffers
    }

    /// Leads a batch through all networks.
    pub(crate) fn forward(&self, batch: &Batch) -> Result<Outputs, NeuralError> {
        let Networks { weights, shapes } = &self.networks;
        let tensor = operation::values(weights.val(), shapes, batch, &self.buffers);
        Ok(Outputs { values: numbers(tensor.clone().inner())?, tensor })
    }

    /// The derivative of a loss by each weight, given its derivative by each number that came out.
    pub(crate) fn gradient(&self, outputs: Outputs, slope: Vec<f32>) -> Result<Gradient, NeuralError> {
        let slope = TensorData::new(slope, outputs.tensor.dims());
        let slope = Tensor::<2>::from_data(slope, &outputs.tensor.device());
        let gradients = (outputs.tensor * slope).sum().backward();
        let mut gradients = GradientsParams::from_grads(gradients, &self.networks);
        let tensor = gradients.remove::<1>(ParamId::from(WEIGHTS));
        let tensor = tensor.ok_or(NeuralError::Tensor("the weights have no gradient"))?;
        let mut all = numbers(tensor.clone())?;
        if self.frozen.is_empty() {
            return Ok(Gradient { norm: length(&all), tensor });
        }
        all.get_mut(self.frozen.clone()).into_iter().flatten().for_each(|slope| *slope = 0.0);
        let norm = length(&all);
        let size = all.len();
        Ok(Gradient { norm, tensor: Tensor::from_data(TensorData::new(all, [size]), &tensor.device()) })
    }

    /// One step of Adam down the shortened gradient.
    pub(crate) fn step(&mut self, gradient: Gradient, rate: f32) -> Result<(), NeuralError> {
        let Gradient { mut tensor, norm } = gradient;
        if norm > self.longest {
            tensor = GradientClipping::Norm(self.longest).clip_gradient(tensor);
        }
        let mut gradients = GradientsParams::new();
        gradients.register(ParamId::from(WEIGHTS), tensor);
        self.networks = self.adam.0.step(f64::from(rate), self.networks.clone(), gradients);
        self.acting = self.networks.to_act()?;
        Ok(())
    }

    /// The library's records.
    pub(crate) fn record(&self) -> Result<TrainerRecord, NeuralError> {
        let unwritten = |_| NeuralError::State("it could not be written down");
        let networks = self.networks.clone().into_record().into_bytes().map_err(unwritten)?;
        let adam = self.adam.0.into_bytes().map_err(unwritten)?;
        let shapes = self.networks.shapes.clone();
        Ok(TrainerRecord { shapes, networks: networks.to_vec(), adam: adam.to_vec() })
    }

    /// Goes on from a record, with the same settings.
    pub(crate) fn resumed(
        record: TrainerRecord,
        epsilon: f32,
        longest: f32,
        device: &Device,
    ) -> Result<Trainer, NeuralError> {
        let unfit = |_| NeuralError::State("parts do not fit together");
        let blank = |shape: NetworkShape| {
            shape.check()?;
            Network::new(shape.clone(), vec![0.0; shape.len()])
        };
        let blank: Vec<Network> = record.shapes.into_iter().map(blank).collect::<Result<_, _>>()?;
        let Trainer { networks, adam, buffers, .. } = Trainer::new(&blank, epsilon, longest, device);
        let weights = ModuleRecord::from_bytes(Bytes::from_bytes_vec(record.networks)).map_err(unfit)?;
        let networks = networks.try_load_record(weights).map_err(unfit)?;
        let adam = Optimiser(adam.0.from_bytes(Bytes::from_bytes_vec(record.adam)).map_err(unfit)?);
        Ok(Trainer { acting: networks.to_act()?, networks, adam, frozen: 0..0, longest, buffers })
    }
}

impl Networks {
    /// The networks as they stand. On the CPU they share the parameter's numbers.
    fn to_act(&self) -> Result<Vec<Network>, NeuralError> {
        let weights = self.weights.val().inner();
        let weights = match weights.clone().try_into_primitive::<Flex>() {
            Ok(weights) => Weights::of(&weights),
            Err(_) => Weights::new(numbers(weights)?),
        };
        check_length("weights", weights.values().len(), self.shapes.iter().map(NetworkShape::len).sum())?;
        let network = |(shape, place): (&NetworkShape, _)| Network::of(shape.clone(), weights.part(&place));
        Ok(self.shapes.iter().zip(places(&self.shapes)).map(network).collect())
    }
}

/// The numbers of a tensor, wherever it is.
fn numbers<const D: usize>(tensor: Tensor<D>) -> Result<Vec<f32>, NeuralError> {
    let data = tensor.try_into_data().map_err(|_| NeuralError::Tensor("values cannot be read back"))?;
    data.try_into_vec::<f32>().map_err(|_| NeuralError::Tensor("values have another type"))
}

/// Euclidean length. In eight sums that do not wait for each other.
fn length(values: &[f32]) -> f32 {
    let mut sums = [0.0_f64; 8];
    for block in values.chunks(8) {
        for (sum, &value) in sums.iter_mut().zip(block) {
            *sum += f64::from(value) * f64::from(value);
        }
    }
    sums.iter().sum::<f64>().sqrt() as f32
}

#[cfg(test)]
mod tests {
    use lowgear_env::{Seed, Stream};
    use rand::RngExt;

    use super::super::{Activation, Matrix};
    use super::*;

    fn shape(hidden: Vec<usize>, inputs: usize) -> NetworkShape {
        let activation = Activation::Relu;
        NetworkShape { inputs, hidden, activation, gru_size: 0, outputs: 1, dueling: false }
    }

    fn draws(n: usize, stream: u64) -> Vec<f32> {
        let mut rng = Seed(9).stream(Stream::Learn, stream);
        (0..n).map(|_| rng.random_range(-1.0..1.0)).collect()
    }

    fn networks() -> Vec<Network> {
        let shape = shape(vec![9], 5);
        [0, 1].map(|i| Network::new(shape.clone(), draws(shape.len(), i)).unwrap()).to_vec()
    }

    /// Learning steps `from` on, `count` of them, towards outputs of 0.3.
    fn learn(trainer: &mut Trainer, from: u64, count: u64) {
        for step in from..from + count {
            let batch = Batch::rows(Matrix::new(draws(8 * 5, 100 + step), 5));
            let outputs = trainer.forward(&batch).unwrap();
            let slope = outputs.values.iter().map(|value| value - 0.3).collect();
            let gradient = trainer.gradient(outputs, slope).unwrap();
            trainer.step(gradient, 0.01).unwrap();
        }
    }

    fn weights(trainer: &Trainer) -> Vec<f32> {
        [0, 1].iter().flat_map(|&i| trainer.network(i).weights()).copied().collect()
    }

    #[test]
    fn the_operation_and_single_ones_learn_the_same() {
        // A device that computes activations again instead of keeping them takes the network of single operations.
        let device = Device::flex().autodiff();
        let mut trainers = [device.clone(), device.gradient_checkpointing()]
            .map(|device| Trainer::new(&networks(), 1e-5, 1.0, &device));
        let start = weights(&trainers[0]);
        trainers.iter_mut().for_each(|trainer| learn(trainer, 0, 40));
        let [ours, theirs] = trainers.map(|trainer| weights(&trainer));
        let moved = ours.iter().zip(&start).filter(|(a, b)| (*a - *b).abs() > 0.01).count();
        assert!(moved > ours.len() / 2);
        for (a, b) in ours.iter().zip(&theirs) {
            assert!((a - b).abs() < 2e-4, "{a} {b}"); // Adam divides by small numbers
        }
    }

    #[test]
    fn a_trainer_read_back_goes_on_bit_for_bit() {
        let device = training_device();
        let mut whole = Trainer::new(&networks(), 1e-5, 1.0, &device);
        learn(&mut whole, 0, 5);
        let mut again = Trainer::resumed(whole.record().unwrap(), 1e-5, 1.0, &device).unwrap();
        let bytes = |trainer: &Trainer| postcard::to_allocvec(&trainer.record().unwrap()).unwrap();
        assert_eq!(bytes(&again), bytes(&whole));
        learn(&mut whole, 5, 5);
        learn(&mut again, 5, 5);
        assert_eq!(weights(&again), weights(&whole));
        assert_eq!(bytes(&again), bytes(&whole));
        let other = TrainerRecord { shapes: vec![shape(vec![8], 5)], ..whole.record().unwrap() };
        assert!(Trainer::resumed(other, 1e-5, 1.0, &device).is_err());
    }

    #[test]
    fn a_long_gradient_is_shortened() {
        // One weight and a bias. By w: 0.75 x 4 = 3, by b: 4; with such an epsilon Adam's first step is
        // rate / epsilon times the gradient.
        let network = Network::new(shape(vec![], 1), vec![0.0, 0.0]).unwrap();
        for (longest, expected) in [(10.0, [-3.0, -4.0]), (1.0, [-0.6, -0.8])] {
            let mut trainer = Trainer::new(std::slice::from_ref(&network), 1e6, longest, &training_device());
            let outputs = trainer.forward(&Batch::rows(Matrix::new(vec![0.75], 1))).unwrap();
            let gradient = trainer.gradient(outputs, vec![4.0]).unwrap();
            assert_eq!(gradient.norm, 5.0);
            trainer.step(gradient, 1e6).unwrap();
            for (w, expected) in trainer.network(0).weights().iter().zip(expected) {
                assert!((w - expected).abs() < 1e-4, "{longest}: {w} {expected}");
            }
        }
    }
}
