//! The C99 header.

use std::fmt::Write as _;

use lowgear_onboard::Feature;

use super::decider::Decider;
use super::network;
use super::selftest::SelfTest;
use super::source::{axes_marker, cells_marker, edges_marker, numbers};
use super::table_features::{Constant, TableFeatures};
use super::template::{Filling, with_prefix};
use lowgear_agents::table::LookupTable;

const CONTROLLER: &str = include_str!("c/controller.h");

pub(super) fn fill(
    filling: &mut Filling,
    decider: Decider<'_>,
    table_features: &TableFeatures,
    self_test: &SelfTest,
    prefix: &str,
) -> String {
    let mut put = |name, text: &str| {
        filling.text.insert(name, with_prefix(text, prefix));
    };
    put("SETTINGS", &settings_text(table_features));
    match decider {
        Decider::Table(table) => {
            put("TABLE", &table_text(table, table_features));
            put("LOOK", &look_text(table, table_features.bias));
        }
        Decider::Network(network) => put("TABLE", &network::c_text(network, table_features.bias)),
    }
    put("CLOCKS", &clocks_text(table_features));
    put("VALUES", &values_text(decider, table_features));
    let rows = self_test.runs.iter().map(|run| format!("{{ {} }},", run.map(|v| format!("{v}u")).join(", ")));
    let rows: Vec<String> = rows.collect();
    put("VECTORS", &rows.iter().fold(String::new(), |text, row| text + "        " + row + "\n"));
    filling.render(CONTROLLER, prefix)
}

fn define(text: &mut String, name: &str, value: &str, meaning: &str) {
    let _ = writeln!(text, "#define LOWGEAR_{name:<22} {value:<12} /* {meaning} */");
}

fn literal(constant: &Constant) -> String {
    match constant.bits {
        15 => format!("({})", if constant.value < -32_767 { -32_767 } else { constant.value }),
        32 => format!("UINT32_C({})", constant.value),
        _ => format!("{}u", constant.value),
    }
}

fn settings_text(table_features: &TableFeatures) -> String {
    let mut text = String::new();
    for constant in &table_features.constants {
        define(&mut text, constant.name, &literal(constant), constant.meaning);
    }
    for clock in &table_features.clocks {
        let name = format!("{}_MOST", clock.name.to_ascii_uppercase());
        define(&mut text, &name, &format!("{}u", clock.most), "this clock goes no further");
    }
    text.push_str("\n/* Drum angle of each gear, tenths of a degree. */\n");
    let _ = writeln!(text, "#define LOWGEAR_ANGLES {}u", table_features.gear_ddeg.len());
    text.push_str(&array("uint16_t", "gear_ddeg", table_features.gear_ddeg.iter().copied()));
    if table_features.has("load") {
        text.push_str("\n/* Total ratio of each gear over the top gear's, permille. */\n");
        text.push_str(&array("uint16_t", "gear_scale", table_features.gear_scale.iter().copied()));
    }
    if table_features.has("preview") {
        let (ways, long) = (&table_features.count_way, table_features.has("long_counts"));
        let halves = if long { ": the low 16 bits, then the high ones" } else { "" };
        let _ = writeln!(text, "\n/* Way of an encoder count in each gear, mm times 4096{halves}. */");
        let words = ways.iter().flat_map(|&way| [way as u16, (way >> 16) as u16]);
        let words: Vec<u16> = words.step_by(if long { 1 } else { 2 }).collect();
        text.push_str(&array("uint16_t", "count_way", words.into_iter()));
    }
    text
}

fn table_text(table: &LookupTable, table_features: &TableFeatures) -> String {
    let mut text = format!("/* {}\n", axes_marker(table));
    text.push_str(" * The last axis varies fastest; a value equal to an edge lies in the upper bin. */\n");
    let _ = writeln!(text, "#define LOWGEAR_AXES {}u", table.axes().len());
    let _ = writeln!(text, "#define LOWGEAR_CELLS UINT32_C({})", table.count());
    let _ = writeln!(text, "#define LOWGEAR_BIAS {}u", table_features.bias);
    let index = if table.count() < 65_536 { "uint_fast16_t" } else { "uint_fast32_t" };
    let _ = writeln!(text, "typedef {index} lowgear_index;");
    let counts: Vec<String> = table.axes().iter().map(|axis| format!("{}u", axis.edges.len())).collect();
    let _ = writeln!(text, "/* How many edges each axis has. */");
    let _ = writeln!(text, "#define LOWGEAR_EDGE_COUNTS {{ {} }}", counts.join(", "));
    let _ = writeln!(text, "\n/* {} */", edges_marker(table, table_features.bias));
    let edges = table.axes().iter().flat_map(|axis| &axis.edges);
    let mut stored: Vec<u16> = edges.map(|&edge| (edge as u16).wrapping_add(table_features.bias)).collect();
    if stored.is_empty() {
        stored.push(0);
    }
    text.push_str(&array("uint16_t", "edges", stored.into_iter()));
    let _ = writeln!(text, "\n/* Decisions, two bits each, lowest bits first: 0 down, 1 hold, 2 up.");
    let _ = writeln!(text, " * {} */", cells_marker(table));
    text.push_str(&array("uint8_t", "cells", table.cells().iter().map(|&cell| cell.into())));
    text
}

fn array(kind: &str, name: &str, values: impl ExactSizeIterator<Item = u16>) -> String {
    let length = values.len();
    let body = numbers(values.map(|value| format!("{value}u,")), "    ", " ");
    format!("static const {kind} lowgear_{name}[{length}] LOWGEAR_ROM = {{\n{body}}};\n")
}

/// One search per axis, laid out in full: a loop would cost a small controller more than the search itself.
fn look_text(table: &LookupTable, bias: u16) -> String {
    let (mut text, mut first, mut searched) = (String::new(), 0, false);
    for (i, axis) in table.axes().iter().enumerate() {
        let count = axis.edges.len();
        let steps: String =
            steps(count).iter().map(|(at, by)| format!(" LOWGEAR_STEP({at}, {by})")).collect();
        let bins = count + 1;
        if bias == 0 && count > 0 && axis.edges.iter().zip(1..).all(|(&edge, next)| edge == next) {
            // Edges 1, 2, 3 and so on: the value is the bin.
            let bin = format!("(lowgear_index)(value[{i}] < {count}u ? value[{i}] : {count}u)");
            let _ = writeln!(text, "    cell = (lowgear_index)(cell * {bins}u + {bin});");
        } else if count > 0 {
            searched = true;
            let from =
                if first == 0 { "lowgear_edges".to_owned() } else { format!("(lowgear_edges + {first})") };
            let _ = writeln!(text, "    here = value[{i}];\n    edge = {from};\n   {steps}");
            let _ = writeln!(text, "    bin = edge - {from};");
            let _ = writeln!(text, "    cell = (lowgear_index)(cell * {bins}u + (lowgear_index)bin);");
        }
        first += count;
    }
    if !searched {
        text.push_str("    (void)value;\n    (void)edge;\n    (void)here;\n    (void)bin;\n");
    }
    text
}

/// Where to compare and how far to go then, so that the steps add up to the number of edges at or below a value:
/// uniform binary search (Knuth, The Art of Computer Programming 3, 6.2.1), the first step cut to fit.
fn steps(edges: usize) -> Vec<(usize, usize)> {
    let Some(power) = edges.checked_ilog2() else { return Vec::new() };
    let widest = 1usize << power;
    let rest = (0..power).rev().map(|bit| (1 << bit) - 1).map(|at| (at, at + 1));
    std::iter::once((widest - 1, edges + 1 - widest)).chain(rest).collect()
}

fn clocks_text(table_features: &TableFeatures) -> String {
    let mut text = String::new();
    for clock in &table_features.clocks {
        let kind = if clock.wide { "uint16_t" } else { "uint8_t" };
        let _ = writeln!(text, "    {kind} {}; /* {} */", clock.name, clock.meaning);
    }
    text
}

fn values_text(decider: Decider<'_>, table_features: &TableFeatures) -> String {
    let mut text = String::new();
    if table_features.has("preview") {
        text.push_str("    const uint16_t strike = lowgear_next_strike(s);\n");
    }
    for (i, feature) in decider.features().into_iter().enumerate() {
        let value = match feature {
            Feature::Gear => "s->gear",
            Feature::MotorSpeed => "s->motor_speed >> 6",
            Feature::SpeedRatio => "s->speed_ratio >> 6",
            Feature::LoadSlow => "s->load_slow >> 6",
            Feature::LoadPeak => "s->load_peak >> 6",
            Feature::Tilt => "(uint16_t)lowgear_tilt(s)",
            Feature::Battery if table_features.has("battery_axis") => "lowgear_battery(s)",
            Feature::Battery => "1000u",
            Feature::Dwell => "s->gear_clock",
            Feature::SinceFailed => "s->since_failed",
            Feature::FailedCount => "s->failed_count",
            Feature::Stalled => "s->stalled",
            Feature::Current if table_features.has("current_axis") => "(uint16_t)lowgear_current(s)",
            Feature::StrikeClass if table_features.has("preview") => "strike >> 10",
            Feature::StrikeMm if table_features.has("preview") => "strike & 1023u",
            Feature::Current | Feature::StrikeClass => "0u",
            Feature::StrikeMm => "1000u",
        };
        let value = if table_features.bias == 0 {
            format!("({value})")
        } else {
            format!("(({value}) + LOWGEAR_BIAS)")
        };
        let _ = writeln!(text, "    value[{i}] = (uint16_t){value};");
    }
    let sensed = |feature| {
        matches!(feature, Feature::Battery | Feature::Current | Feature::StrikeClass | Feature::StrikeMm)
    };
    if decider.features().into_iter().all(sensed) {
        text.push_str("    (void)s;\n");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::steps;

    #[test]
    fn the_steps_count_the_edges_at_or_below_any_value() {
        for edges in 0..200usize {
            for below in 0..=edges {
                // Edge number i is reached by a value above `below` of them if i < below.
                let found = steps(edges)
                    .iter()
                    .fold(0, |at, &(step, by)| if at + step < below { at + by } else { at });
                assert_eq!(found, below, "{edges} edges");
            }
        }
    }
}
