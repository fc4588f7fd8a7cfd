//! Laps in logs: by the lap label of a recording, by events (`lap 3 table`, `end`), or between two landmarks of the
//! distance column.

use super::damage::{LapModel, ModelledLap};
use lowgear_sysid::log::{LogError, LogReader, Quantity, Sample};
use std::fmt;

/// A downshift this soon after an upshift takes it back, s: what the controller of a usual vehicle file calls failed.
const FAILED_WINDOW_S: f64 = 2.5;
/// A distance that falls by more than this was set back to nought, m.
const RESET_M: f64 = 1.0;

/// Why a lap does not count.
#[derive(Clone, Debug, PartialEq)]
pub enum LapFault {
    /// The log ends within the lap.
    Unfinished,
    /// The controller restarted within the lap.
    Restarted,
    /// The beginning or the end lies in a gap of the log.
    Gap,
    /// The log does not say which policy drove.
    NoPolicy,
    /// The policy changed within the lap.
    PolicyChanged,
    /// Another distance than that of the other laps, m: this one, and their median.
    Distance(f64, f64),
    /// The lap was driven again, from this line.
    DrivenAgain(u64),
    /// Left out by the user.
    LeftOut,
    /// The other lap of the pair is missing or does not count.
    NoPartner,
    /// Both laps of the pair were driven by one policy.
    SamePolicy,
}

impl LapFault {
    /// Whether the lap was begun and not brought to its end: that may be the policy's doing.
    #[must_use]
    pub const fn is_unfinished(&self) -> bool {
        matches!(self, LapFault::Unfinished | LapFault::Restarted)
    }
}

impl fmt::Display for LapFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            LapFault::Unfinished => f.write_str("not finished: the log ends within the lap"),
            LapFault::Restarted => {
                f.write_str("not finished: the controller or its clock restarted within the lap")
            }
            LapFault::Gap => f.write_str("a gap in the log at its beginning or end"),
            LapFault::NoPolicy => f.write_str("the log does not say which policy drove"),
            LapFault::PolicyChanged => f.write_str("the policy changed within the lap"),
            LapFault::Distance(own, usual) => {
                write!(f, "{own:.1} m long, the others {usual:.1} m")
            }
            LapFault::DrivenAgain(line) => write!(f, "driven again, from line {line}"),
            LapFault::LeftOut => f.write_str("left out with --leave-out"),
            LapFault::NoPartner => f.write_str("the other lap of its pair is missing or does not count"),
            LapFault::SamePolicy => f.write_str("both laps of its pair were driven by one policy"),
        }
    }
}

/// Gear changes of a lap.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LapWear {
    /// Gear changes; `None` without a gear column.
    pub shifts: Option<u32>,
    /// Upshifts that were taken back within 2.5 s.
    pub failed_upshifts: u32,
    /// Times the dogs missed and the selector was sent again; `None` where the log does not say.
    pub missed_engagements: Option<u32>,
}

/// One lap.
#[derive(Clone, Debug, PartialEq)]
pub struct Lap {
    /// Which of the logs, from 0.
    pub file: usize,
    /// Line in it where the lap begins.
    pub line: u64,
    /// Number of the lap, from 1; two make a pair.
    pub number: u32,
    /// 0 is the reference, 1 the tested policy.
    pub policy: Option<u8>,
    /// Duration, s.
    pub time_s: f64,
    /// Distance driven, m.
    pub distance_m: Option<f64>,
    /// Gear changes.
    pub wear: LapWear,
    /// What the vehicle's model says of it; `None` without a model.
    pub modelled: Option<ModelledLap>,
    /// Lap time that the model predicts from battery and motor at its start, one policy driving every lap, s.
    pub predicted_s: Option<f64>,
    /// Whether the monitor went back to the rule in it.
    pub fallback: bool,
    /// Gaps of the log within the lap.
    pub gaps: u32,
    /// Why it does not count, if it does not.
    pub fault: Option<LapFault>,
}

/// How laps are found.
#[derive(Clone, Debug, PartialEq)]
pub struct LapRule {
    /// Names of the reference and of the tested policy in events.
    pub policies: [String; 2],
    /// Distance at which a lap begins and ends, m, instead of labels.
    pub landmarks_m: Option<[f64; 2]>,
}

/// Finds laps in logs.
#[derive(Clone, Debug)]
pub struct LapFinder {
    rule: LapRule,
    laps: Vec<Lap>,
    file: usize,
    open: Option<OpenLap>,
    event: (u32, Option<u8>),
    before: Option<Sample>,
    shifts: ShiftCounter,
    model: Option<LapModel>,
}

#[derive(Clone, Debug)]
struct OpenLap {
    lap: Lap,
    start_s: f64,
    start_m: Option<f64>,
}

/// What the gear and nudge columns show.
#[derive(Clone, Copy, Debug, Default)]
struct ShiftCounter {
    gear: Option<u8>,
    upshift_s: Option<f64>,
    nudged: bool,
}

impl ShiftCounter {
    /// Takes a row; `wear` is that of the lap under way.
    fn take(&mut self, sample: &Sample, wear: Option<&mut LapWear>) {
        let mut unused = LapWear::default();
        let wear = wear.unwrap_or(&mut unused);
        if let Some(nudge) = sample.nudge {
            let missed = wear.missed_engagements.get_or_insert(0);
            *missed += u32::from(nudge && !self.nudged);
            self.nudged = nudge;
        }
        let Some(gear) = sample.gear else { return };
        let shifts = wear.shifts.get_or_insert(0);
        if gear == 0 {
            return;
        }
        let Some(from) = self.gear.replace(gear).filter(|from| *from != gear) else { return };
        *shifts += 1;
        if gear > from {
            self.upshift_s = Some(sample.time_s);
        } else if self.upshift_s.take().is_some_and(|at| sample.time_s - at <= FAILED_WINDOW_S) {
            wear.failed_upshifts += 1;
        }
    }
}

impl LapFinder {
    /// By this rule.
    #[must_use]
    pub fn new(rule: LapRule) -> LapFinder {
        LapFinder {
            rule,
            laps: Vec::new(),
            file: 0,
            open: None,
            event: (0, None),
            before: None,
            shifts: ShiftCounter::default(),
            model: None,
        }
    }

    /// With a model of the vehicle that follows the logs.
    #[must_use]
    pub fn with_model(self, model: LapModel) -> LapFinder {
        LapFinder { model: Some(model), ..self }
    }

    /// Reads a log to its end.
    ///
    /// # Errors
    /// [`LogError`].
    pub fn read(&mut self, log: &mut LogReader<'_>) -> Result<(), LogError> {
        let labelled = log.has(Quantity::Lap);
        let mut restarts = 0;
        while let Some(sample) = log.read()? {
            let restarted = std::mem::replace(&mut restarts, log.counters().restarts) != restarts;
            if restarted {
                self.restart();
            }
            self.read_event(log.event());
            self.take(&sample, labelled);
        }
        self.abort(LapFault::Unfinished);
        (self.before, self.event, self.shifts) = (None, (0, None), ShiftCounter::default());
        self.file += 1;
        Ok(())
    }

    /// The laps, in the order in which they were driven.
    #[must_use]
    pub fn finish(self) -> Vec<Lap> {
        self.laps
    }

    fn restart(&mut self) {
        self.abort(LapFault::Restarted);
        (self.before, self.event, self.shifts) = (None, (0, None), ShiftCounter::default());
    }

    fn read_event(&mut self, event: &str) {
        let mut words = event.split_whitespace();
        match words.next() {
            Some("end") => self.event = (0, None),
            Some("lap") => {
                let number = words.next().and_then(|word| word.parse().ok()).unwrap_or(0);
                let name = words.next();
                let named = |name: &str| {
                    let known = self.rule.policies.iter().position(|p| p.eq_ignore_ascii_case(name));
                    known.map(|at| at as u8).or_else(|| name.parse().ok().filter(|at| *at < 2))
                };
                self.event = (number, name.and_then(named));
            }
            _ => {}
        }
    }

    fn take(&mut self, sample: &Sample, labelled: bool) {
        let before = self.before.replace(*sample);
        let gap = sample.after_break && before.is_some();
        match self.rule.landmarks_m {
            Some(landmarks_m) => self.cross(sample, before.as_ref(), landmarks_m),
            None => {
                let number = if labelled { sample.lap.map_or(0, u32::from) } else { self.event.0 };
                if self.open.as_ref().map_or(0, |open| open.lap.number) != number {
                    let fault = (sample.after_break).then_some(LapFault::Gap);
                    self.close(sample.time_s, sample.distance_m, fault.clone());
                    if number != 0 {
                        self.begin(number, sample, (sample.time_s, sample.distance_m), fault.filter(|_| gap));
                    }
                }
            }
        }
        let policy = sample.policy.or(self.event.1).filter(|p| *p < 2);
        let wear = self.open.as_mut().map(|open| {
            let lap = &mut open.lap;
            lap.gaps += u32::from(gap);
            lap.fallback |= sample.fallback == Some(true);
            if lap.policy.is_some() && policy.is_some() && lap.policy != policy {
                lap.fault.get_or_insert(LapFault::PolicyChanged);
            }
            lap.policy = lap.policy.or(policy);
            &mut lap.wear
        });
        self.shifts.take(sample, wear);
        if let Some(model) = &mut self.model {
            model.take(sample);
        }
    }

    /// Begins and ends a lap where the distance passes the landmarks, at the time interpolated between two rows.
    fn cross(&mut self, sample: &Sample, before: Option<&Sample>, [start_m, end_m]: [f64; 2]) {
        let (Some(now_m), Some(before)) = (sample.distance_m, before) else { return };
        let Some(then_m) = before.distance_m else { return };
        if now_m < then_m - RESET_M {
            self.abort(LapFault::Unfinished);
            return;
        }
        let passed = |mark_m: f64| (then_m < mark_m && mark_m <= now_m).then_some(mark_m);
        let time_s = |mark_m: f64| {
            before.time_s + (sample.time_s - before.time_s) * (mark_m - then_m) / (now_m - then_m)
        };
        let fault = sample.after_break.then_some(LapFault::Gap);
        if let Some(mark_m) = passed(end_m) {
            self.close(time_s(mark_m), Some(mark_m), fault.clone());
        }
        if let Some(mark_m) = passed(start_m) {
            let number = self.laps.len() as u32 + 1;
            self.begin(number, sample, (time_s(mark_m), Some(mark_m)), fault);
        }
    }

    fn begin(
        &mut self,
        number: u32,
        at: &Sample,
        (start_s, start_m): (f64, Option<f64>),
        fault: Option<LapFault>,
    ) {
        let lap = Lap {
            file: self.file,
            line: at.line,
            number,
            policy: None,
            time_s: 0.0,
            distance_m: None,
            wear: LapWear::default(),
            modelled: None,
            predicted_s: None,
            fallback: false,
            gaps: 0,
            fault,
        };
        self.model.iter_mut().for_each(LapModel::begin);
        self.open = Some(OpenLap { lap, start_s, start_m });
    }

    fn close(&mut self, end_s: f64, end_m: Option<f64>, fault: Option<LapFault>) {
        let Some(OpenLap { mut lap, start_s, start_m }) = self.open.take() else { return };
        lap.modelled = self.model.as_mut().map(LapModel::end);
        lap.time_s = end_s - start_s;
        lap.distance_m = end_m.zip(start_m).map(|(end, start)| end - start);
        lap.fault = lap.fault.or(fault).or_else(|| lap.policy.is_none().then_some(LapFault::NoPolicy));
        self.laps.push(lap);
    }

    fn abort(&mut self, fault: LapFault) {
        let now = self.before.map_or((0.0, None), |s| (s.time_s, s.distance_m));
        if let Some(open) = &mut self.open {
            // Whatever else was wrong with it, it has no time.
            open.lap.fault = Some(fault);
        }
        self.close(now.0, now.1, None);
    }
}
