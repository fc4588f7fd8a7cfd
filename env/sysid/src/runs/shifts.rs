//! Gear changes in a log: how long the selector took for which way.

use crate::log::Sample;

/// One move of the selector.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Move {
    /// Line of the row in which it arrived.
    pub line: u64,
    /// Gear left and gear reached, 0 is the lowest.
    pub gears: (usize, usize),
    /// Way of the drum, degrees.
    pub angle_deg: f64,
    /// Time, s, corrected by half a row for the arrival that falls between two rows.
    pub time_s: f64,
    /// Uncertainty of the time by the rows' distance, s.
    pub error_s: f64,
    /// Whether the selector angle or only the gear column said.
    pub seen: bool,
}

/// Watches for moves. The selector has left when its angle is out of the window of a gear, and arrived when it is in
/// that of another; with a gear column only, between them stands neutral.
#[derive(Clone, Debug)]
pub struct ShiftWatch {
    angles_deg: Vec<f64>,
    window_deg: f64,
    in_gear: Option<(usize, f64)>,
    left: Option<(usize, f64)>,
}

/// Moves longer than this are no shifts, s.
const LONGEST_S: f64 = 10.0;

impl ShiftWatch {
    /// For gears at these angles, degrees.
    #[must_use]
    pub const fn new(angles_deg: Vec<f64>, window_deg: f64) -> ShiftWatch {
        ShiftWatch { angles_deg, window_deg, in_gear: None, left: None }
    }

    /// The gear in a row, 0 is the lowest; `None` in neutral or when the row does not tell.
    #[must_use]
    pub fn gear_of(&self, sample: &Sample) -> Option<usize> {
        if let Some(angle_deg) = sample.selector_deg {
            return self.angles_deg.iter().position(|a| (a - angle_deg).abs() <= self.window_deg);
        }
        match sample.gear {
            Some(gear) if gear >= 1 && usize::from(gear) <= self.angles_deg.len() => {
                Some(usize::from(gear) - 1)
            }
            _ => None,
        }
    }

    /// Takes a row; returns a move that ends with it.
    pub fn take(&mut self, sample: &Sample) -> Option<Move> {
        if sample.after_break {
            (self.in_gear, self.left) = (None, None);
        }
        let gear = self.gear_of(sample);
        let Some(now) = gear else {
            if let Some(left) = self.in_gear.take() {
                self.left = Some(left);
            }
            return None;
        };
        // A jump from one row to the next was not seen: the log was paused, or is written only every now and then.
        let from = self.left.take();
        self.in_gear = Some((now, sample.time_s));
        let (gear, left_s) = from?;
        let took_s = sample.time_s - left_s - 0.5 * sample.dt_s;
        let sane = took_s > 0.0 && took_s < LONGEST_S && gear != now;
        sane.then(|| Move {
            line: sample.line,
            gears: (gear, now),
            angle_deg: (self.angles_deg[now] - self.angles_deg[gear]).abs(),
            time_s: took_s,
            error_s: sample.dt_s / 12.0_f64.sqrt(),
            seen: sample.selector_deg.is_some(),
        })
    }
}
