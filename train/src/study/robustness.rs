//! The exported table against the tuned load-ratio rule in perturbed conditions.

use super::Inputs;
use super::LEVEL;
use super::compare::{ComparedPolicy, Comparison};
use crate::error::StudyError;
use crate::progress::Reporter;
use crate::stop::StopRequest;
use lowgear_eval::PolicyId;
use lowgear_eval::robustness::{altered, compared};
use lowgear_eval::suite::TestSuite;
use lowgear_eval::summary::{Disturbance, DisturbanceAxis, RobustnessMap};

/// One map per pair of parameters in the study's `[robustness]`; none without that section.
///
/// # Errors
/// [`StudyError`].
pub(super) fn maps(
    inputs: &Inputs,
    comparison: &Comparison,
    reporter: &Reporter,
    stop: &StopRequest,
) -> Result<Vec<RobustnessMap>, StudyError> {
    let Some(config) = &inputs.study.robustness else { return Ok(vec![]) };
    let (Some(table), Some(rule)) =
        (find(comparison, PolicyId::Table), find(comparison, PolicyId::TunedLoadRule))
    else {
        return Ok(vec![]);
    };
    let axis = |disturbance, values: &[f64]| DisturbanceAxis { disturbance, values: values.to_vec() };
    let latency: Vec<f64> = config.latency_ticks.iter().map(|&ticks| f64::from(ticks)).collect();
    let pairs = [
        (axis(Disturbance::MassFactor, &config.mass_factor), axis(Disturbance::Charge, &config.charge)),
        (
            axis(Disturbance::TiltBiasDeg, &config.tilt_bias_deg),
            axis(Disturbance::EncoderNoise, &config.encoder_noise),
        ),
        (axis(Disturbance::LatencyTicks, &latency), axis(Disturbance::Wear, &config.wear)),
    ];
    let total = pairs.iter().map(|(x, y)| (x.values.len() * y.values.len()) as u64).sum();
    let progress = reporter.job("robustness", total);
    let mut done = 0;
    let mut maps = Vec::new();
    for (x, y) in pairs {
        let mut cells = Vec::new();
        for &up in &y.values {
            for &across in &x.values {
                stop.check()?;
                let world = altered(&inputs.scenario, &[(x.disturbance, across), (y.disturbance, up)]);
                let suite = TestSuite::new(&world, config.courses);
                let cell = compared(&suite, &table.instances, &rule.instances[0], LEVEL);
                cells.push(cell?);
                done += 1;
                progress.update(done, total, x.disturbance.label());
            }
        }
        maps.push(RobustnessMap { policy: PolicyId::Table, against: PolicyId::TunedLoadRule, x, y, cells });
    }
    progress.finish(&format!("{total} worlds of {} courses", config.courses));
    Ok(maps)
}

/// A policy of the comparison that can drive.
pub(super) fn find(comparison: &Comparison, id: PolicyId) -> Option<&ComparedPolicy> {
    comparison
        .compared_policies
        .iter()
        .find(|compared_policy| compared_policy.record.id == id && !compared_policy.instances.is_empty())
}
