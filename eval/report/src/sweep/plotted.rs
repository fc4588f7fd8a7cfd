//! Which drawings a sweep has: maps over its axes, and the frontier where the weight on stress is varied.

use super::Drawn;
use crate::charts::{self, BudgetPicture, BudgetPoint, BudgetSeries, Figure};
use lowgear_eval::figures::{FrontierPoint, HeatPicture};
use lowgear_eval::statistics::Estimate;
use lowgear_eval::summary::Family;
use lowgear_eval::sweep::{PolicyFigures, SweepAxis, SweepPoint, SweepSummary};

/// The key whose axis makes a frontier.
const STRESS_WEIGHT: &str = "stress-s-per-life";

/// What a map shows of a point.
struct Shown {
    title: &'static str,
    value: &'static str,
    more_is_better: bool,
    of: fn(&PolicyFigures) -> Option<Estimate>,
}

const TIME: Shown = Shown {
    title: "course time",
    value: "Course time difference to the tuned rule, %",
    more_is_better: false,
    of: |p| p.time_difference?.percent,
};
const DAMAGE: Shown = Shown {
    title: "damage",
    value: "Difference in gearbox damage per km to the tuned rule, %",
    more_is_better: false,
    of: |p| p.damage_difference?.percent,
};
const RETURN: Shown = Shown {
    title: "return",
    value: "Return difference to the tuned rule, s",
    more_is_better: true,
    of: |p| Some(p.return_difference?.absolute),
};

/// All drawings.
pub(super) fn figures(summary: &SweepSummary) -> Drawn {
    let (mut first, mut further): (Vec<Figure>, _) = (budget(summary).into_iter().collect(), Vec::new());
    first.extend(frontiers(summary));
    first.extend(maps(summary, &TIME));
    first.extend(headroom(summary));
    further.extend(maps(summary, &DAMAGE));
    further.extend(maps(summary, &RETURN));
    Drawn { first, further }
}

/// One axis: a map of policies over its values. More: a map of the first two per policy, and per value of the
/// further ones.
fn maps(summary: &SweepSummary, shown: &Shown) -> Vec<Figure> {
    let learned = summary.learned();
    let of = |point: &SweepPoint, id: &str| (shown.of)(point.policy(id)?);
    let pictures = match summary.axes.as_slice() {
        [] => vec![],
        [only] => vec![HeatPicture {
            title: format!("All learned policies: {}", shown.title),
            value_title: shown.value.to_owned(),
            more_is_better: shown.more_is_better,
            x_title: title(only),
            x_values: only.values.clone(),
            y_title: "policy".to_owned(),
            y_values: learned.iter().rev().map(|(_, label)| (*label).to_owned()).collect(),
            cells: learned
                .iter()
                .rev()
                .flat_map(|(id, _)| summary.points.iter().map(|p| of(p, id)))
                .collect(),
        }],
        _ => learned
            .iter()
            .flat_map(|(id, label)| {
                planes(
                    summary,
                    &format!("{label}: {}", shown.title),
                    shown.value,
                    shown.more_is_better,
                    |p| of(p, id),
                )
            })
            .collect(),
    };
    pictures.iter().filter_map(|picture| charts::heat_map(picture, summary.level)).collect()
}

/// The key whose axis is a budget.
const EFFORT: &str = "effort";

/// Where the budget alone is varied: what each policy reaches with it.
fn budget(summary: &SweepSummary) -> Option<Figure> {
    let [axis] = summary.axes.as_slice() else { return None };
    if axis.key.as_deref() != Some(EFFORT) {
        return None;
    }
    let factor = |point: &SweepPoint| axis.values.get(*point.place.first()?)?.parse::<f64>().ok();
    let mut points: Vec<(f64, &SweepPoint)> =
        summary.points.iter().filter_map(|point| Some((factor(point)?, point))).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let result = |&(budget, point): &(f64, &SweepPoint), id: &str| {
        let (difference, ticks) = match (point.policy(id), &point.rule) {
            (Some(policy), _) => (policy.hand_difference?, policy.record.search_ticks),
            (None, Some(rule)) if id == TUNED => (rule.hand_difference?, rule.search_ticks),
            _ => return None,
        };
        Some(BudgetPoint { budget, percent: difference.percent?, search_ticks: ticks })
    };
    let rule = points.iter().find_map(|(_, point)| Some((TUNED, point.rule.as_ref()?.label.as_str())));
    let policies = rule.into_iter().chain(summary.learned()).map(|(id, label)| BudgetSeries {
        label: label.to_owned(),
        points: points.iter().filter_map(|point| result(point, id)).collect(),
    });
    let picture = BudgetPicture {
        title: "Result over budget".to_owned(),
        budgets: points.iter().map(|(budget, _)| *budget).collect(),
        policies: policies.collect(),
    };
    charts::budgets(&picture, summary.level)
}

/// Stands for the tuned rule, which others are compared with.
const TUNED: &str = "";

/// The distance of the rule to the plan.
fn headroom(summary: &SweepSummary) -> Vec<Figure> {
    if summary.axes.len() < 2 {
        return vec![];
    }
    let value = "Course time of the tuned rule beyond that of the clairvoyant plan, %";
    let pictures = planes(summary, "Headroom of the tuned rule", value, true, |p| p.headroom?.percent);
    pictures.iter().filter_map(|picture| charts::heat_map(picture, summary.level)).collect()
}

/// A map over the first two axes for each combination of the further ones.
fn planes(
    summary: &SweepSummary,
    title_start: &str,
    value: &str,
    more_is_better: bool,
    of: impl Fn(&SweepPoint) -> Option<Estimate>,
) -> Vec<HeatPicture> {
    let [y, x, further @ ..] = summary.axes.as_slice() else { return vec![] };
    let mut rests: Vec<&[usize]> = Vec::new();
    for rest in summary.points.iter().map(|p| &p.place[2..]) {
        if !rests.contains(&rest) {
            rests.push(rest);
        }
    }
    rests
        .into_iter()
        .map(|rest| {
            let named: String = further
                .iter()
                .zip(rest)
                .map(|(axis, &i)| format!(", {} {}", title(axis), axis.values[i]))
                .collect();
            HeatPicture {
                title: format!("{title_start}{named}"),
                value_title: value.to_owned(),
                more_is_better,
                x_title: title(x),
                x_values: x.values.clone(),
                y_title: title(y),
                y_values: y.values.clone(),
                cells: summary.points.iter().filter(|p| p.place[2..] == *rest).map(&of).collect(),
            }
        })
        .collect()
}

/// One frontier per learner, next to the rule's, for each combination of the other axes.
fn frontiers(summary: &SweepSummary) -> Vec<Figure> {
    let weight = summary.axes.iter().position(|axis| {
        axis.values.len() > 1 && axis.key.as_ref().is_some_and(|key| key.ends_with(STRESS_WEIGHT))
    });
    let Some(weight) = weight else { return vec![] };
    let others = |point: &SweepPoint| -> Vec<usize> {
        point.place.iter().enumerate().filter(|(axis, _)| *axis != weight).map(|(_, &i)| i).collect()
    };
    let mut rests: Vec<Vec<usize>> = Vec::new();
    for rest in summary.points.iter().map(others) {
        if !rests.contains(&rest) {
            rests.push(rest);
        }
    }
    let mut figures = Vec::new();
    for rest in rests {
        let points: Vec<&SweepPoint> = summary.points.iter().filter(|p| others(p) == rest).collect();
        let elsewhere: Vec<String> = summary
            .axes
            .iter()
            .enumerate()
            .filter(|(axis, _)| *axis != weight)
            .zip(&rest)
            .map(|((_, axis), &i)| format!("{} {}", title(axis), axis.values[i]))
            .collect();
        for (id, label) in summary.learned() {
            let plotted = frontier(summary, &points, weight, id, label);
            figures.extend(charts::frontier(&plotted, summary.level).map(|mut figure| {
                let place =
                    if elsewhere.is_empty() { String::new() } else { format!(", {}", elsewhere.join(", ")) };
                figure.title = format!("Course time and gearbox damage: {label} and the tuned rule{place}");
                figure
            }));
        }
    }
    figures
}

fn frontier(
    summary: &SweepSummary,
    points: &[&SweepPoint],
    weight: usize,
    id: &str,
    label: &str,
) -> Vec<FrontierPoint> {
    let value = |p: &SweepPoint| summary.axes[weight].values[p.place[weight]].clone();
    let rule = points.iter().filter_map(|p| {
        let rule = p.rule.as_ref()?;
        Some(FrontierPoint {
            series: "tuned load-ratio rule".to_owned(),
            label: value(p),
            family: Family::Rule,
            time_s: rule.time_s,
            damage_per_km: rule.damage_per_km,
        })
    });
    let learned = points.iter().filter_map(|p| {
        let policy = p.policy(id)?;
        Some(FrontierPoint {
            series: label.to_owned(),
            label: value(p),
            family: policy.record.family,
            time_s: policy.time_s,
            damage_per_km: policy.damage_per_km,
        })
    });
    rule.chain(learned).collect()
}

fn title(axis: &SweepAxis) -> String {
    if axis.unit.is_empty() { axis.label.clone() } else { format!("{}, {}", axis.label, axis.unit) }
}
