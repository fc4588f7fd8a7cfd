//! One world of a batch, and its rows in the arrays.

use crate::encode::Observation;
use lowgear_env::{Cause, Drive, End, Outcome, RewardTerms, Scenario, World};
use std::sync::Arc;

/// What happens to a world whose episode is over (Gymnasium's `AutoresetMode`).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Autoreset {
    /// Nothing: it waits for a reset.
    Disabled,
    /// The next step begins the next episode; its action does not count.
    NextStep,
    /// The next episode begins at once; the last observation is kept aside.
    SameStep,
}

/// Terms of the reward in a row, in the order of [`RewardTerms`].
pub(crate) const TERMS: usize = 7;
/// Numbers of the vehicle's state in a row: time, position, speed, return so far.
pub(crate) const STATES: usize = 4;
/// Requests.
pub(crate) const ACTIONS: usize = 3;

/// The rows of one world.
pub(crate) struct Rows<'a> {
    pub(crate) seen: &'a mut [f32],
    pub(crate) last_seen: &'a mut [f32],
    pub(crate) terms: &'a mut [f64],
    pub(crate) state: &'a mut [f64],
    pub(crate) allowed: &'a mut [bool],
    pub(crate) reward: &'a mut f64,
    pub(crate) elapsed_s: &'a mut f64,
    pub(crate) terminated: &'a mut bool,
    pub(crate) truncated: &'a mut bool,
}

/// A world.
#[derive(Clone, Debug)]
pub(crate) struct EnvSlot {
    drive: Drive,
    episode: u64,
    /// From one episode to the next.
    stride: u64,
    reported: RewardTerms,
    over: bool,
    ended: Option<Outcome>,
}

impl EnvSlot {
    pub(crate) fn new(scenario: &Arc<Scenario>, episode: u64, stride: u64) -> EnvSlot {
        let drive = Drive::new(Arc::clone(scenario), episode);
        EnvSlot { reported: drive.reward(), drive, episode, stride, over: false, ended: None }
    }

    pub(crate) fn drive(&self) -> &Drive {
        &self.drive
    }

    pub(crate) fn episode(&self) -> u64 {
        self.episode
    }

    /// Number of the episode after this one.
    pub(crate) fn next_episode(&self) -> u64 {
        self.episode.wrapping_add(self.stride)
    }

    pub(crate) fn is_over(&self) -> bool {
        self.over
    }

    /// Figures of the last episode that ended.
    pub(crate) fn ended(&self) -> Option<&Outcome> {
        self.ended.as_ref()
    }

    /// Writes the rows of an episode that begins.
    pub(crate) fn show_start(&self, observation: Observation, rows: &mut Rows<'_>) {
        self.show(observation, rows);
        rows.terms.fill(0.0);
        (*rows.reward, *rows.elapsed_s) = (0.0, 0.0);
        (*rows.terminated, *rows.truncated) = (false, false);
    }

    /// Takes an action, and the next episode when it is time for it.
    pub(crate) fn step(
        &mut self,
        action: usize,
        autoreset: Autoreset,
        observation: Observation,
        rows: &mut Rows<'_>,
    ) {
        if self.over {
            self.begin_next();
            return self.show_start(observation, rows);
        }
        let step = self.drive.step(action);
        let now = self.drive.reward();
        let ended_early = step.end == Some(End::Terminated);
        self.ended = step.end.map(|_| self.drive.outcome()).or(self.ended);
        let abort_s = match &self.ended {
            Some(outcome) if ended_early && outcome.cause != Cause::Finished => outcome.reward.abort_s,
            _ => 0.0,
        };
        write_terms(&self.reported, &now, abort_s, rows.terms);
        self.reported = now;
        (*rows.reward, *rows.elapsed_s) = (step.reward, step.elapsed_s);
        (*rows.terminated, *rows.truncated) = (ended_early, step.end == Some(End::Truncated));
        self.over = step.end.is_some();
        self.show(observation, rows);
        if self.over && autoreset == Autoreset::SameStep {
            rows.last_seen.copy_from_slice(rows.seen);
            self.begin_next();
            // The state stays that of the end, as reward and its terms do.
            observation.write(self.drive.observation(), rows.seen);
            rows.allowed.copy_from_slice(&self.drive.mask().to_array::<3>());
        }
    }

    fn begin_next(&mut self) {
        self.episode = self.next_episode();
        self.drive.reset(self.episode);
        self.reported = self.drive.reward();
        self.over = false;
    }

    fn show(&self, observation: Observation, rows: &mut Rows<'_>) {
        let drive = &self.drive;
        observation.write(drive.observation(), rows.seen);
        rows.allowed.copy_from_slice(&drive.mask().to_array::<3>());
        let (position_m, speed_m_s) = drive.position_and_speed();
        rows.state.copy_from_slice(&[drive.elapsed_s(), position_m, speed_m_s, self.reported.total_s()]);
    }
}

/// What each term grew by.
fn write_terms(before: &RewardTerms, now: &RewardTerms, abort_s: f64, row: &mut [f64]) {
    row.copy_from_slice(&[
        now.progress_s - before.progress_s,
        now.time_s - before.time_s,
        now.energy_s - before.energy_s,
        now.stress_s - before.stress_s,
        now.shift_s - before.shift_s,
        now.stall_s - before.stall_s,
        abort_s,
    ]);
}
