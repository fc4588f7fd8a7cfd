//! How far the rows of a log lie apart, next to the tick of the controller that wrote it.

use super::columns::Unit;

/// Steps after which the log is judged.
const STEPS: usize = 40;
/// Fewest steps that tell anything.
const FEWEST: usize = 3;
/// Rows may lie this many ticks apart.
const SPARSE: f64 = 30.0;
/// Rows may lie this many times closer than ticks.
const DENSE: f64 = 300.0;

/// Watches the first steps of a log.
#[derive(Clone, Debug)]
pub(super) struct SampleInterval {
    tick_s: f64,
    steps_s: Vec<f64>,
    checked: bool,
}

impl SampleInterval {
    /// For a controller that ticks every `tick_s`.
    pub(super) const fn new(tick_s: f64) -> SampleInterval {
        SampleInterval { tick_s, steps_s: Vec::new(), checked: false }
    }

    /// Takes a step of time; says what is wrong once enough of them are there.
    pub(super) fn take(&mut self, step_s: f64, unit: Unit) -> Option<String> {
        if self.checked || step_s <= 0.0 {
            return None;
        }
        self.steps_s.push(step_s);
        if self.steps_s.len() < STEPS { None } else { self.check(unit) }
    }

    /// Judges what is there, at the end of a log.
    pub(super) fn check(&mut self, unit: Unit) -> Option<String> {
        if std::mem::replace(&mut self.checked, true) || self.steps_s.len() < FEWEST {
            return None;
        }
        self.steps_s.sort_by(f64::total_cmp);
        let apart_s = self.steps_s[self.steps_s.len() / 2];
        let ratio = apart_s / self.tick_s;
        if (1.0 / DENSE..=SPARSE).contains(&ratio) {
            return None;
        }
        let hint = likely(unit, ratio).map_or_else(
            || "write a row every tick".to_owned(),
            |meant| {
                format!(
                    "the time looks like {}: head the column `time_{}`, or declare its unit in a mapping",
                    in_words(meant),
                    meant.name()
                )
            },
        );
        let times = if ratio > 1.0 { ratio } else { 1.0 / ratio };
        Some(format!(
            "rows lie {} s apart where the controller ticks every {} s, {times:.0} times as {}; {hint}",
            figures(apart_s),
            figures(self.tick_s),
            if ratio > 1.0 { "far" } else { "close" }
        ))
    }
}

/// Rows in the right unit lie within this factor of a tick.
const NEAR: f64 = 6.0;

/// The unit in which rows would lie about a tick apart.
fn likely(declared: Unit, ratio: f64) -> Option<Unit> {
    [Unit::S, Unit::Ms, Unit::Us]
        .into_iter()
        .filter(|u| *u != declared)
        .map(|u| (u, (ratio * u.factor() / declared.factor()).ln().abs()))
        .filter(|(_, off)| *off < NEAR.ln())
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(u, _)| u)
}

const fn in_words(unit: Unit) -> &'static str {
    match unit {
        Unit::Ms => "milliseconds",
        Unit::Us => "microseconds",
        _ => "seconds",
    }
}

/// Three figures.
fn figures(value: f64) -> f64 {
    format!("{value:.2e}").parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn checked(step_s: f64, unit: Unit) -> Option<String> {
        let mut sample_interval = SampleInterval::new(0.05);
        (0..STEPS).find_map(|_| sample_interval.take(step_s, unit))
    }

    #[test]
    fn units_of_time_are_named() {
        assert_eq!(checked(0.05, Unit::S), None);
        assert_eq!(checked(0.001, Unit::S), None);
        assert_eq!(checked(1.0, Unit::S), None);
        for (step_s, unit, meant) in [
            (50.0, Unit::S, "`time_ms`"),
            (5e4, Unit::S, "`time_us`"),
            (50.0, Unit::Ms, "`time_us`"),
            (5e-5, Unit::Ms, "`time_s`"),
            (5e-8, Unit::Us, "`time_s`"),
            (5e-5, Unit::Us, "`time_ms`"),
        ] {
            let said = checked(step_s, unit).expect("it is reported");
            assert!(said.contains(meant), "{said}");
        }
        assert!(checked(7.0, Unit::S).expect("it is reported").contains("every tick"));
    }

    #[test]
    fn a_pause_is_no_pace() {
        let mut sample_interval = SampleInterval::new(0.05);
        for k in 0..STEPS {
            assert_eq!(sample_interval.take(if k % 8 == 0 { 90.0 } else { 0.05 }, Unit::S), None);
        }
    }
}
