//! A log, row by row.

use super::LogError;
use super::columns::{Columns, QUANTITIES, Quantity, Unit};
use super::dialect::{Head, RowGuard};
use super::mapping::{Decimal, DutyHolds, Mapping};
use super::number::{Mark, NumberFault, bare, number};
use super::row::{ReadCounters, RecordedOrder, Sample};
use super::sample_interval::SampleInterval;
use csv::ByteRecord;
use std::f64::consts::TAU;
use std::fs::File;
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};

/// Unreadable rows that are listed one by one.
const MAX_LISTED: usize = 5;
/// A step of time this many times the usual one is a gap.
const GAP_STEPS: f64 = 4.0;
/// A step back in time beyond this is a clock that restarted, s; less is a row out of order.
const RESTART_S: f64 = 1.0;

/// A log being read. Memory is that of one row.
pub struct LogReader<'a> {
    file: PathBuf,
    csv: csv::Reader<Box<dyn Read + Send + 'a>>,
    record: ByteRecord,
    columns: Columns,
    mapping: Mapping,
    counters: ReadCounters,
    event: String,
    pending: String,
    last_s: Option<f64>,
    usual_s: Option<f64>,
    last_duty: f64,
    broken: bool,
    marks: [u64; 2],
    sample_interval: Option<SampleInterval>,
}

/// Why a row was left out.
type Fault = String;

impl LogReader<'static> {
    /// Opens a log.
    ///
    /// # Errors
    /// [`LogError`]: the file, or its heading.
    pub fn open(file: &Path, mapping: &Mapping) -> Result<LogReader<'static>, LogError> {
        let source =
            File::open(file).map_err(|reason| LogError::Unreadable { file: file.to_owned(), reason })?;
        LogReader::new(source, file, mapping)
    }
}

impl<'a> LogReader<'a> {
    /// Reads a log from anywhere; `file` is only named in messages.
    ///
    /// # Errors
    /// [`LogError`]: what the system says, or the heading.
    pub fn new(
        mut source: impl Read + Send + 'a,
        file: &Path,
        mapping: &Mapping,
    ) -> Result<LogReader<'a>, LogError> {
        let unreadable = |reason| LogError::Unreadable { file: file.to_owned(), reason };
        let head = Head::read(&mut source, mapping).map_err(unreadable)?;
        let head = head.map_err(|problem| LogError::Format { file: file.to_owned(), problem })?;
        let whole: Box<dyn Read + Send> = Box::new(RowGuard::new(Cursor::new(head.bytes).chain(source)));
        let csv = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .quoting(false)
            .comment(Some(b'#'))
            .delimiter(head.delimiter)
            .buffer_capacity(1 << 18)
            .from_reader(whole);
        let mut reader = LogReader {
            file: file.to_owned(),
            csv,
            record: ByteRecord::new(),
            columns: Columns { of: [None; QUANTITIES], headings: vec![], ignored: vec![] },
            mapping: mapping.clone(),
            counters: ReadCounters::default(),
            event: String::new(),
            pending: String::new(),
            last_s: None,
            usual_s: None,
            last_duty: 0.0,
            broken: true,
            marks: [0; 2],
            sample_interval: None,
        };
        reader.read_heading()?;
        Ok(reader)
    }

    fn read_heading(&mut self) -> Result<(), LogError> {
        self.read_record()?;
        let names = |field: &[u8]| String::from_utf8_lossy(bare(field)).into_owned();
        let headings: Vec<String> = self.record.iter().map(names).collect();
        let line = self.line();
        let file = self.file.clone();
        let fault = |problem| LogError::Heading { file, line, problem };
        self.columns = Columns::find(headings, &self.mapping).map_err(fault)?;
        self.counters.ignored.clone_from(&self.columns.ignored);
        Ok(())
    }

    fn read_record(&mut self) -> Result<bool, LogError> {
        self.csv.read_byte_record(&mut self.record).map_err(|error| {
            let problem = error.to_string();
            match error.into_kind() {
                csv::ErrorKind::Io(reason) if reason.kind() != std::io::ErrorKind::InvalidData => {
                    LogError::Unreadable { file: self.file.clone(), reason }
                }
                _ => LogError::Format { file: self.file.clone(), problem },
            }
        })
    }

    /// Line of the row read last. Its own position is that of the comments and blank lines before it.
    fn line(&self) -> u64 {
        let begins = self.record.position().map_or(0, csv::Position::line);
        begins.max(self.csv.position().line().saturating_sub(1))
    }

    /// The file.
    #[must_use]
    pub fn file(&self) -> &Path {
        &self.file
    }

    /// What has been met so far.
    #[must_use]
    pub const fn counters(&self) -> &ReadCounters {
        &self.counters
    }

    /// Bytes read so far.
    #[must_use]
    pub fn bytes(&self) -> u64 {
        self.csv.position().byte()
    }

    /// Whether the log has a column for this.
    #[must_use]
    pub fn has(&self, quantity: Quantity) -> bool {
        self.columns.get(quantity).is_some()
    }

    /// Refuses a log whose rows do not lie about a tick apart, as soon as the first of them show it.
    pub fn expect_tick(&mut self, tick_s: f64) {
        self.sample_interval = Some(SampleInterval::new(tick_s));
    }

    /// Judges the pace with one more row, or without one at the end.
    fn check_interval(&mut self, step_s: Option<f64>) -> Result<(), LogError> {
        let unit = self.columns.get(Quantity::Time).and_then(|c| c.unit).unwrap_or(Unit::S);
        let Some(sample_interval) = &mut self.sample_interval else { return Ok(()) };
        let said = match step_s {
            Some(step_s) => sample_interval.take(step_s, unit),
            None => sample_interval.check(unit),
        };
        said.map_or(Ok(()), |problem| {
            Err(LogError::SampleInterval { file: self.file.clone(), line: self.line(), problem })
        })
    }

    /// The words in the `event` column of the row read last.
    #[must_use]
    pub fn event(&self) -> &str {
        &self.event
    }

    /// The next row; `None` at the end.
    ///
    /// # Errors
    /// [`LogError`]: the system, or too many rows that cannot be read.
    pub fn read(&mut self) -> Result<Option<Sample>, LogError> {
        loop {
            if !self.read_record()? {
                self.check_interval(None)?;
                return Ok(None);
            }
            match self.sample() {
                Ok(Some(sample)) => {
                    self.check_interval(Some(sample.dt_s))?;
                    self.counters.rows += 1;
                    return Ok(Some(sample));
                }
                Ok(None) => {}
                Err(fault) => self.record_bad(&fault)?,
            }
        }
    }

    fn record_bad(&mut self, fault: &str) -> Result<(), LogError> {
        self.counters.bad += 1;
        if self.counters.first_bad.len() < MAX_LISTED {
            self.counters.first_bad.push(format!("line {}: {fault}", self.line()));
        }
        let (bad, most) = (self.counters.bad, self.mapping.most_bad_rows);
        if bad <= most {
            return Ok(());
        }
        let first = self.counters.first_bad.iter().map(|l| format!("  {l}")).collect::<Vec<_>>().join("\n");
        Err(LogError::TooManyBadRows { file: self.file.clone(), line: self.line(), bad, most, first })
    }

    /// The row as a sample; `None` for one that is left out without being wrong.
    fn sample(&mut self) -> Result<Option<Sample>, Fault> {
        let fields = self.record.len();
        if fields != self.columns.headings.len() {
            if self.record.iter().all(|f| bare(f).is_empty()) {
                return Ok(None);
            }
            return Err(format!(
                "{fields} fields; allowed: {}, one for each heading",
                self.columns.headings.len()
            ));
        }
        if self.is_heading() {
            (self.broken, self.last_s) = (true, None);
            self.counters.restarts += 1;
            return Ok(None);
        }
        let time_s = self.needed(Quantity::Time)?;
        let speed = self.needed(Quantity::MotorSpeed)?;
        let duty = self.needed(Quantity::Duty)?;
        let battery_v = self.optional(Quantity::BatteryVoltage)?;
        let current_a = self.optional(Quantity::MotorCurrent)?;
        let tilt_deg = self.optional(Quantity::Tilt)?;
        let gear = self.whole(Quantity::Gear)?;
        let selector_deg = self.optional(Quantity::Selector)?;
        let distance_m = self.optional(Quantity::Distance)?;
        let lap = self.whole(Quantity::Lap)?;
        let policy = self.whole(Quantity::Policy)?;
        let nudge = self.optional(Quantity::Nudge)?;
        let fallback = self.optional(Quantity::Fallback)?;
        let preview = self.whole(Quantity::Preview)?;
        let ordered = self.whole(Quantity::OrderedGear)?;
        self.read_event();
        let Some(dt_s) = self.pass(time_s)? else { return Ok(None) };
        let after_break = std::mem::replace(&mut self.broken, false);
        let held = match self.mapping.duty_holds {
            DutyHolds::BeforeRow => duty,
            DutyHolds::AfterRow => self.last_duty,
        };
        self.last_duty = duty;
        self.event = std::mem::take(&mut self.pending);
        Ok(Some(Sample {
            line: self.line(),
            time_s,
            dt_s,
            after_break,
            motor_rad_s: self.speed_rad_s(speed, dt_s),
            duty: held,
            battery_v,
            current_a,
            tilt_deg,
            gear: gear.map(|g| g as u8),
            selector_deg,
            distance_m,
            lap: lap.map(|n| n as u16),
            policy: policy.map(|p| p as u8),
            nudge: nudge.map(|n| n > 0.0),
            fallback: fallback.map(|f| f > 0.0),
            preview: preview.map(|p| p as i16),
            recorded: ordered.and_then(|gear| RecordedOrder::read(&self.columns, &self.record, gear as u8)),
        }))
    }

    /// An encoder's pulses become a speed with the time between rows.
    fn speed_rad_s(&self, reading: f64, dt_s: f64) -> f64 {
        let counted = self.columns.get(Quantity::MotorSpeed).is_some_and(|c| c.unit == Some(Unit::Counts));
        match self.mapping.pulses_per_turn {
            Some(pulses) if counted => {
                let over_s = if dt_s > 0.0 { dt_s } else { self.usual_s.unwrap_or(f64::INFINITY) };
                reading * TAU / (pulses * over_s)
            }
            _ => reading,
        }
    }

    /// Whether the row is the heading again, as where logs were joined.
    fn is_heading(&self) -> bool {
        self.columns.get(Quantity::Time).is_some_and(|time| {
            self.record.get(time.at).is_some_and(|f| {
                f.first().is_some_and(|b| !b.is_ascii_digit())
                    && bare(f) == self.columns.headings[time.at].as_bytes()
            })
        })
    }

    fn needed(&mut self, quantity: Quantity) -> Result<f64, Fault> {
        self.optional(quantity)?.ok_or_else(|| format!("no {}", quantity.name()))
    }

    fn whole(&mut self, quantity: Quantity) -> Result<Option<f64>, Fault> {
        match self.optional(quantity)? {
            Some(value) if value.fract() != 0.0 => {
                Err(format!("{} {value} is no whole number", quantity.name()))
            }
            value => Ok(value),
        }
    }

    fn optional(&mut self, quantity: Quantity) -> Result<Option<f64>, Fault> {
        let Some(column) = self.columns.get(quantity) else { return Ok(None) };
        let field = self.record.get(column.at).unwrap_or_default();
        let (value, mark) = match number(field) {
            Ok(read) => read,
            Err(NumberFault::Absent) => return Ok(None),
            Err(NumberFault::Unreadable) => {
                let shown: String = String::from_utf8_lossy(field).chars().take(30).collect();
                return Err(format!("{} is {shown:?}, which is no number", quantity.name()));
            }
        };
        let value = (value - column.zero) * column.factor;
        if mark != Mark::None {
            self.check_mark(mark)?;
        }
        let (low, high) = self.columns.range(quantity);
        if value < low || value > high {
            let hint = if quantity == Quantity::Duty {
                " (as a share; `duty_percent` and `duty_permille` are other headings)"
            } else {
                ""
            };
            return Err(format!("{} is {value}; allowed: {low} to {high}{hint}", quantity.name()));
        }
        Ok(Some(value))
    }

    /// One log has decimal points or decimal commas.
    fn check_mark(&mut self, mark: Mark) -> Result<(), Fault> {
        let comma = mark == Mark::Comma;
        self.marks[usize::from(comma)] += 1;
        let fits = match self.mapping.decimal {
            Some(declared) => comma == (declared == Decimal::Comma),
            None => {
                self.marks[usize::from(!comma)] == 0
                    || self.marks[usize::from(comma)] > self.marks[usize::from(!comma)]
            }
        };
        self.counters.decimal_comma |= comma && fits;
        if fits {
            return Ok(());
        }
        Err("a decimal comma among decimal points or the reverse; declare `decimal` in a mapping".to_owned())
    }

    /// Lets the clock go on; `None` for a row with the time of the one before.
    fn pass(&mut self, time_s: f64) -> Result<Option<f64>, Fault> {
        let Some(last_s) = self.last_s else {
            self.last_s = Some(time_s);
            return Ok(Some(0.0));
        };
        let step_s = time_s - last_s;
        if step_s == 0.0 {
            self.counters.duplicates += 1;
            return Ok(None);
        }
        if step_s < 0.0 {
            if step_s > -RESTART_S {
                return Err(format!("time goes back by {} s", -step_s));
            }
            self.counters.restarts += 1;
            (self.last_s, self.broken) = (Some(time_s), true);
            return Ok(Some(0.0));
        }
        self.last_s = Some(time_s);
        let usual_s = *self.usual_s.get_or_insert(step_s);
        if step_s > GAP_STEPS * usual_s {
            self.usual_s = Some(usual_s * 1.02);
            self.counters.gaps += 1;
            if self.counters.gaps == 1 {
                self.counters.first_gap_line = self.line();
            }
            self.broken = true;
            return Ok(Some(0.0));
        }
        // Follows the lower steps fast and the longer ones slowly, whatever the first one was.
        self.usual_s =
            Some(if step_s < 0.7 * usual_s { 0.7 * usual_s } else { usual_s + 0.02 * (step_s - usual_s) });
        Ok(Some(step_s))
    }

    /// Keeps what is written in a row, also of one that is left out.
    fn read_event(&mut self) {
        if let Some(column) = self.columns.get(Quantity::Event) {
            let field = bare(self.record.get(column.at).unwrap_or_default());
            if !field.is_empty() {
                self.pending = String::from_utf8_lossy(&field[..field.len().min(200)]).into_owned();
            }
        }
    }
}
