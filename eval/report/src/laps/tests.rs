use super::*;
use lowgear_eval::laps::{TimeRow, WayGain};
use lowgear_eval::statistics::Estimate;

fn row(name: &str, percent: f64) -> LapRow {
    let estimate =
        Estimate { mean: percent, low: percent - 0.5, high: percent + 0.5, n_seeds: 1, n_courses: 40 };
    LapRow {
        time: TimeRow {
            name: name.to_owned(),
            time_s: 100.0,
            difference_percent: estimate,
            damage_percent: 3.0,
            finished: 320,
        },
        needless: 0.25,
        silent_percent: 11.0,
    }
}

fn worth(learned: f64, moved: f64) -> LapWorth {
    let way = |way: u64| WayGain {
        way,
        won_s: vec![0.0, 0.5, -0.1, 1.25],
        marked_m: vec![0.7],
        obstacles_m: vec![0.6, 40.0],
    };
    LapWorth {
        vehicle: "cart <1>".to_owned(),
        course: "path & canes".to_owned(),
        policy: "hand-rule".to_owned(),
        ways: 40,
        learning_laps: 2,
        laps: 3,
        level: 0.95,
        learned: row("learned, laps 3 to 3", learned),
        by_lap: (1..4).map(|lap| row(&format!("learned, lap {lap}"), learned)).collect(),
        changed: vec![row("an obstacle was moved", moved)],
        position_error_m: (0.2, 0.15),
        won_near_and_elsewhere_s: (1.5, 0.9),
        examples: (0..3).map(way).collect(),
    }
}

#[test]
fn the_page_says_whether_it_is_worth_it_where_it_is_won_and_what_a_change_costs() {
    let page = laps_page(&worth(-2.5, 0.2));
    for words in [
        "From the third lap on the vehicle is faster",
        "cart &lt;1&gt;",
        "path &amp; canes",
        "an obstacle was moved",
        "None of these changes costs more than",
        "largest gain",
        "laps 3 to 3",
    ] {
        assert!(page.contains(words), "no {words:?} in:\n{page}");
    }
    for words in ["NaN", "inf\"", "://", "<1>"] {
        assert!(!page.contains(words), "{words:?} in:\n{page}");
    }
    assert_eq!(page.matches("<svg class=\"chart\"").count(), 2, "laps and three ways");
}

#[test]
fn a_loss_and_a_costly_change_are_named() {
    let page = laps_page(&worth(1.0, 0.9));
    assert!(
        page.contains("leave the memory out here") && page.contains("in the mean: an obstacle was moved"),
        "{page}"
    );
    assert!(laps_page(&worth(0.1, 0.0)).contains("No gain is shown here."));
}
