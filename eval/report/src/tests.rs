use super::example::{pictures, summary, trace_picture};
use super::*;
use lowgear_eval::summary::{FORMAT, Metric, Summary, SummaryError};

/// Elements that hold no content and need no closing.
const VOID: [&str; 4] = ["meta", "!DOCTYPE", "br", "hr"];

/// Fails unless every element is closed in order.
fn assert_balanced(markup: &str) {
    let mut open: Vec<&str> = Vec::new();
    for piece in markup.split('<').skip(1) {
        let (tag, _) = piece.split_once('>').expect("a tag is closed");
        let name = tag.trim_start_matches('/').split([' ', '/']).next().unwrap();
        if tag.starts_with('/') {
            assert_eq!(open.pop(), Some(name), "wrong order at </{name}>");
        } else if !tag.ends_with('/') && !VOID.contains(&name) {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
}

#[test]
fn the_page_is_whole_small_and_the_same_every_time() {
    let page = super::page(&summary(), &pictures());
    assert_balanced(&page);
    assert!(page.len() < 1_000_000, "{} bytes", page.len());
    assert_eq!(page, super::page(&summary(), &pictures()));
    for forbidden in ["<script", "http://", "https://", "url(http", "@import", "NaN", "inf\""] {
        assert!(!page.contains(forbidden), "{forbidden}");
    }
    if let Some(path) = std::env::var_os("EXAMPLE_REPORT") {
        std::fs::write(path, page).unwrap();
    }
}

#[test]
fn every_drawing_has_a_name_and_every_table_scrolls_alone() {
    let page = super::page(&summary(), &pictures());
    assert_eq!(
        page.matches("<svg class=\"chart\"").count(),
        page.matches("role=\"img\" aria-label=\"").count()
    );
    assert_eq!(page.matches("<table>").count(), page.matches("aria-label=\"Table: ").count());
    for figure in page.split("<figure").skip(1) {
        let caption = figure.split_once("</figcaption>").unwrap().0;
        assert!(
            caption.contains("n = ") || figure.contains("n = ") || caption.contains("n per cell"),
            "no n: {caption}"
        );
        assert!(figure.contains("<details>"), "no table: {caption}");
    }
}

#[test]
fn a_vehicle_named_like_markup_does_nothing() {
    let bad = "<script>alert('x')</script>\"&";
    let mut summary = summary();
    summary.vehicle.name = bad.into();
    summary.study.name = bad.into();
    summary.study.command = bad.into();
    summary.tuned[0].lines[0] = bad.into();
    for policy in &mut summary.policies {
        policy.record.label = bad.into();
    }
    let mut pictures = pictures();
    pictures.traces[0].title = bad.into();
    pictures.traces[0].course.name = bad.into();
    pictures.traces[0].course.surfaces[0].name = bad.into();
    pictures.traces[0].runs[0].label = bad.into();
    pictures.shift_maps[0].policy = bad.into();
    pictures.shift_maps[0].x_title = bad.into();
    let page = super::page(&summary, &pictures);
    assert!(!page.contains("<script") && !page.contains("</script"));
    let safe = "&lt;script&gt;alert('x')&lt;/script&gt;&quot;&amp;";
    assert!(
        page.contains(&format!("<title>{safe}: "))
            && page.contains(&format!("aria-label=\"Drawing: {safe}\""))
    );
    assert_balanced(&page);
    assert!(!trace_svg(&pictures.traces[0]).contains("<script"));
}

#[test]
fn damage_beyond_a_life_within_a_course_is_a_caution() {
    let words = "More than one nominal gearbox life within a single course";
    let mut summary = summary();
    assert!(!super::page(&summary, &pictures()).contains(words));
    let course_km = 1e-3 * summary.test_suite.total_length_m / summary.test_suite.courses as f64;
    let policy = &mut summary.policies[1];
    let label = policy.record.label.clone();
    policy.metrics.get_mut(&Metric::Damage).unwrap().mean = 0.99 / course_km;
    assert!(!super::page(&summary, &pictures()).contains(words));
    summary.policies[1].metrics.get_mut(&Metric::Damage).unwrap().mean = 1.01 / course_km;
    let page = super::page(&summary, &pictures());
    let caution = page.split(words).nth(1).unwrap().split("</li>").next().unwrap();
    assert!(caution.contains(&label), "{caution}");
}

#[test]
fn the_verdict_says_faster_slower_or_no_clear_difference() {
    let mut summary = summary();
    let first = verdict::verdict(&summary);
    assert!(
        first.starts_with("On 120 unseen courses the learned table is faster than the hand-written rule by "),
        "{first}"
    );
    assert!(first.contains(" % less gearbox damage per km ("), "{first}");
    let time = summary.paired.iter_mut().find(|d| d.policy == "table" && d.against == "hand-rule").unwrap();
    (time.mean, time.low, time.high, time.percent) = (2.0, 1.0, 3.0, Some(1.5));
    let slower = verdict::verdict(&summary);
    assert!(
        slower.contains(
            "is slower than the hand-written rule by 1.5 % of its course time (95 % interval 0.8 to 2.2 %)"
        ),
        "{slower}"
    );
    let time = summary.paired.iter_mut().find(|d| d.policy == "table" && d.against == "hand-rule").unwrap();
    (time.mean, time.low, time.high, time.percent) = (0.5, -1.0, 2.0, Some(0.5));
    let unclear = verdict::verdict(&summary);
    assert!(unclear.contains("no clear difference") && unclear.contains("−1.0 to 2.0 %"), "{unclear}");
    summary.paired.clear();
    assert!(verdict::verdict(&summary).contains("holds no comparison"));
}

#[test]
fn intervals_and_loads_below_zero_are_shown_as_they_are() {
    let mut summary = summary();
    let damage = summary
        .paired
        .iter_mut()
        .find(|d| d.policy == "table" && d.against == "hand-rule" && d.metric == Metric::Damage);
    let damage = damage.unwrap();
    (damage.mean, damage.low, damage.high, damage.percent) = (-1e-4, -3e-4, 1e-4, Some(-50.0));
    let line = verdict::verdict(&summary);
    assert!(
        line.contains(
            "with no clear difference in gearbox damage per km (−50.0 %, interval −150.0 to 50.0 %)"
        ),
        "{line}"
    );
    let damage = summary
        .paired
        .iter_mut()
        .find(|d| d.policy == "table" && d.against == "hand-rule" && d.metric == Metric::Damage);
    damage.unwrap().high = -2e-4 / 3.0;
    let line = verdict::verdict(&summary);
    assert!(line.contains("with 50.0 % less gearbox damage per km (33.3 to 150.0 %)"), "{line}");
}

#[test]
fn the_remarks_name_teacher_further_rule_and_learners_that_drive_as_it() {
    let mut summary = summary();
    let mut lines = verdict::remarks(&summary).join("\n");
    assert!(
        lines.contains("Course time relative to the tuned load-ratio rule. The learned table: faster by "),
        "{lines}"
    );
    assert!(lines.contains("the contextual thresholds (lowest mean course time"), "{lines}");
    assert!(!lines.contains("nothing better"), "{lines}");
    let time = |id: &str| policies::mean_time(&summary, id).unwrap();
    let (hand, table, teacher) = (time("hand-rule"), time("table"), time("contextual"));
    let kept = text::percent(100.0 * (hand - table) / (hand - teacher));
    assert!(lines.contains(&format!("keeps {kept} % over the hand-written rule and ")), "{lines}");
    let rule = summary.policy("tuned-load").unwrap().metrics.clone();
    let learner = summary.policies.iter_mut().find(|policy| policy.record.id == "dqn").unwrap();
    learner.metrics = rule;
    lines = verdict::remarks(&summary).join("\n");
    assert!(
        lines.contains("The neural DQN: validation found nothing better than the rule it started from"),
        "{lines}"
    );
    assert!(super::page(&summary, &pictures()).contains("are identical to the rule inside it: Neural DQN."));
    summary
        .policies
        .iter_mut()
        .find(|policy| policy.record.id == "hand-rule")
        .unwrap()
        .metrics
        .insert(Metric::CourseTime, example::around(100.0, 0.1, 1));
    lines = verdict::remarks(&summary).join("\n");
    assert!(
        lines.contains(
            "no measurable advantage over the hand-written rule, where the teacher has no clear advantage"
        ),
        "{lines}"
    );
}

#[test]
fn altered_worlds_are_counted_in_the_remarks_and_by_their_words() {
    let mut summary = summary();
    let line = |summary: &Summary| {
        verdict::remarks(summary)
            .into_iter()
            .find(|line| line.contains("perturbed conditions"))
            .unwrap_or_default()
    };
    // The example: 15 worlds at -4.2 and up in steps of 1.1 and 2.2, 6 at -4.2 and up, all within 1.5.
    assert_eq!(
        line(&summary),
        "In 21 perturbed conditions (mass, battery, sensors, wear) the learned table is faster than the tuned load-ratio \
         rule in 12, 10 of them clearly, and not faster in 9, 4 of them clearly slower."
    );
    let page = super::page(&summary, &Pictures::default());
    assert!(page.contains(
        "by course time 10 for and 4 against the policy under test, of 21; 1.1 are expected by chance"
    ));
    assert!(page.contains("The policy under test is better in 6 of 15 cells by time and in 6 by return."));
    assert!(!page.contains("neither policy uses it"));
    let mut alike = summary.clone();
    alike.robustness[1].cells = [0, 0, 0, 3, 3, 3].map(|i| summary.robustness[1].cells[i]).to_vec();
    let page = super::page(&alike, &Pictures::default());
    assert!(page.contains("The latency makes no difference: neither policy uses it."));
    for cell in summary.robustness.iter_mut().flat_map(|map| &mut map.cells) {
        (cell.time_s.low, cell.time_s.high) = (cell.time_s.mean - 9.0, cell.time_s.mean + 9.0);
    }
    assert!(
        line(&summary).ends_with("and not faster in 9, none of them clearly slower."),
        "{}",
        line(&summary)
    );
    summary.robustness.clear();
    assert!(line(&summary).is_empty());
}

#[test]
fn far_off_contenders_are_drawn_as_arrows_with_their_figures() {
    let mut summary = summary();
    for d in summary.paired.iter_mut().filter(|d| d.policy == "ladder" && d.metric == Metric::CourseTime) {
        (d.mean, d.low, d.high) = (367.6, 336.0, 399.0);
    }
    let far = summary.headroom.iter_mut().find(|h| h.policy == "ladder").unwrap();
    (far.behind_s.mean, far.behind_s.low, far.behind_s.high) = (413.5, 386.3, 440.6);
    let page = super::page(&summary, &Pictures::default());
    assert_eq!(page.matches("+367.6 s (336.0 to 399.0)").count(), 3);
    assert!(page.matches("Off the scale, drawn as an arrow with the figure: Ladder by speed.").count() >= 3);
    assert!(page.contains("413.5 s (386.3 to 440.6)"));
    assert!(page.contains("Broken bars with an arrow are off the scale: Ladder by speed."));
}

#[test]
fn only_the_maps_that_matter_most_are_open() {
    let mut pictures = pictures();
    let mut other = pictures.shift_maps[0].clone();
    other.policy = "Ladder by speed".into();
    pictures.shift_maps.push(other);
    let page = super::page(&summary(), &pictures);
    let (open, folded) = page.split_once("<summary>Shift maps of 1 further policy</summary>").unwrap();
    assert!(open.contains("Shift map: Learned table") && open.contains("Shift map: Tuned load-ratio rule"));
    assert!(folded.contains("Shift map: Ladder by speed"));
    assert_eq!(page.matches("Held: nominal battery").count(), 1);
}

#[test]
fn a_study_with_nothing_in_it_still_makes_a_page() {
    let mut summary = summary();
    summary.study.quick = true;
    summary.policies.clear();
    summary.paired.clear();
    summary.headroom.clear();
    summary.robustness.clear();
    summary.places.clear();
    summary.returns.clear();
    summary.outcomes.clear();
    summary.curves.clear();
    summary.tuned.clear();
    summary.table = None;
    let page = super::page(&summary, &Pictures::default());
    assert_balanced(&page);
    assert!(page.contains("quick run"));
}

#[test]
fn drawings_of_odd_sizes_are_left_out_not_broken() {
    let mut pictures = pictures();
    pictures.shift_maps[0].gears[0].cells.pop();
    pictures.shift_maps[1].x_edges.clear();
    pictures.traces[0].runs.clear();
    let mut summary = summary();
    summary.robustness[0].cells.pop();
    let page = super::page(&summary, &pictures);
    assert_balanced(&page);
    assert!(!page.contains("Mass and battery charge") && page.contains("Latency and gear wear"));
}

#[test]
fn single_files_stand_alone() {
    for file in [trace_svg(&trace_picture()), course_svg(&trace_picture().course, "as scripted")] {
        assert!(file.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\""));
        assert!(file.contains("<style>") && file.contains("hatch-grass"));
        assert_balanced(&file);
    }
    if let Some(path) = std::env::var_os("EXAMPLE_TRACE") {
        std::fs::write(path, trace_svg(&trace_picture())).unwrap();
    }
}

#[test]
fn the_summary_survives_writing_and_reading() {
    let text = summary().to_json().unwrap();
    let read = Summary::from_json(&text).unwrap();
    assert_eq!(read, summary());
    assert_eq!(read.to_json().unwrap(), text);
    assert_eq!(text, summary().to_json().unwrap());
    assert_eq!(read.policies.len(), 9);
    assert!(text.contains("\"course_time_s\"") && text.contains("\"damage_per_km\""));
    let other = text.replacen(&format!("\"format\": {FORMAT}"), "\"format\": 99", 1);
    assert!(matches!(Summary::from_json(&other), Err(SummaryError::Format { got: 99 })));
    let mut broken = summary();
    broken.paired[0].mean = f64::NAN;
    assert!(matches!(broken.to_json(), Err(SummaryError::NotFinite { .. })));
    broken = summary();
    broken.paired[0].percent = Some(f64::INFINITY);
    assert!(matches!(broken.to_json(), Err(SummaryError::NotFinite { .. })));
}
