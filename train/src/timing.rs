//! Where the time of a job goes: `timing.csv` in its folder, the one file of a finished run that is not the
//! same from run to run.
//!
//! Each row is the stretch since the row before. The learners know no clock, so what they call is timed: the
//! world, the guide and, for searches, the driving of candidates as a whole.

use crate::store::StoreError;
use lowgear_agents::policy::{Guide, Mask};
use lowgear_env::{Step, World};
use std::cell::Cell;
use std::fmt::Write as _;
use std::fs::OpenOptions;
use std::io::Write as _;
use std::path::Path;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// What a job is busy with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// The world moves; in a search with the candidate's decisions, which take next to nothing.
    Environment,
    /// A policy decides, the guide included.
    Acting,
    /// Something is learned.
    Learning,
    /// Policies are driven over validation courses.
    Validation,
    /// Checkpoints are written.
    Checkpointing,
}

const STAGES: usize = 5;
const HEADER: &str = "steps,training_ticks,elapsed_s,steps_per_s,ticks_per_s,environment_share,acting_share,\
     learning_share,validation_share,checkpoint_share\n";

/// Adds up how long each stage takes.
#[derive(Debug)]
pub struct Stopwatch {
    stage: Cell<Stage>,
    since: Cell<Instant>,
    spent: Cell<[Duration; STAGES]>,
    /// Steps and ticks at the end of the row before.
    done: Cell<Option<(u64, u64)>>,
}

impl Stopwatch {
    /// A stopwatch that runs.
    #[must_use]
    pub fn start() -> Rc<Stopwatch> {
        Rc::new(Stopwatch {
            stage: Cell::new(Stage::Learning),
            since: Cell::new(Instant::now()),
            spent: Cell::default(),
            done: Cell::default(),
        })
    }

    /// From now on the time is that of `stage`.
    pub fn enter(&self, stage: Stage) {
        let now = Instant::now();
        let mut spent = self.spent.get();
        spent[self.stage.replace(stage) as usize] += now - self.since.replace(now);
        self.spent.set(spent);
    }

    /// Some of the time since was spent on `stage` instead.
    fn shift(&self, stage: Stage, time: Duration) {
        self.enter(self.stage.get());
        let mut spent = self.spent.get();
        let from = &mut spent[self.stage.get() as usize];
        let time = time.min(*from);
        *from -= time;
        spent[stage as usize] += time;
        self.spent.set(spent);
    }

    /// Training goes on from here, in this process.
    pub fn begin(&self, steps: u64, ticks: u64) {
        self.done.set(Some((steps, ticks)));
    }

    /// Writes the row of the stretch that ends here.
    ///
    /// # Errors
    /// [`StoreError::Io`].
    pub fn row(&self, file: &Path, steps: u64, ticks: u64) -> Result<(), StoreError> {
        self.enter(self.stage.get());
        let spent = self.spent.take().map(|duration| duration.as_secs_f64());
        let (steps_before, ticks_before) = self.done.replace(Some((steps, ticks))).unwrap_or((0, 0));
        let elapsed_s: f64 = spent.iter().sum::<f64>().max(1e-9);
        let pace = |now: u64, before: u64| now.saturating_sub(before) as f64 / elapsed_s;
        let mut row = if file.exists() { String::new() } else { HEADER.to_owned() };
        let (steps_per_s, ticks_per_s) = (pace(steps, steps_before), pace(ticks, ticks_before));
        // Writing to a String cannot fail.
        let _ = write!(row, "{steps},{ticks},{elapsed_s:.6},{steps_per_s:.1},{ticks_per_s:.0}");
        for s in spent {
            let _ = write!(row, ",{:.4}", s / elapsed_s);
        }
        row.push('\n');
        let opened = OpenOptions::new().create(true).append(true).open(file);
        opened.and_then(|mut out| out.write_all(row.as_bytes())).map_err(StoreError::io(file))
    }
}

/// Adds up, over several threads, what the worlds and guides of one learner take.
/// What a network takes to decide for all worlds at once is not among it and stays with learning.
#[derive(Clone, Debug, Default)]
pub struct Laps {
    environment_ns: Arc<AtomicU64>,
    acting_ns: Arc<AtomicU64>,
}

impl Laps {
    /// Hands the time so far to a stopwatch, as if the threads had taken it in turn.
    pub fn hand_over(&self, stopwatch: &Stopwatch, threads: u64) {
        for (ns, stage) in [(&self.environment_ns, Stage::Environment), (&self.acting_ns, Stage::Acting)] {
            stopwatch.shift(stage, Duration::from_nanos(ns.swap(0, Ordering::Relaxed) / threads.max(1)));
        }
    }
}

/// A world or a guide that is timed, on whichever thread it is.
#[derive(Clone, Debug)]
pub struct Lapped<T> {
    /// What is timed.
    pub of: T,
    laps: Laps,
}

impl<T> Lapped<T> {
    /// Times `of`.
    pub fn new(of: T, laps: &Laps) -> Lapped<T> {
        Lapped { of, laps: laps.clone() }
    }
}

fn timed<R>(ns: &AtomicU64, work: impl FnOnce() -> R) -> R {
    let start = Instant::now();
    let result = work();
    ns.fetch_add(start.elapsed().as_nanos() as u64, Ordering::Relaxed);
    result
}

impl<W: World> World for Lapped<W> {
    type Observation = W::Observation;

    fn actions(&self) -> usize {
        self.of.actions()
    }

    fn reset(&mut self, episode: u64) {
        timed(&self.laps.environment_ns, || self.of.reset(episode));
    }

    fn observation(&self) -> &W::Observation {
        self.of.observation()
    }

    fn allowed(&self, action: usize) -> bool {
        self.of.allowed(action)
    }

    fn mask(&self) -> Mask {
        self.of.mask()
    }

    fn privileged(&self, out: &mut Vec<f32>) {
        self.of.privileged(out);
    }

    fn step(&mut self, action: usize) -> Step {
        timed(&self.laps.environment_ns, || self.of.step(action))
    }
}

impl<O, G: Guide<O>> Guide<O> for Lapped<G> {
    fn reset(&mut self) {
        self.of.reset();
    }

    fn advise(&mut self, observation: &O) -> Option<usize> {
        timed(&self.laps.acting_ns, || self.of.advise(observation))
    }

    fn advise_within(&mut self, observation: &O, mask: Mask) -> Option<usize> {
        timed(&self.laps.acting_ns, || self.of.advise_within(observation, mask))
    }
}

/// A world or a guide that is timed.
#[derive(Clone, Debug)]
pub struct Timed<T> {
    /// What is timed.
    pub of: T,
    stopwatch: Rc<Stopwatch>,
    /// What comes once it is done.
    then: Stage,
}

impl<T> Timed<T> {
    /// Times `of`; whatever follows it is the stage `then`.
    pub fn new(of: T, stopwatch: &Rc<Stopwatch>, then: Stage) -> Timed<T> {
        Timed { of, stopwatch: Rc::clone(stopwatch), then }
    }

    fn during<R>(&mut self, stage: Stage, work: impl FnOnce(&mut T) -> R) -> R {
        self.stopwatch.enter(stage);
        let result = work(&mut self.of);
        self.stopwatch.enter(self.then);
        result
    }
}

impl<W: World> World for Timed<W> {
    type Observation = W::Observation;

    fn actions(&self) -> usize {
        self.of.actions()
    }

    fn reset(&mut self, episode: u64) {
        self.during(Stage::Environment, |world| world.reset(episode));
    }

    fn observation(&self) -> &W::Observation {
        self.of.observation()
    }

    fn allowed(&self, action: usize) -> bool {
        self.of.allowed(action)
    }

    fn mask(&self) -> Mask {
        self.of.mask()
    }

    fn step(&mut self, action: usize) -> Step {
        self.during(Stage::Environment, |world| world.step(action))
    }
}

impl<O, G: Guide<O>> Guide<O> for Timed<G> {
    fn reset(&mut self) {
        self.of.reset();
    }

    fn advise(&mut self, observation: &O) -> Option<usize> {
        self.stopwatch.enter(Stage::Acting);
        self.of.advise(observation)
    }

    fn advise_within(&mut self, observation: &O, mask: Mask) -> Option<usize> {
        self.stopwatch.enter(Stage::Acting);
        self.of.advise_within(observation, mask)
    }
}
