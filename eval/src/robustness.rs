//! Policies in worlds other than those they were made for: the same test courses, noise and controller
//! constants, but a vehicle or sensors that are not as the vehicle file says.
//!
//! What [`Disturbance`] does to the vehicle file:
//!
//! | disturbance | in the file |
//! |---|---|
//! | mass factor | multiplies `chassis.mass-kg`; the spread of `variation.mass-factor` stays |
//! | charge | replaces `variation.charge` |
//! | tilt bias | replaces `variation.tilt-bias-deg` |
//! | encoder noise | replaces `sensors.encoder.noise` |
//! | latency | replaces `variation.latency-ticks`, on top of `sensors.latency-ticks` |
//! | wear `w` | efficiencies times `1 - 0.2 w` (worn flanks), `dogs.gap-deg` times `1 - 0.5 w` (burred dogs enter at fewer angles), `selector.arrival-error-deg` times `1 + 2 w` up to the window (play in the detent) |
//!
//! The three figures of wear are invented; whether wear halves or ends an engagement depends on the gearbox.

use lowgear_agents::policy::Policy;
use lowgear_env::config::ParameterDistribution;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Outcome, Scenario};

use crate::aggregate::episode_scores;
use crate::statistics::{StatisticsError, paired_difference};
use crate::suite::TestSuite;
use crate::summary::{Disturbance, Metric, RobustnessCell};

/// Share of every efficiency that is lost when the gears are worn out.
const WORN_LOSS: f64 = 0.2;
/// Share of the dogs' gap that is lost then.
const WORN_GAP: f64 = 0.5;
/// By how many times the selector's arrival error grows then.
const WORN_PLAY: f64 = 2.0;

/// The scenario with a vehicle altered; the controller keeps the constants that it was made with.
#[must_use]
pub fn altered(scenario: &Scenario, disturbances: &[(Disturbance, f64)]) -> Scenario {
    let mut scenario = scenario.clone();
    for (disturbance, value) in disturbances {
        alter(&mut scenario.vehicle, *disturbance, *value);
    }
    scenario
}

fn alter(vehicle: &mut VehicleConfig, disturbance: Disturbance, value: f64) {
    match disturbance {
        Disturbance::MassFactor => vehicle.chassis.mass_kg *= value,
        Disturbance::Charge => vehicle.variation.charge = ParameterDistribution::Fixed(value),
        Disturbance::TiltBiasDeg => vehicle.variation.tilt_bias_deg = ParameterDistribution::Fixed(value),
        Disturbance::EncoderNoise => vehicle.sensors.encoder.noise = value,
        Disturbance::LatencyTicks => vehicle.variation.latency_ticks = ParameterDistribution::Fixed(value),
        Disturbance::Wear => {
            let gearbox = &mut vehicle.gearbox;
            let efficiencies = gearbox.efficiency.iter_mut().chain(&mut gearbox.back_efficiency);
            efficiencies.for_each(|efficiency| *efficiency *= 1.0 - WORN_LOSS * value);
            vehicle.dogs.gap_deg *= 1.0 - WORN_GAP * value;
            let selector = &mut vehicle.selector;
            let error_deg = selector.arrival_error_deg * (1.0 + WORN_PLAY * value);
            selector.arrival_error_deg = error_deg.min(selector.window_deg);
        }
    }
}

/// Every training seed of a policy against another policy, paired on the courses of a perturbed condition.
///
/// # Errors
/// [`StatisticsError`], for example with fewer than two courses.
pub fn compared<P: Policy + Clone + Sync>(
    suite: &TestSuite,
    seeds: &[P],
    against: &P,
    level: f64,
) -> Result<RobustnessCell, StatisticsError> {
    let own: Vec<Vec<Outcome>> = seeds.iter().map(|policy| suite.outcomes(|| policy.clone())).collect();
    let other = [suite.outcomes(|| against.clone())];
    let difference = |metric: Metric| {
        let (a, b) = (episode_scores(metric, &own)?, episode_scores(metric, &other)?);
        Ok(paired_difference(&a, &b, level)?.estimate)
    };
    let finished = |rows: &[Vec<Outcome>]| Ok(episode_scores(Metric::Finished, rows)?.mean());
    Ok(RobustnessCell {
        time_s: difference(Metric::CourseTime)?,
        return_s: difference(Metric::Return)?,
        against_time_s: episode_scores(Metric::CourseTime, &other)?.mean(),
        finished_percent: finished(&own)?,
        against_finished_percent: finished(&other)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::aggregate::tests::{rule, scenario};

    #[test]
    fn each_disturbance_moves_what_it_names_and_the_controller_stays() {
        let plain = scenario();
        let with = |disturbance, value| altered(&plain, &[(disturbance, value)]);
        assert_eq!(with(Disturbance::MassFactor, 1.0).vehicle, plain.vehicle);
        assert_eq!(with(Disturbance::Wear, 0.0).vehicle, plain.vehicle);
        let (light, heavy) = (plain.instantiate(3).0, with(Disturbance::MassFactor, 1.5).instantiate(3).0);
        assert!((heavy.mass_kg / light.mass_kg - 1.5).abs() < 1e-12, "on top of the spread");
        assert!((with(Disturbance::Charge, 0.1).instantiate(3).0.charge - 0.1).abs() < 1e-12);
        assert!((with(Disturbance::TiltBiasDeg, -3.0).instantiate(3).0.tilt_bias_deg + 3.0).abs() < 1e-12);
        let mut late = plain.clone();
        late.vehicle.sensors.latency_ticks = 1;
        late.vehicle.variation.latency_ticks = ParameterDistribution::Uniform { low: 0.0, high: 3.0 };
        let late = altered(&late, &[(Disturbance::LatencyTicks, 2.0)]);
        assert!(
            (0..8).all(|episode| late.instantiate(episode).0.latency_ticks == 3),
            "the file's, and no draw"
        );
        let worn = with(Disturbance::Wear, 1.0).instantiate(3).0;
        assert!((worn.gears[1].efficiency / light.gears[1].efficiency - 0.8).abs() < 1e-12);
        assert!((worn.dogs.entry_chance(0.0) / light.dogs.entry_chance(0.0) - 0.5).abs() < 1e-12);
        assert_eq!(with(Disturbance::EncoderNoise, 0.2).settings, plain.settings);
        assert_eq!(altered(&plain, &[(Disturbance::MassFactor, 2.0)]).settings, plain.settings);
    }

    #[test]
    fn a_policy_against_itself_differs_by_nothing_and_a_worn_gearbox_costs_time() {
        let plain = scenario();
        let time = |wear: f64, up: i16| {
            let suite = TestSuite::new(&altered(&plain, &[(Disturbance::Wear, wear)]), 4);
            compared(&suite, &[rule(up, 400), rule(up, 400)], &rule(760, 400), 0.95).unwrap()
        };
        let same = time(0.0, 760);
        assert!(same.time_s.mean.abs() < 1e-12 && same.time_s.low.abs() < 1e-12);
        assert_eq!((same.time_s.n_seeds, same.time_s.n_courses), (2, 4));
        assert!(time(1.0, 760).against_time_s > same.against_time_s + 1.0);
        assert!(time(0.0, 860).time_s.mean.abs() > 1e-3, "another rule drives otherwise");
    }
}
