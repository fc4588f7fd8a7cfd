//! Decisions as rows and a replay in words.

use super::coverage::CoverageStatus;
use super::run::{Decision, Summary};
use lowgear_env::{request_name, verdict_name};
use lowgear_onboard::Feature;
use std::fmt::Write as _;

impl Decision {
    /// Headings of [`Decision::row`].
    #[must_use]
    pub fn headings() -> String {
        let features: Vec<String> = Feature::ALL.iter().map(|f| f.name().replace('-', "_")).collect();
        format!("time_s,line,gear,policy,done,guard,place,{},why", features.join(","))
    }

    /// The decision as a row of CSV.
    #[must_use]
    pub fn row(&self) -> String {
        let place = match self.place {
            None => String::new(),
            Some(CoverageStatus::Inside) => "inside".to_owned(),
            Some(CoverageStatus::NewCell) => "new combination".to_owned(),
            Some(CoverageStatus::Outside(feature)) => format!("outside: {}", feature.name()),
        };
        let mut out = format!(
            "{:.3},{},{},{},{},{},{place}",
            self.time_s,
            self.line,
            self.gear,
            request_name(self.request),
            request_name(self.done),
            self.verdict.map_or("", verdict_name)
        );
        self.features.0.iter().for_each(|f| {
            let _ = write!(out, ",{f}");
        });
        let why = if self.request == self.done { "" } else { self.why.as_str() };
        let _ = write!(out, ",{why}");
        out
    }
}

impl Summary {
    /// In words.
    #[must_use]
    pub fn text(&self) -> String {
        let share = |n: u64, of: u64| if of == 0 { 0.0 } else { 100.0 * n as f64 / of as f64 };
        let mut out = format!(
            "decisions: {}; the policy asked for what was done in {:.1} %\n",
            self.decisions,
            share(self.agreed, self.decisions)
        );
        for ((wanted, done), times) in &self.differences {
            let _ = writeln!(out, "  policy {wanted}, done {done}: {times} times");
        }
        let _ = writeln!(
            out,
            "shifts in the log: {}; upshifts taken back: {}; reversals: {}; hunting: {}; slow to arrive: {}",
            self.shifts, self.failed_upshifts, self.reversals, self.hunting, self.slow_shifts
        );
        for (verdict, times) in &self.verdicts {
            let _ = writeln!(out, "  the guard on the driver's shifts: {verdict}, {times} times");
        }
        let outside: u64 = self.outside.values().sum();
        if self.inside + self.new_cells + outside > 0 {
            let of = self.inside + self.new_cells + outside;
            let _ = writeln!(
                out,
                "of what the log shows, training has seen {:.1} %; {:.1} % are new combinations, {:.1} % outside its ranges",
                share(self.inside, of),
                share(self.new_cells, of),
                share(outside, of)
            );
            for (feature, times) in &self.outside {
                let _ = writeln!(out, "  outside by {feature}: {times} times");
            }
        }
        out
    }
}
