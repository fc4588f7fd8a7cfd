//! What to do: one recommendation from differences that are significant after correction.

use super::policies::{Significance, significance};
use super::text::{number, percent, signed_percent};
use lowgear_eval::PolicyId;
use lowgear_eval::summary::{Metric, PairedDifference, Summary};

/// What a difference in course time says about a change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Gain {
    /// Significantly faster.
    Yes,
    /// Not significant either way.
    Unproven,
    /// Significantly slower.
    No,
}

fn gain(difference: &PairedDifference, level: f64) -> Gain {
    match significance(difference, level) {
        Significance::Corrected if difference.mean < 0.0 => Gain::Yes,
        Significance::Corrected => Gain::No,
        Significance::None | Significance::Uncorrected => Gain::Unproven,
    }
}

/// The size of a difference, "18.1 %".
fn size(difference: &PairedDifference) -> String {
    difference.percent.map_or_else(
        || format!("{} s", number(difference.mean.abs())),
        |of_mean| format!("{} %", percent(of_mean.abs())),
    )
}

/// The same with its sign, "−0.8 %".
fn signed_size(difference: &PairedDifference) -> String {
    difference.percent.map_or_else(
        || format!("{} s", number(difference.mean)),
        |of_mean| format!("{} %", signed_percent(of_mean)),
    )
}

/// Whether tuning pays, and whether the table and the network pay on top of it.
pub(super) struct Found<'a> {
    pub(super) tuning: Option<(Gain, &'a PairedDifference)>,
    pub(super) table: Option<(Gain, &'a PairedDifference)>,
    pub(super) network: Option<(Gain, &'a PairedDifference)>,
}

pub(super) fn found(summary: &Summary) -> Found<'_> {
    let (roles, level) = (&summary.roles, summary.study.level);
    let compare = |policy: &str, against: &str| {
        let difference = summary.difference(policy, against, Metric::CourseTime)?;
        Some((gain(difference, level), difference))
    };
    Found {
        tuning: compare(&roles.tuned_rule, &roles.hand_rule),
        table: compare(&roles.subject, &roles.tuned_rule),
        network: summary.network.as_ref().and_then(|_| compare(&PolicyId::Network, &roles.tuned_rule)),
    }
}

/// "Table: yes, 2.0 % more."
fn pays(name: &str, found: Option<(Gain, &PairedDifference)>) -> Option<String> {
    found.map(|(gain, d)| match gain {
        Gain::Yes => format!("{name}: yes, {} more.", size(d)),
        Gain::No => format!("{name}: no, {} slower.", size(d)),
        Gain::Unproven => format!("{name}: no proven gain ({}).", signed_size(d)),
    })
}

/// "Tune: yes, 18.1 % faster. Table: no proven gain (−0.8 %)."
pub(super) fn headline(summary: &Summary) -> String {
    let found = found(summary);
    let tuning = match found.tuning {
        Some((Gain::Yes, d)) => format!("Tune: yes, {} faster.", size(d)),
        Some((Gain::No, d)) => format!("Tune: no, {} slower.", size(d)),
        Some((Gain::Unproven, d)) => format!("Tune: no proven gain ({}).", signed_size(d)),
        None => "Tuning was not compared.".to_owned(),
    };
    let table = pays("Table", found.table).unwrap_or_else(|| "No table was compared.".to_owned());
    let network = pays("Network", found.network).map_or_else(String::new, |words| format!(" {words}"));
    let quick = if summary.study.quick { "Quick run, conclude nothing. " } else { "" };
    format!("{quick}{tuning} {table}{network}")
}

/// What to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Action {
    FlashTable,
    FlashNetwork,
    TypeIn,
    Keep,
}

impl Action {
    /// In one line.
    pub(super) const fn words(self) -> &'static str {
        match self {
            Action::FlashTable => "Flash the table",
            Action::FlashNetwork => "Flash the network",
            Action::TypeIn => "Type in these thresholds",
            Action::Keep => "Keep the hand-written rule",
        }
    }
}

/// The network takes more memory than the table, so that it is recommended only where the table has no proven gain or is
/// significantly slower.
pub(super) fn action(summary: &Summary) -> Action {
    let found = found(summary);
    let is = |part: &Option<(Gain, &PairedDifference)>, gain| part.is_some_and(|(found, _)| found == gain);
    let table = is(&found.table, Gain::Yes) && summary.table.is_some();
    let between = summary.difference(&summary.roles.subject, &PolicyId::Network, Metric::CourseTime);
    let table_is_slower = between.is_some_and(|d| gain(d, summary.study.level) == Gain::No);
    if is(&found.network, Gain::Yes) && (!table || table_is_slower) {
        Action::FlashNetwork
    } else if table {
        Action::FlashTable
    } else if is(&found.tuning, Gain::Yes) {
        Action::TypeIn
    } else {
        Action::Keep
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::example::{add_network, summary};

    pub(crate) fn pair<'a>(
        summary: &'a mut Summary,
        policy: &str,
        against: &str,
        metric: Metric,
    ) -> &'a mut PairedDifference {
        let mut found = summary.paired.iter_mut();
        found.find(|d| d.metric == metric && d.policy == *policy && d.against == *against).unwrap()
    }

    pub(crate) fn set(summary: &mut Summary, policy: &str, against: &str, mean: f64, p: f64) {
        let d = pair(summary, policy, against, Metric::CourseTime);
        (d.mean, d.low, d.high, d.percent, d.corrected_p) =
            (mean, mean - 1.0, mean + 1.0, Some(mean), Some(p));
    }

    #[test]
    fn the_recommendation_follows_the_corrected_figures() {
        let mut summary = summary();
        for (tuning, table, words, action_words) in [
            (
                (-18.0, 1e-9),
                (-0.8, 0.2),
                "Tune: yes, 18.0 % faster. Table: no proven gain (−0.8 %).",
                "Type in these thresholds",
            ),
            (
                (-18.0, 1e-9),
                (-2.0, 0.01),
                "Tune: yes, 18.0 % faster. Table: yes, 2.0 % more.",
                "Flash the table",
            ),
            (
                (-5.0, 0.2),
                (3.0, 0.01),
                "Tune: no proven gain (−5.0 %). Table: no, 3.0 % slower.",
                "Keep the hand-written rule",
            ),
        ] {
            set(&mut summary, "tuned-speed", "hand-rule", tuning.0, tuning.1);
            set(&mut summary, "table", "tuned-speed", table.0, table.1);
            assert_eq!(headline(&summary), words);
            assert_eq!(action(&summary).words(), action_words);
        }
    }

    #[test]
    fn the_network_is_recommended_where_the_table_does_not_pay_or_is_significantly_slower() {
        let mut summary = summary();
        set(&mut summary, "tuned-speed", "hand-rule", -18.0, 1e-9);
        assert!(!headline(&summary).contains("Network"));
        add_network(&mut summary);
        for (table, network, between, words, action_words) in [
            ((-0.8, 0.2), (-1.2, 0.01), (0.4, 0.5), "gain (−0.8 %). Network: yes, 1.2 % more.", "network"),
            ((-2.0, 0.01), (-2.2, 0.01), (0.2, 0.5), "yes, 2.0 % more. Network: yes, 2.2 % more.", "table"),
            (
                (-2.0, 0.01),
                (-3.0, 0.01),
                (1.0, 0.01),
                "yes, 2.0 % more. Network: yes, 3.0 % more.",
                "network",
            ),
            ((-2.0, 0.01), (-1.0, 0.3), (-1.0, 0.01), "Network: no proven gain (−1.0 %).", "table"),
        ] {
            set(&mut summary, "table", "tuned-speed", table.0, table.1);
            set(&mut summary, "network", "tuned-speed", network.0, network.1);
            set(&mut summary, "table", "network", between.0, between.1);
            assert!(headline(&summary).ends_with(words), "{}", headline(&summary));
            assert_eq!(action(&summary).words(), format!("Flash the {action_words}"));
        }
    }
}
