//! What the sensors do: noise from the residuals, offset of the tilt sensor.

use super::problem::Problem;
use super::problem::{Channel, Residual};
use crate::runs::Recipe;
use lowgear_env::tilt_deg;

/// Sensors as the log shows them; `None` where it does not.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SensorFit {
    /// Scatter of the encoder relative to the speed, pulses apart.
    pub encoder: Option<f64>,
    /// Noise of the battery reading, steps apart, V.
    pub battery_v: Option<f64>,
    /// Noise of the current reading, steps apart, A.
    pub current_a: Option<f64>,
    /// Noise of the tilt reading, steps apart, degrees.
    pub tilt_deg: Option<f64>,
    /// Offset of the tilt sensor and its standard error, degrees.
    pub tilt_bias_deg: Option<(f64, f64)>,
}

/// Median of the sizes times 1.4826: the standard deviation of normal errors, whatever the outliers;
/// exact noughts are those of a motor that stands still and do not count.
pub(super) fn scatter_of(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut sizes: Vec<f64> = values.map(f64::abs).filter(|v| *v > 0.0).collect();
    if sizes.len() < 8 {
        return None;
    }
    let middle = sizes.len() / 2;
    let (_, median, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
    Some(1.4826 * *median)
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
            let (speed, dt_s) =
                (problem.run_parameters[run].weigh_rad_s[r.row], problem.runs[run].samples[r.row].dt_s);
            let pulse = problem.scatter.pulse_rad / dt_s;
            let sd = (problem.scatter.encoder * speed).hypot(pulse);
            if speed * 0.02 > pulse {
                let error = r.value * sd * problem.scatter.factor[Channel::Speed as usize];
                relative.push((error / speed, pulse / speed));
            }
        }
    }
    let encoder = scatter_of(relative.iter().map(|r| r.0)).map(|sd| {
        let pulses = relative.iter().map(|r| r.1 * r.1).sum::<f64>() / relative.len() as f64;
        (sd * sd - pulses).max(0.0).sqrt()
    });
    let (noise_deg, bias) = tilt(problem);
    SensorFit {
        encoder,
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
