//! What a vehicle gains that learns its way by itself, by the number of the lap and by the place on it.

use super::statistics::Estimate;

/// Some laps of every way, against the policy alone on the same laps.
#[derive(Clone, Debug, PartialEq)]
pub struct TimeRow {
    /// Name.
    pub name: String,
    /// Mean course time, s.
    pub time_s: f64,
    /// Time against the policy alone, %; below zero is faster.
    pub difference_percent: Estimate,
    /// Damage against the policy alone, %.
    pub damage_percent: f64,
    /// Laps that were finished.
    pub finished: u64,
}

/// Laps with a memory of the way.
#[derive(Clone, Debug, PartialEq)]
pub struct LapRow {
    /// Time and damage.
    pub time: TimeRow,
    /// Needless advice of a lap less advice that paid, at its end, in the mean.
    pub needless: f64,
    /// Laps at whose end the memory was silent, %.
    pub silent_percent: f64,
}

/// Where on one way the time is won.
#[derive(Clone, Debug, PartialEq)]
pub struct WayGain {
    /// Number of the way, from 0.
    pub way: u64,
    /// Mean of the laps after those of learning, against the policy alone: time won on each piece of [`PIECE_M`], s.
    pub won_s: Vec<f64>,
    /// Cells that are marked after the last lap, m from the start of the lap: where the vehicle has stalled.
    pub marked_m: Vec<f64>,
    /// Obstacles on the first lap, m.
    pub obstacles_m: Vec<f64>,
}

impl WayGain {
    /// Time won on a lap, s.
    #[must_use]
    pub fn total_s(&self) -> f64 {
        self.won_s.iter().sum()
    }
}

/// Length of a piece of the way, m.
pub const PIECE_M: f64 = 0.25;
/// A piece lies at a mark from so far before it until so far behind it, m: as far as the vehicle looks ahead and the error of its
/// position, and until it has its speed again.
pub const NEAR_MARK_M: (f64, f64) = (0.7, 1.0);

/// What memories that vehicles have learned by themselves are worth.
#[derive(Clone, Debug, PartialEq)]
pub struct LapWorth {
    /// Name of the vehicle.
    pub vehicle: String,
    /// Kind of course.
    pub course: String,
    /// Name of the policy.
    pub policy: String,
    /// Number of ways.
    pub ways: u64,
    /// Laps of learning before the gain is judged.
    pub learning_laps: usize,
    /// Laps of a way.
    pub laps: usize,
    /// Level of confidence.
    pub level: f64,
    /// All laps after those of learning.
    pub learned: LapRow,
    /// Each lap.
    pub by_lap: Vec<LapRow>,
    /// The laps after those of learning with what was learned elsewhere, or before the ground changed.
    pub changed: Vec<LapRow>,
    /// Mean and standard deviation of what the counted way is longer than the driven one at the end of a lap, m.
    pub position_error_m: (f64, f64),
    /// Of a lap after those of learning: time won near places where the vehicle has stalled, and elsewhere, s.
    pub won_near_and_elsewhere_s: (f64, f64),
    /// The ways with the largest gain, the median and the smallest.
    pub examples: Vec<WayGain>,
}

impl LapWorth {
    /// The table and what it rests on.
    #[must_use]
    pub fn text(&self) -> String {
        let lines = [&self.learned].into_iter().chain(&self.by_lap).chain(&self.changed);
        let lines: String = lines
            .map(|row| format!("{}{:9.2} {:4.0} %\n", row.time.text(), row.needless, row.silent_percent))
            .collect();
        let (mean_m, sd_m) = self.position_error_m;
        let (near_s, elsewhere_s) = self.won_near_and_elsewhere_s;
        format!(
            "{lines}\nAgainst the policy on the same laps. Needless: advice of a lap that was needless, less what\n\
             paid; silent: laps on which the policy then drove alone. The way is counted from the start:\n\
             at the end of a lap by {mean_m:+.2} m (sd {sd_m:.2} m) too far. Won on a lap: {near_s:.2} s near places\n\
             where the vehicle has stalled, {elsewhere_s:.2} s elsewhere.\n"
        )
    }
}

impl TimeRow {
    /// One line of a table, without its end.
    #[must_use]
    pub fn text(&self) -> String {
        let difference = &self.difference_percent;
        format!(
            "{:<27} {:6.1} s  {:+5.1} % ({:+5.1} to {:+5.1}) {:+5.0} % {:>6}",
            self.name,
            self.time_s,
            difference.mean,
            difference.low,
            difference.high,
            self.damage_percent,
            self.finished
        )
    }
}
