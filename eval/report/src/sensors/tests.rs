use super::*;
use lowgear_eval::sensors::{Controller, SensorCard, SensorSettings, Sighting};
use lowgear_eval::statistics::Estimate;

fn estimate(mean: f64, half: f64) -> Estimate {
    Estimate { mean, low: mean - half, high: mean + half, n_seeds: 1, n_courses: 40 }
}

fn sensor(name: &str, saved: f64, verdict: Verdict) -> SensorWorth {
    SensorWorth {
        card: SensorCard {
            name: name.to_owned(),
            reference: name.starts_with("exact"),
            origin: "values for a small cart, assumed".to_owned(),
            mounting: "roller 300 mm ahead".to_owned(),
            sees: "bumps <5 mm & edges".to_owned(),
            misses: "what lies outside its track".to_owned(),
            flash_bytes: None,
            sighting: Sighting { announced_percent: Some(81.2), false_percent: None },
            rule: vec!["shift up 1 to 2 at 5000 rpm".to_owned()],
        },
        finished_percent: 99.5,
        time_s: estimate(88.0, 2.0),
        carrying_percent: 5.3,
        saved_s: estimate(0.9 * saved, 0.3),
        saved_percent: estimate(saved, 0.3),
        time_p: 0.001,
        damage_ratio: Some(estimate(0.8, 0.1)),
        damage_p: 0.2,
        gap_percent: Some(12.0),
        verdict,
    }
}

fn comparison(sensors: Vec<SensorWorth>, quick: bool) -> SensorComparison {
    SensorComparison {
        settings: SensorSettings {
            controller: Controller::TunedRule,
            vehicle: "cart <1>".to_owned(),
            course: "path & canes".to_owned(),
            seed: 1,
            quick,
            searches: 3,
            episodes: 1000,
            level: 0.95,
            margin_percent: 1.0,
            rule: vec!["shift up 2 to 3 at 4000 rpm".to_owned()],
        },
        courses: 40,
        finished_percent: 100.0,
        time_s: estimate(90.0, 2.0),
        damage_per_km: 2.9e-3,
        plan_percent: estimate(10.0, 2.0),
        sensors,
    }
}

#[test]
fn the_page_names_what_is_worth_it_and_escapes_names() {
    let sensors = vec![sensor("feeler", 2.0, Verdict::Time), sensor("range sensor", 0.0, Verdict::None)];
    let page = sensors_page(&[comparison(sensors, false)]);
    for words in [
        "With a tuned rule worth its place here: the feeler.",
        "Range sensor: not worth it.",
        "cart &lt;1&gt;",
        "bumps &lt;5 mm &amp; edges",
        "not measured",
        "clairvoyant plan",
        "its drag costs 5.3",
        "--train",
        "assumed",
    ] {
        assert!(page.contains(words), "no {words:?} in:\n{page}");
    }
    for words in ["NaN", "inf\"", "://", "<1>", "A quick run"] {
        assert!(!page.contains(words), "{words:?} in:\n{page}");
    }
    assert_eq!(page.matches("<svg class=\"chart\"").count(), 1, "one picture");
}

#[test]
fn a_reference_alone_is_no_sensor_to_buy_and_a_quick_run_concludes_nothing() {
    let page = sensors_page(&[comparison(vec![sensor("exact preview", 5.0, Verdict::Both)], true)]);
    assert!(page.contains("With a tuned rule no sensor is shown to be worth its place here."), "{page}");
    assert!(page.contains("A quick run: too few"), "{page}");
}
