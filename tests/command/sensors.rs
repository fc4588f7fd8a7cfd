//! `lowgear sensors`: what one more sensor would be worth.

use crate::sandbox::{Sandbox, repository};
use lowgear_eval::sensors::{SensorWorth, Verdict};
use lowgear_train::config::{SensorKind, SensorsConfig};
use lowgear_train::progress::Reporter;
use lowgear_train::search::SearchBudget;
use lowgear_train::sensors::{Candidates, SensorOptions, compare_sensors};
use lowgear_train::study::read_inputs;
use std::fs;

/// A study of the cart with a feeler on a level path with canes, with a sensors file.
fn on_canes() -> Sandbox {
    let place = Sandbox::new();
    let configs = repository().join("configs");
    for (from, to) in [
        ("vehicles/demo-cart-feeler.toml", "vehicle.toml"),
        ("courses/level-path-canes.toml", "course.toml"),
        ("sensors/small-cart.toml", "sensors.toml"),
    ] {
        fs::copy(configs.join(from), place.path(to)).unwrap();
    }
    let study = fs::read_to_string(configs.join("studies/canes.toml")).unwrap();
    let study = study.replace("../vehicles/demo-cart-feeler.toml", "vehicle.toml");
    place.write("study.toml", study.replace("../courses/level-path-canes.toml", "course.toml"));
    place
}

/// The row of a sensor in the table.
fn row<'a>(out: &'a str, sensor: &str) -> &'a str {
    out.lines().find(|line| line.starts_with(sensor)).unwrap_or_else(|| panic!("no {sensor} in:\n{out}"))
}

#[test]
fn a_range_sensor_is_not_worth_it_among_canes_and_an_exact_preview_saves_time() {
    let mut inputs = read_inputs(&repository().join("configs/studies/canes.toml"), false).unwrap();
    // So few generations do not tune a wait of its own in each gear as well.
    inputs.study.rule.dwell_ticks = None;
    let mut sensors = SensorsConfig::shipped().unwrap();
    (sensors.whisker, sensors.gyro) = (None, None);
    let fitted = sensors.take_from(&inputs.scenario.vehicle);
    let candidates = Candidates { sensors, fitted, origin: "the test".to_owned() };
    let mut options = SensorOptions::new(&inputs.study, false, 0.95);
    options.budget =
        SearchBudget { generations: 6, population: 12, courses: 24, validate_every: 3, step: 0.12 };
    (options.searches, options.validation_courses) = (1, 60);
    (options.courses, options.plan_courses) = (400, 4);
    let reporter = Reporter::silent();
    let compared = compare_sensors(
        &inputs.study,
        &inputs.scenario,
        &candidates,
        &options,
        None,
        |_, _| vec![],
        &reporter,
    )
    .unwrap();
    let [compared] = &compared[..] else { panic!("{compared:#?}") };
    let [feeler, range, exact] = &compared.sensors[..] else { panic!("{compared:#?}") };
    assert_eq!((fitted, feeler.card.origin.as_str()), (Some(SensorKind::Feeler), "the vehicle file"));
    assert_eq!(range.verdict, Verdict::None, "{range:#?}");
    // With so small a budget its rule may still wear more: the verdict then is "not clear".
    assert!(exact.saved_percent.low > options.margin_percent && exact.time_p < 0.05, "{exact:#?}");
    assert_ne!(exact.verdict, Verdict::None, "{exact:#?}");
    assert!(exact.card.reference && !range.card.reference);
    // The feeler drags; the others do not.
    assert!((0.2..2.0).contains(&feeler.carrying_percent), "{feeler:#?}");
    assert!(range.carrying_percent.abs() < 1e-9 && exact.carrying_percent.abs() < 1e-9);
    // What announces nothing but noise is in the wrong place more often than what sees.
    let wrong = |sensor: &SensorWorth| sensor.card.sighting.false_percent.unwrap();
    assert!(wrong(range) > wrong(exact) + 20.0, "{} and {}", wrong(range), wrong(exact));
    assert!(exact.card.sighting.announced_percent.unwrap() > 75.0, "{exact:#?}");
}

#[test]
fn a_quick_run_writes_a_page_with_the_same_bytes_for_any_number_of_threads() {
    let place = Sandbox::new();
    let quick = |threads: &str, out: &str| {
        let ran =
            place.run(&["sensors", "tiny.toml", "--quick", "--train", "--threads", threads, "--out", out]);
        (ran.done().out.replace(out, "PAGE"), place.read(out))
    };
    let (text, page) = quick("1", "one.html");
    assert_eq!((text.clone(), page.clone()), quick("2", "two.html"));
    for sensor in ["feeler", "whisker", "range sensor", "gyroscope", "exact preview"] {
        assert!(
            page.contains(sensor) && row(&text, sensor).contains("not clear")
                || row(&text, sensor).contains("worth it"),
            "{text}"
        );
    }
    // Both controllers have their rows, and what is said of the sensors and the verdict is said once.
    for controller in ["tuned rule", "trained controller"] {
        assert!(text.contains(&format!("With a {controller}:\n")), "{text}");
        assert!(page.contains(&format!("With a {controller} ")), "{page}");
    }
    assert_eq!(text.matches("Worth it: significantly").count(), 1, "{text}");
    assert!(text.contains("A quick run") && page.contains("A quick run"), "{text}");
    assert!(page.contains("assumed") && page.contains("<svg") && !page.contains("://"));
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

#[test]
fn what_cannot_be_compared_is_refused_by_file_key_and_range() {
    let place = on_canes();
    let sensors = |more: &[&str]| {
        let all = [&["sensors", "study.toml", "--quick"], more].concat();
        place.run(&all)
    };
    sensors(&["--margin", "-1"]).refused(2, &["--margin"]);
    sensors(&["--ahead", "0.7"]).refused(2, &["--ahead", "0.6"]);
    sensors(&["--sensors", "absent.toml"]).refused(3, &["absent.toml"]);
    let text = place.read("study.toml");
    let (before, rest) = text.split_once("[learners.ppo]").unwrap();
    let (_, after) = rest.split_once("\n[table]").unwrap();
    place.write("study.toml", format!("{before}\n[table]{after}"));
    sensors(&["--train"]).refused(2, &["--train", "[learners.ppo]"]);
    sensors(&["--out", "study.toml"]).refused(3, &["study.toml"]);
    let line = place.edit("sensors.toml", "cone-deg", "cone-deg = 90.0");
    sensors(&["--sensors", "sensors.toml"])
        .refused(2, &["sensors.toml", &format!("line {line}"), "range.cone-deg", "60"]);
    place.write("none.toml", "[spread]\n");
    sensors(&["--sensors", "none.toml"])
        .refused(2, &["none.toml", "[feeler]", "[whisker]", "[range]", "[gyro]"]);
}
