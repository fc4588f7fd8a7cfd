//! The lookup table: axes over features, two bits a cell.

use super::{FEATURES, Features, Request};

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
    pub const fn new(axes: &'a [Axis<'a>], cells: &'a [u8]) -> Result<Table<'a>, TableError> {
        if axes.is_empty() || axes.len() > MAX_AXES {
            return Err(TableError::Axes);
        }
        // Loops instead of iterators: firmware has its table checked by the compiler.
        let (mut count, mut i) = (1usize, 0);
        while i < axes.len() {
            if axes[i].feature as usize >= FEATURES {
                return Err(TableError::Feature(i));
            }
            if !increases(axes[i].edges) {
                return Err(TableError::Edges(i));
            }
            let Some(product) = count.checked_mul(axes[i].bins()) else {
                return Err(TableError::Cells(usize::MAX));
            };
            count = product;
            i += 1;
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
        self.axes.iter().fold(0, |cell, axis| cell * axis.bins() + axis.bin(features.at(axis.feature)))
    }

    /// The decision in a cell; [`Request::Hold`] beyond the last one, where [`Table::cell`] never leads.
    #[must_use]
    pub fn request(&self, cell: usize) -> Request {
        self.cells
            .get(cell / 4)
            .map_or(Request::Hold, |byte| Request::from_code((byte >> (2 * (cell % 4))) & 3))
    }

    /// The decision at `features`.
    #[must_use]
    pub fn decide(&self, features: &Features) -> Request {
        self.request(self.cell(features))
    }
}

const fn increases(edges: &[i16]) -> bool {
    let mut i = 1;
    while i < edges.len() {
        if edges[i - 1] >= edges[i] {
            return false;
        }
        i += 1;
    }
    true
}
