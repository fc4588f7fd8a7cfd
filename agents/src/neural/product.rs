//! Products of many rows with the weights of a layer, forward and back.
//!
//! Layers are so small that to pack them, as libraries for large matrices do, takes as long as the product. Here a tile
//! of sums stays in registers while the terms pass by. The loops are plain: the compiler makes them for each set of vector
//! instructions, of which the processor's is chosen at run time. Each sum takes its terms one after the other, with
//! one rounding for each, so that neither tiles nor vectors show in the result. (A processor without an instruction for
//! a product and a sum at once rounds twice; its last bits are others.)

use macerator::{AutoArch, Scalar, Simd, VFma, WithSimd};

use super::Activation;

/// Rows of a tile. With 8 the compiler takes some tiles apart into single numbers.
const ROWS: usize = 4;
/// Columns of a tile; where vectors are of 512 bits, there are registers for [`WIDE`].
const COLUMNS: usize = 16;
const WIDE: usize = 64;

/// A matrix, row by row, as the right side of a product.
struct Right<'a> {
    values: &'a [f32],
    columns: usize,
    /// The columns that fill no tile, filled up with 0.
    rest: Vec<f32>,
}

impl<'a> Right<'a> {
    fn new(values: &'a [f32], columns: usize) -> Right<'a> {
        let whole = columns - columns % COLUMNS;
        let mut rest = Vec::new();
        if whole < columns {
            rest.resize(values.len() / columns * COLUMNS, 0.0);
            for (to, from) in rest.chunks_exact_mut(COLUMNS).zip(values.chunks_exact(columns)) {
                to[..columns - whole].copy_from_slice(&from[whole..]);
            }
        }
        Right { values, columns, rest }
    }
}

/// The left side of a tile: of each term of the sums, one number for each of its rows.
trait Left<const R: usize>: Copy {
    fn terms(self) -> impl Iterator<Item = [f32; R]>;
}

/// Rows of a matrix.
#[derive(Clone, Copy)]
struct LeftRows<'a, const R: usize>([&'a [f32]; R]);

impl<const R: usize> Left<R> for LeftRows<'_, R> {
    #[inline(always)]
    fn terms(self) -> impl Iterator<Item = [f32; R]> {
        let length = self.0[0].len();
        let rows = self.0.map(|row| &row[..length]);
        (0..length).map(move |i| rows.map(|row| row[i]))
    }
}

/// Columns of a matrix that has `columns`, from its first number on.
#[derive(Clone, Copy)]
struct LeftColumns<'a> {
    values: &'a [f32],
    columns: usize,
}

impl<const R: usize> Left<R> for LeftColumns<'_> {
    #[inline(always)]
    fn terms(self) -> impl Iterator<Item = [f32; R]> {
        self.values.chunks(self.columns).map_while(|row| row.first_chunk::<R>().copied())
    }
}

#[inline(always)]
fn multiply_add<S: Simd>(a: f32, b: f32, c: f32) -> f32 {
    // Without the instruction a single rounding would be calculated at length.
    if <f32 as VFma>::is_accelerated::<S>() { a.mul_add(b, c) } else { a * b + c }
}

/// The product of the left side with `N` columns of a matrix whose rows are `stride` apart.
#[inline(always)]
fn tile<S: Simd, const R: usize, const N: usize>(
    left: impl Left<R>,
    right: &[f32],
    stride: usize,
) -> [[f32; N]; R] {
    let mut sums = [[0.0; N]; R];
    for (right, left) in right.chunks(stride).zip(left.terms()) {
        let Some(right) = right.first_chunk::<N>() else { break };
        for (sums, left) in sums.iter_mut().zip(left) {
            sums.iter_mut().zip(right).for_each(|(sum, right)| *sum = multiply_add::<S>(left, *right, *sum));
        }
    }
    sums
}

/// The product of a left side with all columns; `store` takes the rows of each tile, and the column they begin at.
#[inline(always)]
fn product<S: Simd, const R: usize>(
    left: impl Left<R>,
    right: &Right<'_>,
    mut store: impl FnMut(usize, usize, &[f32]),
) {
    let Right { values, columns, rest } = right;
    let mut done = 0;
    if <f32 as Scalar>::lanes::<S>() >= COLUMNS {
        while done + WIDE <= *columns {
            let sums = tile::<S, R, WIDE>(left, &values[done..], *columns);
            sums.iter().enumerate().for_each(|(row, sums)| store(row, done, sums));
            done += WIDE;
        }
    }
    while done + COLUMNS <= *columns {
        let sums = tile::<S, R, COLUMNS>(left, &values[done..], *columns);
        sums.iter().enumerate().for_each(|(row, sums)| store(row, done, sums));
        done += COLUMNS;
    }
    if done < *columns {
        let sums = tile::<S, R, COLUMNS>(left, rest, COLUMNS);
        sums.iter().enumerate().for_each(|(row, sums)| store(row, done, &sums[..columns - done]));
    }
}

/// `R` rows of a product of matrices.
#[inline(always)]
fn rows<S: Simd, const R: usize>(x: &[f32], inputs: usize, right: &Right<'_>, y: &mut [f32]) {
    let left = LeftRows::<R>(std::array::from_fn(|row| &x[row * inputs..(row + 1) * inputs]));
    product::<S, R>(left, right, |row, column, sums| {
        y[row * right.columns + column..][..sums.len()].copy_from_slice(sums);
    });
}

/// `f(X W + b)`.
pub(super) struct Forward<'a> {
    pub(super) x: &'a [f32],
    pub(super) weights: &'a [f32],
    pub(super) bias: &'a [f32],
    pub(super) activation: Option<Activation>,
    pub(super) y: &'a mut [f32],
}

impl Forward<'_> {
    pub(super) fn run(self) {
        AutoArch::new().dispatch(self);
    }

    #[inline(always)]
    fn finish(bias: &[f32], activation: Option<Activation>, y: &mut [f32]) {
        for y in y.chunks_exact_mut(bias.len()) {
            y.iter_mut().zip(bias).for_each(|(y, b)| *y += b);
        }
        if let Some(activation) = activation {
            activation.apply(y);
        }
    }
}

impl WithSimd for Forward<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self) {
        let Forward { x, weights, bias, activation, y } = self;
        let (inputs, outputs) = (weights.len() / bias.len(), bias.len());
        let right = Right::new(weights, outputs);
        let (mut x, mut y) = (x.chunks_exact(ROWS * inputs), y.chunks_exact_mut(ROWS * outputs));
        for (x, y) in x.by_ref().zip(y.by_ref()) {
            rows::<S, ROWS>(x, inputs, &right, y);
            Self::finish(bias, activation, y);
        }
        let y = y.into_remainder();
        for (x, y) in x.remainder().chunks_exact(inputs).zip(y.chunks_exact_mut(outputs)) {
            rows::<S, 1>(x, inputs, &right, y);
            Self::finish(bias, activation, y);
        }
    }
}

/// `dY f'` of the layer in front, whose outputs are `y`: `dZ W^T f'`.
pub(super) struct Backward<'a> {
    pub(super) slope: &'a [f32],
    /// `W^T`, `[outputs, inputs]`.
    pub(super) transposed: &'a [f32],
    pub(super) outputs: usize,
    /// What came out of the layer in front, and through what; of a memory, nothing.
    pub(super) front: Option<(Activation, &'a [f32])>,
    pub(super) to: &'a mut [f32],
}

impl Backward<'_> {
    pub(super) fn run(self) {
        AutoArch::new().dispatch(self);
    }
}

impl WithSimd for Backward<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self) {
        let Backward { slope, transposed, outputs, front, to } = self;
        let inputs = transposed.len() / outputs;
        let right = Right::new(transposed, inputs);
        let whole = slope.len() / outputs / ROWS * ROWS;
        let (slopes, rest) = slope.split_at(whole * outputs);
        let (tos, to_rest) = to.split_at_mut(whole * inputs);
        let finish = |first_row: usize, to: &mut [f32]| {
            if let Some((activation, y)) = front {
                activation.back(to, &y[first_row * inputs..][..to.len()]);
            }
        };
        let all = slopes.chunks_exact(ROWS * outputs).zip(tos.chunks_exact_mut(ROWS * inputs));
        for (i, (slope, to)) in all.enumerate() {
            rows::<S, ROWS>(slope, outputs, &right, to);
            finish(i * ROWS, to);
        }
        for (i, (slope, to)) in rest.chunks_exact(outputs).zip(to_rest.chunks_exact_mut(inputs)).enumerate() {
            rows::<S, 1>(slope, outputs, &right, to);
            finish(whole + i, to);
        }
    }
}

/// `dW += X^T dZ` and `db += sum over rows of dZ`.
pub(super) struct Gradient<'a> {
    pub(super) x: &'a [f32],
    pub(super) slope: &'a [f32],
    pub(super) weights: &'a mut [f32],
    pub(super) bias: &'a mut [f32],
}

/// Rows that are summed up at once: as many as stay in the nearest cache while sum after sum passes over them.
const NEAR: usize = 64;

impl Gradient<'_> {
    pub(super) fn run(self) {
        AutoArch::new().dispatch(self);
    }
}

impl WithSimd for Gradient<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self) {
        let Gradient { x, slope, weights, bias } = self;
        let (inputs, outputs) = (weights.len() / bias.len(), bias.len());
        for (x, slope) in x.chunks(NEAR * inputs).zip(slope.chunks(NEAR * outputs)) {
            if outputs < COLUMNS {
                // The other way round, so that the many inputs fill the tiles.
                columns::<S>(slope, outputs, x, inputs, |output, input, sums| {
                    let to = weights[input * outputs + output..].iter_mut().step_by(outputs);
                    to.zip(sums).for_each(|(w, s)| *w += s);
                });
            } else {
                columns::<S>(x, inputs, slope, outputs, |input, output, sums| {
                    let to = &mut weights[input * outputs + output..][..sums.len()];
                    to.iter_mut().zip(sums).for_each(|(w, s)| *w += s);
                });
            }
            for slope in slope.chunks_exact(outputs) {
                bias.iter_mut().zip(slope).for_each(|(b, s)| *b += s);
            }
        }
    }
}

/// `A^T B` of matrices with as many rows; `store` takes its rows in parts: the row, the first column, the numbers.
#[inline(always)]
fn columns<S: Simd>(
    a: &[f32],
    a_columns: usize,
    b: &[f32],
    b_columns: usize,
    mut store: impl FnMut(usize, usize, &[f32]),
) {
    let right = Right::new(b, b_columns);
    let whole = a_columns - a_columns % ROWS;
    for done in (0..whole).step_by(ROWS) {
        let left = LeftColumns { values: &a[done..], columns: a_columns };
        product::<S, ROWS>(left, &right, |row, column, sums| store(done + row, column, sums));
    }
    for row in whole..a_columns {
        let left = LeftColumns { values: &a[row..], columns: a_columns };
        product::<S, 1>(left, &right, |_, column, sums| store(row, column, sums));
    }
}

#[cfg(test)]
mod tests {
    use lowgear_env::{Seed, Stream};
    use rand::RngExt;

    use super::*;

    fn draws(n: usize, stream: u64) -> Vec<f32> {
        let mut rng = Seed(9).stream(Stream::Learn, stream);
        (0..n).map(|_| rng.random_range(-1.0..1.0)).collect()
    }

    /// `A B` of matrices of `rows x inner` and `inner x columns`, in any layout.
    fn expected(
        [rows, inner, columns]: [usize; 3],
        a: impl Fn(usize, usize) -> f32,
        b: impl Fn(usize, usize) -> f32,
    ) -> Vec<f32> {
        let number = |i: usize| {
            let term = |k| f64::from(a(i / columns, k)) * f64::from(b(k, i % columns));
            (0..inner).map(term).sum::<f64>() as f32
        };
        (0..rows * columns).map(number).collect()
    }

    fn assert_near(found: &[f32], expected: &[f32], what: [usize; 3]) {
        assert_eq!(found.len(), expected.len());
        for (a, b) in found.iter().zip(expected) {
            assert!((a - b).abs() < 1e-4, "{what:?}: {a} {b}");
        }
    }

    #[test]
    fn products_of_every_shape_equal_sums_of_terms() {
        for what in [[1, 1, 1], [5, 3, 2], [9, 15, 64], [70, 7, 83], [131, 20, 16], [66, 34, 15], [4, 2, 130]]
        {
            let [rows, inputs, outputs] = what;
            let (x, w) = (draws(rows * inputs, 0), draws(inputs * outputs, 1));
            let (bias, slope) = (draws(outputs, 2), draws(rows * outputs, 3));
            let mut y = vec![9.0; rows * outputs];
            Forward { x: &x, weights: &w, bias: &bias, activation: None, y: &mut y }.run();
            let mut sums = expected(what, |i, k| x[i * inputs + k], |k, j| w[k * outputs + j]);
            sums.iter_mut().zip(bias.iter().cycle()).for_each(|(sum, b)| *sum += b);
            assert_near(&y, &sums, what);

            let transposed: Vec<f32> =
                (0..inputs * outputs).map(|i| w[i % inputs * outputs + i / inputs]).collect();
            let front = draws(rows * inputs, 4);
            let mut to = vec![9.0; rows * inputs];
            let front = Some((Activation::Relu, &*front));
            Backward { slope: &slope, transposed: &transposed, outputs, front, to: &mut to }.run();
            let by_input = |k: usize, j: usize| w[j * outputs + k];
            let mut sums = expected([rows, outputs, inputs], |i, k| slope[i * outputs + k], by_input);
            for (sum, y) in sums.iter_mut().zip(draws(rows * inputs, 4)) {
                *sum = if y > 0.0 { *sum } else { 0.0 };
            }
            assert_near(&to, &sums, what);

            let (mut weights, mut by_bias) = (vec![1.0; inputs * outputs], vec![1.0; outputs]);
            Gradient { x: &x, slope: &slope, weights: &mut weights, bias: &mut by_bias }.run();
            let sums =
                expected([inputs, rows, outputs], |i, k| x[k * inputs + i], |k, j| slope[k * outputs + j]);
            assert_near(&weights, &sums.iter().map(|sum| sum + 1.0).collect::<Vec<_>>(), what);
            let sums = expected([1, rows, outputs], |_, _| 1.0, |k, j| slope[k * outputs + j]);
            assert_near(&by_bias, &sums.iter().map(|sum| sum + 1.0).collect::<Vec<_>>(), what);
        }
    }
}
