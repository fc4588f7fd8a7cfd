//! What the sensors do: noise from the residuals, offset of the tilt sensor.

use super::problem::Problem;
use super::problem::{Channel, HUBER, Residual};
use crate::runs::Recipe;
use lowgear_env::tilt_deg;

/// Sensors as the log shows them; `None` where it does not.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SensorFit {
    /// Scatter of the tacho relative to the speed, pulses apart.
    pub tacho: Option<f64>,
    /// Noise of the battery reading, steps apart, V.
    pub battery_v: Option<f64>,
    /// Noise of the current reading, steps apart, A.
    pub current_a: Option<f64>,
    /// Noise of the tilt reading, steps apart, degrees.
    pub tilt_deg: Option<f64>,
    /// Offset of the tilt sensor and its standard error, degrees.
    pub tilt_bias_deg: Option<(f64, f64)>,
}

/// Mean of Huber's bounded square over standard normal errors, at his limit.
const BOUNDED: f64 = 0.710_16;
/// Rounds of the scale, at the most.
const SCALES: usize = 60;

/// The standard deviation of normal errors, nearly whatever the outliers (Huber 1981, section 6.4, "proposal 2"); exact noughts
/// are those of a motor that stands still and do not count. The median of the sizes is no more than its start: readings in
/// steps as wide as their noise put it off by a fifth.
pub(super) fn scatter_of(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut sizes: Vec<f64> = values.map(f64::abs).filter(|v| *v > 0.0).collect();
    if sizes.len() < 8 {
        return None;
    }
    let middle = sizes.len() / 2;
    let (_, median, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
    let mut sd = 1.4826 * *median;
    for _ in 0..SCALES {
        let bounded = sizes.iter().map(|v| (v / sd).min(HUBER).powi(2)).sum::<f64>() / sizes.len() as f64;
        let more = (bounded / BOUNDED).sqrt();
        sd *= more;
        if (more - 1.0).abs() < 1e-6 {
            break;
        }
    }
    Some(sd)
}

/// Noise without the steps of a sensor that shows `resolution`.
fn without_steps(sd: f64, resolution: Option<f64>) -> f64 {
    let steps = resolution.map_or(0.0, |r| r * r / 12.0);
    (sd * sd - steps).max(0.0).sqrt()
}

/// Reads the sensors off the solution.
pub(super) fn sensors_of(problem: &Problem<'_>, residuals: &[Vec<Residual>]) -> SensorFit {
    let sensors = &problem.shared.config.sensors;
    let sd = |channel: Channel, base: f64| {
        let of_it = residuals.iter().flatten().filter(|r| r.channel == channel).map(|r| r.value);
        scatter_of(of_it).map(|s| s * base * problem.scatter.factor[channel as usize])
    };
    let mut relative = Vec::new();
    for (run, rows) in residuals.iter().enumerate() {
        for r in rows.iter().filter(|r| r.channel == Channel::Speed) {
            let (speed, dt_s) = (problem.own[run].weigh_rad_s[r.row], problem.runs[run].samples[r.row].dt_s);
            let pulse = problem.scatter.pulse_rad / dt_s;
            let sd = (problem.scatter.tacho * speed).hypot(pulse);
            if speed * 0.02 > pulse {
                let error = r.value * sd * problem.scatter.factor[Channel::Speed as usize];
                relative.push((error / speed, pulse / speed));
            }
        }
    }
    let tacho = scatter_of(relative.iter().map(|r| r.0)).map(|sd| {
        let pulses = relative.iter().map(|r| r.1 * r.1).sum::<f64>() / relative.len() as f64;
        (sd * sd - pulses).max(0.0).sqrt()
    });
    let (noise_deg, bias) = tilt(problem);
    SensorFit {
        tacho,
        battery_v: sd(Channel::Voltage, problem.scatter.voltage_v)
            .map(|sd| without_steps(sd, sensors.battery.map(|b| b.resolution))),
        current_a: sd(Channel::Current, problem.scatter.current_a)
            .map(|sd| without_steps(sd, sensors.current.map(|c| c.resolution))),
        tilt_deg: noise_deg.map(|sd| without_steps(sd, sensors.tilt.map(|t| t.resolution))),
        tilt_bias_deg: bias,
    }
}

/// Noise and offset of the tilt sensor in labelled runs on the ground, whose grade is known; what acceleration
/// shows is taken off by the simulation.
fn tilt(problem: &Problem<'_>) -> (Option<f64>, Option<(f64, f64)>) {
    let mut errors = Vec::new();
    for (index, run) in problem.runs.iter().enumerate() {
        let known = run.labelled && matches!(run.recipe, Recipe::Level | Recipe::Ramp);
        if !known || run.samples.iter().all(|s| s.tilt_deg.is_none()) {
            continue;
        }
        let predicted = problem.predict(index);
        let sin_grade = run.grade_deg.to_radians().sin();
        for (k, sample) in run.samples.iter().enumerate().skip(1) {
            if let Some(shown_deg) = sample.tilt_deg {
                let acceleration = (predicted[k].speed_m_s - predicted[k - 1].speed_m_s) / sample.dt_s;
                errors.push(shown_deg - tilt_deg(sin_grade, acceleration));
            }
        }
    }
    if errors.len() < 20 {
        return (None, None);
    }
    let mut sorted = errors.clone();
    sorted.sort_by(f64::total_cmp);
    // A fifth trimmed off at either end; its standard error is within 6 % of the mean's for normal errors.
    let kept = &sorted[sorted.len() / 5..sorted.len() - sorted.len() / 5];
    let bias = kept.iter().sum::<f64>() / kept.len() as f64;
    let sd = scatter_of(errors.iter().map(|e| e - bias));
    (sd, sd.map(|sd| (bias, 1.06 * sd / (errors.len() as f64).sqrt())))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Normal errors, the same on every machine.
    fn normal(n: u32) -> impl Iterator<Item = f64> {
        // Twelve uniform numbers less six: normal to what is asked here.
        let mut state = 1_u64;
        (0..n).map(move |_| {
            let mut sum = -6.0;
            for _ in 0..12 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                sum += (state >> 11) as f64 / (1_u64 << 53) as f64;
            }
            sum
        })
    }

    #[test]
    fn the_scale_is_that_of_normal_errors_with_outliers_and_in_wide_steps() {
        let plain = scatter_of(normal(20_000)).unwrap();
        assert!((plain - 1.0).abs() < 0.02, "{plain}");
        let outlying = scatter_of(normal(20_000).enumerate().map(|(i, v)| if i % 50 == 0 { 1e6 } else { v }));
        assert!((outlying.unwrap() - 1.0).abs() < 0.06, "{outlying:?}");
        // Steps of one standard deviation, wherever they lie: wider by their own scatter and no more.
        for shift in [0.05, 0.25, 0.45] {
            let stepped = scatter_of(normal(20_000).map(|v| (v + shift).round() - shift)).unwrap();
            let expected = (1.0_f64 + 1.0 / 12.0).sqrt();
            assert!((stepped / expected - 1.0).abs() < 0.08, "{shift}: {stepped}");
        }
        assert_eq!(scatter_of([1.0; 7].into_iter()), None);
    }
}
