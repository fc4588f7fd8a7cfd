//! Matrices, and flat weights as the tensor library's CPU backend holds them.

use burn::{backend::flex::FlexTensor, tensor::TensorData};
use std::{ops::Range, sync::Arc};

/// A matrix, row by row. Copies share their numbers.
#[derive(Clone, Debug)]
pub(crate) struct Matrix {
    values: Arc<Vec<f32>>,
    columns: usize,
}

impl Matrix {
    pub(crate) fn new(values: Vec<f32>, columns: usize) -> Matrix {
        Matrix { values: Arc::new(values), columns }
    }

    pub(crate) fn rows(&self) -> usize {
        self.values.len() / self.columns.max(1)
    }

    pub(crate) const fn columns(&self) -> usize {
        self.columns
    }

    /// The numbers, row by row.
    pub(crate) fn values(&self) -> &[f32] {
        &self.values
    }

    /// The numbers of some of the rows.
    pub(crate) fn part(&self, rows: &Range<usize>) -> &[f32] {
        &self.values[rows.start * self.columns..rows.end * self.columns]
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
}

/// The numbers of a tensor that lies in one piece.
pub(super) fn contiguous(tensor: &FlexTensor) -> &[f32] {
    let place = tensor.layout().contiguous_offsets();
    debug_assert!(place.is_some(), "the numbers of a transposed matrix were asked for");
    place.map_or(&[], |(start, end)| &tensor.storage()[start..end])
}
