//! Matrices and flat weights on the tensor library's CPU backend: products are the library's, whatever is done to single
//! numbers is a plain loop over them.

use burn::{
    backend::{
        flex::{Flex, FlexTensor},
        ops::FloatTensorOps,
    },
    tensor::{Shape, TensorData},
};
use std::ops::Range;

use super::shape::Layer;

/// A matrix, row by row. Copies share their numbers.
#[derive(Clone, Debug)]
pub(crate) struct Matrix(FlexTensor);

impl Matrix {
    pub(crate) fn new(values: Vec<f32>, columns: usize) -> Matrix {
        let rows = values.len() / columns.max(1);
        Matrix(FlexTensor::from_data(TensorData::new(values, [rows, columns])))
    }

    /// A tensor of two dimensions whose numbers lie row by row.
    pub(crate) fn of(tensor: &FlexTensor) -> Matrix {
        Matrix(tensor.to_contiguous())
    }

    pub(crate) fn into_tensor(self) -> FlexTensor {
        self.0
    }

    pub(crate) fn rows(&self) -> usize {
        self.0.layout().shape()[0]
    }

    pub(crate) fn columns(&self) -> usize {
        self.0.layout().shape()[1]
    }

    /// Some of the rows.
    pub(crate) fn part(&self, rows: &Range<usize>) -> Matrix {
        Matrix(self.0.narrow(0, rows.start, rows.len()))
    }

    /// Rows and columns exchanged; for products only, since the numbers stay where they are.
    pub(crate) fn transposed(&self) -> Matrix {
        Matrix(self.0.transpose(0, 1))
    }

    /// The matrix product.
    pub(crate) fn times(&self, right: &Matrix) -> Matrix {
        Matrix(Flex::float_matmul(self.0.clone(), right.0.clone()))
    }

    /// The numbers, row by row.
    pub(crate) fn values(&self) -> &[f32] {
        contiguous(&self.0)
    }

    /// The numbers, to be written; of a matrix that shares them, a copy.
    pub(crate) fn values_mut(&mut self) -> &mut [f32] {
        if self.0.layout().start_offset() > 0 || !self.0.is_unique() {
            self.0 = FlexTensor::from_data(TensorData::new(
                self.values().to_vec(),
                self.0.layout().shape().clone(),
            ));
        }
        self.0.storage_mut()
    }
}

impl PartialEq for Weights {
    fn eq(&self, other: &Weights) -> bool {
        self.values() == other.values()
    }
}

/// The weights of one network or of several, in one vector. Copies share their numbers.
#[derive(Clone, Debug)]
pub(crate) struct Weights(FlexTensor);

impl Weights {
    pub(crate) fn new(values: Vec<f32>) -> Weights {
        let length = values.len();
        Weights(FlexTensor::from_data(TensorData::new(values, [length])))
    }

    /// A tensor of one dimension.
    pub(crate) fn of(tensor: &FlexTensor) -> Weights {
        Weights(tensor.to_contiguous())
    }

    /// Some of them.
    pub(crate) fn part(&self, range: &Range<usize>) -> Weights {
        Weights(self.0.narrow(0, range.start, range.len()))
    }

    pub(crate) fn into_tensor(self) -> FlexTensor {
        self.0
    }

    pub(crate) fn values(&self) -> &[f32] {
        contiguous(&self.0)
    }

    /// To be written; of weights that are shared, a copy.
    pub(crate) fn values_mut(&mut self) -> &mut [f32] {
        if self.0.layout().num_elements() != self.0.storage::<f32>().len() {
            *self = Weights::new(self.values().to_vec());
        }
        self.0.storage_mut()
    }

    /// A layer's `W`, `[inputs, outputs]`.
    pub(crate) fn matrix(&self, layer: &Layer) -> Matrix {
        let part = self.0.narrow(0, layer.start, layer.inputs * layer.outputs);
        Matrix(part.reshape(Shape::from([layer.inputs, layer.outputs])))
    }
}

/// The numbers of a tensor that lies in one piece.
fn contiguous(tensor: &FlexTensor) -> &[f32] {
    let place = tensor.layout().contiguous_offsets();
    debug_assert!(place.is_some(), "the numbers of a transposed matrix were asked for");
    place.map_or(&[], |(start, end)| &tensor.storage()[start..end])
}
