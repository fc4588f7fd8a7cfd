//! The comparison of sensors in words.

use super::{Controller, SensorComparison, SensorWorth, Verdict, WEAR_MARGIN};
use crate::aggregate::wrapped;
use crate::statistics::Estimate;

/// Heads of the columns of the table for the terminal.
const HEAD: [&str; 7] = ["sensor", "time saved, %", "damage", "seen", "false", "flash", "verdict"];

impl Verdict {
    /// In a few words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Verdict::Time => "worth it: time",
            Verdict::Wear => "worth it: wear",
            Verdict::Both => "worth it: both",
            Verdict::None => "not worth it",
            Verdict::NotClear => "not clear",
        }
    }
}

impl Controller {
    /// What it is called.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Controller::TunedRule => "tuned rule",
            Controller::Trained { .. } => "trained controller",
        }
    }
}

/// All comparisons of a run for the terminal, in lines of at most `width` letters; the tables take 79.
#[must_use]
pub fn sensors_text(comparisons: &[SensorComparison], width: usize) -> String {
    let texts = comparisons.iter().map(|comparison| format!("{}\n", comparison.text(width)));
    let legend = comparisons.iter().take(1).flat_map(SensorComparison::legend);
    texts.chain(legend.map(|note| wrapped(&format!("{note}\n"), width))).collect()
}

impl SensorComparison {
    /// How the controllers were made.
    fn budget(&self) -> String {
        let s = &self.settings;
        match s.controller {
            Controller::TunedRule => format!(
                "Every rule was tuned alike: {} episodes in {} for the rule without a sensor, then as many again for that \
                 rule and for the rule with each sensor.",
                s.episodes,
                if s.searches == 1 { "one search".to_owned() } else { format!("{} searches", s.searches) },
            ),
            Controller::Trained { decisions } => format!(
                "A trained controller, with each sensor and without one, is a table, distilled from a policy network that \
                 learned from {decisions} decisions, or the tuned rule where that is better on validation courses. One \
                 training run each: what another run would change is not in the intervals."
            ),
        }
    }

    /// The table for the terminal, with what was compared.
    fn text(&self, width: usize) -> String {
        let mut out =
            format!("With a {}:\n{}", self.settings.controller.name(), line(&HEAD.map(str::to_owned)));
        let rows = self.sensors.iter().map(|sensor| line(&cells(sensor, self.settings.level)));
        out.extend(rows);
        out.push('\n');
        let notes = self.sensors.iter().map(SensorWorth::sentence).chain(self.notes());
        out.extend(notes.map(|note| wrapped(&format!("{note}\n"), width)));
        out
    }

    /// What was compared and how, sentence by sentence.
    pub fn notes(&self) -> [String; 2] {
        let s = &self.settings;
        let reference = format!(
            "Without a sensor the {} takes {:.1} s a course. The clairvoyant plan, which knows the whole course, \
             saves {} of it ({} courses): no sensor is expected to save more in the mean.",
            s.controller.name(),
            self.time_s.mean,
            interval(self.plan_percent),
            self.plan_percent.n_courses
        );
        let method = format!(
            "{} held-out courses of the kind \"{}\", driven in pairs; intervals at {} %. *: significant after Holm's \
             correction for all comparisons here. {}",
            self.courses,
            s.course,
            (1000.0 * s.level).round() / 10.0,
            self.budget(),
        );
        [reference, method]
    }

    /// What the columns mean, and when a sensor is worth it, sentence by sentence: the same for all comparisons of a run.
    pub fn legend(&self) -> impl Iterator<Item = String> {
        let s = &self.settings;
        let verdict = format!(
            "Worth it: significantly faster by {} % or more at no significantly higher damage, or {:.0} % less damage at \
             no significantly longer time. Not worth it: the interval excludes a saving of {} %. Seen: obstacles \
             announced at least 50 mm before the front axle (by a gyroscope the last one) and in the right place. \
             False: announcements with nothing there. Flash: what a controller takes more with a table over it, \
             bytes on a Cortex-M0.",
            s.margin_percent,
            100.0 * (1.0 - WEAR_MARGIN),
            s.margin_percent
        );
        let quick =
            s.quick.then(|| "A quick run: too few courses and searches to conclude anything.".to_owned());
        [verdict].into_iter().chain(quick)
    }
}

impl SensorWorth {
    /// What it is worth, in a sentence or two.
    #[must_use]
    pub fn sentence(&self) -> String {
        let time = if self.saved_percent.mean < 0.0 { "loses" } else { "saves" };
        let saved = Estimate {
            mean: self.saved_percent.mean.abs(),
            low: if self.saved_percent.mean < 0.0 {
                -self.saved_percent.high
            } else {
                self.saved_percent.low
            },
            high: if self.saved_percent.mean < 0.0 {
                -self.saved_percent.low
            } else {
                self.saved_percent.high
            },
            ..self.saved_percent
        };
        let wear = self.damage_ratio.map_or_else(String::new, |ratio| {
            let change = 100.0 * (ratio.mean - 1.0);
            format!(" Damage: {change:+.0} %.")
        });
        let gap = self
            .gap_percent
            .filter(|gap| *gap > 0.0)
            .map_or_else(String::new, |gap| format!(", {gap:.0} % of what the plan saves"));
        let drag = if self.carrying_percent >= 0.05 {
            format!(" Fitted and not used, its drag costs {:.1} %.", self.carrying_percent)
        } else {
            String::new()
        };
        format!(
            "{}: {}. It {time} {} of the course time{gap}.{wear}{drag}",
            self.card.name,
            self.verdict.words(),
            interval(saved)
        )
    }
}

/// The cells of a row in columns.
fn line(cells: &[String; 7]) -> String {
    let [name, time, damage, seen, invented, flash, verdict] = cells;
    format!("{name:<14}{time:>21}{damage:>8}{seen:>7}{invented:>7}{flash:>7}  {verdict}\n")
}

/// The figures of a sensor: name, time saved, damage, announced, falsely announced, program memory, verdict.
fn cells(sensor: &SensorWorth, level: f64) -> [String; 7] {
    let share = |share: Option<f64>| share.map_or_else(|| "-".to_owned(), |share| format!("{share:.0} %"));
    let star = |p: f64| if p < 1.0 - level { "*" } else { " " };
    let saved = sensor.saved_percent;
    let damage = sensor.damage_ratio.map_or_else(
        || "-".to_owned(),
        |ratio| format!("{:+.0} %{}", 100.0 * (ratio.mean - 1.0), star(sensor.damage_p)),
    );
    [
        sensor.card.name.clone(),
        format!("{:+.1} ({:+.1} to {:+.1}){}", saved.mean, saved.low, saved.high, star(sensor.time_p)),
        damage,
        share(sensor.card.sighting.announced_percent),
        share(sensor.card.sighting.false_percent),
        sensor.card.flash_bytes.map_or_else(|| "-".to_owned(), |bytes| bytes.to_string()),
        sensor.verdict.words().to_owned(),
    ]
}

/// "1.2 % (0.4 to 2.0 %)".
fn interval(percent: Estimate) -> String {
    format!("{:.1} % ({:.1} to {:.1} %)", percent.mean, percent.low, percent.high)
}
