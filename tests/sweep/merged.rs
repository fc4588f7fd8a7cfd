//! What the jobs show together: the figures of their own studies, and pictures of them.

use super::{sandbox, sweep};
use lowgear_eval::summary::{Metric, Summary};
use lowgear_eval::sweep::SweepSummary;

/// A sweep of one point, and the same study by itself.
#[test]
fn figures_of_one_point_are_those_of_an_ordinary_study() {
    let place = sandbox();
    place.run(&["study", "tiny.toml", "--out", "alone"]).done();
    let text = "name = \"one\"\nstudy = \"tiny.toml\"\n\
        [[axes]]\nlabel = \"seed\"\nkey = \"seed\"\nvalues = [7]\n";
    place.write("sweep.toml", text);
    sweep(&place, &[]).done();
    let alone = Summary::from_json(&place.read("alone/summary.json")).unwrap();
    let job = Summary::from_json(&place.read("run/jobs/0001/summary.json")).unwrap();
    assert_eq!(job, alone, "the same study");
    let merged: SweepSummary = serde_json::from_str(&place.read("run/summary.json")).unwrap();
    let point = &merged.points[0];
    let rule = alone.policy("tuned-load-rule").unwrap();
    assert_eq!(point.rule.as_ref().unwrap().time_s, rule.metrics[&Metric::CourseTime]);
    for id in ["contextual", "tabular", "dqn", "ppo", "table"] {
        let found = point.policy(id).unwrap();
        let expected = alone.difference(id, "tuned-load-rule", Metric::CourseTime).unwrap();
        let less = found.time_difference.unwrap();
        // Differences by rounding alone are none here.
        let ends = [less.absolute.mean, less.absolute.low, less.absolute.high];
        for (found, expected) in ends.into_iter().zip([expected.mean, expected.low, expected.high]) {
            assert!((found - expected).abs() < 1e-9, "{id}: {found} {expected}");
        }
        assert!((less.percent.unwrap().mean - expected.percent.unwrap()).abs() < 1e-9);
        assert_eq!(found.damage_per_km, alone.policy(id).unwrap().metrics[&Metric::Damage]);
        assert_eq!(found.gap_percent, alone.policy(id).unwrap().metrics.get(&Metric::GapShare).copied());
    }
    let behind = alone.headroom.iter().find(|h| h.policy == "tuned-load-rule").unwrap();
    let headroom = point.headroom.unwrap();
    assert_eq!(headroom.absolute, behind.behind_s);
    assert!((headroom.percent.unwrap().mean - behind.behind_percent).abs() < 1e-9);
}

#[test]
fn the_page_holds_maps_frontiers_tables_and_a_link_to_every_job() {
    let place = sandbox();
    sweep(&place, &["--job", "1"]).done();
    sweep(&place, &["--job", "2"]).done();
    let text = sweep(&place, &["--merge"]).done().out;
    assert!(text.contains("2 of 4 points have figures"), "{text}");
    let page = place.read("run/report.html");
    for words in [
        "Tabular values: course time",
        "Lookup table: course time",
        "Course time and gearbox damage: Tabular values",
        "Headroom of the tuned rule",
        "<a href=\"jobs/0002/report.html\">",
        "not done yet",
        "Content-Security-Policy",
    ] {
        assert!(page.contains(words), "no {words:?}");
    }
    assert!(!page.contains("<script") && !page.contains("http://") && !page.contains("https://"));
    let rows = place.read("run/points.csv");
    let mut lines = rows.lines();
    let head = lines.next().unwrap();
    assert!(head.starts_with("job,battery,\"a gearbox life is worth, s\",vehicle,policy,"), "{head}");
    let columns = head.replace("\"a gearbox life is worth, s\"", "x").split(',').count();
    assert!(lines.clone().all(|line| line.split(',').count() == columns), "{rows}");
    assert!(rows.contains("\n1,readable,0,seed-tray cart,tabular,2,4,"), "{rows}");
    assert!(rows.contains("\n3,not readable,0,") && rows.contains("not done yet"), "{rows}");
}
