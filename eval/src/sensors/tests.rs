use super::text::sensors_text;
use super::*;
use lowgear_env::RewardTerms;

fn card(name: &str) -> SensorCard {
    SensorCard {
        name: name.to_owned(),
        reference: false,
        origin: String::new(),
        mounting: String::new(),
        sees: String::new(),
        misses: String::new(),
        flash_bytes: Some(500),
        sighting: Sighting { announced_percent: Some(80.0), false_percent: Some(10.0) },
        rule: vec![],
    }
}

/// Courses of 80 to 119 s, changed by a factor on time, with noise that differs from course to course, and on damage.
fn driven(time: f64, noise_s: f64, damage: f64) -> Vec<Outcome> {
    (0..40)
        .map(|course| {
            let wobble = f64::from((course * 7919) % 41) / 20.0 - 1.0;
            let life = 1e-5 * (1.0 + 0.3 * f64::from((course * 31) % 7) / 7.0);
            Outcome {
                cause: Cause::Finished,
                time_s: time * (80.0 + f64::from(course)) + noise_s * wobble,
                distance_m: 15.0,
                energy_j: 1.0,
                shifts: 1,
                reversals: 0,
                failed_upshifts: 0,
                missed_engagements: 0,
                stall_s: 0.0,
                damage: damage * life,
                peak_winding_c: 30.0,
                reward: RewardTerms::default(),
            }
        })
        .collect()
}

fn compared(sensors: &[(&str, f64, f64, f64)]) -> SensorComparison {
    let settings = SensorSettings {
        controller: Controller::TunedRule,
        vehicle: "cart".to_owned(),
        course: "path".to_owned(),
        seed: 1,
        quick: false,
        searches: 3,
        episodes: 100,
        level: 0.95,
        margin_percent: 1.0,
        rule: vec![],
    };
    let driven_sensor = |&(name, time, noise_s, damage): &(&str, f64, f64, f64)| DrivenSensor {
        card: card(name),
        outcomes: driven(time, noise_s, damage),
        unused: driven(1.03, 0.0, 1.0),
    };
    let rules = Driven {
        blind: driven(1.0, 0.0, 1.0),
        plan: driven(0.9, 0.0, 0.5).split_off(20),
        sensors: sensors.iter().map(driven_sensor).collect(),
    };
    SensorComparison::new(settings, rules).unwrap()
}

fn verdicts(sensors: &[(&str, f64, f64, f64)]) -> Vec<Verdict> {
    compared(sensors).sensors.iter().map(|sensor| sensor.verdict).collect()
}

#[test]
fn a_sensor_is_worth_it_by_time_by_wear_or_not_at_all() {
    // name, factor on time, noise s, factor on damage
    let found = verdicts(&[
        ("faster", 0.97, 1.0, 1.0),
        ("milder", 1.0, 1.0, 0.5),
        ("both", 0.97, 1.0, 0.5),
        ("nothing", 1.0, 0.0, 1.0),
        ("drags", 1.02, 0.5, 1.0),
        ("too little", 0.995, 0.5, 1.0),
        ("too noisy", 0.99, 30.0, 1.0),
    ]);
    use Verdict::{Both, None, NotClear, Time, Wear};
    assert_eq!(found, [Time, Wear, Both, None, None, None, NotClear]);
}

#[test]
fn what_saves_the_one_and_costs_the_other_is_not_judged() {
    let found = verdicts(&[("at more wear", 0.97, 1.0, 2.0), ("milder and slower", 1.02, 0.5, 0.5)]);
    assert_eq!(found[0], Verdict::NotClear, "its interval does not exclude the margin");
    assert_eq!(found[1], Verdict::None, "clearly slower");
}

#[test]
fn figures_are_relative_to_the_rule_without_a_sensor() {
    let comparison = compared(&[("faster", 0.95, 0.0, 0.8)]);
    let sensor = &comparison.sensors[0];
    assert!((sensor.saved_percent.mean - 5.0).abs() < 1e-9, "{:?}", sensor.saved_percent);
    let ratio = sensor.damage_ratio.unwrap();
    assert!((ratio.mean - 0.8).abs() < 1e-9 && ratio.low <= 0.8 && ratio.high >= 0.8, "{ratio:?}");
    assert_eq!(comparison.plan_percent.n_courses, 20);
    let text = sensors_text(std::slice::from_ref(&comparison), 80);
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    for words in
        ["faster", "+5.0 (", "-20 %*", "worth it: both", "500", "No sensor", "Holm", "its drag costs 3.0 %"]
    {
        assert!(text.to_lowercase().contains(&words.to_lowercase()), "no {words:?} in:\n{text}");
    }
}
