//! `episodes.csv`: one row per policy, training seed and course.

use std::io::Write;

use lowgear_env::Cause;
use serde::Serialize;

use super::EvaluatedPolicy;

/// A row; the names are the column headings, units included. The columns from `return_progress_s` on are the
/// weighted terms that `return_s` is the sum of.
#[derive(Serialize)]
struct Row<'a> {
    policy: &'a str,
    seed: u64,
    course: usize,
    cause: Cause,
    time_s: f64,
    distance_m: f64,
    energy_j: f64,
    shifts: u32,
    reversals: u32,
    failed_upshifts: u32,
    missed_engagements: u32,
    stall_s: f64,
    damage: f64,
    peak_winding_c: f64,
    return_s: f64,
    return_progress_s: f64,
    return_time_s: f64,
    return_energy_s: f64,
    return_stress_s: f64,
    return_shift_s: f64,
    return_stall_s: f64,
    return_abort_s: f64,
}

/// Writes every episode as CSV. Training seeds are counted from 1, as their folders, and courses from 0; failed training seeds have no rows.
/// Damage is a share of nominal life over the episode.
///
/// # Errors
/// What the writer says.
pub fn write_episodes(evaluated_policies: &[EvaluatedPolicy], out: impl Write) -> Result<(), csv::Error> {
    let mut writer = csv::Writer::from_writer(out);
    for evaluated in evaluated_policies {
        for (seed, row) in evaluated.judged_seeds().zip(&evaluated.outcomes) {
            for (course, outcome) in row.iter().enumerate() {
                let terms = &outcome.reward;
                writer.serialize(Row {
                    policy: &evaluated.record.id,
                    seed,
                    course,
                    cause: outcome.cause,
                    time_s: outcome.time_s,
                    distance_m: outcome.distance_m,
                    energy_j: outcome.energy_j,
                    shifts: outcome.shifts,
                    reversals: outcome.reversals,
                    failed_upshifts: outcome.failed_upshifts,
                    missed_engagements: outcome.missed_engagements,
                    stall_s: outcome.stall_s,
                    damage: outcome.damage,
                    peak_winding_c: outcome.peak_winding_c,
                    return_s: terms.total_s(),
                    return_progress_s: terms.progress_s,
                    return_time_s: terms.time_s,
                    return_energy_s: terms.energy_s,
                    return_stress_s: terms.stress_s,
                    return_shift_s: terms.shift_s,
                    return_stall_s: terms.stall_s,
                    return_abort_s: terms.abort_s,
                })?;
            }
        }
    }
    writer.flush()?;
    Ok(())
}
