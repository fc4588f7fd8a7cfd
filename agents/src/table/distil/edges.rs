//! Edges where the decision changes: a greedy search that adds the edge which gains most for the cells it
//! costs, then moves edges one by one while that helps, and drops those that correct nothing.
//!
//! What counts is the vote that the majority of a cell overrules. An edge that only helps together with
//! another corrects no vote alone; so the search also credits purer cells (Gini index, as classification
//! trees do: Breiman, Friedman, Olshen, Stone 1984), much while growing, hardly while polishing.

use lowgear_onboard::{FEATURES, Feature, MAX_AXES, Request};
use rayon::prelude::*;

use super::Sample;
use crate::table::TableAxis;

/// Most candidate places along an axis; bins are kept in a byte.
const MOST_CANDIDATES: usize = 200;
const MOST_BYTES: usize = 1 << 20;
/// Samples of the first, coarse search.
const COARSE_SAMPLES: usize = 40_000;
const POLISH_PASSES: usize = 2;
/// Candidates tried on either side of an edge in the fine search.
const FINE: i32 = 5;
/// Credit for purity next to corrected votes.
const GROWING: f64 = 0.25;
const POLISHING: f64 = 0.01;

/// What the search may spend.
#[derive(Clone, Debug, PartialEq)]
pub struct EdgeBudget {
    /// Features that may become axes, in the order of the axes. Gear, if among them, is cut at every gear.
    pub features: Vec<Feature>,
    /// Number of gears.
    pub gears: u8,
    /// Bytes of cells, edges and axis lists, as `LookupTable::bytes` counts them.
    pub bytes: usize,
    /// Most samples to look at; an even selection of them is taken.
    pub samples: usize,
    /// An edge that corrects a smaller share of the votes is not worth its cells.
    pub least_gain: f64,
}

impl EdgeBudget {
    /// The usual limits for these features.
    #[must_use]
    pub fn new(features: Vec<Feature>, gears: u8, bytes: usize) -> EdgeBudget {
        EdgeBudget { features, gears, bytes, samples: 200_000, least_gain: 1e-5 }
    }
}

/// The edges found.
#[derive(Clone, Debug, PartialEq)]
pub struct EdgeChoice {
    /// Axes with at least one edge.
    pub axes: Vec<TableAxis>,
    /// Share of the selected votes that a table on these axes answers otherwise.
    pub training_error: f64,
    /// The same with the gear alone for an axis.
    pub error_at_start: f64,
}

/// Places edges for these votes. The same votes give the same edges.
#[must_use]
pub fn choose_edges(samples: &[Sample], budget: &EdgeBudget) -> EdgeChoice {
    let stride = samples.len().div_ceil(budget.samples.max(1)).max(1);
    let picked: Vec<&Sample> = samples.iter().step_by(stride).collect();
    let few: Vec<&Sample> =
        picked.iter().step_by(picked.len().div_ceil(COARSE_SAMPLES).max(1)).copied().collect();
    let given: Vec<Line> = budget
        .features
        .iter()
        .take(FEATURES)
        .map(|&feature| Line::coarse(feature, &picked, budget))
        .collect();
    let error_at_start = Search::new(&picked, given.clone(), budget).error();
    let mut search = Search::new(&few, given, budget);
    for _ in 0..2 {
        search.grow(GROWING);
        search.polish();
        search.prune();
    }
    let fine: Vec<Line> = search.lines.iter().map(Line::fine).collect();
    let mut search = Search::new(&picked, fine, budget);
    search.polish();
    search.prune();
    search.grow(0.0);
    let training_error = search.error();
    let axes = search.lines.iter().filter(|line| line.bins() > 1).map(Line::axis).collect::<Vec<_>>();
    let axes = if axes.is_empty() { search.lines.iter().take(1).map(Line::axis).collect() } else { axes };
    EdgeChoice { axes, training_error, error_at_start }
}

/// One feature: the places where an edge may be, and those where one is.
#[derive(Clone, Debug)]
struct Line {
    feature: Feature,
    places: Vec<i16>,
    chosen: Vec<bool>,
    fixed: bool,
}

impl Line {
    fn coarse(feature: Feature, samples: &[&Sample], budget: &EdgeBudget) -> Line {
        if feature == Feature::Gear {
            let places: Vec<i16> = (1..i16::from(budget.gears.max(1))).collect();
            return Line { feature, chosen: vec![true; places.len()], places, fixed: true };
        }
        let mut values: Vec<i16> = samples.iter().map(|sample| sample.features.get(feature)).collect();
        values.sort_unstable();
        let lowest = values.first().copied().unwrap_or(0);
        let mut places: Vec<i16> =
            (1..32).filter_map(|i| values.get(values.len() * i / 32).copied()).collect();
        for gear in 0..i16::from(budget.gears) {
            for request in [Request::Down, Request::Up] {
                let mut values: Vec<i16> = samples
                    .iter()
                    .filter(|s| s.request == request && s.features.get(Feature::Gear) == gear)
                    .map(|s| s.features.get(feature))
                    .collect();
                values.sort_unstable();
                places.extend(
                    [0, 2, 10, 25, 50, 75, 90, 98].iter().filter_map(|i| values.get(values.len() * i / 100)),
                );
                places.extend(values.last().map(|value| value.saturating_add(1)));
            }
        }
        places.retain(|&place| place > lowest);
        places.sort_unstable();
        places.dedup();
        let thinning = places.len().div_ceil(MOST_CANDIDATES).max(1);
        let places: Vec<i16> = places.into_iter().step_by(thinning).collect();
        Line { feature, chosen: vec![false; places.len()], places, fixed: false }
    }

    /// The chosen edges, each among closer places than before.
    fn fine(&self) -> Line {
        if self.fixed {
            return self.clone();
        }
        let mut places = Vec::new();
        for (i, &place) in self.places.iter().enumerate().filter(|&(i, _)| self.chosen[i]) {
            let here = i32::from(place);
            let below = i.checked_sub(1).and_then(|i| self.places.get(i)).map_or(here, |&p| i32::from(p));
            let above = self.places.get(i + 1).map_or(here, |&p| i32::from(p));
            for part in 0..=FINE {
                places.push((here - (here - below) * part / (FINE + 1)) as i16);
                places.push((here + (above - here) * part / (FINE + 1)) as i16);
            }
        }
        places.sort_unstable();
        places.dedup();
        let edges = self.axis().edges;
        while places.len() > MOST_CANDIDATES {
            let mut odd = false;
            places.retain(|place| {
                odd = !odd;
                odd || edges.contains(place)
            });
            if edges.len() >= MOST_CANDIDATES {
                break;
            }
        }
        let chosen = places.iter().map(|place| edges.contains(place)).collect();
        Line { feature: self.feature, places, chosen, fixed: false }
    }

    fn bins(&self) -> usize {
        1 + self.chosen.iter().filter(|&&chosen| chosen).count()
    }

    fn axis(&self) -> TableAxis {
        let edges = self.places.iter().zip(&self.chosen).filter(|&(_, &chosen)| chosen);
        TableAxis { feature: self.feature, edges: edges.map(|(&place, _)| place).collect() }
    }
}

/// Votes that no place tells apart.
#[derive(Clone, Copy)]
struct Row {
    codes: [u8; FEATURES],
    votes: [f64; 3],
}

/// Rows sorted by cell, and where each cell starts.
struct Cells {
    rows: Vec<Row>,
    starts: Vec<usize>,
}

impl Cells {
    /// The rows of every cell that has any, cells in order.
    fn occupied(&self) -> impl Iterator<Item = &[Row]> {
        self.starts.windows(2).map(|ends| &self.rows[ends[0]..ends[1]]).filter(|cell| !cell.is_empty())
    }
}

struct Search<'a> {
    lines: Vec<Line>,
    rows: Vec<Row>,
    total: f64,
    budget: &'a EdgeBudget,
}

impl<'a> Search<'a> {
    fn new(samples: &[&Sample], lines: Vec<Line>, budget: &'a EdgeBudget) -> Search<'a> {
        let mut rows: Vec<Row> = samples
            .iter()
            .map(|sample| {
                let mut row = Row { codes: [0; FEATURES], votes: [0.0; 3] };
                for (code, line) in row.codes.iter_mut().zip(&lines) {
                    let value = sample.features.get(line.feature);
                    *code = line.places.partition_point(|&place| place <= value) as u8;
                }
                row.votes[sample.request as usize] = sample.weight;
                row
            })
            .collect();
        rows.sort_by_key(|row| row.codes);
        rows.dedup_by(|next, kept| {
            let same = next.codes == kept.codes;
            if same {
                (0..3).for_each(|i| kept.votes[i] += next.votes[i]);
            }
            same
        });
        let total = rows.iter().flat_map(|row| row.votes).sum();
        Search { lines, rows, total, budget }
    }

    fn cells(&self) -> Cells {
        let bin_of: Vec<Vec<usize>> = self
            .lines
            .iter()
            .map(|line| {
                let steps = line.chosen.iter().scan(0usize, |bin, &chosen| {
                    *bin += usize::from(chosen);
                    Some(*bin)
                });
                std::iter::once(0).chain(steps).collect()
            })
            .collect();
        let key = |row: &Row| {
            self.lines
                .iter()
                .enumerate()
                .fold(0, |key, (f, line)| key * line.bins() + bin_of[f][usize::from(row.codes[f])])
        };
        let keys: Vec<usize> = self.rows.iter().map(key).collect();
        let count = self.lines.iter().map(Line::bins).product::<usize>();
        let mut next = vec![0usize; count + 1];
        keys.iter().for_each(|&key| next[key + 1] += 1);
        (0..count).for_each(|key| next[key + 1] += next[key]);
        let starts = next.clone();
        let mut rows = self.rows.clone();
        for (row, &key) in self.rows.iter().zip(&keys) {
            rows[next[key]] = *row;
            next[key] += 1;
        }
        Cells { rows, starts }
    }

    fn error(&self) -> f64 {
        let kept: f64 = self.cells().occupied().map(|cell| most(&sum(cell))).sum();
        if self.total > 0.0 { 1.0 - kept / self.total } else { 0.0 }
    }

    /// What each possible edge would gain, by feature and place.
    fn gains(&self, purity: f64) -> Vec<Vec<f64>> {
        let cells = self.cells();
        let mixed: Vec<(&[Row], [f64; 3])> = cells
            .occupied()
            .map(|cell| (cell, sum(cell)))
            .filter(|(_, votes)| most(votes) < votes.iter().sum())
            .collect();
        (0..self.lines.len()).into_par_iter().map(|f| self.gains_along(f, &mixed, purity)).collect()
    }

    fn gains_along(&self, f: usize, cells: &[(&[Row], [f64; 3])], purity: f64) -> Vec<f64> {
        let places = self.lines[f].places.len();
        let mut gains = vec![0.0; places];
        if self.lines[f].fixed {
            return gains;
        }
        let mut histogram = vec![[0.0; 3]; places + 1];
        for (cell, whole) in cells {
            histogram.fill([0.0; 3]);
            let (mut first, mut last) = (places, 0);
            for row in *cell {
                let code = usize::from(row.codes[f]);
                (first, last) = (first.min(code), last.max(code));
                (0..3).for_each(|i| histogram[code][i] += row.votes[i]);
            }
            let mut left = [0.0; 3];
            for place in first..last {
                (0..3).for_each(|i| left[i] += histogram[place][i]);
                let right = [0, 1, 2].map(|i| whole[i] - left[i]);
                gains[place] += worth(&left, purity) + worth(&right, purity) - worth(whole, purity);
            }
        }
        gains
    }

    /// Bytes of the table with one more edge on line `f`.
    fn bytes_with(&self, f: usize) -> usize {
        let bins = |(i, line): (usize, &Line)| line.bins() + usize::from(i == f);
        let cells = self.lines.iter().enumerate().map(bins).fold(1usize, usize::saturating_mul);
        let edges: usize = self.lines.iter().enumerate().map(|pair| bins(pair) - 1).sum();
        let axes = self.lines.iter().enumerate().filter(|&pair| bins(pair) > 1).count();
        cells.div_ceil(4).saturating_add(2 * edges + 3 * axes)
    }

    /// The affordable edge with the highest `score(gain, line)`.
    fn best(&self, gains: &[Vec<f64>], score: impl Fn(f64, &Line) -> f64) -> Option<(usize, usize, f64)> {
        let mut best: Option<(usize, usize, f64)> = None;
        for (f, line) in self.lines.iter().enumerate() {
            let full = line.bins() == 1 && self.lines.iter().filter(|l| l.bins() > 1).count() == MAX_AXES;
            if line.fixed || full || self.bytes_with(f) > self.budget.bytes.min(MOST_BYTES) {
                continue;
            }
            for (place, &gain) in gains[f].iter().enumerate().filter(|&(place, _)| !line.chosen[place]) {
                let higher = best.is_none_or(|(g, p, _)| {
                    score(gain, line) > score(gains[g][p], &self.lines[g]) * (1.0 + 1e-12)
                });
                if gain > self.budget.least_gain * self.total && higher {
                    best = Some((f, place, gain));
                }
            }
        }
        best
    }

    /// Adds edges, the best for the cells it costs first, until none is worth it or affordable.
    fn grow(&mut self, purity: f64) {
        let per_cell = |gain: f64, line: &Line| gain / (1.0 + 1.0 / line.bins() as f64).ln();
        while let Some((f, place, _)) = self.best(&self.gains(purity), per_cell) {
            self.lines[f].chosen[place] = true;
        }
    }

    /// Takes out the edges that correct too few votes, one after the other.
    fn prune(&mut self) {
        for f in 0..self.lines.len() {
            for place in 0..self.lines[f].places.len() {
                if self.lines[f].chosen[place] && !self.lines[f].fixed {
                    self.lines[f].chosen[place] = false;
                    let corrected = self.gains(0.0)[f][place];
                    self.lines[f].chosen[place] = corrected > self.budget.least_gain * self.total;
                }
            }
        }
    }

    /// Takes every edge out in turn and puts it, or a better one, back.
    fn polish(&mut self) {
        for _ in 0..POLISH_PASSES {
            let mut moved = false;
            for f in 0..self.lines.len() {
                for place in 0..self.lines[f].places.len() {
                    if self.lines[f].chosen[place] && !self.lines[f].fixed {
                        moved |= self.move_edge(f, place);
                    }
                }
            }
            if !moved {
                break;
            }
        }
    }

    fn move_edge(&mut self, f: usize, place: usize) -> bool {
        self.lines[f].chosen[place] = false;
        let gains = self.gains(POLISHING);
        let here = gains[f][place];
        let (to_f, to_place, gain) = self.best(&gains, |gain, _| gain).unwrap_or((f, place, here));
        let better = gain > here + 1e-9 * self.total;
        let (to_f, to_place) = if better { (to_f, to_place) } else { (f, place) };
        self.lines[to_f].chosen[to_place] = true;
        better
    }
}

fn sum(rows: &[Row]) -> [f64; 3] {
    rows.iter().fold([0.0; 3], |total, row| [0, 1, 2].map(|i| total[i] + row.votes[i]))
}

fn most(votes: &[f64; 3]) -> f64 {
    votes[0].max(votes[1]).max(votes[2])
}

/// Votes of the majority, and some credit for a clear one.
fn worth(votes: &[f64; 3], purity: f64) -> f64 {
    let total: f64 = votes.iter().sum();
    if total > 0.0 { most(votes) + purity * votes.iter().map(|v| v * v).sum::<f64>() / total } else { 0.0 }
}
