//! The C99 header: the controller's text with settings and table filled in.

use std::fmt::Write as _;

use lowgear_onboard::{MAX_GEARS, Settings};

use crate::table::{LookupTable, TABLE_FORMAT};

const CONTROLLER: &str = include_str!("c/controller.h");
const LINE_WIDTH: usize = 100;

/// Largest filter shift, and largest failure window in ticks, that the onboard arithmetic uses.
const MAX_SHIFT: u8 = 15;
const MAX_FAILED_WINDOW: u16 = 999;

/// A prefix that C could not use.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{0}` cannot start C names: use a lower-case letter, then at most 23 letters, digits or single underscores"
)]
pub struct PrefixError(pub String);

/// The header for `table` and `settings`; every name in it starts with `prefix`.
///
/// # Errors
/// [`PrefixError`] when the prefix is not a C name in lower case.
pub fn header(table: &LookupTable, settings: &Settings, prefix: &str) -> Result<String, PrefixError> {
    let controller = with_prefix(CONTROLLER, prefix)?;
    let settings = with_prefix(&settings_text(settings), prefix)?;
    let data = with_prefix(&table_text(table), prefix)?;
    Ok(controller
        .replace("@FORMAT@", &TABLE_FORMAT.to_string())
        .replace("@HASH@", &table.hash())
        .replace("@SETTINGS@\n", &settings)
        .replace("@TABLE@\n", &data)
        .replace("@PROVENANCE@", &provenance_text(table)))
}

/// `text` with the house prefix replaced by `prefix`.
pub(super) fn with_prefix(text: &str, prefix: &str) -> Result<String, PrefixError> {
    let letters = prefix.bytes().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == b'_');
    let starts_well = prefix.bytes().next().is_some_and(|c| c.is_ascii_lowercase());
    if !letters || !starts_well || prefix.len() > 24 || prefix.contains("__") || prefix.ends_with('_') {
        return Err(PrefixError(prefix.to_owned()));
    }
    Ok(text
        .replace("LOWGEAR_", &format!("{}_", prefix.to_ascii_uppercase()))
        .replace("lowgear_", &format!("{prefix}_"))
        .replace("lowgear.h", &format!("{prefix}.h")))
}

/// Free text made safe for a comment.
fn plain(text: &str) -> String {
    let kept: String = text
        .chars()
        .map(|c| if c.is_ascii_graphic() && !matches!(c, '*' | '\\' | '?' | '@') { c } else { ' ' })
        .collect();
    kept.chars().take(LINE_WIDTH).collect()
}

fn provenance_text(table: &LookupTable) -> String {
    let origin = table.provenance();
    format!(
        " * teacher: {}\n * study seed: {}\n * made by version: {}\n * hash: {}\n * {} cells in {} bytes\n",
        plain(&origin.teacher).trim(),
        origin.seed,
        plain(&origin.version).trim(),
        table.hash(),
        table.count(),
        table.cells().len()
    )
}

fn signed(value: i16) -> String {
    if value == i16::MIN { "(-32767 - 1)".to_owned() } else { format!("({value})") }
}

fn settings_text(settings: &Settings) -> String {
    let (features, guard) = (&settings.features, &settings.guard);
    let mut text = String::new();
    let mut define = |name: &str, value: String, meaning: &str| {
        let _ = writeln!(text, "#define LOWGEAR_{name:<22} {value:<12} /* {meaning} */");
    };
    let count = |value: u16| format!("{value}u");
    let shift = |value: u8| format!("{}u", value & MAX_SHIFT);
    define("MAX_GEARS", format!("{MAX_GEARS}u"), "most gears the controller can know");
    define("GEARS", count(u16::from(guard.gears).min(MAX_GEARS as u16)), "gears of this vehicle");
    define("DECISION_TICKS", count(settings.decision_ticks), "ticks between two decisions");
    define("SPEED_GAIN", format!("UINT32_C({})", features.speed_gain), "permille times mV per tacho count");
    define("NOMINAL_MV", count(features.nominal_mv), "nominal battery voltage");
    define("NOMINAL_DIVISOR", format!("INT32_C({})", features.nominal_mv.max(1)), "the same, never 0");
    define("BATTERY_FITTED", u8::from(features.battery_fitted).to_string(), "1: battery_mv is measured");
    define("CURRENT_FITTED", u8::from(features.stall_ma != 0).to_string(), "1: current_ma is measured");
    define("STALL_MA", format!("INT32_C({})", features.stall_ma), "stall current");
    define("FAST_SHIFT", shift(features.fast_shift), "speed filter, 2^-n a tick");
    define("SLOW_SHIFT", shift(features.slow_shift), "slow load filter");
    define("TILT_SHIFT", shift(features.tilt_shift), "tilt filter");
    define("PEAK_SHIFT", shift(features.peak_shift), "decay of the peak load");
    define("FEATURE_STALL_COUNTS", count(features.stall_counts), "still at or below this, for features");
    let window = features.failed_window_ticks.min(MAX_FAILED_WINDOW);
    define("FAILED_WINDOW_TICKS", count(window), "an upshift taken back by then has failed");
    define("WINDOW_DDEG", count(guard.window_ddeg), "arrived within this of the target");
    define("CUT_LEAD_TICKS", count(guard.cut_lead_ticks), "without drive before the selector moves");
    define("MIN_DWELL_TICKS", count(guard.min_dwell_ticks), "from arrival to the next shift");
    define("MOVE_TIMEOUT_TICKS", count(guard.move_timeout_ticks), "a longer move has missed");
    define("RETRIES", count(u16::from(guard.retries)), "tries before recalibrating");
    define("RECALIBRATE_TICKS", count(guard.recalibrate_ticks), "length of a recalibration");
    define("TILT_LIMIT_DDEG", signed(guard.tilt_limit_ddeg), "no upshift from here on; 32767: off");
    define("STALL_COUNTS", count(guard.stall_counts), "still at or below this, for the guard");
    define("STALL_CUT_TICKS", count(guard.stall_cut_ticks), "standing under drive before a rest");
    define("STALL_REST_TICKS", count(guard.stall_rest_ticks), "length of the rest");
    text.push_str("\n/* Drum angle of each gear, tenths of a degree. */\n");
    text.push_str(&array("uint16_t", "gear_ddeg", "LOWGEAR_MAX_GEARS", guard.gear_ddeg.into_iter()));
    text.push_str("\n/* Total ratio of each gear over the top gear's, permille. */\n");
    let scale = features.gear_scale_permille.into_iter();
    text.push_str(&array("uint16_t", "gear_scale", "LOWGEAR_MAX_GEARS", scale));
    text.push('\n');
    text
}

fn table_text(table: &LookupTable) -> String {
    let mut text = String::from(
        "/* Axes, the last one varying fastest; a value equal to an edge lies in the upper bin.\n",
    );
    for axis in table.axes() {
        let edges: Vec<String> = axis.edges.iter().map(ToString::to_string).collect();
        let mut line = format!(" *   {}:", axis.feature.name());
        for edge in edges {
            if line.len() + edge.len() > LINE_WIDTH {
                let _ = writeln!(text, "{line}");
                line = " *    ".to_owned();
            }
            let _ = write!(line, " {edge}");
        }
        let _ = writeln!(text, "{line}");
    }
    text.push_str(" * Edges are stored plus 32768, without a sign. */\n");
    let _ = writeln!(text, "#define LOWGEAR_AXES {}", table.axes().len());
    let _ = writeln!(text, "#define LOWGEAR_CELLS UINT32_C({})\n", table.count());
    let features = table.axes().iter().map(|axis| axis.feature as u16);
    text.push_str(&array("uint8_t", "axis_feature", "LOWGEAR_AXES", features));
    let counts = table.axes().iter().map(|axis| axis.edges.len() as u16);
    text.push_str(&array("uint16_t", "axis_edges", "LOWGEAR_AXES", counts));
    let edges = table.axes().iter().flat_map(|axis| &axis.edges);
    let mut stored: Vec<u16> = edges.map(|&edge| (i32::from(edge) + 32_768) as u16).collect();
    if stored.is_empty() {
        stored.push(0);
    }
    text.push_str(&array("uint16_t", "edges", &stored.len().to_string(), stored.iter().copied()));
    text.push_str("\n/* Decisions, two bits each, lowest bits first: 0 down, 1 hold, 2 up. */\n");
    let cells = table.cells();
    text.push_str(&array("uint8_t", "cells", &cells.len().to_string(), cells.iter().map(|&c| u16::from(c))));
    text.push('\n');
    text
}

fn array(kind: &str, name: &str, length: &str, values: impl Iterator<Item = u16>) -> String {
    let mut text = format!("static const {kind} lowgear_{name}[{length}] LOWGEAR_ROM = {{\n");
    let mut line = String::from("   ");
    for value in values {
        let item = format!(" {value}u,");
        if line.len() + item.len() > LINE_WIDTH {
            let _ = writeln!(text, "{line}");
            line = String::from("   ");
        }
        line.push_str(&item);
    }
    let _ = writeln!(text, "{}\n}};", line.trim_end_matches(','));
    text
}
