//! The files that a study leaves.

use super::{compiler_is_there, proven_reference as reference};
use crate::sandbox::Sandbox;
use lowgear_agents::table::LookupTable;
use lowgear_eval::summary::{Metric, Summary};
use std::fs;

const SEEDS: usize = 2;
const COURSES: usize = 4;

fn text(name: &str) -> String {
    fs::read_to_string(reference().join(name)).unwrap()
}

fn summary() -> Summary {
    Summary::from_json(&text("summary.json")).unwrap()
}

/// The table that a saved policy holds.
fn table(name: &str) -> LookupTable {
    let saved: serde_json::Value = serde_json::from_str(&text(name)).unwrap();
    LookupTable::from_json(saved["policy"]["table"].as_str().unwrap()).unwrap()
}

#[test]
fn the_report_needs_nothing_from_elsewhere() {
    let report = text("report.html");
    for word in ["http://", "https://", "src=", "<link", "@import"] {
        assert!(!report.contains(word), "{word} in the report");
    }
    // Its own script alone, allowed by hash, and the data that it reads: runs and shift maps.
    let data = "<script type=\"application/json\"";
    assert_eq!((report.matches("<script").count(), report.matches(data).count()), (3, 2));
    assert!(report.contains("default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-"));
    // What is referred to stands in the same file.
    assert!(report.split("url(").skip(1).all(|rest| rest.starts_with('#')));
}

#[test]
fn the_report_holds_an_answer_maps_traces_curves_and_cautions() {
    let report = text("report.html");
    for heading in [
        "What to do",
        "Comparison",
        "Shift map: Lookup table",
        "median difference",
        "Learning curves",
        "Cautions",
    ] {
        assert!(report.contains(heading), "no {heading} in the report");
    }
    assert!(report.matches("<svg").count() >= 12, "{} pictures", report.matches("<svg").count());
    assert!(report.contains("INVENTED") || report.contains("invented"), "the vehicle is said to be invented");
}

#[test]
fn the_summary_has_paired_differences_with_intervals_and_counts() {
    let summary = summary();
    assert_eq!(summary.test_suite.courses, COURSES);
    assert_eq!(summary.policies.len(), 16);
    for against in ["hand-rule", "tuned-speed-rule", "tuned-load-rule"] {
        let of_table = |p: &&lowgear_eval::summary::PairedDifference| {
            p.policy == "table" && p.against == against && p.metric == Metric::CourseTime
        };
        let pair = summary.paired.iter().find(of_table).unwrap();
        assert!(pair.low <= pair.mean && pair.mean <= pair.high, "{pair:?}");
        assert_eq!((pair.n_seeds, pair.n_courses), (SEEDS, COURSES), "{pair:?}");
    }
    let learners: Vec<_> = summary.policies.iter().filter(|p| p.training_seeds == SEEDS).collect();
    assert_eq!(learners.len(), 6, "four learners, the table and the network");
    assert_eq!(summary.curves.len(), 4 * SEEDS);
}

#[test]
fn the_summary_maps_the_altered_worlds_of_the_study_file() {
    let maps = summary().robustness;
    let sizes: Vec<(usize, usize)> = maps.iter().map(|m| (m.x.values.len(), m.y.values.len())).collect();
    assert_eq!(sizes, [(2, 2), (1, 2), (2, 1)], "as the lists in the study file are long");
    for map in &maps {
        assert_eq!((map.policy.as_str(), map.against.as_str()), ("table", "tuned-load-rule"));
        assert_eq!(map.cells.len(), map.x.values.len() * map.y.values.len());
        for cell in &map.cells {
            assert_eq!((cell.time_s.n_seeds, cell.time_s.n_courses), (SEEDS, 2));
            assert!(cell.time_s.low <= cell.time_s.mean && cell.time_s.mean <= cell.time_s.high);
        }
    }
    let light_and_heavy = [&maps[0].cells[2], &maps[0].cells[3]].map(|cell| cell.against_time_s);
    assert!(light_and_heavy[0] < light_and_heavy[1], "a heavier cart is slower: {light_and_heavy:?}");
    let report = text("report.html");
    for title in ["Mass and battery charge", "Tilt bias and encoder noise", "Latency and gear wear"] {
        assert!(report.contains(title), "{title}");
    }
}

#[test]
fn the_summary_says_what_happened_where_and_tables_keep_their_visits() {
    let summary = summary();
    let driven = |id: &str| -> f64 {
        summary.places.iter().filter(|place| place.policy == id).map(|place| place.distance_m).sum()
    };
    // The tuned rule has one seed, the table two.
    assert!((driven("table") / driven("tuned-load-rule") / SEEDS as f64 - 1.0).abs() < 0.1);
    assert!(text("report.html").contains("Stalls, failed upshifts and hunting"));
    let visits = text("table/seed-1/visits.csv");
    assert_eq!(visits.lines().count(), 1 + table("table/seed-1/policy.json").count());
    assert!(visits.starts_with("cell,visits\n0,"));
}

#[test]
fn episodes_has_a_row_for_every_policy_seed_and_course() {
    let expected: usize = summary().policies.iter().map(|p| p.training_seeds * COURSES).sum();
    let text = text("episodes.csv");
    let rows: Vec<&str> = text.lines().skip(1).collect();
    assert_eq!(rows.len(), expected);
    let mut keys: Vec<String> =
        rows.iter().map(|r| r.splitn(4, ',').take(3).collect::<Vec<_>>().join(",")).collect();
    keys.sort();
    keys.dedup();
    assert_eq!(keys.len(), expected, "policy, seed and course name a row");
}

#[test]
fn the_study_file_kept_holds_every_default() {
    assert_eq!(summary().study.command, "lowgear study resolved.toml", "what repeats it is there");
    let kept = text("resolved.toml");
    for key in
        ["jam-limit-s", "throttle-permille", "gamma-per-s", "replay-capacity", "mass-kg", "[[course.surfaces"]
    {
        assert!(kept.contains(key), "no {key} in:\n{kept}");
    }
}

#[test]
fn the_firmware_is_the_best_table_compiled_and_proven() {
    let sheet = summary().table.unwrap();
    let proof = sheet.proof.join("\n");
    if compiler_is_there() {
        assert!(proof.contains("decided alike by the host and by the compiled table"), "{proof}");
    } else {
        assert!(proof.contains("NOT PROVEN"), "{proof}");
    }
    let header = text("firmware/tiny.h");
    assert!(header.contains(&sheet.hash), "the header names the table");
    let exported: Vec<LookupTable> = (1..=SEEDS)
        .map(|seed| table(&format!("table/seed-{seed}/policy.json")))
        .filter(|t| t.hash() == sheet.hash)
        .collect();
    assert!(!exported.is_empty(), "the exported table is one of those compared");
    let listed = text("firmware/table.csv");
    let rows: String =
        listed.split_inclusive('\n').filter(|l| !l.trim_start().starts_with(['#', '"'])).collect();
    assert_eq!(rows.lines().count(), 1 + exported[0].count());
    assert_eq!(rows, exported[0].to_csv());
}

#[test]
fn the_rule_card_is_a_page_and_a_policy_that_drives_as_the_compared_one_did() {
    let page = text("rule-card.html");
    for part in ["When to shift", "Evaluation", "Against the table", "wheels off the ground"] {
        assert!(page.contains(part), "no `{part}` on the card");
    }
    let label = summary().policy("rule-card").unwrap().record.label.clone();
    assert!(label.starts_with("Rule card, ") && label.ends_with(" numbers"), "{label}");
    let place = Sandbox::new();
    let card = reference().join("rule-card");
    let courses = COURSES.to_string();
    let arguments = ["compare", "tiny.toml", "hand-rule", card.to_str().unwrap(), "--courses", &courses];
    place.run(&[&arguments[..], &["--out", "out"]].concat()).done();
    let row = |text: &str| {
        let found = text.lines().find(|line| line.starts_with("rule-card,1,0,"));
        found.map(str::to_owned)
    };
    assert!(row(&text("episodes.csv")).is_some());
    assert_eq!(row(&place.read("out/episodes.csv")), row(&text("episodes.csv")));
}

#[test]
fn a_saved_table_drives_as_the_compared_one_did() {
    let place = Sandbox::new();
    let courses = COURSES.to_string();
    for seed in 1..=SEEDS {
        let policy = reference().join(format!("table/seed-{seed}"));
        let policy = policy.to_str().unwrap();
        place
            .run(&["compare", "tiny.toml", "hand-rule", policy, "--courses", &courses, "--out", "out"])
            .done();
        let rows = |text: &str, policy: &str, seed: usize| -> Vec<String> {
            let start = format!("{policy},{seed},");
            text.lines().filter_map(|l| l.strip_prefix(&start)).map(str::to_owned).collect()
        };
        let again = rows(&place.read("out/episodes.csv"), &format!("table/seed-{seed}"), 1);
        assert_eq!(again.len(), COURSES);
        assert_eq!(again, rows(&text("episodes.csv"), "table", seed));
    }
}
