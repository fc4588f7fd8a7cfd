//! Fixed texts: how to read the figures, and what to be careful about.

use maud::{Markup, html};

use super::document::{items, paragraphs};
use super::text::level_percent;
use lowgear_eval::summary::{Metric, Summary};

/// How the study was made and what its figures mean.
pub(super) fn method(summary: &Summary) -> Markup {
    let level = level_percent(summary.study.level);
    paragraphs([
        "Every policy drives the same held-out courses with the same sampled vehicles and the same noise, so \
         that differences are paired and course difficulty cancels. Training, tuning, selection and test courses \
         never overlap; no policy and no threshold was chosen by looking at the test courses."
            .to_owned(),
        format!(
            "Training seeds and courses are treated as two separate sources of variation. Intervals of means and \
             of paired differences are {level} % Student intervals: the variance between seeds and the variance \
             between courses add up, with Satterthwaite's degrees of freedom. On synthetic studies of 5 seeds and \
             100 courses they had 94 to 96 % coverage. Figures that are not plain means (interquartile mean and \
             CVaR₅ of course times, shares of the gap, probabilities of improvement) have variances from the jackknife over \
             seeds and over courses, and the same quantiles: on the same studies they had 94 to 96 % coverage as well. \
             Intervals of probabilities of improvement are too narrow (82 % coverage) where every training seed wins or \
             loses on nearly all courses."
        ),
        "A rule or a plan has no training seed; its intervals stem from the courses alone. Percentages are \
         scaled by the mean of the policy compared with, taken as exact. Corrected p-values hold for all \
         comparisons of the study together (Holm). Intervals are not corrected for the number of comparisons; those of \
         means are clipped to the possible range of the value, such as damage not below zero."
            .to_owned(),
        "Figures per distance (energy, shifts, reversals, failed upshifts, missed engagements, damage) are ratios of \
         totals: the sum over all episodes of a policy, divided by the distance covered in them."
            .to_owned(),
        "The clairvoyant plan knows the course and is executed in the same world as the others. Its course \
         time is attainable with full knowledge of the course, but not proven to be optimal, since its search uses a \
         grid. The plan's own value, where one is given, leaves out noise and missed engagements and is an \
         optimistic bound. Part of the gap can be closed only by a policy with preview."
            .to_owned(),
        "Charts are scaled to the policy under test, the tuned rules, the best learned policy and the plan; policies far \
         off the scale are drawn as arrows with their values. Every table holds all policies."
            .to_owned(),
        "Damage is counted from the torque history of each gear by rainflow counting and the linear damage rule \
         on the torque-life curve of the vehicle file; 1 is nominal life. It ranks strategies; it does not \
         predict when a gearbox breaks."
            .to_owned(),
        "Robustness: the exported table of every training seed and the tuned load-ratio rule are evaluated \
         again on the first test courses with two properties of the vehicle perturbed at once and everything else sampled \
         as before; the controller keeps its constants. Mass multiplies the file's mass; charge, tilt bias \
         and latency replace their sampled values; encoder noise replaces the sensor's; latency delays encoder, battery, \
         current and tilt (the servo reads the selector's angle itself); gear wear 1 reduces every efficiency by a fifth, halves the gap \
         through which the dogs engage and triples the selector's arrival error. No policy was selected by these \
         figures."
            .to_owned(),
        "Search is counted in simulated controller ticks, so that the budgets of a tuned rule and of a learner can \
         be compared."
            .to_owned(),
    ])
}

/// What to be careful about, the study's own findings first.
pub(super) fn cautions_of(summary: &Summary) -> Markup {
    let mut lines: Vec<String> = damage(summary).into_iter().collect();
    lines.extend(LINES.map(str::to_owned));
    listed(lines)
}

/// What to be careful about, whatever was found.
pub(super) fn cautions() -> Markup {
    listed(LINES)
}

/// The policies that use up more than a whole gearbox on a course of mean length.
fn damage(summary: &Summary) -> Option<String> {
    let course_km = 1e-3 * summary.test_suite.total_length_m / summary.test_suite.courses.max(1) as f64;
    let beyond = summary.policies.iter().filter(|policy| {
        policy.metrics.get(&Metric::Damage).is_some_and(|damage| damage.mean * course_km > 1.0)
    });
    let names: Vec<&str> = beyond.map(|policy| policy.record.label.as_str()).collect();
    (!names.is_empty()).then(|| {
        format!(
            "More than one nominal gearbox life within a single course, on average: {}. The torques exceed the range \
             of the torque-life curve: check knee torque, stiffness and gears in the vehicle file before anything is \
             concluded.",
            names.join(", ")
        )
    })
}

const LINES: [&str; 7] = [
    "All figures are simulation only. A table is as good as the vehicle file behind it: check motor, \
         gears, battery and ground against the real vehicle first.",
    "A motor that is stalled or climbing turns its power into heat and can pass 100 °C within a minute or \
         two. Set a current limit and a stall time-out, let it cool, and do not touch it.",
    "Lithium cells can burn. Use a protected, fused pack and the right charger, charge it attended on a \
         surface that does not burn, never use it swollen, wet or below its cut-off voltage.",
    "Gears, dogs, selector and wheels are pinch points and move without warning. Keep fingers, hair and \
         cloth away.",
    "Do the first run of every new table with the wheels off the ground and the vehicle held, then at low \
         duty on clear, flat ground.",
    "Keep an emergency stop or the battery plug within reach. Loss of signal, a failed shift and a stale \
         sensor must end in zero drive. On a slope, neutral means rolling away: chock the wheels.",
    "For small unmanned vehicles only: never for vehicles that carry or lift people, and not for public \
         roads. Local rules and the judgement of qualified people come before anything said here.",
];

fn listed(lines: impl IntoIterator<Item = impl AsRef<str>>) -> Markup {
    html! { ul.cautions { "\n" (items(lines)) } "\n" }
}
