//! Distillation of a rule with memory on a small world, and the placing of edges.

use std::time::Instant;

use lowgear_env::{End, Seed, Step, Stream};
use rand::{Rng, RngExt};
use rand_chacha::ChaCha8Rng;

use super::*;

const UP: [i16; 3] = [883, 812, i16::MAX];
const DOWN: [i16; 3] = [i16::MIN, 341, 402];
const SCALE: [f64; 3] = [3.8, 1.9, 1.0];

/// Three gears; the load wanders, the speed follows. Not modelled: everything else.
struct Hill {
    rng: ChaCha8Rng,
    gear: usize,
    wheel: f64,
    load: f64,
    steps: u32,
    features: Features,
}

impl Hill {
    fn new() -> Hill {
        let rng = Seed(0).stream(Stream::Course, 0);
        Hill { rng, gear: 0, wheel: 0.0, load: 200.0, steps: 0, features: neutral_features() }
    }

    fn observe(&mut self) {
        let ratio = self.wheel * SCALE[self.gear] + self.rng.random_range(-15.0..15.0);
        self.features.0[Feature::Gear as usize] = self.gear as i16;
        self.features.0[Feature::SpeedRatio as usize] = ratio.max(0.0) as i16;
        self.features.0[Feature::LoadSlow as usize] = self.load as i16;
        self.features.0[Feature::Tilt as usize] = self.rng.random_range(-100..100);
    }
}

impl World for Hill {
    type Observation = Features;

    fn actions(&self) -> usize {
        3
    }

    fn reset(&mut self, episode: u64) {
        *self = Hill { rng: Seed(9).stream(Stream::Course, episode), ..Hill::new() };
        self.observe();
    }

    fn observation(&self) -> &Features {
        &self.features
    }

    fn allowed(&self, action: usize) -> bool {
        self.steps >= 3 && (action != 0 || self.gear > 0) && (action != 2 || self.gear < 2) || action == 1
    }

    fn step(&mut self, action: usize) -> Step {
        assert!(self.allowed(action));
        self.gear = self.gear + action - 1;
        if self.rng.random_bool(0.03) {
            self.load = self.rng.random_range(50.0..1800.0);
        }
        let target = (1000.0 / SCALE[self.gear]) * (1.0 - self.load / (1000.0 * SCALE[self.gear]));
        self.wheel = (self.wheel + 0.2 * (target - self.wheel)).max(0.0);
        let distance = self.wheel;
        self.steps += 1;
        self.observe();
        let end = (self.steps >= 400).then_some(End::Truncated);
        Step { reward: distance, elapsed_s: if action == 1 { 0.2 } else { 0.5 }, end }
    }
}

/// Thresholds on the speed ratio, and on the load against upshifts; it holds once before an upshift.
#[derive(Default)]
struct Rule {
    over: u32,
}

impl Policy for Rule {
    fn reset(&mut self) {
        self.over = 0;
    }

    fn decide(&mut self, features: &Features, mask: Mask) -> Request {
        let gear = features.get(Feature::Gear) as usize;
        let ratio = features.get(Feature::SpeedRatio);
        let up = ratio >= UP[gear] && features.get(Feature::LoadSlow) < 700;
        self.over = if up { self.over + 1 } else { 0 };
        match (ratio < DOWN[gear], self.over > 1) {
            (true, _) if mask.allows(0) => Request::Down,
            (_, true) if mask.allows(2) => Request::Up,
            _ => Request::Hold,
        }
    }
}

fn distil_settings(grid: Grid) -> DistilSettings {
    DistilSettings {
        grid,
        iterations: 3,
        episodes: 20,
        first_episode: 100,
        gears: 3,
        few_visits: 5,
        patience: 10,
        neutral: neutral_features(),
        provenance: Provenance::default(),
    }
}

fn chosen(bytes: usize) -> Grid {
    let features = vec![Feature::Gear, Feature::SpeedRatio, Feature::LoadSlow, Feature::Tilt];
    Grid::Chosen(EdgeBudget::new(features, 3, bytes))
}

/// Distance over some fresh episodes.
fn score(policy: &mut dyn Policy) -> f64 {
    let mut total = 0.0;
    for episode in 5000..5040 {
        let mut world = Hill::new();
        world.reset(episode);
        policy.reset();
        loop {
            let step = world.step(policy.decide(world.observation(), world.mask()) as usize);
            total += step.reward;
            if step.end.is_some() {
                break;
            }
        }
    }
    total
}

#[test]
fn a_small_table_drives_nearly_as_well_as_its_teacher() {
    let settings = distil_settings(chosen(128));
    let distilled =
        distil(|_| Hill::new(), Rule::default, &mut Rule::default(), Visit::by_time, &settings).unwrap();
    for iteration in &distilled.iterations {
        println!(
            "bytes {} cells {} agreement {:.4} training error {:.4} unvisited {} thin {}",
            iteration.table.bytes(),
            iteration.table.count(),
            iteration.agreement,
            iteration.training_error,
            iteration.unvisited,
            iteration.low_support
        );
    }
    let last = distilled.last().unwrap();
    assert_eq!(distilled.iterations.len(), 4);
    assert!((distilled.iterations[0].agreement - 1.0).abs() < 1e-12);
    assert!(last.table.bytes() <= 128);
    assert!(last.agreement > 0.95 && last.training_error < 0.05);
    assert!(last.single_choice == 60 && last.decisions == 20 * 397);
    let table = crate::table::TablePolicy::new(last.table.clone());
    let (teacher, table) = (score(&mut Rule::default()), score(&mut { table }));
    println!("teacher {teacher:.0} table {table:.0}");
    assert!(table > 0.98 * teacher, "{table} against {teacher}");
}

#[test]
fn the_same_settings_give_the_same_tables() {
    let settings = distil_settings(chosen(64));
    let run =
        || distil(|_| Hill::new(), Rule::default, &mut Rule::default(), Visit::by_time, &settings).unwrap();
    assert_eq!(run(), run());
}

#[test]
fn cells_without_visits_ask_the_fallback() {
    let ratio = TableAxis { feature: Feature::SpeedRatio, edges: vec![300, 900, 5000] };
    let gear = TableAxis { feature: Feature::Gear, edges: vec![1, 2] };
    let settings = distil_settings(Grid::Fixed(vec![gear, ratio]));
    let distilled =
        distil(|_| Hill::new(), Rule::default, &mut Rule::default(), Visit::by_time, &settings).unwrap();
    let last = distilled.last().unwrap();
    assert!(last.unvisited >= 3, "nobody is ever five times too fast");
    let decisions = [3, 7, 11].map(|cell| last.table.request(cell));
    assert_eq!(
        decisions,
        [Request::Up, Request::Up, Request::Hold],
        "held once, then up; top gear has no up"
    );
}

#[test]
fn representatives_lie_in_their_cells() {
    let axes = vec![
        TableAxis { feature: Feature::Gear, edges: vec![1, 2] },
        TableAxis { feature: Feature::SpeedRatio, edges: vec![5] },
        TableAxis { feature: Feature::Tilt, edges: vec![-120, -119, 300] },
        TableAxis { feature: Feature::LoadPeak, edges: vec![1, 30_000] },
        TableAxis { feature: Feature::Stalled, edges: vec![] },
    ];
    let cells: usize = axes.iter().map(TableAxis::bins).product();
    let table = LookupTable::from_requests(axes, &vec![Request::Hold; cells], Provenance::default()).unwrap();
    for cell in 0..cells {
        let features = representative(table.axes(), &table.bins_of(cell), &neutral_features());
        assert_eq!(table.cell(&features), cell, "{features:?}");
        assert_eq!(features.get(Feature::LoadSlow), features.get(Feature::LoadPeak));
        assert!((0..3).contains(&features.get(Feature::Gear)));
    }
}

/// Many votes of a rule with exact thresholds, at random places.
fn exact_votes(count: usize, rng: &mut impl Rng) -> Vec<Sample> {
    (0..count)
        .map(|_| {
            let mut features = neutral_features();
            let gear = rng.random_range(0..3usize);
            let (ratio, load) = (rng.random_range(0..1100), rng.random_range(0..3000));
            features.0[Feature::Gear as usize] = gear as i16;
            features.0[Feature::SpeedRatio as usize] = ratio;
            features.0[Feature::LoadSlow as usize] = load;
            for noise in [Feature::Tilt, Feature::Battery, Feature::LoadPeak, Feature::SinceFailed] {
                features.0[noise as usize] = rng.random_range(0..1000);
            }
            let request = match () {
                () if ratio < DOWN[gear] => Request::Down,
                () if ratio >= UP[gear] && load < 1240 => Request::Up,
                () => Request::Hold,
            };
            Sample { features, request, weight: 0.2 }
        })
        .collect()
}

#[test]
fn edges_are_found_where_the_decision_changes() {
    let votes = exact_votes(200_000, &mut Seed(3).stream(Stream::Explore, 0));
    let features = Feature::ALL.to_vec();
    let clock = Instant::now();
    let choice = choose_edges(&votes, &EdgeBudget::new(features, 3, 256));
    println!("{:?} in {:?}", choice, clock.elapsed());
    let edges =
        |feature| choice.axes.iter().find(|axis| axis.feature == feature).map(|axis| axis.edges.clone());
    assert_eq!(edges(Feature::Gear), Some(vec![1, 2]));
    assert_eq!(edges(Feature::SpeedRatio), Some(vec![341, 402, 812, 883]));
    assert_eq!(edges(Feature::LoadSlow), Some(vec![1240]));
    assert_eq!(choice.axes.len(), 3, "noise is no axis");
    assert!(choice.training_error < 1e-9 && choice.error_at_start > 0.2);
}

#[test]
fn a_larger_budget_never_does_worse_and_is_kept() {
    let mut votes = exact_votes(20_000, &mut Seed(4).stream(Stream::Explore, 0));
    for vote in &mut votes {
        let context = i32::from(vote.features.get(Feature::LoadPeak)) / 4;
        if i32::from(vote.features.get(Feature::SpeedRatio)) > 500 + context {
            vote.request = Request::Up;
        }
    }
    let features = vec![Feature::Gear, Feature::SpeedRatio, Feature::LoadSlow, Feature::LoadPeak];
    let mut last = 1.0;
    for bytes in [20, 40, 80, 160, 320] {
        let choice = choose_edges(&votes, &EdgeBudget::new(features.clone(), 3, bytes));
        let cells: usize = choice.axes.iter().map(TableAxis::bins).product();
        let edges: usize = choice.axes.iter().map(|axis| axis.edges.len()).sum();
        println!("{bytes} bytes: error {:.4}, {cells} cells", choice.training_error);
        assert!(cells.div_ceil(4) + 2 * edges + 3 * choice.axes.len() <= bytes);
        assert!(choice.training_error <= last);
        last = choice.training_error;
    }
    assert!(last < 0.02);
}

#[test]
fn no_votes_and_one_gear_still_make_a_grid() {
    let choice = choose_edges(&[], &EdgeBudget::new(vec![Feature::Gear, Feature::Tilt], 1, 64));
    assert_eq!(choice.axes, [TableAxis { feature: Feature::Gear, edges: vec![] }]);
}

#[test]
fn a_noisy_teacher_is_searched_within_seconds() {
    let mut rng = Seed(5).stream(Stream::Explore, 0);
    let mut votes = exact_votes(200_000, &mut rng);
    for vote in &mut votes {
        let shift = vote.features.get(Feature::LoadPeak) / 5 - vote.features.get(Feature::Tilt) / 6;
        let ratio = vote.features.get(Feature::SpeedRatio);
        if ratio > 600 + shift {
            vote.request = Request::Up;
        }
        if rng.random_bool(0.03) {
            vote.request = Request::Hold;
        }
    }
    let mut features = vec![Feature::Gear, Feature::SpeedRatio, Feature::LoadSlow, Feature::LoadPeak];
    features.extend([Feature::Tilt, Feature::Battery, Feature::SinceFailed, Feature::Dwell]);
    for bytes in [256, 1024] {
        let clock = Instant::now();
        let choice = choose_edges(&votes, &EdgeBudget::new(features.clone(), 3, bytes));
        let bins: Vec<_> = choice.axes.iter().map(|axis| (axis.feature, axis.edges.len())).collect();
        println!("{bytes} bytes: error {:.4} {bins:?} in {:?}", choice.training_error, clock.elapsed());
        assert!(choice.training_error < 0.08, "{}", choice.training_error);
    }
}
