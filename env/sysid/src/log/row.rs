//! One row of a log, and what was met on the way through it.

use super::columns::{Columns, Quantity};
use super::number::bare;
use csv::ByteRecord;
use lowgear_env::config::escaped;
use lowgear_env::{phase_name, request_name};
use lowgear_onboard::{Phase, Request};

/// One row, in SI units (degrees for angles).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sample {
    /// Line in the file, from 1.
    pub line: u64,
    /// Time, s.
    pub time_s: f64,
    /// Time since the row before, s; 0 after a break.
    pub dt_s: f64,
    /// Whether what came before does not belong together with this row: the first row, a gap, a clock that
    /// restarted.
    pub after_break: bool,
    /// Motor speed, rad/s.
    pub motor_rad_s: f64,
    /// Duty that held since the row before, 0 to 1.
    pub duty: f64,
    /// Battery voltage, V.
    pub battery_v: Option<f64>,
    /// Motor current, A.
    pub current_a: Option<f64>,
    /// Tilt, degrees.
    pub tilt_deg: Option<f64>,
    /// Gear, 1 is the lowest, 0 is neutral.
    pub gear: Option<u8>,
    /// Selector angle, degrees.
    pub selector_deg: Option<f64>,
    /// Distance, m.
    pub distance_m: Option<f64>,
    /// Number of the lap of a trial, 0 outside of laps.
    pub lap: Option<u16>,
    /// Which of two policies drives, 0 or 1.
    pub policy: Option<u8>,
    /// Whether the selector is sent again after the dogs missed.
    pub nudge: Option<bool>,
    /// Whether the monitor had gone back to the rule.
    pub fallback: Option<bool>,
    /// Reading of a preview sensor.
    pub preview: Option<i16>,
    /// What a recorded controller did in this tick.
    pub recorded: Option<RecordedOrder>,
}

/// What a recorded controller did in a tick, after its reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RecordedOrder {
    /// What the policy asked for; hold where it was not asked.
    pub request: Request,
    /// The gear that was ordered, 0 is the lowest.
    pub gear: u8,
    /// Whether Park was engaged.
    pub parked: bool,
}

impl RecordedOrder {
    /// From a row of a log, gear 1 being the lowest; `None` for a log that another program wrote.
    pub(super) fn read(columns: &Columns, row: &ByteRecord, ordered_gear: u8) -> Option<RecordedOrder> {
        let word = |quantity| bare(columns.get(quantity).and_then(|c| row.get(c.at)).unwrap_or_default());
        let request = word(Quantity::Request);
        let request = Request::ALL.into_iter().find(|r| request_name(*r).as_bytes() == request)?;
        let parked = word(Quantity::Phase) == phase_name(Phase::Parked).as_bytes();
        Some(RecordedOrder { request, gear: ordered_gear.checked_sub(1)?, parked })
    }
}

/// What was met on the way through a log.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ReadCounters {
    /// Rows that were read.
    pub rows: u64,
    /// Rows that could not be.
    pub bad: u64,
    /// The first of them, with line and reason.
    pub first_bad: Vec<String>,
    /// Rows with the time of the row before; they are left out.
    pub duplicates: u64,
    /// Gaps in time, and the line after the first.
    pub gaps: u64,
    /// Where the first gap ends.
    pub first_gap_line: u64,
    /// How often the clock or the whole log restarted.
    pub restarts: u64,
    /// Headings that mean nothing here.
    pub ignored: Vec<String>,
    /// Whether decimal commas were met.
    pub decimal_comma: bool,
}

impl ReadCounters {
    /// In words, one finding a line; empty when there is nothing to say.
    #[must_use]
    pub fn text(&self) -> String {
        let mut lines = Vec::new();
        if self.bad > 0 {
            lines.push(format!("{} rows could not be read and were left out:", self.bad));
            lines.extend(self.first_bad.iter().map(|l| format!("  {l}")));
            if self.bad > self.first_bad.len() as u64 {
                lines.push(format!("  and {} more", self.bad - self.first_bad.len() as u64));
            }
        }
        if self.duplicates > 0 {
            lines.push(format!(
                "{} rows repeat the time of the row before and were left out",
                self.duplicates
            ));
        }
        if self.gaps > 0 {
            lines.push(format!(
                "{} gaps in time, the first before line {}; no run goes across one",
                self.gaps, self.first_gap_line
            ));
        }
        if self.restarts > 0 {
            lines.push(format!("the clock or the whole log restarted {} times", self.restarts));
        }
        if self.decimal_comma {
            lines.push("numbers have decimal commas".to_owned());
        }
        if !self.ignored.is_empty() {
            let mut some: Vec<String> =
                self.ignored.iter().take(12).map(|h| format!("`{}`", escaped(h))).collect();
            if self.ignored.len() > some.len() {
                some.push(format!("{} more", self.ignored.len() - some.len()));
            }
            lines.push(format!("columns that were not used: {}", some.join(", ")));
        }
        lines.join("\n")
    }
}
