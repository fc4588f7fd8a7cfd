//! Lap times that the model predicts from battery and motor at the start of a lap.
//!
//! A policy that hunts turns the least change of the voltage into another number of shifts, so the time of one simulated lap is
//! noise to a good part. The model therefore drives from the corners and the middle of what the laps began with, over the same
//! courses, and a plane through these times gives the prediction for each lap.

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
const COURSES: u64 = 16;
/// Starts that the model drives from: shares of the range of charge and of warmth.
const DESIGN: [[f64; 2]; 5] = [[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0], [0.5, 0.5]];

/// Charge, and warmth of the winding and the housing above the air, K.
type Start = (f64, f64, f64);

/// Fills in the predicted times of laps: the nominal vehicle of a study, driven by one policy, over those of the study's test
/// courses that it finishes from every start. Laps stay without a prediction where there is no such course.
pub fn predict<P: Policy + Clone + Sync>(laps: &mut [Lap], study: &Scenario, policy: &P) {
    let suite = TestSuite::nominal(study, COURSES);
    let usual = study.vehicle.variation.charge.centre();
    let start_of = |lap: &Lap| -> Option<Start> {
        let LapStart { rest_v, temperature_rise } = lap.modelled?.start?;
        let charge = rest_v.map_or(usual, |rest_v| charge_at_rest_v(&study.vehicle, rest_v));
        Some((charge, temperature_rise.winding_k.max(0.0), temperature_rise.housing_k.max(0.0)))
    };
    let starts: Vec<Option<Start>> = laps.iter().map(start_of).collect();
    let known: Vec<Start> = starts.iter().flatten().copied().collect();
    let Some(plane) = Plane::through(suite.scenario(), policy, &known) else { return };
    for (lap, start) in laps.iter_mut().zip(starts) {
        lap.predicted_s = start.map(|(charge, winding_k, _)| plane.at(charge, winding_k));
    }
}

/// Time as a linear function of charge and warmth of the winding, each as a share of its range.
#[derive(Clone, Copy, Debug)]
struct Plane {
    low: [f64; 2],
    range: [f64; 2],
    middle_s: f64,
    slope_s: [f64; 2],
}

impl Plane {
    fn through<P: Policy + Clone + Sync>(nominal: &Scenario, policy: &P, known: &[Start]) -> Option<Plane> {
        let ends = |of: fn(&Start) -> f64| {
            known.iter().map(of).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)))
        };
        let (charge, winding, housing) = (ends(|s| s.0), ends(|s| s.1), ends(|s| s.2));
        let at = |(low, high): (f64, f64), share: f64| low + share * (high - low);
        let times: Vec<Vec<Option<f64>>> = DESIGN
            .par_iter()
            .map(|[c, w]| times(nominal, policy, (at(charge, *c), at(winding, *w), at(housing, *w))))
            .collect();
        let usable = |course: &usize| times.iter().all(|of_start| of_start[*course].is_some());
        let usable: Vec<usize> = (0..COURSES as usize).filter(usable).collect();
        if usable.is_empty() || known.is_empty() {
            return None;
        }
        let mean = |of_start: &Vec<Option<f64>>| {
            usable.iter().filter_map(|course| of_start[*course]).sum::<f64>() / usable.len() as f64
        };
        let t: Vec<f64> = times.iter().map(mean).collect();
        // Least squares over the design: differences of the opposite corners, and the mean of all.
        Some(Plane {
            low: [charge.0, winding.0],
            range: [charge.1 - charge.0, winding.1 - winding.0],
            middle_s: t.iter().sum::<f64>() / DESIGN.len() as f64,
            slope_s: [0.5 * (t[1] + t[3] - t[0] - t[2]), 0.5 * (t[2] + t[3] - t[0] - t[1])],
        })
    }

    fn at(&self, charge: f64, winding_k: f64) -> f64 {
        let share = |value: f64, i: usize| {
            if self.range[i] > 0.0 { (value - self.low[i]) / self.range[i] - 0.5 } else { 0.0 }
        };
        self.middle_s + self.slope_s[0] * share(charge, 0) + self.slope_s[1] * share(winding_k, 1)
    }
}

/// Time on each course; `None` where it was not finished.
fn times<P: Policy + Clone>(
    nominal: &Scenario,
    policy: &P,
    (charge, winding_k, housing_k): Start,
) -> Vec<Option<f64>> {
    let mut scenario = nominal.clone();
    scenario.vehicle.variation.charge = ParameterDistribution::Fixed(charge);
    let scenario = Arc::new(scenario);
    let one = |course: u64| {
        let warm = TemperatureRise { winding_k, housing_k };
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
