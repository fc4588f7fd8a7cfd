//! Matrix products of the sizes that small networks have, on one thread.
//!
//! Each element is summed in the order of the inner index, one multiplication and one addition at a time,
//! and never fused, so a result has the same bits whatever vector registers the compiler makes use of.

/// Rows computed together.
const ROWS: usize = 4;

/// A matrix with any order of its elements in memory: `values[i * row + p * column]`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Left<'a> {
    pub(crate) values: &'a [f32],
    pub(crate) row: usize,
    pub(crate) column: usize,
}

impl<'a> Left<'a> {
    /// Row by row, `columns` in each.
    pub(crate) const fn plain(values: &'a [f32], columns: usize) -> Left<'a> {
        Left { values, row: columns, column: 1 }
    }

    /// The transpose of a matrix that lies row by row with `columns` in each.
    pub(crate) const fn transposed(values: &'a [f32], columns: usize) -> Left<'a> {
        Left { values, row: 1, column: columns }
    }
}

/// `C += A B`, where `A` is `[rows, inner]`, `B` is `[inner, columns]` and `C` is `[rows, columns]`; `B` and
/// `C` lie row by row.
pub(crate) fn add_product(a: Left<'_>, b: &[f32], c: &mut [f32], inner: usize, columns: usize) {
    if columns == 0 {
        return;
    }
    let mut packed = [[0.0; ROWS]; PACKED];
    for (block, c) in c.chunks_mut(ROWS * columns).enumerate() {
        let rows = c.len() / columns;
        let mut done = 0;
        while done < inner {
            let now = (inner - done).min(PACKED);
            let packed = &mut packed[..now];
            for (p, quad) in packed.iter_mut().enumerate() {
                let first = block * ROWS * a.row + (done + p) * a.column;
                for (r, slot) in quad.iter_mut().enumerate().take(rows) {
                    *slot = a.values[first + r * a.row];
                }
            }
            let b = &b[done * columns..(done + now) * columns];
            if rows == ROWS {
                add_block::<ROWS>(packed, b, c, columns);
            } else {
                for r in 0..rows {
                    packed.iter_mut().for_each(|quad| quad[0] = quad[r.min(ROWS - 1)]);
                    add_block::<1>(packed, b, &mut c[r * columns..(r + 1) * columns], columns);
                }
            }
            done += now;
        }
    }
}

/// Longest stretch of the inner index that is packed at once.
const PACKED: usize = 256;

fn add_block<const R: usize>(packed: &[[f32; ROWS]], b: &[f32], c: &mut [f32], columns: usize) {
    let done = add_columns::<R, 8>(packed, b, c, columns, 0);
    let done = add_columns::<R, 4>(packed, b, c, columns, done);
    add_columns::<R, 1>(packed, b, c, columns, done);
}

/// Columns from `done` on, `C` at a time; their sums stay in registers while the inner index runs.
fn add_columns<const R: usize, const C: usize>(
    packed: &[[f32; ROWS]],
    b: &[f32],
    c: &mut [f32],
    columns: usize,
    mut done: usize,
) -> usize {
    while done + C <= columns {
        let mut sums = [[0.0; C]; R];
        for (r, row) in sums.iter_mut().enumerate() {
            row.copy_from_slice(&c[r * columns + done..r * columns + done + C]);
        }
        for (quad, row) in packed.iter().zip(b.chunks_exact(columns)) {
            let row = &row[done..done + C];
            for r in 0..R {
                for j in 0..C {
                    sums[r][j] += quad[r] * row[j];
                }
            }
        }
        for (r, row) in sums.iter().enumerate() {
            c[r * columns + done..r * columns + done + C].copy_from_slice(row);
        }
        done += C;
    }
    done
}

#[cfg(test)]
mod tests {
    use lowgear_env::{Seed, Stream};
    use rand::RngExt;

    use super::*;

    #[test]
    fn every_size_equals_three_plain_loops_bit_for_bit() {
        let mut rng = Seed(3).stream(Stream::Learn, 0);
        for (rows, inner, columns) in
            [(1, 1, 1), (4, 64, 64), (7, 3, 21), (5, 300, 2), (64, 4, 64), (3, 600, 35), (2, 0, 3)]
        {
            let mut draw = |n: usize| (0..n).map(|_| rng.random_range(-1.0..1.0)).collect::<Vec<f32>>();
            let (a, b, start) = (draw(rows * inner), draw(inner * columns), draw(rows * columns));
            let mut expected = start.clone();
            for i in 0..rows {
                for j in 0..columns {
                    for p in 0..inner {
                        expected[i * columns + j] += a[i * inner + p] * b[p * columns + j];
                    }
                }
            }
            let mut c = start.clone();
            add_product(Left::plain(&a, inner), &b, &mut c, inner, columns);
            assert_eq!(c, expected, "{rows} {inner} {columns}");
            let mut transposed_weights = vec![0.0; a.len()];
            for i in 0..rows {
                for p in 0..inner {
                    transposed_weights[p * rows + i] = a[i * inner + p];
                }
            }
            let mut c = start;
            add_product(Left::transposed(&transposed_weights, rows), &b, &mut c, inner, columns);
            assert_eq!(c, expected, "{rows} {inner} {columns}, transposed");
        }
    }
}
