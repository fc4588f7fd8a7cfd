use super::example::{add_network, pictures, summary, trace_picture};
use super::*;
use lowgear_eval::summary::{Estimate, FORMAT, Metric, SeedFigures, Summary, SummaryError};

/// Elements that hold no content and need no closing.
const VOID: [&str; 4] = ["meta", "!DOCTYPE", "br", "hr"];

/// The page without what its script elements hold, which is no markup.
fn without_scripts(page: &str) -> String {
    let mut parts = page.split("<script");
    let first = parts.next().unwrap_or_default().to_owned();
    parts.fold(first, |text, part| text + "<script>" + &part[part.find("</script").unwrap_or(part.len())..])
}

/// Fails unless every element is closed in order.
fn assert_balanced(page: &str) {
    let markup = &without_scripts(page);
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
    for forbidden in ["http://", "https://", "url(http", "@import", "src=", "inf\""] {
        assert!(!page.contains(forbidden), "{forbidden}");
    }
    assert!(!without_scripts(&page).contains("NaN"));
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
    // The first one, on the first screen, has its table in the comparison.
    for figure in page.split("<figure").skip(2) {
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
    summary.tuned[0].enterable[0] = bad.into();
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
    // The data of replay and shift maps and the page's own script, which its policy names by hash.
    assert_eq!((page.matches("<script").count(), page.matches("</script").count()), (3, 3));
    assert!(page.contains(&format!("script-src '{}'", script::source())));
    let safe = "&lt;script&gt;alert('x')&lt;/script&gt;&quot;&amp;";
    assert!(
        page.contains(&format!("<title>{safe}: ")) && page.contains(&format!("aria-label=\"Drawing: {safe}"))
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
    assert!(
        first.contains(", with less gearbox damage per km (0.") && first.contains(" times, 0."),
        "{first}"
    );
    let time = summary.paired.iter_mut().find(|d| d.policy == "table" && d.against == "hand-rule").unwrap();
    (time.mean, time.low, time.high, time.percent, time.corrected_p) = (2.0, 1.0, 3.0, Some(1.5), Some(0.01));
    let slower = verdict::verdict(&summary);
    assert!(
        slower.contains(
            "is slower than the hand-written rule by 1.5 % of its course time (95 % interval 0.8 to 2.2 %)"
        ),
        "{slower}"
    );
    let time = summary.paired.iter_mut().find(|d| d.policy == "table" && d.against == "hand-rule").unwrap();
    // An interval that excludes zero is not enough: the p-value is that after correction.
    (time.mean, time.low, time.high, time.percent, time.corrected_p) =
        (-0.5, -0.9, -0.1, Some(-0.5), Some(0.3));
    let unproven = verdict::verdict(&summary);
    assert!(
        unproven.contains("no significant difference") && unproven.contains("−0.9 to −0.1 %"),
        "{unproven}"
    );
    summary.paired.clear();
    assert!(verdict::verdict(&summary).contains("holds no comparison"));
}

#[test]
fn damage_is_a_ratio_whose_interval_is_cut_nowhere() {
    let mut summary = summary();
    let damage = summary
        .paired
        .iter_mut()
        .find(|d| d.policy == "table" && d.against == "hand-rule" && d.metric == Metric::Damage)
        .unwrap();
    let around = |low, high| Some(Estimate { mean: 0.1, low, high, n_seeds: 5, n_courses: 120 });
    (damage.ratio, damage.corrected_p) = (around(0.02, 0.58), Some(0.001));
    let line = verdict::verdict(&summary);
    assert!(line.contains("with less gearbox damage per km (0.10 times, 0.02 to 0.58)"), "{line}");
}

#[test]
fn a_request_that_ends_before_full_speed_is_drawn_with_both_borders() {
    let mut pictures = pictures();
    for map in &mut pictures.shift_maps {
        let columns = map.x_edges.len() - 1;
        for gear in &mut map.gears {
            let first = gear.cells[..columns].to_vec();
            gear.cells = first.repeat(map.y_edges.len() - 1);
            gear.up.fill(if gear.gear == 0 { vec![(110.0, 850.0)] } else { vec![] });
            gear.down.fill(vec![]);
        }
    }
    let figure = charts::shift_map(&pictures.shift_maps[0], &pictures.shift_maps).unwrap();
    assert_eq!(figure.drawings.len(), 2, "strips of the decisions and of the loads");
    let loads = &figure.drawings[1].0;
    assert!(loads.contains("shifts 1 to 2 at a wheel load of 110 to 850"), "{loads}");
    let left: f64 =
        loads.split("class=\"ask-up\" x=\"").nth(1).unwrap().split('"').next().unwrap().parse().unwrap();
    assert!(left > 60.0, "the strip does not begin at no load: {left}");
}

#[test]
fn the_remarks_name_teacher_further_rule_and_learners_that_drive_as_it() {
    let mut summary = summary();
    let mut lines = verdict::remarks(&summary).join("\n");
    assert!(
        lines.contains("Course time relative to the tuned load-ratio rule. The learned table: "),
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
    assert!(!lines.contains("kept the policy"), "{lines}");
    let kept = Estimate { mean: 0.0, low: 0.0, high: 0.0, n_seeds: 1, n_courses: 120 };
    let seed = |seed| SeedFigures {
        seed,
        time_s: kept,
        against_tuned_s: if seed > 2 { kept } else { Estimate { mean: -1.0, ..kept } },
        damage_per_km: 1e-4,
    };
    let learner = summary.policies.iter_mut().find(|policy| policy.record.id == "tabular").unwrap();
    learner.seeds = (1..=5).map(seed).collect();
    lines = verdict::remarks(&summary).join("\n");
    assert!(
        lines.contains("3 of 5 seeds of the tabular Q-learning kept the policy they started from."),
        "{lines}"
    );
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
            "no measurable advantage over the hand-written rule, where the teacher has no significant advantage"
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
        "In 21 different perturbed conditions (mass, battery, sensors, wear) the learned table is faster than the tuned \
         load-ratio rule in 12, 10 with an interval that excludes zero, and not faster in 9, 4 with an interval that \
         excludes zero; uncorrected."
    );
    let page = super::page(&summary, &Pictures::default());
    assert!(page.contains("10 for and 4 against the policy under test, of 21 different conditions; 1.1 are"));
    assert!(page.contains("ahead in 6 of 15") && !page.contains("neither policy uses it"));
    // Columns that are copies of one another are one condition.
    let mut alike = summary.clone();
    alike.robustness[1].cells = [0, 0, 0, 3, 3, 3].map(|i| summary.robustness[1].cells[i]).to_vec();
    let page = super::page(&alike, &Pictures::default());
    assert!(page.contains("The latency makes no difference: neither policy uses it."));
    assert!(line(&alike).starts_with("In 17 different perturbed conditions"), "{}", line(&alike));
    for cell in summary.robustness.iter_mut().flat_map(|map| &mut map.cells) {
        (cell.time_s.low, cell.time_s.high) = (cell.time_s.mean - 9.0, cell.time_s.mean + 9.0);
    }
    assert!(line(&summary).contains("not faster in 9, none with"), "{}", line(&summary));
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
    // In the drawing of all policies against each of three rules, for a reader who points at it.
    assert_eq!(page.matches("Ladder by speed: +367.6 s (336.0 to 399.0)").count(), 3);
    assert!(page.matches("Off the scale with all policies: Ladder by speed.").count() >= 3);
    assert!(page.contains("Bars with an arrow are off the scale: Ladder by speed."));
}

#[test]
fn a_gap_that_grows_is_not_closed() {
    let mut summary = summary();
    let own = summary.headroom.iter_mut().find(|h| h.policy == "table").unwrap();
    own.gap_percent = Some(Estimate { mean: -3.6, low: -22.4, high: 15.2, n_seeds: 5, n_courses: 120 });
    let lines = verdict::remarks(&summary).join("\n");
    assert!(lines.contains("is further from it than the tuned motor-speed rule"), "{lines}");
    assert!(!super::page(&summary, &Pictures::default()).contains("closes −"));
}

#[test]
fn the_table_is_compared_with_the_network_where_there_is_one() {
    let mut summary = summary();
    assert!(!super::page(&summary, &pictures()).contains("The exported integer network"));
    add_network(&mut summary);
    let lines = verdict::remarks(&summary).join("\n");
    let words = "against the network that firmware can run in its place (13 x 32 x 32 x 3 units, 1";
    assert!(lines.contains(words) && lines.contains("no significant difference, 0.4 %"), "{lines}");
    let page = super::page(&summary, &pictures());
    assert_balanced(&page);
    assert!(page.contains("The exported integer network") && page.contains("99.54"));
}

#[test]
fn only_the_maps_that_matter_most_are_open() {
    let mut pictures = pictures();
    let mut other = pictures.shift_maps[0].clone();
    other.policy = "Ladder by speed".into();
    pictures.shift_maps.push(other);
    let page = super::page(&summary(), &pictures);
    let (open, folded) = page.split_once("<summary>Shift maps of 2 further policies</summary>").unwrap();
    assert!(open.contains("Shift map: Learned table"));
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
