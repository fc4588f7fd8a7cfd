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
    Buffers, Matrix, Network, NetworkShape, NeuralError,
    adam::FusedAdam,
    check_length,
    device::guarded,
    matrix::Weights,
    operation::{self, places},
    pass::Batch,
    unfused,
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

/// The CPU, with gradients recorded.
pub(crate) fn training_device() -> Device {
    Device::flex().autodiff()
}

/// What to do where a checkpoint cannot be read for want of a GPU.
const BUILT_FOR_CUDA: &str = "a program built with `--features cuda` reads checkpoints where there is a GPU, or with BURN_DEVICE=flex set";

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
    /// Whether the weights lie where loops of ours cannot run.
    remote: bool,
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
        let remote = !operation::is_fused(&weights);
        let shapes = networks.iter().map(|network| network.shape().clone()).collect();
        Trainer {
            networks: Networks { weights: Param::initialized(ParamId::from(WEIGHTS), weights), shapes },
            adam: Optimiser(ModuleOptimizer::from(FusedAdam::new(epsilon))),
            acting: networks.to_vec(),
            frozen: 0..0,
            longest,
            buffers: Buffers::default(),
            remote,
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

    /// Whether the weights lie on a device that many rows should be sent to, and few not.
    pub(crate) const fn is_remote(&self) -> bool {
        self.remote
    }

    /// What comes out of all networks, `[rows, outputs of all]`, where the weights are; nothing is kept to go back. The
    /// device sees `at_once` rows, whatever their number: it may compile kernels for one that is new to it.
    pub(crate) fn values(&self, observations: &[f32], at_once: usize) -> Result<Vec<f32>, NeuralError> {
        let Networks { weights, shapes } = &self.networks;
        let inputs = shapes.first().map_or(0, |shape| shape.inputs);
        let outputs: usize = shapes.iter().map(|shape| shape.outputs).sum();
        let mut filled = observations.to_vec();
        filled.resize(at_once * inputs, 0.0);
        let batch = Batch::rows(Matrix::new(filled, inputs));
        let mut all = guarded(|| numbers(unfused::values(&weights.val().inner(), shapes, &batch)))?;
        all.truncate(observations.len() / inputs.max(1) * outputs);
        Ok(all)
    }

    /// Leads a batch through all networks.
    pub(crate) fn forward(&self, batch: &Batch) -> Result<Outputs, NeuralError> {
        let Networks { weights, shapes } = &self.networks;
        let filled = self.filled(batch);
        let tensor =
            operation::values(weights.val(), shapes, filled.as_ref().unwrap_or(batch), &self.buffers);
        let mut values = numbers(tensor.clone().inner())?;
        values.truncate(batch.observations.rows() * tensor.dims()[1]);
        Ok(Outputs { values, tensor })
    }

    /// A batch with rows of zeros behind it, up to whole blocks, for another device than the CPU: it sees few numbers of
    /// rows so, and sums in blocks. Sequences are left as they are.
    fn filled(&self, batch: &Batch) -> Option<Batch> {
        let (rows, columns) = (batch.observations.rows(), batch.observations.columns());
        let whole = rows.next_multiple_of(unfused::BLOCK);
        (self.remote && batch.memories.is_empty() && whole > rows).then(|| {
            let mut values = batch.observations.values().to_vec();
            values.resize(whole * columns, 0.0);
            Batch::rows(Matrix::new(values, columns))
        })
    }

    /// The derivative of a loss by each weight, given its derivative by each number that came out.
    pub(crate) fn gradient(&self, outputs: Outputs, mut slope: Vec<f32>) -> Result<Gradient, NeuralError> {
        slope.resize(outputs.tensor.shape().num_elements(), 0.0);
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
        if self.remote { Ok(()) } else { self.settle() }
    }

    /// Brings the weights to where networks act one by one. After the last of several steps; on the CPU each step does.
    pub(crate) fn settle(&mut self) -> Result<(), NeuralError> {
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
        let Trainer { networks, adam, buffers, remote, .. } = Trainer::new(&blank, epsilon, longest, device);
        let weights = ModuleRecord::from_bytes(Bytes::from_bytes_vec(record.networks)).map_err(unfit)?;
        let networks = networks.try_load_record(weights).map_err(unfit)?;
        // Until they are needed, the library puts the moments where it likes best: on a GPU if it was built for one.
        let moments = Bytes::from_bytes_vec(record.adam);
        let adam = match guarded(|| adam.0.from_bytes(moments).map_err(unfit)) {
            Err(NeuralError::Device(_)) => Err(NeuralError::Device(BUILT_FOR_CUDA.to_owned())),
            adam => adam.map(Optimiser),
        }?;
        Ok(Trainer { acting: networks.to_act()?, networks, adam, frozen: 0..0, longest, buffers, remote })
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
pub(super) fn numbers<const D: usize>(tensor: Tensor<D>) -> Result<Vec<f32>, NeuralError> {
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

    use super::super::Activation;
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
        trainer.settle().unwrap();
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
