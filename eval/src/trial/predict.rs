//! Lap times that the model predicts from battery and motor at the start of a lap.

use super::damage::LapStart;
use super::laps::Lap;
use crate::suite::{TestSuite, play_on};
use lowgear_agents::policy::Policy;
use lowgear_env::config::ParameterDistribution;
use lowgear_env::vehicle::TemperatureRise;
use lowgear_env::{Cause, Drive, Scenario};
use lowgear_sysid::fit::charge_at_rest_v;
use rayon::prelude::*;
use std::sync::Arc;

/// Courses over which a lap time is averaged. A pair's difference is relative, and how much a lower voltage slows a
/// vehicle hardly depends on the course.
const COURSES: u64 = 8;

/// Fills in the predicted times of laps: the nominal vehicle of a study, driven by one policy, over those of the study's test
/// courses that it finishes from every start.
pub fn predict<P: Policy + Clone + Sync>(laps: &mut [Lap], study: &Scenario, policy: &P) {
    let suite = TestSuite::nominal(study, COURSES);
    let start = |lap: &Lap| lap.modelled.and_then(|modelled| modelled.start);
    let times: Vec<Option<Vec<Option<f64>>>> =
        laps.par_iter().map(|lap| Some(times(suite.scenario(), policy, &start(lap)?))).collect();
    let finished = |course: &usize| times.iter().flatten().all(|of_lap| of_lap[*course].is_some());
    let usable: Vec<usize> = (0..COURSES as usize).filter(finished).collect();
    for (lap, of_lap) in laps.iter_mut().zip(&times) {
        let of_course = |of_lap: &Vec<Option<f64>>| {
            usable.iter().filter_map(|course| of_lap[*course]).sum::<f64>() / usable.len() as f64
        };
        lap.predicted_s = of_lap.as_ref().map(of_course).filter(|time_s| time_s.is_finite());
    }
}

/// Time on each course; `None` where it was not finished.
fn times<P: Policy + Clone>(nominal: &Scenario, policy: &P, start: &LapStart) -> Vec<Option<f64>> {
    let mut scenario = nominal.clone();
    if let Some(rest_v) = start.rest_v {
        let charge = charge_at_rest_v(&scenario.vehicle, rest_v);
        scenario.vehicle.variation.charge = ParameterDistribution::Fixed(charge);
    }
    let scenario = Arc::new(scenario);
    let one = |course: u64| {
        let TemperatureRise { winding_k, housing_k } = start.temperature_rise;
        let warm = TemperatureRise { winding_k: winding_k.max(0.0), housing_k: housing_k.max(0.0) };
        let mut drive = Drive::new(Arc::clone(&scenario), course).with_warm_motor(warm);
        play_on(&mut drive, &mut policy.clone());
        let outcome = drive.outcome();
        (outcome.cause == Cause::Finished).then_some(outcome.time_s)
    };
    (0..COURSES).map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::aggregate::tests::{rule, scenario};
    use crate::trial::damage::ModelledLap;
    use crate::trial::laps::LapWear;

    #[test]
    fn an_empty_battery_and_a_warm_motor_are_predicted_to_be_slower() {
        let lap = |rest_v: f64, kelvin: f64| Lap {
            file: 0,
            line: 1,
            number: 1,
            policy: Some(0),
            time_s: 20.0,
            distance_m: None,
            wear: LapWear::default(),
            modelled: Some(ModelledLap {
                start: Some(LapStart {
                    rest_v: Some(rest_v),
                    temperature_rise: TemperatureRise { winding_k: kelvin, housing_k: kelvin },
                }),
                ..ModelledLap::default()
            }),
            predicted_s: None,
            fallback: false,
            gaps: 0,
            fault: None,
        };
        let scenario = scenario();
        let volts = |charge| scenario.vehicle.battery.open_circuit_v(charge);
        let mut laps = vec![lap(volts(0.9), 0.0), lap(volts(0.3), 0.0), lap(volts(0.9), 40.0)];
        laps.push(Lap { modelled: None, ..laps[0].clone() });
        predict(&mut laps, &scenario, &rule(760, 400));
        let [full, empty, warm] = [0, 1, 2].map(|at| laps[at].predicted_s.unwrap());
        assert!(empty > 1.02 * full && warm > 1.01 * full, "{full} {empty} {warm}");
        assert!(warm < 1.5 * full && laps[3].predicted_s.is_none());
    }
}
