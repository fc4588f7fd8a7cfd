//! The look-up table: axes over features, two bits a cell.

use crate::{FEATURES, Features, Request};

/// Most axes a table may have.
pub const MAX_AXES: usize = 8;

/// One axis: a feature and the increasing edges that cut it into `edges.len() + 1` bins.
/// A value equal to an edge lies in the upper bin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Axis<'a> {
    /// Index of the feature.
    pub feature: u8,
    /// Edges, strictly increasing.
    pub edges: &'a [i16],
}

impl Axis<'_> {
    /// Number of bins.
    #[must_use]
    pub const fn bins(&self) -> usize {
        self.edges.len() + 1
    }

    /// The bin of `value`: the number of edges at or below it.
    #[must_use]
    pub fn bin(&self, value: i16) -> usize {
        self.edges.iter().take_while(|&&edge| edge <= value).count()
    }
}

/// Why a table was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TableError {
    /// No axis, or more than [`MAX_AXES`].
    Axes,
    /// This axis names no feature.
    Feature(usize),
    /// The edges of this axis do not increase.
    Edges(usize),
    /// The cells do not fill the grid: bytes expected.
    Cells(usize),
}

/// A decision table. Cell `i` is bits `2 (i % 4)` and up of byte `i / 4`; the last axis varies fastest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Table<'a> {
    axes: &'a [Axis<'a>],
    cells: &'a [u8],
}

impl<'a> Table<'a> {
    /// Checks axes and size.
    ///
    /// # Errors
    /// [`TableError`] says what does not fit.
    pub fn new(axes: &'a [Axis<'a>], cells: &'a [u8]) -> Result<Table<'a>, TableError> {
        if axes.is_empty() || axes.len() > MAX_AXES {
            return Err(TableError::Axes);
        }
        let mut count = 1usize;
        for (i, axis) in axes.iter().enumerate() {
            if axis.feature as usize >= FEATURES {
                return Err(TableError::Feature(i));
            }
            if axis.edges.windows(2).any(|pair| pair[0] >= pair[1]) {
                return Err(TableError::Edges(i));
            }
            count = count.checked_mul(axis.bins()).ok_or(TableError::Cells(usize::MAX))?;
        }
        let bytes = count.div_ceil(4);
        if cells.len() == bytes { Ok(Table { axes, cells }) } else { Err(TableError::Cells(bytes)) }
    }

    /// Number of cells.
    #[must_use]
    pub fn count(&self) -> usize {
        self.axes.iter().map(Axis::bins).product()
    }

    /// Index of the cell that `features` lie in.
    #[must_use]
    pub fn cell(&self, features: &Features) -> usize {
        self.axes
            .iter()
            .fold(0, |cell, axis| cell * axis.bins() + axis.bin(features.0[axis.feature as usize]))
    }

    /// The decision in a cell.
    ///
    /// # Panics
    /// Beyond the last cell; [`Table::cell`] never leads there.
    #[must_use]
    pub fn request(&self, cell: usize) -> Request {
        Request::from_code((self.cells[cell / 4] >> (2 * (cell % 4))) & 3)
    }

    /// The decision at `features`.
    #[must_use]
    pub fn decide(&self, features: &Features) -> Request {
        self.request(self.cell(features))
    }
}
