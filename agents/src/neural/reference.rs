//! Networks on the tensor library: the reference for gradients.

use burn::tensor::{
    Device, Tensor, TensorData,
    activation::{relu, sigmoid, tanh},
};

use super::{Batch, Mlp, Network, NeuralError, Shape, shape::Layer};

/// A batch that has passed through the network and can be back-propagated.
pub(crate) struct Tape {
    /// Weight and bias of each layer, `[inputs, outputs]` and `[1, outputs]`.
    parameters: Vec<[Tensor<2>; 2]>,
    /// `[rows, actions]`.
    values: Tensor<2>,
}

/// Weight and bias of each layer on a device, `[inputs, outputs]` and `[1, outputs]`.
fn parameters(layers: impl Iterator<Item = Layer>, weights: &[f32], device: &Device) -> Vec<[Tensor<2>; 2]> {
    let layers = layers.map(|layer| {
        let weight = matrix(layer.weights(weights).to_vec(), layer.inputs, device);
        [weight, matrix(layer.bias(weights).to_vec(), 1, device)]
    });
    layers.collect()
}

fn matrix(values: Vec<f32>, rows: usize, device: &Device) -> Tensor<2> {
    let columns = values.len() / rows;
    Tensor::from_data(TensorData::new(values, [rows, columns]), device)
}

/// The values `[rows, actions]` of observations `[rows, inputs]`.
fn forward(shape: &Shape, parameters: &[[Tensor<2>; 2]], mut x: Tensor<2>) -> Tensor<2> {
    for (i, [w, b]) in parameters.iter().enumerate() {
        x = x.matmul(w.clone()) + b.clone();
        if i < shape.hidden.len() {
            x = relu(x);
        }
    }
    if shape.dueling {
        let value = x.clone().narrow(1, 0, 1);
        let advantage = x.narrow(1, 1, shape.actions);
        x = value + advantage.clone() - advantage.mean_dim(1);
    }
    x
}

fn observed(shape: &Shape, observations: Vec<f32>, device: &Device) -> Tensor<2> {
    let rows = observations.len() / shape.inputs;
    Tensor::from_data(TensorData::new(observations, [rows, shape.inputs]), device)
}

/// The values of many observations at once, row by row in one vector.
pub(crate) fn batch_values(mlp: &Mlp, observations: Vec<f32>) -> Result<Vec<f32>, NeuralError> {
    let (device, shape) = (Device::flex(), mlp.shape());
    let parameters = parameters(shape.layers(), mlp.weights(), &device);
    numbers(forward(shape, &parameters, observed(shape, observations, &device)))
}

impl Tape {
    /// Leads observations, `[rows, inputs]` in one vector, through the network.
    pub(crate) fn record(mlp: &Mlp, observations: Vec<f32>) -> Tape {
        let (device, shape) = (Device::flex().autodiff(), mlp.shape());
        let parameters = parameters(shape.layers(), mlp.weights(), &device);
        let parameters: Vec<_> = parameters.into_iter().map(|p| p.map(Tensor::require_grad)).collect();
        let values = forward(shape, &parameters, observed(shape, observations, &device));
        Tape { parameters, values }
    }

    /// The values, `[rows, actions]` in one vector.
    pub(crate) fn values(&self) -> Result<Vec<f32>, NeuralError> {
        numbers(self.values.clone())
    }

    /// The derivative of a loss by each weight, given its derivative by each value.
    pub(crate) fn gradient(self, slope: Vec<f32>) -> Result<Vec<f32>, NeuralError> {
        gradient(self.values, self.parameters, slope)
    }
}

fn gradient(
    values: Tensor<2>,
    parameters: Vec<[Tensor<2>; 2]>,
    slope: Vec<f32>,
) -> Result<Vec<f32>, NeuralError> {
    let slope = TensorData::new(slope, values.dims());
    let slope = Tensor::<2>::from_data(slope, &Device::flex().autodiff());
    let mut gradients = (values * slope).sum().backward();
    let mut flat = Vec::new();
    for parameter in parameters.into_iter().flatten() {
        let gradient = parameter.grad_remove(&mut gradients);
        flat.extend(numbers(gradient.ok_or(NeuralError::Tensor("a weight has no gradient"))?)?);
    }
    Ok(flat)
}

/// A batch that has passed through a network and can be back-propagated.
pub(crate) struct NetworkTape {
    parameters: Vec<[Tensor<2>; 2]>,
    values: Tensor<2>,
}

impl NetworkTape {
    /// As [`super::NetworkTape::record`].
    pub(crate) fn record(network: &Network, batch: &Batch, memory: &[f32]) -> NetworkTape {
        let (device, shape) = (Device::flex().autodiff(), network.shape());
        let layer_offsets = shape.layer_offsets();
        let layers = layer_offsets
            .trunk
            .iter()
            .chain(layer_offsets.gates.iter().flatten())
            .chain([&layer_offsets.last]);
        let parameters = parameters(layers.copied(), network.weights(), &device);
        let parameters: Vec<_> = parameters.into_iter().map(|p| p.map(Tensor::require_grad)).collect();
        let rows = batch.observations.len() / shape.inputs;
        let mut x = matrix(batch.observations.clone(), rows, &device);
        let trunk = layer_offsets.trunk.len();
        for [w, b] in &parameters[..trunk] {
            x = shape.activation.tensor(x.matmul(w.clone()) + b.clone());
        }
        if let [from_x, from_h, _] = &parameters[trunk..] {
            let memory = matrix(memory.to_vec(), batch.active[0], &device);
            x = gru_activations(x, memory, &batch.active, from_x, from_h);
        }
        let [w, b] = &parameters[parameters.len() - 1];
        let values = x.matmul(w.clone()) + b.clone();
        NetworkTape { parameters, values }
    }

    /// What came out, `[rows, outputs]` in one vector.
    pub(crate) fn values(&self) -> Result<Vec<f32>, NeuralError> {
        numbers(self.values.clone())
    }

    /// The derivative of a loss by each weight, given its derivative by each number that came out.
    pub(crate) fn gradient(self, slope: Vec<f32>) -> Result<Vec<f32>, NeuralError> {
        gradient(self.values, self.parameters, slope)
    }
}

/// The memories after each row, as [`super::recurrent`] writes the unit.
fn gru_activations(
    x: Tensor<2>,
    mut h: Tensor<2>,
    active: &[usize],
    [w, b]: &[Tensor<2>; 2],
    [u, c]: &[Tensor<2>; 2],
) -> Tensor<2> {
    let width = h.dims()[1];
    let from_x = x.matmul(w.clone()) + b.clone();
    let (mut row, mut after) = (0, Vec::new());
    for &count in active {
        h = h.narrow(0, 0, count);
        let from_x = from_x.clone().narrow(0, row, count);
        let from_h = h.clone().matmul(u.clone()) + c.clone();
        let part = |gates: &Tensor<2>, gate: usize| gates.clone().narrow(1, gate * width, width);
        let z = sigmoid(part(&from_x, 0) + part(&from_h, 0));
        let r = sigmoid(part(&from_x, 1) + part(&from_h, 1));
        let n = tanh(part(&from_x, 2) + r * part(&from_h, 2));
        h = n.clone() + z * (h - n);
        after.push(h.clone());
        row += count;
    }
    Tensor::cat(after, 0)
}

fn numbers(tensor: Tensor<2>) -> Result<Vec<f32>, NeuralError> {
    let data = tensor.try_into_data().map_err(|_| NeuralError::Tensor("values cannot be read back"))?;
    data.try_into_vec::<f32>().map_err(|_| NeuralError::Tensor("values have another type"))
}

#[cfg(test)]
mod tests {
    use burn::{
        module::Param,
        nn::{Linear, LinearConfig},
        optim::{AdamConfig, GradientsParams},
    };
    use lowgear_env::{Seed, Stream};
    use rand::RngExt;

    use super::super::{Adam, Scratch};
    use super::*;

    fn shape(dueling: bool) -> Shape {
        Shape { inputs: 15, hidden: vec![64, 40], actions: 3, dueling }
    }

    fn draws(n: usize, stream: u64) -> Vec<f32> {
        let mut rng = Seed(9).stream(Stream::Learn, stream);
        (0..n).map(|_| rng.random_range(-1.0..1.0)).collect()
    }

    #[test]
    fn the_plain_forward_pass_equals_the_tensor_library() {
        for dueling in [false, true] {
            let shape = shape(dueling);
            let weights = draws(shape.len(), 0).iter().map(|w| w * 0.3).collect::<Vec<_>>();
            let observations = draws(50 * 15, 1);
            let mlp = Mlp::new(shape, weights).unwrap();
            let batch = Tape::record(&mlp, observations.clone()).values().unwrap();
            assert_eq!(batch, batch_values(&mlp, observations.clone()).unwrap());
            let mut scratch = Scratch::default();
            for (observation, expected) in observations.chunks(15).zip(batch.chunks(3)) {
                for (a, b) in mlp.values(observation, &mut scratch).iter().zip(expected) {
                    assert!((a - b).abs() < 1e-5, "{a} {b}");
                }
            }
        }
    }

    #[test]
    fn the_gradient_equals_finite_differences() {
        let shape = shape(true);
        let weights: Vec<f32> = draws(shape.len(), 0).iter().map(|w| w * 0.3).collect();
        let (observations, slope) = (draws(4 * 15, 1), draws(4 * 3, 2));
        let loss = |weights: &[f32]| -> f64 {
            let mlp = Mlp::new(shape.clone(), weights.to_vec()).unwrap();
            let mut scratch = Scratch::default();
            let rows = observations.chunks(15).zip(slope.chunks(3));
            rows.map(|(x, s)| {
                let values = mlp.values(x, &mut scratch);
                values.iter().zip(s).map(|(v, s)| f64::from(*v) * f64::from(*s)).sum::<f64>()
            })
            .sum()
        };
        let mlp = Mlp::new(shape.clone(), weights.clone()).unwrap();
        let gradient = Tape::record(&mlp, observations.clone()).gradient(slope.clone()).unwrap();
        assert_eq!(gradient.len(), weights.len());
        for i in (0..weights.len()).step_by(37) {
            let mut moved = weights.clone();
            moved[i] += 0.005;
            let above = loss(&moved);
            moved[i] -= 0.01;
            let slope = (above - loss(&moved)) / 0.01;
            // Halfway kinks of the relu and f32 sums leave this much.
            assert!((slope - f64::from(gradient[i])).abs() < 0.03, "{i}: {slope} {}", gradient[i]);
        }
    }

    #[test]
    fn adam_equals_the_library_optimiser() {
        let device = Device::flex().autodiff();
        let start = draws(12, 3);
        let mut module: Linear = LinearConfig::new(3, 4).with_bias(false).init(&device);
        module.weight = Param::from_data(TensorData::new(start.clone(), [3, 4]), &device);
        let mut optimiser = AdamConfig::new().init();
        let (mut adam, mut weights) = (Adam::new(12), start);
        for step in 0..20 {
            let gradient = draws(12, 10 + step);
            let slope = Tensor::<2>::from_data(TensorData::new(gradient.clone(), [3, 4]), &device);
            let gradients = (module.weight.val() * slope).sum().backward();
            let gradients = GradientsParams::from_grads(gradients, &module);
            module = optimiser.step(0.01, module, gradients);
            adam.step(&mut weights, &gradient, 0.01, 1e-5);
            let theirs = numbers(module.weight.val()).unwrap();
            for (a, b) in weights.iter().zip(&theirs) {
                assert!((a - b).abs() < 1e-5, "{step}: {a} {b}");
            }
        }
    }
}
