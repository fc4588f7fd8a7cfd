//! Plots of a fit: measured against simulated speed, and the residuals, run by run.

use super::estimate::Fit;
use super::problem::Channel;
use crate::plot::{Look, Panel, Plot, Series};

/// Runs that are drawn.
const MOST_RUNS: usize = 16;

impl Fit {
    /// Speeds and residuals to plot: two panels for each of the first runs.
    #[must_use]
    pub fn plot(&self) -> Plot {
        let mut panels = Vec::new();
        for (i, run) in self.runs.iter().enumerate().take(MOST_RUNS) {
            let start_s = run.samples.first().map_or(0.0, |s| s.time_s);
            let line = |look, name: &str, points| Series { name: name.to_owned(), look, points };
            let measured = run.samples.iter().map(|s| (s.time_s - start_s, s.motor_rad_s)).collect();
            let simulated = run
                .samples
                .iter()
                .zip(&self.predicted[i])
                .map(|(s, p)| (s.time_s - start_s, p.mean_rad_s))
                .collect();
            panels.push(Panel {
                title: format!("{} (line {})", run.name(), run.line()),
                x_title: "time, s".into(),
                y_title: "motor speed, rad/s".into(),
                series: vec![
                    line(Look::Points, "measured", measured),
                    line(Look::Line, "simulated", simulated),
                ],
                y_range: None,
                y_whole: false,
            });
            let residuals = |channel: Channel| {
                // An exact nought is a motor that stands still and counts nowhere.
                let of_it = self.residuals[i].iter().filter(move |r| r.channel == channel && r.value != 0.0);
                of_it.map(|r| (run.samples[r.row].time_s - start_s, r.value)).collect::<Vec<_>>()
            };
            panels.push(Panel {
                title: "residuals (beyond ±5 on the edge)".into(),
                x_title: "time, s".into(),
                y_title: "standard deviations".into(),
                series: vec![
                    line(Look::Points, "speed", residuals(Channel::Speed)),
                    line(Look::Points, "voltage", residuals(Channel::Voltage)),
                    line(Look::Points, "current", residuals(Channel::Current)),
                ],
                y_range: Some((-5.0, 5.0)),
                y_whole: false,
            });
        }
        let title = format!(
            "{}: runs of the fit, {} of {} drawn",
            self.config.name,
            panels.len() / 2,
            self.runs.len()
        );
        Plot { title, panels, columns: 2 }
    }
}
