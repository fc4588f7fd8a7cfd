use super::example::{point, sweep};
use super::*;

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
         0 of 1 points, worse in every one at 0; best at mass 1 kg, 2 repeats: −1.4 % on average, −3.0 to +0.2 %, \
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
    assert!(line.contains("+2.0 s on average, +1.0 to +3.0 s, better in 2."), "{line}");
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
fn the_summary_survives_its_file() {
    let text = serde_json::to_string_pretty(&sweep()).unwrap();
    assert_eq!(serde_json::from_str::<SweepSummary>(&text).unwrap(), sweep());
}
