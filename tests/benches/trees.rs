//! Boosted regression trees (Friedman 2001, "Greedy function approximation: a gradient boosting machine", Annals of Statistics 29):
//! each tree is fitted to what the sum of those before leaves over.

use rayon::prelude::*;

const TREES: usize = 150;
/// Share of a tree's answer that counts.
const RATE: f32 = 0.1;
const DEPTH: usize = 6;
/// Samples of a leaf, at least.
const LEAST: usize = 30;
/// Samples at zero that every leaf has besides its own.
const SHRINK: f64 = 5.0;
const BINS: usize = 64;

/// A sum of trees.
#[derive(Clone, Default)]
pub(crate) struct Trees {
    /// Where the bins of each number end.
    edges: Vec<Vec<f32>>,
    trees: Vec<Vec<Node>>,
}

#[derive(Clone, Copy)]
enum Node {
    Leaf(f32),
    /// Samples whose number is in this bin or a lower one go to the next node, others to the node `right`.
    Split {
        number: usize,
        bin: u8,
        right: usize,
    },
}

/// The samples while trees are fitted.
struct Growing<'a> {
    /// Bins by number, then by sample.
    columns: &'a [Vec<u8>],
    /// What the trees so far leave over, by sample.
    residuals: &'a [f32],
    tree: Vec<Node>,
}

impl Trees {
    /// Fits `values` to the numbers of each sample, all of them equally many.
    pub(crate) fn fit(samples: &[&[f32]], values: &[f32]) -> Trees {
        let width = samples.first().map_or(0, |numbers| numbers.len());
        let edges: Vec<Vec<f32>> = (0..width).into_par_iter().map(|i| edges(samples, i)).collect();
        let columns: Vec<Vec<u8>> = edges
            .par_iter()
            .enumerate()
            .map(|(i, edges)| samples.iter().map(|numbers| bin(edges, numbers[i])).collect())
            .collect();
        let (mut residuals, mut trees) = (values.to_vec(), Vec::new());
        for _ in 0..TREES {
            let mut growing = Growing { columns: &columns, residuals: &residuals, tree: Vec::new() };
            growing.grow((0..samples.len()).collect(), 0);
            let tree = growing.tree;
            for (sample, residual) in residuals.iter_mut().enumerate() {
                *residual -= answer(&tree, |number| columns[number][sample]);
            }
            trees.push(tree);
        }
        Trees { edges, trees }
    }

    /// The answer to these numbers; 0 of no trees.
    pub(crate) fn value(&self, numbers: &[f32]) -> f32 {
        let bins: Vec<u8> =
            numbers.iter().zip(&self.edges).map(|(&number, edges)| bin(edges, number)).collect();
        self.trees.iter().map(|tree| answer(tree, |number| bins[number])).sum()
    }
}

/// Ends of bins that hold equally many samples.
fn edges(samples: &[&[f32]], number: usize) -> Vec<f32> {
    let mut values: Vec<f32> = samples.iter().map(|numbers| numbers[number]).collect();
    values.sort_by(f32::total_cmp);
    let mut edges: Vec<f32> = (1..BINS).map(|k| values[k * values.len() / BINS]).collect();
    edges.dedup();
    edges
}

fn bin(edges: &[f32], number: f32) -> u8 {
    edges.partition_point(|edge| *edge < number) as u8
}

fn answer(tree: &[Node], bin_of: impl Fn(usize) -> u8) -> f32 {
    let mut at = 0;
    loop {
        match tree[at] {
            Node::Leaf(value) => return value,
            Node::Split { number, bin, right } => at = if bin_of(number) <= bin { at + 1 } else { right },
        }
    }
}

impl Growing<'_> {
    /// Appends the tree of these samples.
    fn grow(&mut self, of: Vec<usize>, depth: usize) {
        let sum: f64 = of.iter().map(|&sample| f64::from(self.residuals[sample])).sum();
        let at = self.tree.len();
        self.tree.push(Node::Leaf(RATE * (sum / (of.len() as f64 + SHRINK)) as f32));
        if depth == DEPTH {
            return;
        }
        let splits = self.columns.iter().enumerate().filter_map(|(number, column)| {
            self.best_split(column, &of, sum).map(|(gain, bin)| (gain, number, bin))
        });
        let Some((_, number, bin)) = splits.max_by(|a, b| a.0.total_cmp(&b.0)) else { return };
        let (low, high): (Vec<usize>, Vec<usize>) =
            of.into_iter().partition(|&sample| self.columns[number][sample] <= bin);
        self.grow(low, depth + 1);
        self.tree[at] = Node::Split { number, bin, right: self.tree.len() };
        self.grow(high, depth + 1);
    }

    /// By how much the best split of a number lessens the sum of squares, and the bin it is behind.
    fn best_split(&self, column: &[u8], of: &[usize], sum: f64) -> Option<(f64, u8)> {
        let mut bins = [(0.0_f64, 0_usize); BINS];
        for &sample in of {
            let bin = &mut bins[usize::from(column[sample])];
            bin.0 += f64::from(self.residuals[sample]);
            bin.1 += 1;
        }
        let (mut low, mut best) = ((0.0, 0), None);
        for (bin, (of_bin, count)) in bins.iter().enumerate() {
            low = (low.0 + of_bin, low.1 + count);
            let high = (sum - low.0, of.len() - low.1);
            if low.1 < LEAST || high.1 < LEAST {
                continue;
            }
            let gain =
                low.0 * low.0 / low.1 as f64 + high.0 * high.0 / high.1 as f64 - sum * sum / of.len() as f64;
            if gain > best.map_or(1e-6, |(gain, _)| gain) {
                best = Some((gain, bin as u8));
            }
        }
        best
    }
}
