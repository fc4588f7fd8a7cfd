use super::sweep_page;
use example::sweep;

#[path = "../../../src/sweep/example.rs"]
#[allow(dead_code, reason = "other tests need the rest of it")]
mod example;

#[test]
fn the_page_has_a_map_per_policy_frontiers_and_no_markup_from_names() {
    let mut summary = sweep();
    summary.axes[0].label = "<b>mass</b>".into();
    let page = sweep_page(&summary, |job| format!("jobs/{job}/report.html"));
    assert!(!page.contains("<b>") && page.contains("&lt;b&gt;mass"));
    for words in [
        "Policy tabular: course time",
        "Policy table: return",
        "Headroom of the tuned rule",
        "jobs/3/report.html",
    ] {
        assert!(page.contains(words), "no {words}");
    }
    // One frontier per learner and mass.
    assert_eq!(page.matches("<h3>Course time and gearbox damage").count(), 4);
    assert!(page.contains("heat gain-4 clear") && page.contains("heat loss-"));
    assert_eq!(page, sweep_page(&summary, |job| format!("jobs/{job}/report.html")));
}

#[test]
fn an_axis_over_effort_is_drawn_as_result_over_budget() {
    let mut summary = sweep();
    summary.axes.remove(0);
    summary.axes[0].key = Some("effort".into());
    summary.axes[0].values = vec!["1".into(), "4".into()];
    summary.points.truncate(2);
    for point in &mut summary.points {
        point.place.remove(0);
    }
    let page = sweep_page(&summary, |_| String::new());
    for words in [
        "Result over budget",
        "Policy tabular, budget",
        "Tuned, budget",
        "search ticks",
        "8.8",
        "hand-written rule on the same test courses",
    ] {
        assert!(page.contains(words), "no {words}");
    }
    summary.axes[0].key = Some("seed".into());
    assert!(!sweep_page(&summary, |_| String::new()).contains("Result over budget"));
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
    assert!(
        page.contains("All learned policies: course time") && !page.contains("Headroom of the tuned rule")
    );
    assert_eq!(page.matches("<h3>Course time and gearbox damage").count(), 2);
}

#[test]
fn a_link_is_escaped_but_not_typeset() {
    let page = sweep_page(&sweep(), |_| "jobs/5 %/\"x.html".to_owned());
    assert!(page.contains("<a href=\"jobs/5 %/&quot;x.html\">"));
}
