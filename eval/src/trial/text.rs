//! Plans and results in words.

use super::plan::{Claim, ClaimPlan, MOST_PLANNED, POWER, TrialPlan};
use super::power::MOST_PAIRS;
use super::result::{PolicyLaps, Trial, Verdict};
use std::fmt::Write as _;

/// What a trial is not. Every plan and every verdict carries it.
pub const SCOPE: &str = "This is about lap time and wear on this ground, with this vehicle, on these days. It is no \
    statement about safety: a faster policy may stall, slip or fail in places where these laps did not go.";

/// When to stop a trial whatever the figures are.
pub const STOP_FOR: [&str; 6] = [
    "a smell, smoke, a motor or battery too hot to touch: stop, unplug, let it cool in the open",
    "a lap that ends in a stall, a fault or in neutral on a slope: cut the drive, chock the wheels, find the cause",
    "a wheel, dog, arm or wire that is loose, and any noise that was not there before",
    "a battery below its cut-off, swollen or wet",
    "a person or an animal near the course",
    "rain, dusk, or ground that has changed: finish the pair or drop it, and begin another day with new pairs",
];

impl TrialPlan {
    /// The plan as plain text.
    #[must_use]
    pub fn text(&self) -> String {
        let s = &self.settings;
        let [reference, tested] = &s.policies;
        let mut out =
            format!("TRIAL: {tested} (policy 1) against {reference} (policy 0)\n\n{}\n\n", self.lead());
        let _ = writeln!(
            out,
            "{:<24} {:>10} {:>11} {:>9} {:>9} {:>9}",
            "claim", "scatter, %", "fixed pairs", "mean", "half by", "80 % by"
        );
        for claim in &self.claims {
            let [fixed, mean, median, eighty] = cells(claim);
            let (words, scatter) = (claim.claim.words(s.margin_percent), claim.scatter_percent);
            let _ =
                writeln!(out, "{words:<24} {scatter:>10.1} {fixed:>11} {mean:>9} {median:>9} {eighty:>9}");
        }
        let _ = writeln!(out, "\n{}\n\nOrder of the laps:", table_note(s.level));
        for (pair, first) in self.order.iter().enumerate() {
            let [a, b] = if *first { [tested, reference] } else { [reference, tested] };
            let change = if self.change_battery_after(pair) { "   then change the battery" } else { "" };
            let lap = 2 * pair + 1;
            let _ = writeln!(out, "  pair {:>3}: lap {lap:>3} {a}, lap {:>3} {b}{change}", pair + 1, lap + 1);
        }
        out.push_str("\nRules:\n");
        self.rules().iter().for_each(|rule| out.push_str(&format!("  - {rule}\n")));
        out.push_str("\nStop for:\n");
        STOP_FOR.iter().for_each(|reason| out.push_str(&format!("  - {reason}\n")));
        let _ = write!(out, "\n{SCOPE}\n");
        out
    }

    /// What the plan is for, and whether that is realistic.
    #[must_use]
    pub fn lead(&self) -> String {
        let s = &self.settings;
        let claim = s.claim.words(s.margin_percent);
        let base = format!(
            "{} pairs of laps, planned for the claim \"{claim}\" if the true gain is {} % and a pair scatters by {} %.",
            self.order.len(),
            s.gain_percent,
            s.scatter_percent
        );
        match self.needed {
            Some(needed) if needed <= self.order.len() => {
                format!("{base} Four trials in five have their verdict by pair {needed}.")
            }
            Some(needed) => format!(
                "{base} That is too few: four trials in five have their verdict by pair {needed}. Reduce the scatter \
                 (longer laps, same start, same line), or aim at a wider margin."
            ),
            None => format!(
                "{base} This claim is out of reach: fewer than four trials in five have a verdict after {MOST_PAIRS} \
                 pairs. Reduce the scatter, or aim at a wider margin."
            ),
        }
    }

    /// Whether the battery is changed after this pair, counted from 0.
    #[must_use]
    pub fn change_battery_after(&self, pair: usize) -> bool {
        (pair + 1).is_multiple_of(self.settings.pairs_per_battery) && pair + 1 < self.order.len()
    }

    /// How to drive.
    #[must_use]
    pub fn rules(&self) -> Vec<String> {
        vec![
            "Drive the laps in this order. A lap that is spoiled from outside (someone in the way, a wrong start) is \
             driven again at once with the same number; say so in the notes. A lap in which the vehicle got stuck is \
             not spoiled: it belongs to its policy."
                .to_owned(),
            "Choose the policy before the lap; begin the lap label at the start line and end it at the finish line. \
             One line, one start from rest, full duty unless the course needs less."
                .to_owned(),
            format!(
                "Change the battery only between pairs, after every {} pairs at the latest: within a pair both laps \
                 have nearly the same charge.",
                self.settings.pairs_per_battery
            ),
            "After the first four pairs run `lowgear trial judge` and compare the scatter with that of this plan. You \
             may look after every pair and stop when you like; the interval allows for it."
                .to_owned(),
        ]
    }
}

/// The numbers of a claim as text: fixed, mean, median, 80 %.
#[must_use]
pub fn cells(claim: &ClaimPlan) -> [String; 4] {
    let shown = |pairs: Option<usize>| pairs.map_or_else(|| format!("> {MOST_PAIRS}"), |n| n.to_string());
    let mean = match claim.sequential.eighty_percent {
        Some(_) => format!("{:.1}", claim.sequential.mean),
        None => "-".to_owned(),
    };
    [shown(claim.fixed), mean, shown(claim.sequential.median), shown(claim.sequential.eighty_percent)]
}

/// What the columns of the table of claims mean.
#[must_use]
pub fn table_note(level: f64) -> String {
    format!(
        "Fixed: pairs of a paired t test whose number is set in advance, power {:.0} %. The others: pairs of a trial that \
         is looked at after every pair and stopped at its verdict, from 2000 simulated trials. Both are wrong in at most \
         {:.1} % of trials to either side.",
        100.0 * POWER,
        50.0 * (1.0 - level)
    )
}

impl Trial {
    /// The verdict in a sentence.
    #[must_use]
    pub fn verdict_sentence(&self) -> String {
        let [reference, tested] = &self.settings.policies;
        let level = percent_level(self.settings.level);
        let margin = self.settings.margin_percent;
        match self.verdict {
            Verdict::Faster => {
                format!("{tested} is faster than {reference} on this ground ({level} % confidence).")
            }
            Verdict::NotSlower => format!(
                "{tested} is at most {margin} % slower than {reference} on this ground ({level} % confidence); it is not \
                 shown to be faster."
            ),
            Verdict::Slower => {
                format!("{tested} is slower than {reference} on this ground ({level} % confidence).")
            }
            Verdict::Open => {
                format!("No verdict yet: neither {tested} nor {reference} is shown to be faster.")
            }
        }
    }

    /// The interval in a sentence.
    #[must_use]
    pub fn interval_sentence(&self) -> String {
        let Some(last) = self.steps.last() else {
            return "There is no pair of laps that counts.".to_owned();
        };
        let pairs = if last.pairs == 1 { "1 pair".to_owned() } else { format!("{} pairs", last.pairs) };
        let mean = format!(
            "{pairs}: {} saves {:+.2} % of the lap time",
            self.settings.policies[1],
            100.0 * last.mean
        );
        match last.interval {
            Some([low, high]) => format!(
                "{mean} ({:+.2} to {:+.2} %, holds at every number of pairs together); a pair scatters by {:.2} %.",
                100.0 * low,
                100.0 * high,
                100.0 * last.sd
            ),
            None if last.pairs > 1 && last.sd <= 0.0 => {
                format!("{mean}; all pairs are alike, so there is no interval: is the clock too coarse?")
            }
            None => format!("{mean}; too few pairs for an interval."),
        }
    }

    /// What further laps would bring, one sentence a claim.
    #[must_use]
    pub fn further_pairs_sentences(&self) -> Vec<String> {
        let of = |(claim, more): &(Claim, Option<usize>)| {
            let words = claim.words(self.settings.margin_percent);
            match more {
                Some(more) => format!(
                    "If mean and scatter stay as they are, about {more} more pairs would show \"{words}\"."
                ),
                None => format!(
                    "If mean and scatter stay as they are, {MOST_PAIRS} pairs would not show \"{words}\"."
                ),
            }
        };
        self.further_pairs.iter().map(of).collect()
    }

    /// What a reader should know of the laps before the verdict is believed.
    #[must_use]
    pub fn remarks(&self) -> Vec<String> {
        let mut remarks = Vec::new();
        let names = &self.settings.policies;
        let stuck = self.of_policy.map(|policy| policy.unfinished);
        if stuck != [0, 0] {
            remarks.push(format!(
                "Laps begun and not finished: {} by {}, {} by {}. They have no time and so do not count; if a policy got \
                 stuck in them, the verdict is too good for it.",
                stuck[0], names[0], stuck[1], names[1]
            ));
        }
        let fell_back = self.laps.iter().filter(|lap| lap.fallback && lap.fault.is_none()).count();
        if fell_back > 0 {
            remarks.push(format!(
                "In {fell_back} of the laps that count the monitor went back to the rule; they belong to {}, which drives with \
                 that monitor.",
                names[1]
            ));
        }
        let (first, pairs) = (self.tested_first(), self.pairs.len());
        if pairs >= 4 && (first == 0 || first == pairs) {
            remarks.push(format!(
                "{} always drove {} in its pair: a battery that falls, or a motor that warms up, then counts as a \
                 difference of the policies. Swap the order at random, as in a plan.",
                names[1],
                if first == 0 { "second" } else { "first" }
            ));
        }
        if self.pairs.len() > MOST_PLANNED {
            remarks.push("More pairs than a plan has: did the ground stay the same?".to_owned());
        }
        remarks
    }

    /// What simulation of the same laps did to the interval, if there was any.
    #[must_use]
    pub fn control_sentence(&self) -> Option<String> {
        let (control, plain) = (self.control?, self.plain?);
        let without = match plain.interval {
            Some([low, high]) => {
                format!("{:+.2} % ({:+.2} to {:+.2} %)", 100.0 * plain.mean, 100.0 * low, 100.0 * high)
            }
            None => format!("{:+.2} %, without an interval", 100.0 * plain.mean),
        };
        Some(format!(
            "The differences are measured less what the model predicts from battery and motor at the start of the laps \
             ({} of {} pairs; coefficient of the next pair {:.2}, each from the pairs before it). That leaves {:.0} % of \
             their variance. Without it: {without}.",
            control.pairs,
            self.pairs.len(),
            control.coefficient,
            100.0 * control.variance_ratio
        ))
    }

    /// Rows of the table of time and wear: what, then a figure for each policy, then their difference over pairs.
    #[must_use]
    pub fn wear_rows(&self) -> Vec<[String; 4]> {
        let row = |what: &str, of: &dyn Fn(&PolicyLaps) -> String| {
            [what.to_owned(), of(&self.of_policy[0]), of(&self.of_policy[1]), String::new()]
        };
        let mut rows = vec![
            row("laps that count", &|p| p.laps.to_string()),
            row("laps not finished", &|p| p.unfinished.to_string()),
            row("mean lap time, s", &|p| format!("{:.2}", p.time_s)),
        ];
        rows.extend(
            self.wear
                .iter()
                .map(|w| [w.figure.words().to_owned(), w.mean_text(0), w.mean_text(1), w.difference_text()]),
        );
        rows
    }

    /// Laps that do not count, one a line: place, lap, reason.
    #[must_use]
    pub fn unusable(&self, files: &[String]) -> Vec<String> {
        let of = |lap: &super::laps::Lap| {
            let fault = lap.fault.as_ref()?;
            let file = files.get(lap.file).map_or("", String::as_str);
            Some(format!("{file}, line {}: lap {}: {fault}", lap.line, lap.number))
        };
        self.laps.iter().filter_map(of).collect()
    }

    /// The result as plain text; `files` are the names of the logs.
    #[must_use]
    pub fn text(&self, files: &[String]) -> String {
        let mut out = format!("{}\n{}\n", self.verdict_sentence(), self.interval_sentence());
        let sentences = self.control_sentence().into_iter().chain(self.remarks());
        for sentence in sentences.chain(self.further_pairs_sentences()) {
            let _ = writeln!(out, "{sentence}");
        }
        let names = &self.settings.policies;
        let _ = writeln!(out, "\n{:<36} {:>10} {:>10}  difference (its interval)", "", names[0], names[1]);
        for [what, reference, tested, difference] in self.wear_rows() {
            let line = format!("{what:<36} {reference:>10} {tested:>10}  {difference}");
            let _ = writeln!(out, "{}", line.trim_end());
        }
        if !self.wear.is_empty() {
            let _ = writeln!(out, "{}", wear_note(self.settings.level));
        }
        let unusable = self.unusable(files);
        if !unusable.is_empty() {
            let _ = writeln!(out, "\nLaps that do not count:");
            unusable.iter().for_each(|line| out.push_str(&format!("  {line}\n")));
        }
        let _ = write!(out, "\n{SCOPE}\n");
        out
    }
}

/// What the intervals of wear hold for.
#[must_use]
pub fn wear_note(level: f64) -> String {
    format!(
        "Differences are means of tested less reference, over pairs. Each interval holds at every number of pairs together, {} % for \
         its figure alone; none is part of the verdict.",
        percent_level(level)
    )
}

/// A level in percent, without needless zeros.
#[must_use]
pub fn percent_level(level: f64) -> String {
    let text = format!("{:.2}", 100.0 * level);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
