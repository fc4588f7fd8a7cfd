//! What counts as a standstill, a stall, a reversal and hunting: one definition for the simulator, the report and the
//! replay of logs.
//!
//! The limits are common practice; no source gives them. Times are sums of ticks, so a limit is met up to
//! `ROUNDING_S`.

use lowgear_onboard::Request;

/// A vehicle slower than this stands still, m/s. Common practice: far above what rounding leaves of a stop, far below
/// what a pulse counter resolves.
pub const STANDSTILL_M_S: f64 = 1e-3;
/// Standing under drive for less than this is no stall, s. Common practice: the direction of travel changes and
/// the vehicle breaks away within this time.
pub const SHORTEST_STALL_S: f64 = 0.1;
/// An upshift and a downshift (or the reverse) within this time are a reversal, s. Common practice: the ground seldom
/// asks for both so soon, and a shift by itself takes less.
pub const REVERSAL_S: f64 = 3.0;
/// An upshift, a downshift and an upshift within this time are hunting, s: two reversals at their longest.
pub const HUNTING_S: f64 = 2.0 * REVERSAL_S;
/// Rounding of a time that is a sum of ticks is below this, s.
const ROUNDING_S: f64 = 1e-6;

/// Whether a vehicle of this speed stands still.
#[inline]
#[must_use]
pub fn stands_still(speed_m_s: f64) -> bool {
    speed_m_s.abs() < STANDSTILL_M_S
}

/// What an episode has had of each event so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct EventCounts {
    /// Stalls that have lasted [`SHORTEST_STALL_S`].
    pub stalls: u32,
    /// Reversals.
    pub reversals: u32,
    /// Times that hunting was seen.
    pub hunts: u32,
}

/// What a shift closes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ShiftPattern {
    /// A reversal.
    pub reversal: bool,
    /// An upshift, a downshift and an upshift: hunting.
    pub hunting: bool,
}

/// Finds reversals and hunting in a sequence of shifts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ShiftDetector {
    /// The shift before the last, and the last: time, s, and direction.
    shifts: [Option<(f64, Request)>; 2],
}

impl ShiftDetector {
    /// Takes a shift that begins at `time_s`; [`Request::Hold`] is none.
    pub fn shift(&mut self, time_s: f64, request: Request) -> ShiftPattern {
        if request == Request::Hold {
            return ShiftPattern::default();
        }
        let [before, last] = self.shifts;
        self.shifts = [last, Some((time_s, request))];
        let since = |shift: Option<(f64, Request)>, wanted: Request, limit_s: f64| {
            shift.is_some_and(|(at_s, was)| was == wanted && time_s - at_s <= limit_s + ROUNDING_S)
        };
        let opposite = if request == Request::Up { Request::Down } else { Request::Up };
        ShiftPattern {
            reversal: since(last, opposite, REVERSAL_S),
            hunting: request == Request::Up
                && since(last, Request::Down, HUNTING_S)
                && since(before, Request::Up, HUNTING_S),
        }
    }
}

/// Finds stalls in what happens tick by tick. A stall ends when the vehicle moves: the rests that the guard gives the
/// motor belong to it, their time does not count.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StallDetector {
    stood_ticks: u32,
}

impl StallDetector {
    /// Takes a tick: the speed at its end and whether the motor was driven. Returns whether this tick makes a
    /// standstill a stall.
    #[inline]
    pub fn tick(&mut self, speed_m_s: f64, driven: bool, tick_s: f64) -> bool {
        if !stands_still(speed_m_s) {
            self.stood_ticks = 0;
            return false;
        }
        let before = self.is_stall(tick_s);
        self.stood_ticks += u32::from(driven);
        !before && self.is_stall(tick_s)
    }

    /// Ticks under drive in the present standstill.
    #[must_use]
    pub const fn stood_ticks(&self) -> u32 {
        self.stood_ticks
    }

    /// Whether the present standstill is a stall.
    #[must_use]
    pub fn is_stall(&self, tick_s: f64) -> bool {
        f64::from(self.stood_ticks) * tick_s >= SHORTEST_STALL_S - ROUNDING_S
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const UP: Request = Request::Up;
    const DOWN: Request = Request::Down;

    fn patterns(shifts: &[(f64, Request)]) -> (Vec<bool>, Vec<bool>) {
        let mut detector = ShiftDetector::default();
        let found = shifts.iter().map(|&(at_s, request)| detector.shift(at_s, request));
        found.map(|pattern| (pattern.reversal, pattern.hunting)).unzip()
    }

    #[test]
    fn a_reversal_is_a_shift_back_within_its_time() {
        assert_eq!(patterns(&[(0.0, UP), (3.0, DOWN), (5.9, UP)]).0, [false, true, true]);
        assert_eq!(patterns(&[(0.0, DOWN), (3.1, UP), (3.2, UP)]).0, [false, false, false]);
        let ticks = |n: u32| f64::from(n) * 0.05;
        for first in 0..1000 {
            assert_eq!(
                patterns(&[(ticks(first), UP), (ticks(first + 60), DOWN)]).0,
                [false, true],
                "{first}"
            );
            assert_eq!(
                patterns(&[(ticks(first), UP), (ticks(first + 61), DOWN)]).0,
                [false, false],
                "{first}"
            );
        }
    }

    #[test]
    fn hunting_is_up_down_and_up_within_its_time() {
        let hunts = |shifts: &[(f64, Request)]| patterns(shifts).1;
        assert_eq!(hunts(&[(0.0, UP), (2.0, DOWN), (6.0, UP)]), [false, false, true]);
        assert_eq!(hunts(&[(0.0, UP), (2.0, DOWN), (6.1, UP)]), [false, false, false]);
        assert_eq!(hunts(&[(0.0, DOWN), (1.0, UP), (2.0, DOWN)]), [false; 3]);
        assert_eq!(hunts(&[(0.0, DOWN), (1.0, DOWN), (2.0, UP)]), [false; 3]);
        assert_eq!(hunts(&[(0.0, UP), (1.0, UP), (2.0, DOWN), (3.0, DOWN), (4.0, UP)]), [false; 5]);
        let twice = [(0.0, UP), (1.0, DOWN), (2.0, UP), (2.5, Request::Hold), (3.0, DOWN), (4.0, UP)];
        assert_eq!(hunts(&twice), [false, false, true, false, false, true]);
    }

    #[test]
    fn a_stall_lasts_until_the_vehicle_moves_and_counts_driven_ticks_alone() {
        let mut detector = StallDetector::default();
        let mut tick = |speed_m_s, driven| (detector.tick(speed_m_s, driven, 0.05), detector.stood_ticks());
        assert_eq!(tick(0.0, true), (false, 1), "too short");
        assert_eq!(tick(0.1, true), (false, 0), "moves");
        assert_eq!(tick(0.0009, true), (false, 1));
        assert_eq!(tick(-0.0009, true), (true, 2), "long enough");
        assert_eq!(tick(0.0, false), (false, 2), "the motor rests");
        assert_eq!(tick(0.0, true), (false, 3), "the same stall");
        assert_eq!(tick(0.001, true), (false, 0), "at the limit it moves");
        assert_eq!(tick(0.0, true), (false, 1));
        assert_eq!(tick(0.0, true), (true, 2), "the next one");
    }
}
