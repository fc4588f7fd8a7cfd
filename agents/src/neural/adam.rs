//! The library's Adam (Kingma, Ba 2015, "Adam: a method for stochastic optimization", ICLR) with its dozen passes over
//! the weights made one on the CPU. State, records and every other device are the library's.

use burn::{
    backend::flex::{Flex, FlexTensor},
    optim::{Adam, AdamConfig, AdamState, AdaptiveMomentumState, Optimizer},
    tensor::{Device, Tensor, TensorData},
};

/// Adam with `beta_1 = 0.9`, `beta_2 = 0.999`.
#[derive(Clone)]
pub(crate) struct FusedAdam {
    library: Adam,
    epsilon: f32,
}

const BETA_1: f32 = 0.9;
const BETA_2: f32 = 0.999;

/// Moments below this count as 0, as they are next to `epsilon`. A unit that no longer learns has gradients of 0; its
/// moments fade into the numbers below the smallest normal one and stay there, and each of them costs the processor a
/// hundred cycles.
const NOTHING: f32 = 1e-30;

impl FusedAdam {
    /// With this guard against division by zero.
    pub(crate) fn new(epsilon: f32) -> FusedAdam {
        let config = AdamConfig::new().with_beta_1(BETA_1).with_beta_2(BETA_2).with_epsilon(epsilon);
        FusedAdam { library: config.build(), epsilon }
    }

    /// Moves both moments on and returns the weights after the step, operation by operation as the library does.
    fn moved(&self, rate: f32, weights: &[f32], gradient: &[f32], moments: &mut Moments) -> Vec<f32> {
        moments.time += 1;
        let time = i32::try_from(moments.time).unwrap_or(i32::MAX);
        let correction = (1.0 - BETA_2.powi(time)).sqrt();
        let (factor, epsilon) = (correction / (1.0 - BETA_1.powi(time)), self.epsilon * correction);
        let normal = |x: f32| if x.abs() < NOTHING { 0.0 } else { x };
        let (means, squares) = (moments.mean.storage_mut::<f32>(), moments.square.storage_mut::<f32>());
        let all = weights.iter().zip(gradient).zip(means).zip(squares);
        let moved = all.map(|(((w, g), mean), square)| {
            *mean = normal(*mean * BETA_1 + g * (1.0 - BETA_1));
            *square = normal(*square * BETA_2 + g * g * (1.0 - BETA_2));
            w - *mean * factor / (square.sqrt() + epsilon) * rate
        });
        moved.collect()
    }
}

/// The state of [`AdaptiveMomentumState`] on the CPU.
struct Moments {
    time: usize,
    mean: FlexTensor,
    square: FlexTensor,
}

impl Optimizer for FusedAdam {
    type State<const D: usize> = AdamState<D>;

    fn step<const D: usize>(
        &self,
        rate: f64,
        weights: Tensor<D>,
        gradient: Tensor<D>,
        state: Option<AdamState<D>>,
    ) -> (Tensor<D>, Option<AdamState<D>>) {
        let on_cpu = |tensor: &Tensor<D>| tensor.clone().try_into_primitive::<Flex>().ok();
        let (Some(AdamState { momentum }), Some(w), Some(g)) =
            (state.clone(), on_cpu(&weights), on_cpu(&gradient))
        else {
            return self.library.step(rate, weights, gradient, state);
        };
        drop(state);
        let AdaptiveMomentumState { time, moment_1, moment_2, max_moment_2 } = momentum;
        let (Ok(mean), Ok(square)) =
            (moment_1.try_into_primitive::<Flex>(), moment_2.try_into_primitive::<Flex>())
        else {
            return self.library.step(rate, weights, gradient, None);
        };
        let mut moments = Moments { time, mean, square };
        let (w, g) = (w.to_contiguous(), g.to_contiguous());
        let moved = self.moved(rate as f32, w.storage(), g.storage(), &mut moments);
        let moved = FlexTensor::from_data(TensorData::new(moved, weights.dims()));
        let momentum = AdaptiveMomentumState {
            time: moments.time,
            moment_1: Tensor::from_primitive::<Flex>(moments.mean),
            moment_2: Tensor::from_primitive::<Flex>(moments.square),
            max_moment_2,
        };
        (Tensor::from_primitive::<Flex>(moved), Some(AdamState { momentum }))
    }

    fn to_device<const D: usize>(state: AdamState<D>, device: &Device) -> AdamState<D> {
        Adam::to_device(state, device)
    }
}

#[cfg(test)]
mod tests {
    use burn::{
        module::{Param, ParamId},
        nn::{Linear, LinearConfig},
        optim::{GradientsParams, ModuleOptimizer},
    };
    use lowgear_env::{Seed, Stream};
    use rand::RngExt;

    use super::*;

    fn draws(n: usize, stream: u64) -> Vec<f32> {
        let mut rng = Seed(9).stream(Stream::Learn, stream);
        (0..n).map(|_| rng.random_range(-1.0..1.0)).collect()
    }

    /// Weights after 30 steps.
    fn trained(mut optimiser: ModuleOptimizer) -> Vec<f32> {
        let device = Device::flex().autodiff();
        let mut module: Linear = LinearConfig::new(3, 4).with_bias(false).init(&device);
        let start = Tensor::from_data(TensorData::new(draws(12, 3), [3, 4]), &device).require_grad();
        module.weight = Param::initialized(ParamId::from(7), start);
        for step in 0..30 {
            let gradient =
                Tensor::<2>::from_data(TensorData::new(draws(12, 10 + step), [3, 4]), &Device::flex());
            let mut gradients = GradientsParams::new();
            gradients.register(ParamId::from(7), gradient);
            module = optimiser.step(0.01, module, gradients);
        }
        module.weight.val().into_data().try_into_vec().unwrap()
    }

    #[test]
    fn one_pass_gives_the_bits_of_the_library() {
        let library = AdamConfig::new().with_epsilon(1e-5).init();
        let ours = trained(ModuleOptimizer::from(FusedAdam::new(1e-5)));
        assert_eq!(ours, trained(library));
        assert_ne!(ours, draws(12, 3));
    }

    #[test]
    fn moments_of_what_learns_no_more_become_nothing() {
        let device = Device::flex();
        let vector = |x: f32| Tensor::<1>::from_data(TensorData::new(vec![x], [1]), &device);
        let adam = FusedAdam::new(1e-5);
        let (mut weights, mut state) = adam.step(0.1, vector(1.0), vector(0.5), None);
        for _ in 0..1000 {
            (weights, state) = adam.step(0.1, weights, vector(0.0), state);
        }
        let mean: f32 = state.unwrap().momentum.moment_1.into_scalar();
        assert_eq!(mean, 0.0);
    }
}
