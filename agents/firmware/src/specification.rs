//! The controller as a page of tables: all that is needed to write it again in another language.

use std::fmt::Write as _;

use lowgear_onboard::{MAX_GEARS, Phase, Settings};

use super::table_features::count_way;

const PAGE: &str = include_str!("c/specification.md");

/// The page for a vehicle with these settings.
pub(super) fn specification(settings: &Settings) -> String {
    PAGE.replace("@SETTINGS@\n", &table(&settings_of(settings))).replace("@CODES@\n", &table(&codes()))
}

fn table(rows: &[(&'static str, String)]) -> String {
    let mut text = "| name | value |\n| --- | --- |\n".to_owned();
    for (name, value) in rows {
        let _ = writeln!(text, "| {name} | {value} |");
    }
    text
}

fn codes() -> Vec<(&'static str, String)> {
    [
        ("DRIVING", Phase::Driving),
        ("CUTTING", Phase::Cutting),
        ("MOVING", Phase::Moving),
        ("RECALIBRATING", Phase::Recalibrating),
        ("RESTING", Phase::Resting),
        ("PARKED", Phase::Parked),
        ("FAULTED", Phase::Faulted),
    ]
    .map(|(name, phase)| (name, (phase as u8).to_string()))
    .to_vec()
}

fn settings_of(settings: &Settings) -> Vec<(&'static str, String)> {
    let (f, g, r) = (&settings.features, &settings.guard, &settings.ranges);
    let gears = usize::from(g.gears).clamp(1, MAX_GEARS);
    let fitted = |is: bool| u8::from(is).to_string();
    let whole = |value: u32| value.to_string();
    let shift = |value: u8| (value & 15).to_string();
    let [battery, standing] = [r.battery_mv, r.standing_mv];
    [
        ("TICK_US", whole(settings.tick_us)),
        ("PULSES_PER_TURN", whole(settings.pulses_per_turn.into())),
        ("DECISION_TICKS", whole(settings.decision_ticks.into())),
        ("GEARS", whole(gears as u32)),
        ("GEAR_DDEG", format!("{:?}", &g.gear_ddeg[..gears])),
        ("GEAR_SCALE", format!("{:?}", &f.gear_scale_permille[..gears])),
        ("BATTERY_FITTED", fitted(f.battery_fitted)),
        ("CURRENT_FITTED", fitted(r.max_current_ma != u16::MAX)),
        ("TILT_FITTED", fitted(r.max_tilt_ddeg != u16::MAX)),
        ("SPEED_GAIN", whole(f.speed_gain)),
        ("NOMINAL_MV", whole(f.nominal_mv.max(1).into())),
        ("STALL_MA", whole(f.stall_ma.into())),
        ("FAST_SHIFT", shift(f.fast_shift)),
        ("SLOW_SHIFT", shift(f.slow_shift)),
        ("TILT_SHIFT", shift(f.tilt_shift)),
        ("PEAK_SHIFT", shift(f.peak_shift)),
        ("FEATURE_STALL_COUNTS", whole(f.stall_counts.into())),
        ("FAILED_WINDOW_TICKS", whole(f.failed_window_ticks.min(999).into())),
        ("WINDOW_DDEG", whole(g.window_ddeg.into())),
        ("LEAVE_DDEG", whole(g.leave_ddeg.into())),
        ("CUT_LEAD_TICKS", whole(g.cut_lead_ticks.into())),
        ("MIN_DWELL_TICKS", whole(g.min_dwell_ticks.into())),
        ("MOVE_TIMEOUT_TICKS", whole(g.move_timeout_ticks.into())),
        ("RETRIES", whole(g.retries.into())),
        ("RECALIBRATE_TICKS", whole(g.recalibrate_ticks.into())),
        ("TILT_LIMIT_DDEG", g.tilt_limit_ddeg.to_string()),
        ("STALL_COUNTS", whole(g.stall_counts.into())),
        ("STALL_CUT_TICKS", whole(g.stall_cut_ticks.into())),
        ("STALL_REST_TICKS", whole(g.stall_rest_ticks.into())),
        ("FAULT_CLEAR_TICKS", whole(g.fault_clear_ticks.into())),
        ("MAX_ENCODER_COUNTS", whole(r.max_encoder_counts.into())),
        ("LEAST_BATTERY_MV", whole(battery[0].into())),
        ("MOST_BATTERY_MV", whole(battery[1].into())),
        ("LEAST_STANDING_MV", whole(standing[0].into())),
        ("MOST_STANDING_MV", whole(standing[1].into())),
        ("MAX_CURRENT_MA", whole(r.max_current_ma.into())),
        ("MAX_TILT_DDEG", whole(r.max_tilt_ddeg.into())),
    ]
    .into_iter()
    .chain(preview_of(settings, gears))
    .collect()
}

fn preview_of(settings: &Settings, gears: usize) -> [(&'static str, String); 12] {
    let preview = &settings.features.preview;
    let [least, most] = preview.range;
    [
        ("PREVIEW_FITTED", u8::from(preview.fitted).to_string()),
        ("LEAST_PREVIEW", least.to_string()),
        ("MOST_PREVIEW", most.to_string()),
        ("LOW_LEVEL", preview.low_level.to_string()),
        ("HIGH_LEVEL", preview.high_level.to_string()),
        ("AHEAD_MM", preview.ahead_mm.to_string()),
        ("WHEELBASE_MM", preview.wheelbase_mm.to_string()),
        ("HOLD_MM", preview.hold_mm.to_string()),
        ("LOCKOUT_MM", preview.lockout_mm.to_string()),
        ("STUCK_MM", preview.stuck_mm.to_string()),
        ("COAST", preview.coast_q4_mm.to_string()),
        ("COUNT_Q12_MM", format!("{:?}", count_way(settings, gears))),
    ]
}
