use super::*;
use crate::report::sweep_page;

pub(crate) fn estimate(mean: f64, half: f64) -> Estimate {
    Estimate { mean, low: mean - half, high: mean + half, n_seeds: 3, n_courses: 40 }
}

/// A change with an interval of ±1 %.
fn change(percent: f64) -> Option<Change> {
    Some(Change { absolute: estimate(2.0 * percent, 2.0), percent: Some(estimate(percent, 1.0)) })
}

fn point(job: u64, place: Vec<usize>, percent: f64) -> SweepPoint {
    let policy = |id: &str, family, percent| PolicyFigures {
        policy: id.into(),
        label: format!("Policy {id}"),
        family,
        time_s: estimate(200.0 + 2.0 * percent, 3.0),
        damage_per_km: estimate(1e-3, 2e-4),
        time_less: change(percent),
        damage_less: change(-5.0 * percent),
        return_less: Some(Change { absolute: estimate(-percent, 0.5), percent: None }),
        gap_percent: Some(estimate(-10.0 * percent, 5.0)),
    };
    SweepPoint {
        job,
        place,
        missing: None,
        vehicle: "cart".into(),
        rule: Some(RuleFigures {
            label: "Tuned".into(),
            time_s: estimate(200.0, 3.0),
            damage_per_km: estimate(2e-3, 2e-4),
            return_s: estimate(-90.0, 3.0),
        }),
        room: change(4.0),
        policies: vec![
            policy("hand-rule", Family::Rule, 9.0),
            policy("table", Family::Table, percent + 0.5),
            policy("tabular", Family::Learned, percent),
        ],
    }
}

/// Two by two points; one has no figures.
fn sweep() -> SweepSummary {
    let axis = |label: &str, key: Option<&str>| SweepAxis {
        label: label.into(),
        unit: "kg".into(),
        key: key.map(String::from),
        values: vec!["1".into(), "2".into()],
    };
    let mut points = vec![
        point(1, vec![0, 0], -3.0),
        point(2, vec![0, 1], 0.2),
        point(3, vec![1, 0], 2.0),
        point(4, vec![1, 1], 0.0),
    ];
    points[3] = SweepPoint {
        missing: Some("failed: <b>".into()),
        rule: None,
        room: None,
        policies: vec![],
        ..points[3].clone()
    };
    SweepSummary {
        format: SWEEP_FORMAT,
        name: "trial".into(),
        study: "demo".into(),
        version: "0".into(),
        level: 0.95,
        command: "lowgear sweep trial.toml".into(),
        axes: vec![axis("mass", None), axis("weight", Some("episode.reward.stress-s-per-life"))],
        points,
    }
}

#[test]
fn findings_count_what_is_clear_and_name_the_best_point() {
    let lines = findings(&sweep());
    assert_eq!(lines[0], "3 of 4 points have figures.");
    assert_eq!(
        lines[1],
        "Policy tabular, course time against the tuned rule: clearly better at 1 of 3 points, clearly worse at 1, \
         not clear at 1; best at mass 1 kg, weight 1 kg: −3.0 % (−4.0 to −2.0)."
    );
    assert!(
        lines[2].starts_with("Policy tabular, return against the tuned rule: clearly better at 1 of 3"),
        "{}",
        lines[2]
    );
    assert!(lines[3].starts_with("Policy table, "), "tables come last");
    assert_eq!(lines.len(), 5);
}

#[test]
fn repeats_with_other_seeds_are_taken_together() {
    let mut summary = sweep();
    assert!(!findings(&summary).iter().any(|line| line.contains("repeat")), "no seed, no repeats");
    summary.axes[1] = SweepAxis { label: "seed".into(), unit: String::new(), ..summary.axes[1].clone() };
    summary.axes[1].key = Some("seed".into());
    // The first mass has repeats of −3 and 0.2 %, the second one of 2 % and one that failed.
    let lines = findings(&summary);
    assert_eq!(
        lines[2],
        "Policy tabular, course time against the tuned rule, repeated with other seeds: better in every repeat at \
         0 of 1 points, worse in every one at 0; best at mass 1 kg, 2 repeats: −1.4 % in the mean, −3.0 to +0.2 %, \
         better in 1."
    );
    assert_eq!(lines.len(), 9);
    summary.points[3] = point(4, vec![1, 1], 4.0);
    summary.points[1] = point(2, vec![0, 1], -1.0);
    let line = findings(&summary).swap_remove(2);
    assert!(
        line.contains("better in every repeat at 1 of 2 points, worse in every one at 1; best at mass 1"),
        "{line}"
    );
    // The return: −1 times the percentage, s; more is better.
    let line = findings(&summary).swap_remove(4);
    assert!(line.contains("+2.0 s in the mean, +1.0 to +3.0 s, better in 2."), "{line}");
}

#[test]
fn rows_are_as_long_as_their_head_and_say_what_is_missing() {
    let mut bytes = Vec::new();
    write_points(&sweep(), &mut bytes).unwrap();
    let mut reader = csv::Reader::from_reader(bytes.as_slice());
    let head = reader.headers().unwrap().clone();
    assert_eq!((&head[0], &head[1], &head[2]), ("job", "mass, kg", "weight, kg"));
    // The reader refuses rows of another length.
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 3 * 3 + 1);
    let column = |name: &str| head.iter().position(|column| column == name).unwrap();
    let tabular = rows.iter().find(|row| &row[column("policy")] == "tabular").unwrap();
    assert_eq!((&tabular[column("time_less_s")], &tabular[column("gap_percent")]), ("-6", "30"));
    assert_eq!(&rows[9][column("missing")], "failed: <b>");
}

#[test]
fn the_page_has_a_map_per_policy_frontiers_and_no_markup_from_names() {
    let mut summary = sweep();
    summary.axes[0].label = "<b>mass</b>".into();
    let page = sweep_page(&summary, |job| format!("jobs/{job}/report.html"));
    assert!(!page.contains("<b>") && page.contains("&lt;b&gt;mass"));
    for words in
        ["Policy tabular: course time", "Policy table: return", "What there is to win", "jobs/3/report.html"]
    {
        assert!(page.contains(words), "no {words}");
    }
    // One frontier per learner and mass.
    assert_eq!(page.matches("<h3>Speed against wear").count(), 4);
    assert!(page.contains("heat gain-4 clear") && page.contains("heat loss-"));
    assert_eq!(page, sweep_page(&summary, |job| format!("jobs/{job}/report.html")));
}

#[test]
fn the_page_names_the_methods_that_its_intervals_are_made_by() {
    let page = sweep_page(&sweep(), |_| String::new());
    assert!(page.contains("Student intervals") && page.contains("two-way jackknife"), "{page}");
    assert!(!page.contains("bootstrap"), "no study makes intervals by a bootstrap");
}

#[test]
fn one_axis_gives_one_map_with_a_row_per_policy() {
    let mut summary = sweep();
    summary.axes.remove(0);
    summary.points.truncate(2);
    for point in &mut summary.points {
        point.place.remove(0);
    }
    let page = sweep_page(&summary, |_| String::new());
    assert!(page.contains("Everybody who learned: course time") && !page.contains("What there is to win"));
    assert_eq!(page.matches("<h3>Speed against wear").count(), 2);
}

#[test]
fn the_summary_survives_its_file() {
    let text = serde_json::to_string_pretty(&sweep()).unwrap();
    assert_eq!(serde_json::from_str::<SweepSummary>(&text).unwrap(), sweep());
}
