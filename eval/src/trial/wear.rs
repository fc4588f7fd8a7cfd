//! Wear next to time: gear changes, failed upshifts, missed engagements and damage, compared pair by pair.

use super::laps::Lap;
use super::result::{Pair, relative_difference};
use super::sequential::confidence_sequence;

/// A figure of wear.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WearFigure {
    /// Gear changes per lap.
    Shifts,
    /// Upshifts taken back per lap.
    FailedUpshifts,
    /// Missed engagements per lap.
    MissedEngagements,
    /// Engagements with a shock above the knee of the life curve per lap, by the model.
    HardEngagements,
    /// Damage per lap, by the model, share of nominal life.
    Damage,
}

impl WearFigure {
    /// All, in the order of the table.
    pub const ALL: [WearFigure; 5] = [
        WearFigure::Shifts,
        WearFigure::FailedUpshifts,
        WearFigure::MissedEngagements,
        WearFigure::HardEngagements,
        WearFigure::Damage,
    ];

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            WearFigure::Shifts => "gear changes per lap",
            WearFigure::FailedUpshifts => "upshifts taken back per lap",
            WearFigure::MissedEngagements => "missed engagements per lap",
            WearFigure::HardEngagements => "hard engagements per lap (model)",
            WearFigure::Damage => "damage per lap, 1e-6 lives (model)",
        }
    }

    /// Of a lap; `None` where the log or the missing model cannot tell.
    #[must_use]
    pub fn of(self, lap: &Lap) -> Option<f64> {
        let wear = &lap.wear;
        match self {
            WearFigure::Shifts => wear.shifts.map(f64::from),
            WearFigure::FailedUpshifts => wear.shifts.map(|_| f64::from(wear.failed_upshifts)),
            WearFigure::MissedEngagements => wear.missed_engagements.map(f64::from),
            WearFigure::HardEngagements => lap.modelled.map(|lap| f64::from(lap.hard_engagements)),
            WearFigure::Damage => lap.modelled.map(|lap| 1e6 * lap.damage),
        }
    }

    /// Whether its difference is a share: damage goes with a high power of torque, so laps differ by factors.
    #[must_use]
    pub const fn is_relative(self) -> bool {
        matches!(self, WearFigure::Damage)
    }
}

/// A figure of both policies over the pairs that count.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WearComparison {
    /// Which.
    pub figure: WearFigure,
    /// Means of the reference and of the tested policy.
    pub means: [f64; 2],
    /// Mean over pairs of tested less reference; for a relative figure as a share of the mean of both.
    pub difference: f64,
    /// Its interval at the level of the trial, for this figure alone; it may be read after every pair. `None` while the pairs
    /// are too few, or all alike.
    pub interval: Option<[f64; 2]>,
}

/// The figures that every lap of the pairs has.
#[must_use]
pub fn compare_wear(laps: &[Lap], pairs: &[Pair], level: f64) -> Vec<WearComparison> {
    let one = |figure: WearFigure| {
        let of = |pair: &Pair| -> Option<[f64; 2]> {
            let [reference, tested] = pair.laps.map(|at| figure.of(&laps[at]));
            Some([reference?, tested?])
        };
        let values: Vec<[f64; 2]> = pairs.iter().map(of).collect::<Option<_>>()?;
        let difference = |[reference, tested]: &[f64; 2]| match figure.is_relative() {
            // Two laps without damage are alike.
            true if reference + tested <= 0.0 => 0.0,
            true => -relative_difference(*reference, *tested),
            false => tested - reference,
        };
        let differences: Vec<f64> = values.iter().map(difference).collect();
        let last = confidence_sequence(&differences, level).pop()?;
        let mean = |policy: usize| values.iter().map(|v| v[policy]).sum::<f64>() / values.len() as f64;
        let means = [mean(0), mean(1)];
        Some(WearComparison { figure, means, difference: last.mean, interval: last.interval })
    };
    WearFigure::ALL.into_iter().filter_map(one).collect()
}

impl WearComparison {
    /// Mean of a policy as text.
    #[must_use]
    pub fn mean_text(&self, policy: usize) -> String {
        self.means.get(policy).map_or_else(String::new, |mean| format!("{mean:.2}"))
    }

    /// Difference and interval as text.
    #[must_use]
    pub fn difference_text(&self) -> String {
        let (factor, unit) = if self.figure.is_relative() { (100.0, " %") } else { (1.0, "") };
        // Never a negative zero.
        let shown = |value: f64| format!("{:+.2}", (100.0 * factor * value).round() / 100.0 + 0.0);
        match self.interval {
            Some([low, high]) => {
                format!("{}{unit} ({} to {}{unit})", shown(self.difference), shown(low), shown(high))
            }
            None => format!("{}{unit}", shown(self.difference)),
        }
    }
}
