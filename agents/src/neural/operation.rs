//! Networks as one operation of the tensor library, with a backward pass of its own.
//!
//! A layer of 32 or 64 takes less time than the library takes to allocate, record and dispatch the operations that it
//! is made of. Here a batch passes through whole networks in one recorded step.

use burn::{
    backend::{
        Autodiff,
        autodiff::{
            checkpoint::{base::Checkpointer, strategy::NoCheckpointing},
            grads::Gradients,
            ops::{Backward, Ops, OpsKind},
        },
        flex::{Flex, FlexTensor},
        tensor::FloatTensor,
    },
    tensor::{Tensor, TensorData},
};
use rayon::prelude::*;
use std::borrow::Cow;
use std::ops::Range;
use std::sync::Arc;

use super::{
    Buffers, NetworkShape,
    matrix::{Weights, contiguous},
    pass::{Batch, Pass},
    unfused,
};

/// What comes out of each network for a batch, next to each other, `[rows, outputs of all]`. The networks' weights lie
/// one after the other in `weights`.
pub(crate) fn values(
    weights: Tensor<1>,
    shapes: &[NetworkShape],
    batch: &Batch,
    buffers: &Buffers,
) -> Tensor<2> {
    match weights.clone().try_into_primitive::<Autodiff<Flex>>() {
        Ok(weights) => Tensor::from_primitive::<Autodiff<Flex>>(fused(weights, shapes, batch, buffers)),
        // Another device, on which loops of ours cannot run.
        Err(_) => unfused::values(&weights, shapes, batch),
    }
}

/// Whether [`values`] takes networks with these weights as one operation.
pub(crate) fn is_fused(weights: &Tensor<1>) -> bool {
    weights.clone().try_into_primitive::<Autodiff<Flex>>().is_ok()
}

/// The place of each network in the flat weights.
pub(crate) fn places(shapes: &[NetworkShape]) -> impl Iterator<Item = Range<usize>> + '_ {
    shapes.iter().scan(0, |start, shape| {
        let place = *start..*start + shape.len();
        *start = place.end;
        Some(place)
    })
}

/// Rows of a block. A batch of two blocks and more is taken in blocks, on several threads; their gradients are added in
/// the order of the blocks, so that the number of threads changes no bit.
pub(crate) const BLOCK: usize = 256;

/// A block of rows on its way through one network.
#[derive(Debug)]
struct Passage {
    /// The network's place in the weights, its outputs among those of all, and the rows of the block.
    weights: Range<usize>,
    columns: Range<usize>,
    rows: Range<usize>,
    pass: Pass,
}

fn fused(
    weights: FloatTensor<Autodiff<Flex>>,
    shapes: &[NetworkShape],
    batch: &Batch,
    buffers: &Buffers,
) -> FloatTensor<Autodiff<Flex>> {
    let (weights, node) = weights.into_parts();
    let flat = Weights::of(&weights);
    let blocks = blocks(shapes, batch);
    let mut column = 0;
    let plan: Vec<_> = shapes
        .iter()
        .zip(places(shapes))
        .enumerate()
        .flat_map(|(number, (shape, weights))| {
            let columns = column..column + shape.outputs;
            column = columns.end;
            blocks.iter().map(move |rows| (number, shape, weights.clone(), columns.clone(), rows.clone()))
        })
        .collect();
    let pass = |(number, shape, weights, columns, rows): (usize, _, _, _, Range<usize>)| Passage {
        pass: Pass::new(shape, &flat.part(&weights), batch, rows.clone(), batch.memory(number), buffers),
        weights,
        columns,
        rows,
    };
    let passages: Vec<Passage> = if blocks.len() > 1 {
        plan.into_par_iter().map(pass).collect()
    } else {
        plan.into_iter().map(pass).collect()
    };
    let values = side_by_side(&passages, batch.observations.rows(), column);
    match NetworksBackward.prepare::<NoCheckpointing>([node]).compute_bound().stateful() {
        OpsKind::Tracked(step) => step.finish(Arc::new(passages), values),
        OpsKind::UnTracked(step) => step.finish(values),
    }
}

fn blocks(shapes: &[NetworkShape], batch: &Batch) -> Vec<Range<usize>> {
    let rows = batch.observations.rows();
    let whole = rows < 2 * BLOCK || shapes.iter().any(|shape| shape.gru_size > 0);
    let size = if whole { rows.max(1) } else { BLOCK };
    (0..rows.div_ceil(size)).map(|i| i * size..((i + 1) * size).min(rows)).collect()
}

#[derive(Debug)]
struct NetworksBackward;

impl Backward<Flex, 1> for NetworksBackward {
    type State = Arc<Vec<Passage>>;

    fn backward(self, ops: Ops<Self::State, 1>, gradients: &mut Gradients, _: &mut Checkpointer) {
        let slope = gradients.consume::<Flex>(&ops.node).to_contiguous();
        let ([Some(weights)], passages) = (ops.parents, ops.state) else { return };
        let (slope, columns) = (contiguous(&slope), slope.layout().shape()[1]);
        let networks = passages.chunk_by(|a, b| a.weights == b.weights);
        let transposed: Vec<Vec<f32>> =
            networks.clone().filter_map(|blocks| Some(blocks.first()?.pass.transposed())).collect();
        let plan: Vec<_> = networks
            .zip(&transposed)
            .flat_map(|(blocks, transposed)| blocks.iter().map(move |passage| (passage, transposed)))
            .collect();
        let back = |(passage, transposed): &(&Passage, &Vec<f32>)| {
            let mut gradient = vec![0.0; passage.weights.len()];
            passage.pass.add_gradient(&passage.cut_out(slope, columns), transposed, &mut gradient);
            gradient
        };
        let parallel = transposed.len() < plan.len();
        let parts: Vec<Vec<f32>> =
            if parallel { plan.par_iter().map(back).collect() } else { plan.iter().map(back).collect() };
        let mut gradient = vec![0.0; passages.last().map_or(0, |passage| passage.weights.end)];
        for (passage, part) in passages.iter().zip(parts) {
            gradient[passage.weights.clone()].iter_mut().zip(part).for_each(|(g, part)| *g += part);
        }
        gradients.register::<Flex>(weights.id, Weights::new(gradient).into_tensor());
    }
}

impl Passage {
    /// Its rows and columns of a matrix like the outputs of all.
    fn cut_out<'a>(&self, all: &'a [f32], columns: usize) -> Cow<'a, [f32]> {
        let rows = &all[self.rows.start * columns..self.rows.end * columns];
        if self.columns.len() == columns {
            return Cow::Borrowed(rows);
        }
        rows.chunks_exact(columns).flat_map(|row| &row[self.columns.clone()]).copied().collect()
    }
}

fn side_by_side(passages: &[Passage], rows: usize, columns: usize) -> FlexTensor {
    let mut all = vec![0.0; rows * columns];
    for Passage { columns: own, rows, pass, .. } in passages {
        let to = all.chunks_exact_mut(columns).skip(rows.start);
        for (to, from) in to.zip(pass.values.chunks_exact(own.len())) {
            to[own.clone()].copy_from_slice(from);
        }
    }
    FlexTensor::from_data(TensorData::new(all, [rows, columns]))
}

#[cfg(test)]
mod tests {
    use burn::tensor::Device;
    use lowgear_env::{Seed, Stream};
    use rand::RngExt;

    use super::super::{Activation, Matrix, Network, Scratch};
    use super::*;

    const INPUTS: usize = 7;

    fn draws(n: usize, stream: u64) -> Vec<f32> {
        let mut rng = Seed(9).stream(Stream::Learn, stream);
        (0..n).map(|_| rng.random_range(-1.0..1.0)).collect()
    }

    fn shape(hidden: &[usize], activation: Activation, gru_size: usize, dueling: bool) -> NetworkShape {
        NetworkShape { inputs: INPUTS, hidden: hidden.to_vec(), activation, gru_size, outputs: 3, dueling }
    }

    fn shapes() -> Vec<Vec<NetworkShape>> {
        let (relu, tanh) = (Activation::Relu, Activation::Tanh);
        vec![
            vec![shape(&[20, 9], relu, 0, false)],
            vec![shape(&[33], relu, 0, true)],
            vec![shape(&[], relu, 0, true)],
            vec![shape(&[20, 9], tanh, 0, false)],
            vec![shape(&[20], relu, 11, false)],
            vec![shape(&[], tanh, 6, true)],
            vec![shape(&[12], relu, 5, false), NetworkShape { outputs: 1, ..shape(&[8, 4], tanh, 5, false) }],
        ]
    }

    /// Four sequences of 5, 5, 3 and 1 rows.
    fn batch(shapes: &[NetworkShape]) -> Batch {
        Batch {
            observations: Matrix::new(draws(14 * INPUTS, 1), INPUTS),
            active: vec![4, 3, 3, 2, 2],
            memories: shapes.iter().map(|shape| draws(4 * shape.gru_size, 2)).collect(),
        }
    }

    fn weights(shapes: &[NetworkShape]) -> Vec<f32> {
        draws(shapes.iter().map(NetworkShape::len).sum(), 0).iter().map(|w| w * 0.5).collect()
    }

    type Values = fn(Tensor<1>, &[NetworkShape], &Batch) -> Tensor<2>;

    fn fused(weights: Tensor<1>, shapes: &[NetworkShape], batch: &Batch) -> Tensor<2> {
        super::values(weights, shapes, batch, &Buffers::default())
    }

    /// Outputs, and the derivative by each weight of their sum, weighted by draws.
    fn there_and_back(of: Values, weights: &[f32], shapes: &[NetworkShape]) -> (Vec<f32>, Vec<f32>) {
        let device = Device::flex().autodiff();
        let data = TensorData::new(weights.to_vec(), [weights.len()]);
        let weights = Tensor::<1>::from_data(data, &device).require_grad();
        let values = of(weights.clone(), shapes, &batch(shapes));
        let slope = TensorData::new(draws(values.shape().num_elements(), 3), values.dims());
        let gradients = (values.clone() * Tensor::from_data(slope, &device)).sum().backward();
        let gradient = weights.grad(&gradients).unwrap();
        (values.into_data().try_into_vec().unwrap(), gradient.into_data().try_into_vec().unwrap())
    }

    #[test]
    fn the_operation_equals_the_network_of_single_ones_forward_and_back() {
        for shapes in shapes() {
            let weights = weights(&shapes);
            let (values, gradient) = there_and_back(fused, &weights, &shapes);
            let single: Values = |weights, shapes, batch| unfused::values(&weights, shapes, batch);
            let (expected, by_library) = there_and_back(single, &weights, &shapes);
            assert_eq!((values.len(), gradient.len()), (expected.len(), by_library.len()));
            for (a, b) in values.iter().zip(&expected) {
                assert!((a - b).abs() < 1e-5, "{shapes:?}, value {a} {b}");
            }
            let scale = by_library.iter().fold(1.0, |m: f32, g| m.max(g.abs()));
            for (i, (a, b)) in gradient.iter().zip(&by_library).enumerate() {
                assert!((a - b).abs() < 1e-5 * scale, "{shapes:?}, gradient {i}: {a} {b}");
            }
        }
    }

    #[test]
    fn the_gradient_equals_finite_differences() {
        for shapes in shapes() {
            let weights = weights(&shapes);
            let (values, gradient) = there_and_back(fused, &weights, &shapes);
            let slope = draws(values.len(), 3);
            let loss = |weights: &[f32]| -> f64 {
                let (values, _) = there_and_back(fused, weights, &shapes);
                values.iter().zip(&slope).map(|(v, s)| f64::from(*v) * f64::from(*s)).sum()
            };
            for i in (0..weights.len()).step_by(17) {
                let mut moved = weights.clone();
                moved[i] += 0.005;
                let above = loss(&moved);
                moved[i] -= 0.01;
                let slope = (above - loss(&moved)) / 0.01;
                // Halfway kinks of the relu and f32 sums leave this much.
                assert!((slope - f64::from(gradient[i])).abs() < 0.05, "{i}: {slope} {}", gradient[i]);
            }
        }
    }

    #[test]
    fn acting_step_by_step_equals_the_batch() {
        for shapes in shapes().into_iter().filter(|shapes| shapes.len() == 1) {
            let network = Network::new(shapes[0].clone(), weights(&shapes)).unwrap();
            let batch = batch(&shapes);
            let (values, _) = there_and_back(fused, network.weights(), &shapes);
            let width = shapes[0].gru_size;
            let mut memories: Vec<Vec<f32>> =
                (0..4).map(|s| batch.memory(0)[s * width..(s + 1) * width].to_vec()).collect();
            let (mut scratch, mut row) = (Scratch::default(), 0);
            for &count in &batch.active {
                for memory in &mut memories[..count] {
                    let x = &batch.observations.values()[row * INPUTS..(row + 1) * INPUTS];
                    let out = network.run(x, memory, &mut scratch);
                    for (a, b) in out.iter().zip(&values[row * 3..(row + 1) * 3]) {
                        assert!((a - b).abs() < 1e-5, "{shapes:?}, {a} {b}");
                    }
                    row += 1;
                }
            }
        }
    }

    #[test]
    fn a_large_batch_in_blocks_equals_the_whole_on_any_number_of_threads() {
        let shapes = [shape(&[12], Activation::Relu, 0, false), shape(&[8], Activation::Tanh, 0, true)];
        let (weights, rows) = (weights(&shapes), 2 * BLOCK + 77);
        let batch = || Batch::rows(Matrix::new(draws(rows * INPUTS, 1), INPUTS));
        let run = |of: Values| {
            let device = Device::flex().autodiff();
            let data = TensorData::new(weights.clone(), [weights.len()]);
            let weights = Tensor::<1>::from_data(data, &device).require_grad();
            let values = of(weights.clone(), &shapes, &batch());
            let slope = TensorData::new(draws(rows * 6, 3), [rows, 6]);
            let gradients = (values.clone() * Tensor::from_data(slope, &device)).sum().backward();
            let numbers: Vec<f32> = values.into_data().try_into_vec().unwrap();
            let gradient = weights.grad(&gradients).unwrap();
            (numbers, gradient.into_data().try_into_vec::<f32>().unwrap())
        };
        let on = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| run(fused))
        };
        let one = on(1);
        assert_eq!(one, on(2));
        assert_eq!(one, on(5));
        let (values, gradient) = run(|weights, shapes, batch| unfused::values(&weights, shapes, batch));
        assert!(one.0.iter().zip(&values).all(|(a, b)| (a - b).abs() < 1e-5));
        let scale = gradient.iter().fold(1.0, |m: f32, g| m.max(g.abs()));
        assert!(one.1.iter().zip(&gradient).all(|(a, b)| (a - b).abs() < 1e-5 * scale));
    }
}
