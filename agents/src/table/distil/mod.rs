//! A teacher's decisions in a table: dataset aggregation on the states that the table itself visits
//! (Ross, Gordon, Bagnell 2011, "A reduction of imitation learning and structured prediction to no-regret
//! online learning", AISTATS).
//!
//! Round 0 is driven by the teacher, every later round by the table so far; the teacher labels each state
//! visited. All labels of all iterations vote, each cell decides by majority, and unvisited cells ask
//! a fallback policy. Decisions at which the guard leaves no choice do not vote.
//!
//! A teacher with memory sees every decision point, but while the table drives it sees the consequences of
//! decisions that are not its own.

mod edges;

pub use edges::{EdgeBudget, EdgeChoice, choose_edges};

use crate::policy::{Mask, Policy};
use lowgear_env::{Decision, Step, World, run_episode};
use lowgear_onboard::{FEATURES, Feature, Features, Request};
use rayon::prelude::*;

use crate::table::{LookupTable, Provenance, TableAxis, TableFault, TablePolicy};

/// A state in which the guard left a choice, and what was decided there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Visit {
    /// What the policy saw.
    pub features: Features,
    /// What was possible.
    pub mask: Mask,
    /// What the teacher wanted.
    pub wanted: Request,
    /// What was done: the teacher's decision in round 0, the table's later.
    pub done: Request,
    /// Time to the next decision, s.
    pub elapsed_s: f64,
}

impl Decision for Visit {
    fn action(&self) -> usize {
        self.done as usize
    }
}

impl Visit {
    /// The plain vote: time until the next decision.
    #[must_use]
    pub fn by_time(&self) -> f64 {
        self.elapsed_s
    }
}

/// One vote.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Where.
    pub features: Features,
    /// For what.
    pub request: Request,
    /// How much it counts.
    pub weight: f64,
}

/// Where the edges of the table come from.
#[derive(Clone, Debug, PartialEq)]
pub enum Grid {
    /// Given.
    Fixed(Vec<TableAxis>),
    /// Placed again in every iteration where the teacher's decision changes; see [`choose_edges`].
    Chosen(EdgeBudget),
}

/// How to distil.
#[derive(Clone, Debug, PartialEq)]
pub struct DistilSettings {
    /// The axes.
    pub grid: Grid,
    /// Iterations that the table drives, after the teacher's own.
    pub iterations: u32,
    /// Episodes of each round.
    pub episodes: u64,
    /// Number of the first episode; every iteration takes fresh ones after it.
    pub first_episode: u64,
    /// Number of gears.
    pub gears: u8,
    /// A visited cell with fewer visits than this is counted as thin.
    pub few_visits: u32,
    /// Times the fallback is asked at an unvisited cell, for rules that hold before they shift.
    pub patience: u16,
    /// Values of features that are not on an axis, at unvisited cells; see [`neutral_features`].
    pub neutral: Features,
    /// Written into the table.
    pub provenance: Provenance,
}

/// The result of one DAgger iteration. Shares are of vote weight.
#[derive(Clone, Debug, PartialEq)]
pub struct DaggerIteration {
    /// The table after this iteration, from the votes of all iterations so far.
    pub table: LookupTable,
    /// Decisions of this iteration at which there was a choice.
    pub decisions: u64,
    /// Decisions of this iteration at which there was none.
    pub single_choice: u64,
    /// Share of this iteration's decisions in which what was done is what the teacher wanted.
    pub agreement: f64,
    /// Share of all votes so far that the table answers otherwise.
    pub training_error: f64,
    /// Visits of each cell; those with none are filled by the fallback.
    pub visits: Vec<u32>,
    /// Cells filled by the fallback.
    pub unvisited: u64,
    /// Cells with few visits.
    pub low_support: u64,
}

impl DaggerIteration {
    /// Counts the visits of each cell again, over episodes that the table drives: after a change of its edges.
    pub fn recount<W: World<Observation = Features>>(
        &mut self,
        make_world: impl Fn(u64) -> W + Sync,
        episodes: u64,
        few_visits: u32,
    ) {
        let table = &self.table;
        let met: Vec<Vec<usize>> = (0..episodes)
            .into_par_iter()
            .map(|episode| {
                let mut policy = TablePolicy::new(table.clone());
                let visits = visits(&mut make_world(episode), episode, &mut policy);
                visits.iter().map(|visit| table.cell(&visit.features)).collect()
            })
            .collect();
        self.visits = vec![0; table.count()];
        for cell in met.into_iter().flatten() {
            self.visits[cell] = self.visits[cell].saturating_add(1);
        }
        self.low_support = self.visits.iter().filter(|&&n| n > 0 && n < few_visits).count() as u64;
    }
}

/// Every iteration, in order; the last table has seen most. A caller with validation courses picks the best.
#[derive(Clone, Debug, PartialEq)]
pub struct Distilled {
    /// The iterations, beginning with the teacher's.
    pub iterations: Vec<DaggerIteration>,
}

impl Distilled {
    /// The table of the last round.
    #[must_use]
    pub fn last(&self) -> Option<&DaggerIteration> {
        self.iterations.last()
    }
}

/// Distils `teacher`. `make_world(episode)` gives a world in which that episode can be started.
///
/// # Errors
/// [`TableFault`] when the grid makes no table.
pub fn distil<W, P>(
    make_world: impl Fn(u64) -> W + Sync,
    make_teacher: impl Fn() -> P + Sync,
    fallback: &mut dyn Policy,
    weigh: impl Fn(&Visit) -> f64,
    settings: &DistilSettings,
) -> Result<Distilled, TableFault>
where
    W: World<Observation = Features>,
    P: Policy,
{
    let mut samples: Vec<Sample> = Vec::new();
    let mut iterations: Vec<DaggerIteration> = Vec::new();
    for number in 0..=u64::from(settings.iterations) {
        let driver = iterations.last().map(|iteration| &iteration.table);
        let decide = |features: &Features| driver.map(|table| table.decide(features));
        let first = settings.first_episode + number * settings.episodes;
        let episodes: Vec<(Vec<Visit>, u64)> = (first..first + settings.episodes)
            .into_par_iter()
            .map(|episode| drive(&mut make_world(episode), episode, &mut make_teacher(), &decide))
            .collect();
        let (mut total, mut agreed, mut single_choice, before) = (0.0, 0.0, 0, samples.len());
        for (visits, without_choice) in &episodes {
            single_choice += without_choice;
            for visit in visits {
                let weight = weigh(visit).max(0.0);
                total += weight;
                agreed += if visit.done == visit.wanted { weight } else { 0.0 };
                samples.push(Sample { features: visit.features, request: visit.wanted, weight });
            }
        }
        let axes = match &settings.grid {
            Grid::Fixed(axes) => axes.clone(),
            Grid::Chosen(budget) => choose_edges(&samples, budget).axes,
        };
        let vote_counts = VoteCounts::count(axes, &samples, settings.few_visits);
        let requests = vote_counts.requests(fallback, settings);
        iterations.push(DaggerIteration {
            table: LookupTable::from_requests(
                vote_counts.axes.clone(),
                &requests,
                settings.provenance.clone(),
            )?,
            decisions: (samples.len() - before) as u64,
            single_choice,
            agreement: if total > 0.0 { agreed / total } else { 1.0 },
            training_error: vote_counts.error(),
            unvisited: vote_counts.unvisited(),
            low_support: vote_counts.low_support,
            visits: vote_counts.visits,
        });
    }
    Ok(Distilled { iterations })
}

/// The states of one episode under `policy` in which the guard left a choice, and what it decided there.
pub fn visits<W: World<Observation = Features>>(
    world: &mut W,
    episode: u64,
    policy: &mut dyn Policy,
) -> Vec<Visit> {
    drive(world, episode, policy, &|_| None).0
}

/// Runs one episode under the teacher, or under `driver`, where it decides, with the teacher looking on. Returns the
/// visits and the number of decisions without a choice.
pub(crate) fn drive<W: World<Observation = Features>>(
    world: &mut W,
    episode: u64,
    teacher: &mut dyn Policy,
    driver: &dyn Fn(&Features) -> Option<Request>,
) -> (Vec<Visit>, u64) {
    world.reset(episode);
    teacher.reset();
    let (mut visits, mut single_choice) = (Vec::new(), 0);
    let decide = |world: &W| {
        let features = *world.observation();
        let mask = world.mask();
        let possible = |request: Request| if mask.allows(request as usize) { request } else { Request::Hold };
        let wanted = possible(teacher.decide(&features, mask));
        let done = driver(&features).map_or(wanted, possible);
        Visit { features, mask, wanted, done, elapsed_s: 0.0 }
    };
    let keep = |_: &W, visit: Visit, step: &Step| {
        if visit.mask.allows(Request::Down as usize) || visit.mask.allows(Request::Up as usize) {
            visits.push(Visit { elapsed_s: step.elapsed_s, ..visit });
        } else {
            single_choice += 1;
        }
    };
    run_episode(world, decide, keep);
    (visits, single_choice)
}

/// The votes of every cell.
struct VoteCounts {
    axes: Vec<TableAxis>,
    votes: Vec<[f64; 3]>,
    visits: Vec<u32>,
    low_support: u64,
}

impl VoteCounts {
    fn count(axes: Vec<TableAxis>, samples: &[Sample], few_visits: u32) -> VoteCounts {
        let cells = axes.iter().map(TableAxis::bins).product();
        let mut vote_counts =
            VoteCounts { axes, votes: vec![[0.0; 3]; cells], visits: vec![0; cells], low_support: 0 };
        for sample in samples {
            let cell = vote_counts.axes.iter().fold(0, |cell, axis| {
                cell * axis.bins() + axis.view().bin(sample.features.get(axis.feature))
            });
            vote_counts.votes[cell][sample.request as usize] += sample.weight;
            vote_counts.visits[cell] = vote_counts.visits[cell].saturating_add(1);
        }
        vote_counts.low_support =
            vote_counts.visits.iter().filter(|&&n| n > 0 && n < few_visits).count() as u64;
        vote_counts
    }

    fn unvisited(&self) -> u64 {
        self.visits.iter().filter(|&&n| n == 0).count() as u64
    }

    fn error(&self) -> f64 {
        let total: f64 = self.votes.iter().flatten().sum();
        let kept: f64 = self.votes.iter().map(|votes| votes[majority(votes) as usize]).sum();
        if total > 0.0 { 1.0 - kept / total } else { 0.0 }
    }

    fn requests(&self, fallback: &mut dyn Policy, settings: &DistilSettings) -> Vec<Request> {
        let mut bins = vec![0; self.axes.len()];
        let mut requests = Vec::with_capacity(self.votes.len());
        for (votes, &visits) in self.votes.iter().zip(&self.visits) {
            requests.push(if visits > 0 {
                majority(votes)
            } else {
                ask(fallback, &representative(&self.axes, &bins, &settings.neutral), settings)
            });
            for (bin, axis) in bins.iter_mut().zip(&self.axes).rev() {
                *bin = (*bin + 1) % axis.bins();
                if *bin > 0 {
                    break;
                }
            }
        }
        requests
    }
}

/// The request with most votes; a tie holds.
fn majority(votes: &[f64; 3]) -> Request {
    let mut best = Request::Hold;
    for request in [Request::Down, Request::Up] {
        if votes[request as usize] > votes[best as usize] {
            best = request;
        }
    }
    best
}

/// What the fallback decides after seeing the same features for a while.
fn ask(fallback: &mut dyn Policy, features: &Features, settings: &DistilSettings) -> Request {
    let gear = features.get(Feature::Gear);
    let mask = Mask::from([gear > 0, true, gear + 1 < i16::from(settings.gears)]);
    fallback.reset();
    (0..settings.patience.max(1))
        .map(|_| fallback.decide(features, mask))
        .find(|&request| request != Request::Hold && mask.allows(request as usize))
        .unwrap_or(Request::Hold)
}

/// Features of a vehicle that drives at half its no-load speed on the flat, nominal battery, all clocks long
/// past.
#[must_use]
pub fn neutral_features() -> Features {
    let mut features = Features([0; FEATURES]);
    for (feature, value) in [
        (Feature::MotorSpeed, 500),
        (Feature::SpeedRatio, 500),
        (Feature::LoadSlow, 500),
        (Feature::LoadPeak, 500),
        (Feature::Battery, 1000),
        (Feature::Dwell, 1000),
        (Feature::SinceFailed, 1000),
        (Feature::StrikeMm, 1000),
    ] {
        features.0[feature as usize] = value;
    }
    features
}

/// A point inside a cell: the middle of every bin, half a neighbour's width into open ones. Of the pairs
/// motor speed and speed ratio, slow and peak load, one that is on no axis takes the value of the other.
#[must_use]
pub fn representative(axes: &[TableAxis], bins: &[usize], neutral: &Features) -> Features {
    let mut features = *neutral;
    for (axis, &bin) in axes.iter().zip(bins) {
        features.0[axis.feature as usize] = middle(axis, bin);
    }
    let on_axis = |feature| axes.iter().any(|axis| axis.feature == feature);
    for (a, b) in [(Feature::MotorSpeed, Feature::SpeedRatio), (Feature::LoadSlow, Feature::LoadPeak)] {
        for (from, to) in [(a, b), (b, a)] {
            if on_axis(from) && !on_axis(to) {
                features.0[to as usize] = features.get(from);
            }
        }
    }
    features
}

fn middle(axis: &TableAxis, bin: usize) -> i16 {
    let edge = |i: usize| axis.edges.get(i).map(|&edge| i32::from(edge));
    let (low, high) = (bin.checked_sub(1).and_then(edge), edge(bin));
    let value = match (low, high) {
        (Some(low), Some(high)) => low + (high - low) / 2,
        (None, Some(high)) => high - half_width(edge(1).map(|next| next - high), high),
        (Some(low), None) => {
            low + half_width(bin.checked_sub(2).and_then(edge).map(|previous| low - previous), low) - 1
        }
        (None, None) => 0,
    };
    let lowest = match axis.feature {
        Feature::Tilt | Feature::Current => -30_000,
        _ => 0,
    };
    // Below the first edge of a feature without negative values lies only what is left above zero.
    value.max(lowest.min(high.map_or(lowest, |high| high - 1))).min(30_000) as i16
}

fn half_width(neighbour: Option<i32>, edge: i32) -> i32 {
    (neighbour.unwrap_or(edge.abs() / 2) / 2).max(1)
}

#[cfg(test)]
mod tests;
