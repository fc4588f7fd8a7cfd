//! Sensors that say nothing: constant while others move.

use super::{DRIVEN, ExpectedReadings, Plausibility, figures, place, turns};
use crate::log::Sample;
use crate::runs::{Recipe, Run};
use lowgear_env::vehicle::VehicleConfig;

/// Runs in a row at the end of a log, all constant, after which a sensor counts as dead.
const CONSTANT: usize = 2;
/// Time driven that a run must have to tell, s.
const LONG_S: f64 = 0.5;

/// A channel.
struct Channel {
    name: &'static str,
    of: fn(&Sample) -> Option<f64>,
    /// How far it moves while a run is driven.
    moves_by: f64,
    /// Steps in which it is read.
    step: f64,
}

pub(super) fn check(
    config: &VehicleConfig,
    expected: &ExpectedReadings,
    runs: &[Run],
    plausibility: &mut Plausibility,
) {
    let stall_a = expected.stall_a(1.0);
    let step = |s: Option<lowgear_env::vehicle::NoisyConfig>| s.map_or(0.0, |s| s.resolution);
    let channels = [
        Channel {
            name: "battery voltage",
            of: |s| s.battery_v,
            moves_by: 0.3 * expected.source_ohm * stall_a,
            step: step(config.sensors.battery),
        },
        Channel {
            name: "motor current",
            of: |s| s.current_a,
            moves_by: 0.3 * stall_a,
            step: step(config.sensors.current),
        },
    ];
    plausibility.refused.extend(channels.iter().filter_map(|c| constant(c, runs)));
    // A current that is doubted itself is no witness against the encoder.
    let trusted = plausibility.refused.is_empty();
    plausibility.refused.extend(encoder(expected, runs, trusted));
}

fn driven_s(run: &Run) -> f64 {
    run.samples.iter().filter(|s| s.duty >= DRIVEN).map(|s| s.dt_s).sum()
}

/// Whether a run is driven and idle for long enough that a channel must move.
fn must_move(run: &Run) -> bool {
    driven_s(run) >= LONG_S && run.samples.iter().filter(|s| s.duty <= 0.0).count() >= 3
}

fn constant(channel: &Channel, runs: &[Run]) -> Option<String> {
    if channel.moves_by < 1.5 * channel.step {
        return None;
    }
    let telling: Vec<(&Run, bool)> = runs
        .iter()
        .filter(|r| must_move(r))
        .filter_map(|run| {
            let values: Vec<f64> = run.samples.iter().filter_map(channel.of).collect();
            let first = values.first()?.to_bits();
            (values.len() >= 10).then(|| (run, values.iter().all(|v| v.to_bits() == first)))
        })
        .collect();
    let dead = telling.iter().rev().take_while(|(_, constant)| *constant).count();
    let (first, _) = telling.get(telling.len() - dead)?;
    let stuck = first.samples.iter().find_map(channel.of)?;
    (dead >= CONSTANT || dead == telling.len()).then(|| {
        format!(
            "the {} stays at {} from {} on while the motor is driven and cut: the sensor or its wire is dead; mend it, or leave the column out",
            channel.name,
            figures(stuck),
            place(first)
        )
    })
}

/// A motor that is driven and does not turn, where nothing holds it. On the ground the current tells: one vehicle may stand in its top gear.
fn encoder(expected: &ExpectedReadings, runs: &[Run], trusts_current: bool) -> Option<String> {
    let driven: Vec<&Run> = runs.iter().filter(|r| turns(r) && driven_s(r) >= LONG_S).collect();
    let still: Vec<&Run> =
        driven.iter().copied().filter(|r| r.samples.iter().all(|s| s.motor_rad_s == 0.0)).collect();
    let must_turn = |r: &&&Run| r.recipe == Recipe::WheelsOff || (trusts_current && slackens(expected, r));
    let dead: Vec<&&Run> = still.iter().filter(must_turn).collect();
    let first = dead.first()?;
    if dead.len() >= CONSTANT || first.recipe == Recipe::WheelsOff {
        return Some(format!(
            "the encoder stays at 0 in {} of {} driven runs although the motor turns, first in {}: the sensor or its wire is dead",
            dead.len(),
            driven.len(),
            place(first)
        ));
    }
    None
}

/// Whether the current falls well below that of a motor which stands still.
fn slackens(expected: &ExpectedReadings, run: &Run) -> bool {
    let idle: Vec<f64> = run.samples.iter().filter(|s| s.duty <= 0.0).filter_map(|s| s.current_a).collect();
    let offset = if idle.is_empty() { 0.0 } else { idle.iter().sum::<f64>() / idle.len() as f64 };
    let slack = |s: &&Sample| s.current_a.is_some_and(|a| a - offset < 0.6 * expected.stall_a(s.duty));
    let rows = || run.samples.iter().filter(|s| s.duty >= DRIVEN);
    2 * rows().filter(slack).count() > rows().count()
}
