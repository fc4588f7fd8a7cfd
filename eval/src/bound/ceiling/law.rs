//! What of a course is a surprise: obstacles, less what was to be expected by all that lies before them.

use super::marks::{Marks, draws};
use lowgear_env::terrain::{Course, FREE_END_M, FREE_START_M, LEAST_GAP_M, ObstacleConfig, PlacedObstacle};
use lowgear_env::{Scenario, Stream};

/// Length of a cell, m.
pub(super) const CELL_M: f64 = 0.02;
/// A gap and a spacing that are this near to each other are the same, m.
const SAME_M: f64 = 1e-9;

/// The law by which obstacles are laid.
#[derive(Clone, Debug)]
pub(super) struct Law {
    pub(super) marks: Marks,
    rows: Vec<RowLaw>,
    kinds: Vec<ObstacleConfig>,
}

/// How obstacles of one kind follow each other.
#[derive(Clone, Debug)]
struct RowLaw {
    rate_per_m: f64,
    /// Share of rows with as many obstacles or more, from 0 on.
    at_least: Vec<f64>,
    /// Spacings in increasing order, m.
    spacings_m: Vec<f64>,
}

/// A row under way: what is known of it.
#[derive(Clone, Copy, Debug)]
struct Row {
    last_m: f64,
    spacing_m: Option<f64>,
    /// Obstacles so far.
    count: usize,
    height_m: f64,
}

/// What may happen in a stretch.
struct Chances {
    /// A row (or a single obstacle) begins.
    begins: f64,
    /// The row under way goes on.
    goes_on: f64,
}

impl RowLaw {
    fn new(kind: &ObstacleConfig, index: u64) -> RowLaw {
        let counts: Vec<usize> =
            draws(kind.row_count, 100 + index).iter().map(|n| n.round().max(1.0) as usize).collect();
        let most = counts.iter().copied().max().unwrap_or(1);
        let all = counts.len() as f64;
        let at_least =
            (0..=most).map(|n| counts.iter().filter(|&&count| count >= n).count() as f64 / all).collect();
        let mut spacings_m = if most > 1 { draws(kind.row_spacing_m, 200 + index) } else { vec![] };
        spacings_m.iter_mut().for_each(|spacing| *spacing = spacing.max(LEAST_GAP_M));
        spacings_m.sort_by(f64::total_cmp);
        RowLaw { rate_per_m: kind.rate_per_m, at_least, spacings_m }
    }

    fn mean_count(&self) -> f64 {
        self.at_least.iter().skip(1).sum()
    }

    /// Obstacles per metre in the long run.
    fn density_per_m(&self) -> f64 {
        let spacing_m = self.spacings_m.iter().sum::<f64>() / self.spacings_m.len().max(1) as f64;
        let count = self.mean_count();
        self.rate_per_m * count / (1.0 + self.rate_per_m * (count - 1.0) * spacing_m)
    }

    /// Share of rows with `count` obstacles or more that have no more.
    fn ends(&self, count: usize) -> f64 {
        let next = self.at_least.get(count + 1).copied().unwrap_or(0.0);
        if next > 0.0 { 1.0 - next / self.at_least[count] } else { 1.0 }
    }

    /// Share of the spacings of a row that are longer.
    fn longer(&self, row: &Row, way_m: f64) -> f64 {
        match row.spacing_m {
            Some(spacing_m) => f64::from(u8::from(way_m < spacing_m - SAME_M)),
            None => {
                let shorter = self.spacings_m.partition_point(|&spacing_m| spacing_m <= way_m);
                1.0 - shorter as f64 / self.spacings_m.len().max(1) as f64
            }
        }
    }

    /// Chances from `from_m` to `to_m`, where nothing has come since the last obstacle.
    fn chances(&self, row: Option<&Row>, from_m: f64, to_m: f64) -> Chances {
        let begins = |since_m: f64| {
            let way_m = (to_m - from_m.max(since_m)).max(0.0);
            1.0 - (-self.rate_per_m * way_m).exp()
        };
        let Some(row) = row else { return Chances { begins: begins(FREE_START_M), goes_on: 0.0 } };
        let ends = self.ends(row.count);
        let over = ends * (-self.rate_per_m * (from_m - row.last_m)).exp();
        let before = (1.0 - ends) * self.longer(row, from_m - row.last_m);
        let behind = (1.0 - ends) * self.longer(row, to_m - row.last_m);
        let all = over + before;
        if all <= 0.0 {
            return Chances { begins: 0.0, goes_on: 1.0 };
        }
        Chances { begins: over / all * begins(row.last_m), goes_on: (before - behind) / all }
    }
}

impl Law {
    /// The law of a scenario whose courses are drawn for each episode; `None` for any other.
    pub(super) fn new(scenario: &Scenario) -> Option<Law> {
        let random = scenario.course.random.as_ref()?;
        if scenario.course.laps.is_some() || scenario.measured.is_some() || random.obstacles.is_empty() {
            return None;
        }
        let kinds = random.obstacles.clone();
        let rows = kinds.iter().enumerate().map(|(i, kind)| RowLaw::new(kind, i as u64)).collect();
        Some(Law { marks: Marks::new(&kinds), rows, kinds })
    }

    /// Obstacles of each mark per metre, in the long run.
    pub(super) fn densities_per_m(&self) -> Vec<f64> {
        let mut sum = vec![0.0; self.marks.list.len()];
        for (row, shares) in self.rows.iter().zip(&self.marks.shares) {
            let density = row.density_per_m();
            sum.iter_mut().zip(shares).for_each(|(sum, share)| *sum += density * share);
        }
        sum
    }

    /// For each cell from the start on, and for each mark, the obstacles there less those that were to be expected.
    pub(super) fn surprises(&self, scenario: &Scenario, episode: u64, course: &Course) -> Vec<Vec<f64>> {
        let mut rng = scenario.seed.stream(Stream::Course, episode);
        let placed = scenario.course.placed_obstacles(&mut rng);
        let cells = (course.length_m / CELL_M).ceil() as usize;
        let mut surprises = vec![vec![0.0; self.marks.list.len()]; cells];
        for number in 0..self.kinds.len() {
            let own: Vec<PlacedObstacle> = placed.iter().filter(|p| p.kind == number).copied().collect();
            self.add_kind(number, &own, course, &mut surprises);
        }
        surprises
    }

    /// Adds the surprises by the obstacles of one kind.
    fn add_kind(&self, number: usize, own: &[PlacedObstacle], course: &Course, surprises: &mut [Vec<f64>]) {
        let (law, kind) = (&self.rows[number], &self.kinds[number]);
        let (mut row, mut next) = (None::<Row>, 0);
        for (cell, surprises) in surprises.iter_mut().enumerate() {
            let (mut from_m, to_m) = (cell as f64 * CELL_M, (cell + 1) as f64 * CELL_M);
            let counts = self.counts(kind, course, from_m);
            loop {
                let chances = law.chances(row.as_ref(), from_m, to_m);
                if counts {
                    let sum = surprises.iter_mut().zip(&self.marks.shares[number]);
                    sum.for_each(|(sum, share)| *sum -= chances.begins * share);
                    if let Some(row) = row {
                        self.marks.add(surprises, kind.shape, row.height_m, -chances.goes_on);
                    }
                }
                let Some(met) = own.get(next).filter(|met| met.obstacle.position_m < to_m) else { break };
                let (at_m, height_m) = (met.obstacle.position_m, met.obstacle.height_m);
                if counts {
                    self.marks.add(surprises, kind.shape, height_m, 1.0);
                }
                row = Some(match row.filter(|_| met.in_row > 0) {
                    Some(row) => {
                        let spacing_m = row.spacing_m.or(Some(at_m - row.last_m));
                        Row { last_m: at_m, spacing_m, count: row.count + 1, ..row }
                    }
                    None => Row { last_m: at_m, spacing_m: None, count: 1, height_m },
                });
                (from_m, next) = (at_m, next + 1);
            }
        }
    }

    /// Whether an obstacle of this kind that comes in the cell from `from_m` on is reckoned with: by what lies before it
    /// and the kind of ground, it can lie there.
    fn counts(&self, kind: &ObstacleConfig, course: &Course, from_m: f64) -> bool {
        let fits = kind.on.is_empty() || kind.on.contains(&course.surface_at(from_m).name);
        let before = course.obstacles.partition_point(|o| o.position_m < from_m);
        let free = before == 0 || from_m - course.obstacles[before - 1].position_m > LEAST_GAP_M - CELL_M;
        fits && free && from_m < course.length_m - FREE_END_M
    }
}
