//! The network on the tensor library, for its gradient.

use burn::tensor::{Device, Tensor, TensorData, activation::relu};

use super::{DqnError, Mlp, Shape};

/// A batch that has passed through the network and can be led back.
pub(crate) struct Tape {
    /// Weight and bias of each layer, `[inputs, outputs]` and `[1, outputs]`.
    parameters: Vec<[Tensor<2>; 2]>,
    /// `[rows, actions]`.
    values: Tensor<2>,
}

/// Weight and bias of each layer on a device, `[inputs, outputs]` and `[1, outputs]`.
fn parameters(shape: &Shape, weights: &[f32], device: &Device) -> Vec<[Tensor<2>; 2]> {
    let matrix = |values: &[f32], rows: usize, columns: usize| {
        Tensor::<2>::from_data(TensorData::new(values.to_vec(), [rows, columns]), device)
    };
    let layers = shape.layers().map(|layer| {
        let weight = matrix(layer.weights(weights), layer.inputs, layer.outputs);
        [weight, matrix(layer.bias(weights), 1, layer.outputs)]
    });
    layers.collect()
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
pub(crate) fn batch_values(mlp: &Mlp, observations: Vec<f32>) -> Result<Vec<f32>, DqnError> {
    let (device, shape) = (Device::flex(), mlp.shape());
    let parameters = parameters(shape, mlp.weights(), &device);
    numbers(forward(shape, &parameters, observed(shape, observations, &device)))
}

impl Tape {
    /// Leads observations, `[rows, inputs]` in one vector, through the network.
    pub(crate) fn record(mlp: &Mlp, observations: Vec<f32>) -> Tape {
        let (device, shape) = (Device::flex().autodiff(), mlp.shape());
        let parameters = parameters(shape, mlp.weights(), &device);
        let parameters: Vec<_> = parameters.into_iter().map(|p| p.map(Tensor::require_grad)).collect();
        let values = forward(shape, &parameters, observed(shape, observations, &device));
        Tape { parameters, values }
    }

    /// The values, `[rows, actions]` in one vector.
    pub(crate) fn values(&self) -> Result<Vec<f32>, DqnError> {
        numbers(self.values.clone())
    }

    /// The derivative of a loss by each weight, given its derivative by each value.
    pub(crate) fn gradient(self, slope: Vec<f32>) -> Result<Vec<f32>, DqnError> {
        let slope = TensorData::new(slope, self.values.dims());
        let slope = Tensor::<2>::from_data(slope, &Device::flex().autodiff());
        let mut gradients = (self.values * slope).sum().backward();
        let mut flat = Vec::new();
        for parameter in self.parameters.into_iter().flatten() {
            let gradient = parameter.grad_remove(&mut gradients);
            flat.extend(numbers(gradient.ok_or(DqnError::Tensor("a weight has no gradient"))?)?);
        }
        Ok(flat)
    }
}

fn numbers(tensor: Tensor<2>) -> Result<Vec<f32>, DqnError> {
    let data = tensor.try_into_data().map_err(|_| DqnError::Tensor("values cannot be read back"))?;
    data.try_into_vec::<f32>().map_err(|_| DqnError::Tensor("values have another type"))
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

    use super::super::{Scratch, update::Adam};
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
