use std::path::Path;

use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{EpisodeConfig, Scenario, Seed, config, load_course};

use super::*;
use crate::suite;
use crate::summary::Family;

const COURSES: u64 = 6;

/// The demonstration's vehicle and courses.
pub(crate) fn scenario() -> Scenario {
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
    let vehicle: VehicleConfig = config::load(&configs.join("vehicles/demo-cart.toml")).unwrap();
    let course = load_course(&configs.join("courses/garden-mix.toml")).unwrap();
    Scenario::new(vehicle, course, EpisodeConfig::default(), Seed(11))
}

/// A rule with thresholds far apart.
pub(crate) fn rule(up: i16, down: i16) -> Rule {
    Rule::new(RuleSettings { hold_decisions: 2, ..RuleSettings::two_sided(3, up, down, 10) }, 3).unwrap()
}

fn evaluated(id: &str, family: Family, outcomes: Vec<Vec<Outcome>>) -> EvaluatedPolicy {
    let record = PolicyRecord { search_ticks: 7, ..PolicyRecord::new(id, format!("Policy {id}"), family) };
    EvaluatedPolicy { record, outcomes }
}

/// Two rules, a learner of two seeds (one failed between them), its table, a learner that gave nothing, and a
/// plan on four courses only.
fn evaluated_policies(suite: &suite::TestSuite) -> Vec<EvaluatedPolicy> {
    let drive = |up, down| suite.outcomes(|| rule(up, down));
    let (hand, tuned) = (drive(850, 300), drive(760, 400));
    let ahead = tuned[..4].iter().map(|o| Outcome { time_s: 0.9 * o.time_s, ..*o }).collect();
    let mut list = vec![
        evaluated("hand", Family::Rule, vec![hand]),
        evaluated("tuned", Family::Rule, vec![tuned]),
        evaluated("learner", Family::Learned, vec![drive(800, 350), drive(740, 420)]),
        evaluated("table", Family::Table, vec![drive(780, 380), drive(745, 410)]),
        evaluated("lost", Family::Learned, Vec::new()),
        evaluated("plan", Family::Plan, vec![ahead]),
    ];
    list[2].record.failed_seeds = vec![2];
    list[4].record.failed_seeds = vec![1, 2, 3];
    list
}

fn metadata(suite: &suite::TestSuite) -> StudyMetadata {
    StudyMetadata {
        fitted: vec![],
        study: Study {
            name: "trial".into(),
            seed: 1,
            version: "0.0.0".into(),
            task_version: 1,
            quick: true,
            level: 0.95,
            command: "lowgear study trial.toml --quick".into(),
            inputs: vec![],
        },
        vehicle: vehicle_card(&suite.scenario().vehicle),
        test_suite: suite_card(suite, "Garden ground."),
        time_limit_s: suite.scenario().episode.time_limit_s,
        roles: Roles {
            subject: "table".into(),
            hand_rule: "hand".into(),
            tuned_rule: "tuned".into(),
            plan: Some("plan".into()),
        },
        also_against: vec!["hand".into()],
        robustness: Vec::new(),
        places: Vec::new(),
        curves: vec![curve("learner", 0, [(100, -50.0, 2.0), (200, -40.0, 1.0)])],
        tuned: Vec::new(),
        network: None,
        table: Some(TableSheet {
            teacher: "learner".into(),
            seed: 1,
            header: "firmware/lowgear.h".into(),
            refined: true,
            bytes: 100,
            cells: 400,
            visited_cells: 300,
            filled_from_rule: 100,
            axes: Vec::new(),
            hash: "0".into(),
            vectors: 0,
            proof: Vec::new(),
            costs: Vec::new(),
        }),
    }
}

fn whole() -> (Vec<EvaluatedPolicy>, Summary) {
    let suite = suite::TestSuite::new(&scenario(), COURSES);
    let evaluated_policies = evaluated_policies(&suite);
    let summary = summarise(metadata(&suite), &evaluated_policies).unwrap();
    (evaluated_policies, summary)
}

#[test]
fn a_summary_is_complete_finite_and_survives_its_file() {
    let (_, summary) = whole();
    let again = Summary::from_json(&summary.to_json().unwrap()).unwrap();
    assert_eq!(again, summary);
    assert!((summary.test_suite.total_length_m - 15.0 * COURSES as f64).abs() < 1.0);
    for policy in summary.policies.iter().filter(|policy| policy.record.id != "lost") {
        assert_eq!(policy.metrics.len(), figures::MEANS.len() + 3, "{}", policy.record.id);
        for (metric, e) in &policy.metrics {
            assert!(e.low <= e.mean && e.mean <= e.high, "{} {metric:?} {e:?}", policy.record.id);
        }
    }
    let lost = summary.policy("lost").unwrap();
    assert!(lost.metrics.is_empty() && lost.training_seeds == 0);
    assert_eq!(summary.returns.len(), 5);
    for outcomes in &summary.outcomes {
        let seeds = summary.policy(&outcomes.policy).unwrap().training_seeds;
        let courses = if outcomes.policy == "plan" { 4 } else { COURSES as usize };
        assert_eq!(outcomes.causes.iter().map(|c| c.episodes).sum::<usize>(), seeds * courses);
    }
}

#[test]
fn the_gap_runs_from_the_tuned_rule_to_the_plan() {
    let (_, summary) = whole();
    let gap = |id: &str| summary.policy(id).unwrap().metrics[&Metric::GapShare];
    assert_eq!((gap("tuned").mean, gap("tuned").low, gap("tuned").high), (0.0, 0.0, 0.0));
    assert!((gap("plan").mean - 100.0).abs() < 1e-9);
    assert_eq!(gap("table").n_courses, 4);
    assert!(summary.headroom.iter().all(|h| h.policy != "plan"));
    let tuned = summary.headroom.iter().find(|h| h.policy == "tuned").unwrap();
    assert!((tuned.behind_percent - 100.0 / 9.0).abs() < 1e-9, "{}", tuned.behind_percent);
}

#[test]
fn every_policy_is_compared_with_each_opponent_once_and_the_table_with_its_teacher() {
    let (evaluated_policies, summary) = whole();
    // Three others against each of two rules, the table against its teacher, in three figures.
    assert_eq!(summary.paired.len(), 3 * (2 * 3 + 1));
    for metric in figures::COMPARED {
        let found = summary.difference("table", "learner", metric).unwrap();
        assert_eq!((found.n_seeds, found.n_courses), (2, COURSES as usize));
        assert_eq!(found.percent.is_some(), metric != Metric::Return);
        assert_eq!(found.ratio.is_some(), metric == Metric::Damage);
        if let Some(ratio) = found.ratio {
            assert!((100.0 * (ratio.mean - 1.0) - found.percent.unwrap()).abs() < 1e-9);
            assert!(0.0 < ratio.low && ratio.low <= ratio.mean && ratio.mean <= ratio.high);
            // Symmetric about the logarithm of the mean, as a ratio and its reciprocal ask for.
            assert!((ratio.low * ratio.high / ratio.mean.powi(2) - 1.0).abs() < 1e-9);
        }
    }
    assert!(summary.paired.iter().all(|d| d.corrected_p.is_some_and(|p| (0.0..=1.0).contains(&p))));
    let time = |index: usize| {
        let cells: Vec<f64> = evaluated_policies[index].outcomes.iter().flatten().map(|o| o.time_s).collect();
        cells.iter().sum::<f64>() / cells.len() as f64
    };
    let d = summary.difference("learner", "tuned", Metric::CourseTime).unwrap();
    assert!((d.mean - (time(2) - time(1))).abs() < 1e-9);
    assert!((d.percent.unwrap() - 100.0 * (time(2) / time(1) - 1.0)).abs() < 1e-9);
}

#[test]
fn figures_per_distance_are_ratios_of_totals() {
    let (evaluated_policies, summary) = whole();
    let mut row = evaluated_policies[0].outcomes[0].clone();
    let total = |figure: fn(&Outcome) -> f64| row.iter().map(figure).sum::<f64>();
    let expected = 1000.0 * total(|o| o.damage) / total(|o| o.distance_m);
    let found = summary.policy("hand").unwrap().metrics[&Metric::Damage].mean;
    assert!((found / expected - 1.0).abs() < 1e-12, "{found} {expected}");
    // An episode that never moves: finite, and of no weight in the shifts of the others.
    let before = figures::scores(Metric::Shifts, &[row.clone()]).unwrap().mean();
    row.push(Outcome { distance_m: 0.0, shifts: 0, ..row[0] });
    let after = figures::scores(Metric::Shifts, &[row]).unwrap().mean();
    assert!((after / before - 1.0).abs() < 1e-3, "{before} {after}");
}

#[test]
fn what_does_not_fit_is_refused_by_name() {
    let suite = suite::TestSuite::new(&scenario(), 2);
    let outcomes = || vec![suite.outcomes(|| rule(850, 300))];
    let list = |ids: [&str; 3]| ids.map(|id| evaluated(id, Family::Rule, outcomes())).to_vec();
    let mut metadata = metadata(&suite);
    (metadata.table, metadata.roles.plan) = (None, None);
    let refused = |list: &[EvaluatedPolicy]| summarise(metadata.clone(), list).unwrap_err().to_string();
    assert!(refused(&list(["hand", "hand", "table"])).contains("two evaluated policies"));
    assert!(refused(&list(["hand", "tuned", "other"])).contains("`table` is named as the policy under test"));
    let mut short = list(["hand", "tuned", "table"]);
    short[1].outcomes[0].pop();
    assert!(refused(&short).contains("`tuned` has 1 courses in a row, expected are 2"));
    short[1].outcomes.clear();
    assert!(refused(&short).contains("no outcomes"));
}

#[test]
fn episodes_have_a_row_each_and_skip_failed_seeds() {
    let (evaluated_policies, _) = whole();
    let mut bytes = Vec::new();
    write_episodes(&evaluated_policies, &mut bytes).unwrap();
    let text = String::from_utf8(bytes).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    assert!(lines[0].starts_with("policy,seed,course,cause,time_s,distance_m,energy_j,shifts,"));
    assert_eq!(lines.len(), 1 + 6 * COURSES as usize + 4);
    let of = |start: &str| lines.iter().filter(|line| line.starts_with(start)).count();
    assert_eq!((of("learner,1,"), of("learner,2,"), of("learner,3,")), (6, 0, 6));
    let cells: Vec<&str> = lines[1].split(',').collect();
    assert_eq!(cells.len(), lines[0].split(',').count());
    let sum: f64 = cells[15..].iter().map(|term| term.parse::<f64>().unwrap()).sum();
    assert!((sum - cells[14].parse::<f64>().unwrap()).abs() < 1e-9, "terms add up to the return");
}

/// The heading of the columns of a table, and all its lines.
fn heads_and_lines(table: &str) -> (Vec<String>, Vec<String>) {
    let lines: Vec<String> = table.lines().map(str::to_owned).collect();
    (lines[0].split("  ").filter(|w| !w.trim().is_empty()).map(|w| w.trim().to_owned()).collect(), lines)
}

#[test]
fn no_line_of_the_terminal_table_is_wider_than_the_terminal() {
    let (_, mut summary) = whole();
    summary.policies[0].record.label = "A policy with quite a long name indeed".into();
    for width in 34..=120 {
        let (heads, lines) = heads_and_lines(&terminal_table(&summary, width));
        let widest = lines.iter().map(|line| line.chars().count()).max().unwrap();
        assert!(widest <= width, "{width}: {lines:#?}");
        let rows: Vec<usize> = lines[..8].iter().map(|row| row.chars().count()).collect();
        assert!(rows.iter().all(|row| *row == rows[0]), "{width}: {lines:#?}");
        assert!(heads.contains(&"course time".to_owned()), "{width}: {heads:?}");
        let left_out = lines.iter().any(|line| line.starts_with(&format!("Left out at {width} columns: ")));
        assert_eq!(left_out, heads.len() < 7, "{width}: {lines:#?}");
    }
}

#[test]
fn seeds_that_kept_their_start_policy_are_named_in_the_terminal() {
    let (_, mut summary) = whole();
    let words = "seeds kept the policy they started from";
    assert!(!terminal_table(&summary, 120).contains(words));
    let learner = summary.policies.iter_mut().find(|policy| policy.record.id == "learner").unwrap();
    let equal = &mut learner.seeds[0].against_tuned_s;
    (equal.mean, equal.low, equal.high) = (0.0, 0.0, 0.0);
    let all = learner.seeds.len();
    let said = terminal_table(&summary, 120);
    assert!(said.contains(&format!(": 1 of {all} {words}.")), "{said}");
}

#[test]
fn the_least_important_columns_are_left_out_first_and_named() {
    let (_, mut summary) = whole();
    summary.policies[0].record.label = "A policy with quite a long name indeed".into();
    let wide = terminal_table(&summary, 120);
    let all = ["done", "course time", "vs hand", "vs tuned", "gap", "damage", "shifts"];
    assert_eq!(heads_and_lines(&wide).0, all);
    assert!(wide.contains("A policy with quite a lon…") && wide.contains("gap:"), "{wide}");
    let (heads, lines) = heads_and_lines(&terminal_table(&summary, 64));
    assert_eq!(heads, ["done", "course time", "vs tuned"], "{lines:#?}");
    assert!(
        lines.contains(&"Left out at 64 columns: vs hand, gap, damage, shifts.".to_owned()),
        "{lines:#?}"
    );
    assert!(!lines.iter().any(|line| line.contains("gap:")), "{lines:#?}");
}

#[test]
fn wrapped_lines_break_at_spaces_and_keep_their_indent() {
    assert_eq!(wrapped("a bc def\n\n  gh ij k\n", 6), "a bc\ndef\n\n  gh\n    ij\n    k\n");
    assert_eq!(wrapped("one-long-word after", 6), "one-long-word\nafter\n");
    assert_eq!(wrapped("fits whole", 10), "fits whole\n");
}

#[test]
fn a_curve_point_spans_its_standard_errors() {
    let points = curve("learner", 3, [(100, -50.0, 2.0)]).points;
    assert!((points[0].low + 53.92).abs() < 1e-9 && (points[0].high + 46.08).abs() < 1e-9);
}

#[test]
fn no_interval_of_a_course_time_leaves_what_an_episode_can_take() {
    let suite = suite::TestSuite::new(&scenario(), 2);
    let mut evaluated_policies = evaluated_policies(&suite::TestSuite::new(&scenario(), COURSES));
    for outcomes in evaluated_policies.iter_mut().flat_map(|c| &mut c.outcomes) {
        outcomes.truncate(2);
        (outcomes[0].time_s, outcomes[1].time_s) = (20.0, 600.0);
    }
    let summary = summarise(metadata(&suite), &evaluated_policies).unwrap();
    for policy in &summary.policies {
        let seeds = policy.seeds.iter().map(|seed| seed.time_s);
        let figures = [Metric::CourseTime, Metric::IqmTime, Metric::CvarTime];
        for time in figures.iter().filter_map(|figure| policy.metrics.get(figure).copied()).chain(seeds) {
            assert!(0.0 <= time.low && time.high <= 600.0, "{}: {time:?}", policy.record.id);
            assert!(time.low <= time.mean && time.mean <= time.high, "{}: {time:?}", policy.record.id);
        }
    }
}
