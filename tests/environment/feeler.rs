//! The feeler on a driven cart: what it announces is what the axles then meet, and nothing else of the episode changes.

use crate::sandbox::repository;
use lowgear_agents::policy::Policy;
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_env::config::load;
use lowgear_env::vehicle::{FeelerConfig, GrassConfig, OwnTrackConfig, VehicleConfig};
use lowgear_env::{Drive, EpisodeConfig, Scenario, Seed, TraceRow, World, load_course};
use std::sync::Arc;

/// The cart with its feeler, changed.
fn cart(change: impl Fn(&mut FeelerConfig)) -> VehicleConfig {
    let mut cart: VehicleConfig = load(&repository().join("configs/vehicles/demo-cart-feeler.toml")).unwrap();
    cart.sensors.feeler.iter_mut().for_each(change);
    cart
}

/// A feeler that errs in nothing.
fn exact(feeler: &mut FeelerConfig) {
    (feeler.noise_deg, feeler.hysteresis_deg) = (0.0, 0.0);
    without_drag(feeler);
    feeler.track = OwnTrackConfig { missed_share: 0.0, false_share: 0.0 };
    feeler.grass = GrassConfig { stuck_rate: 0.0, ..GrassConfig::default() };
}

fn without_drag(feeler: &mut FeelerConfig) {
    (feeler.drag_n, feeler.roller) = (Some(0.0), None);
}

fn scenario(cart: VehicleConfig, course: &str) -> Arc<Scenario> {
    let course = load_course(&repository().join(format!("configs/courses/{course}.toml"))).unwrap();
    Arc::new(Scenario::new(cart, course, EpisodeConfig::default(), Seed(7)))
}

/// The rows of an episode under a rule.
fn driven(scenario: &Arc<Scenario>, episode: u64, rule: RuleSettings) -> Vec<TraceRow> {
    let mut drive = Drive::new(Arc::clone(scenario), episode).with_trace();
    let mut rule = Rule::new(rule, scenario.gears()).unwrap();
    loop {
        let request = rule.decide(drive.observation(), World::mask(&drive));
        if drive.step(request as usize).end.is_some() {
            return drive.into_trace();
        }
    }
}

#[test]
fn a_feeler_without_drag_changes_nothing_but_what_it_shows() {
    let with = cart(without_drag);
    let mut without = with.clone();
    without.sensors.feeler = None;
    let [with, without] = [with, without].map(|cart| scenario(cart, "garden-mix"));
    for episode in 0..3 {
        let [seen, blind] =
            [&with, &without].map(|s| driven(s, episode, RuleSettings::two_sided(3, 850, 400, 10)));
        assert!(seen.iter().any(|row| row.strike_class >= 2), "it sees something");
        assert!(blind.iter().all(|row| (row.strike_class, row.strike_mm) == (0, 1000)));
        let hidden = |row: TraceRow| TraceRow { preview_reading: 0, strike_class: 0, strike_mm: 1000, ..row };
        let seen: Vec<TraceRow> = seen.into_iter().map(hidden).collect();
        assert_eq!(seen, blind, "episode {episode}");
    }
}

#[test]
fn readings_that_are_late_announce_late() {
    let late = |latency_ticks: u8| {
        let mut cart = cart(exact);
        cart.sensors.latency_ticks = latency_ticks;
        driven(&scenario(cart, "level-path-canes"), 0, RuleSettings::first_gear(3))
    };
    let (at_once, later) = (late(0), late(3));
    let first = |rows: &[TraceRow]| rows.iter().position(|row| row.strike_class >= 2).unwrap();
    assert_eq!(first(&later), first(&at_once) + 3);
    assert!(at_once.iter().zip(&later).all(|(a, b)| a.preview_reading == b.preview_reading));
}

#[test]
fn what_an_exact_feeler_announces_is_what_the_axles_meet() {
    let mut cart = cart(exact);
    (cart.variation.preview_offset, cart.variation.preview_ahead_factor) = (None, None);
    let ahead_m = 0.24;
    cart.sensors.feeler.iter_mut().for_each(|feeler| feeler.ahead_m = ahead_m);
    let scenario = scenario(cart, "level-path-canes");
    let (mut met, mut announced, mut seen, mut invented) = (0, 0, 0, 0);
    for episode in 0..10 {
        let course = scenario.instantiate(episode).1.course;
        let rows = driven(&scenario, episode, RuleSettings::two_sided(3, 850, 400, 10));
        for obstacle in course.obstacles.iter().filter(|o| o.height_m > 0.004) {
            let there = rows.iter().find(|row| row.position_m > obstacle.position_m - 0.03);
            met += u32::from(there.is_some());
            announced += u32::from(there.is_some_and(|row| row.strike_class >= 2 && row.strike_mm <= 80));
        }
        for row in rows.iter().filter(|row| row.strike_class >= 2) {
            seen += 1;
            // From the rear axle, 0.2 m behind the front one, to where the roller is, each with some slack.
            let near = row.position_m - 0.3..row.position_m + ahead_m + 0.08;
            invented += u32::from(!course.obstacles.iter().any(|o| near.contains(&o.position_m)));
        }
    }
    // What remains is by pitch, more of it the further ahead the roller is, and by odometry.
    assert!(met > 50, "{met}");
    assert!(f64::from(announced) > 0.8 * f64::from(met), "{announced} of {met} announced");
    assert!(f64::from(invented) < 0.1 * f64::from(seen), "{invented} of {seen} ticks without an obstacle");
}
