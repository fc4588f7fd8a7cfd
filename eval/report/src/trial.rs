//! Pages of a trial on the ground: the plan to print, and the verdict with its evidence.

use super::document::{begin, chart_document, items, section, sheet_document};
use super::panels::group;
use super::prose;
use super::recipes;
use super::tables::table;
use super::text::{plural, typeset};
use lowgear_eval::trial::plan::TrialPlan;
use lowgear_eval::trial::result::Trial;
use lowgear_eval::trial::text::{SCOPE, STOP_FOR, cells, table_note, wear_note};
use maud::{Markup, html};

mod interval;

/// The plan as a page to print: pairs, order, rules, what to stop for, cautions.
#[must_use]
pub fn plan_page(plan: &TrialPlan) -> String {
    let [reference, tested] = &plan.settings.policies;
    let title = format!("Trial: {tested} against {reference}");
    let body = html! {
        h1 { (typeset(&title)) } "\n"
        p { (typeset(&plan.lead())) } "\n"
        div.caution { h2 { "Before anything else" } ul { (items(recipes::CAUTIONS)) } p { (typeset(SCOPE)) } } "\n"
        section { h2 { "Stop for" } ul { (items(STOP_FOR)) } } "\n"
        section { h2 { "Rules" } ol { @for rule in plan.rules() { li { (recipes::with_code(&rule)) } } } } "\n"
        section { h2 { "Laps" } (order_table(plan)) } "\n"
        section {
            h2 { "Pairs that a claim takes" }
            (claims_table(plan))
            p { (typeset(&table_note(plan.settings.level))) }
        } "\n"
    };
    sheet_document(&title, &body)
}

fn order_table(plan: &TrialPlan) -> Markup {
    let [reference, tested] = &plan.settings.policies;
    let rows = plan.order.iter().enumerate().map(|(pair, first)| {
        let [a, b] = if *first { [tested, reference] } else { [reference, tested] };
        let lap = 2 * pair + 1;
        let change = if plan.change_battery_after(pair) { "change the battery now" } else { "" };
        [
            (pair + 1).to_string(),
            format!("{lap}: {a}"),
            format!("{}: {b}", lap + 1),
            String::new(),
            change.to_owned(),
        ]
    });
    table(
        "Number of the lap and who drives it",
        &["pair", "first lap", "second lap", "notes", "after the pair"],
        rows,
    )
}

fn claims_table(plan: &TrialPlan) -> Markup {
    let margin = plan.settings.margin_percent;
    let rows = plan.claims.iter().map(|claim| {
        let [fixed, mean, median, eighty] = cells(claim);
        [claim.claim.words(margin), format!("{:.1}", claim.scatter_percent), fixed, mean, median, eighty]
    });
    let head =
        ["claim", "scatter of a pair, %", "fixed number", "mean", "half of the trials by", "four in five by"];
    table("Pairs", &head, rows)
}

/// The result as a page; `files` are the names of the logs.
#[must_use]
pub fn trial_page(trial: &Trial, files: &[String]) -> String {
    let [reference, tested] = &trial.settings.policies;
    let title = format!("Trial: {tested} against {reference}");
    let lead =
        format!("{} that count, from {}.", plural(trial.pairs.len(), "pair"), plural(files.len(), "log"));
    let unusable = trial.unusable(files);
    let body = html! {
        (begin("#verdict", "To the verdict"))
        header { p.kicker { "Trial on the ground" } h1 { (typeset(&title)) } p.lead { (typeset(&lead)) } } "\n"
        main { "\n"
            (section("verdict", "Verdict", &verdict_body(trial)))
            @if !trial.steps.is_empty() {
                (section("pictures", "Evidence over pairs", &group(&[interval::interval_over_pairs(trial)])))
            }
            (section("wear", "Time and wear", &wear_table(trial)))
            (section("pairs", "Pairs", &pair_table(trial)))
            @if !unusable.is_empty() {
                (section("unusable", "Laps that do not count", &html! { ul { "\n" (items(&unusable)) } "\n" }))
            }
            (section("method", "Method", &html! { p { (typeset(METHOD)) } "\n" }))
            (section("cautions", "Cautions", &prose::cautions()))
        } "\n"
    };
    chart_document(&title, &body)
}

const METHOD: &str = "The figure is the mean over pairs of the relative difference of the two lap times, as a share of \
    their mean. Its interval is a confidence sequence for normal differences with unknown standard deviation, from a \
    likelihood ratio averaged over a half-normal prior of the effect: it holds the true mean at all numbers of pairs \
    together, so the trial may be stopped at any time. Differences of equal policies driven in random order are \
    symmetric about 0; in simulated trials with long tails, single very slow laps, a falling battery or a coarse \
    clock the verdict on equal policies was wrong less often than its nominal error. With the model \
    of the vehicle, what it predicts from charge and warmth at the start of the laps is taken off as a control variate, with \
    a coefficient from earlier pairs alone: this shortens the interval where the model is good and never moves its mean. \
    Damage is computed from the logged motor speed, duty and voltage through the model's torque and rainflow counting. A \
    lap that was not finished has no time and is not part of the figure.";

fn verdict_body(trial: &Trial) -> Markup {
    let remarks =
        trial.control_sentence().into_iter().chain(trial.remarks()).chain(trial.further_pairs_sentences());
    html! {
        p.verdict { (typeset(&trial.verdict_sentence())) } "\n"
        ul.remarks { "\n" (items(std::iter::once(trial.interval_sentence()).chain(remarks))) } "\n"
        p.note { (typeset(SCOPE)) } "\n"
    }
}

fn wear_table(trial: &Trial) -> Markup {
    let [reference, tested] = &trial.settings.policies;
    html! {
        (table("Per policy, laps that count", &["figure", reference, tested, "difference (its interval)"], trial.wear_rows()))
        p.note { (typeset(&wear_note(trial.settings.level))) } "\n"
    }
}

fn pair_table(trial: &Trial) -> Markup {
    let [reference, tested] = &trial.settings.policies;
    let rows = trial.pairs.iter().map(|pair| {
        let first = if pair.tested_first { tested } else { reference };
        let [reference_s, tested_s] = pair.time_s.map(|s| format!("{s:.2}"));
        [pair.number.to_string(), reference_s, tested_s, format!("{:+.2}", 100.0 * pair.saved), first.clone()]
    });
    let head = ["pair", &format!("{reference}, s"), &format!("{tested}, s"), "saved, %", "drove first"];
    table("Lap times", &head, rows)
}

#[cfg(test)]
mod tests {
    use super::*;
    use lowgear_env::Seed;
    use lowgear_eval::trial::laps::{Lap, LapFault, LapWear};
    use lowgear_eval::trial::plan::{Claim, PlanSettings};
    use lowgear_eval::trial::result::TrialSettings;

    const POLICIES: [&str; 2] = ["hand rule", "<table>"];

    fn trial() -> Trial {
        let lap = |number: u32| Lap {
            file: 0,
            line: u64::from(number),
            number,
            policy: Some(((number / 2) % 2) as u8),
            time_s: 30.0 + f64::from(number % 5) / 10.0 - if (number / 2) % 2 == 1 { 1.0 } else { 0.0 },
            distance_m: None,
            wear: LapWear { shifts: Some(3), failed_upshifts: 0, missed_engagements: None },
            modelled: None,
            predicted_s: None,
            fallback: false,
            gaps: 0,
            fault: (number == 21).then_some(LapFault::Unfinished),
        };
        let settings = TrialSettings {
            policies: POLICIES.map(str::to_owned),
            level: 0.95,
            margin_percent: 1.0,
            left_out: vec![],
        };
        Trial::new((1..=22).map(lap).collect(), settings)
    }

    #[test]
    fn the_verdict_stands_with_its_evidence_and_never_promises_safety() {
        let page = trial_page(&trial(), &["day & night.csv".to_owned()]);
        for words in [
            "&lt;table&gt; is faster than hand rule",
            "<polyline",
            "day &amp; night.csv, line 21: lap 21",
            "no statement about safety",
        ] {
            assert!(page.contains(words), "no {words:?} in:\n{page}");
        }
        for word in [" safe.", " safe ", "<table> is", "NaN", " inf", ">inf"] {
            assert!(!page.contains(word), "{word:?} in:\n{page}");
        }
        let none = Trial::new(vec![], trial().settings);
        assert!(trial_page(&none, &[]).contains("There is no pair of laps that counts."));
    }

    #[test]
    fn a_plan_lists_every_lap_once_and_says_what_to_stop_for() {
        let settings = PlanSettings {
            gain_percent: 4.0,
            scatter_percent: 3.0,
            margin_percent: 1.0,
            claim: Claim::Faster,
            level: 0.95,
            pairs: Some(7),
            pairs_per_battery: 3,
            policies: POLICIES.map(str::to_owned),
            seed: Seed(3),
        };
        let page = plan_page(&TrialPlan::new(settings));
        for lap in 1..=14 {
            assert_eq!(page.matches(&format!("<td>{lap}: ")).count(), 1, "lap {lap}");
        }
        assert_eq!(page.matches("change the battery now").count(), 2);
        assert!(page.contains("smoke") && page.contains("no statement about safety"), "{page}");
    }
}
