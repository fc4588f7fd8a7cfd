//! The Rust module.

use std::fmt::Write as _;

use lowgear_onboard::Feature;

use super::selftest::SelfTest;
use super::shape::{Constant, Shape};
use super::source::{axes_marker, cells_marker, edges_marker, numbers};
use super::template::Filling;
use lowgear_agents::table::LookupTable;

const CONTROLLER: &str = include_str!("rust/controller.rs.in");

pub(super) fn fill(
    filling: &mut Filling,
    table: &LookupTable,
    shape: &Shape,
    self_test: &SelfTest,
    prefix: &str,
) -> String {
    let mut put = |name, text: String| filling.text.insert(name, text);
    put("SETTINGS", settings_text(shape));
    put("TABLE", table_text(table, shape));
    let fields = shape.clocks.iter().map(|clock| format!("    {}: u16,\n", clock.name));
    put("CLOCKS", fields.collect());
    let values =
        table.axes().iter().map(|axis| format!("            {} as i16,\n", value(axis.feature, shape)));
    put("VALUES", values.collect());
    let rows = self_test.runs.iter().map(|run| format!("    [{}],\n", run.map(|v| v.to_string()).join(", ")));
    put("VECTORS", rows.collect());
    filling.render(CONTROLLER, prefix)
}

fn kind(constant: &Constant) -> &'static str {
    match constant.bits {
        _ if constant.name.ends_with("_SHIFT") => "u32",
        8 => "u8",
        15 => "i16",
        32 => "u32",
        _ => "u16",
    }
}

fn settings_text(shape: &Shape) -> String {
    let mut text = String::new();
    let mut constant = |name: &str, kind: &str, value: &str, meaning: &str| {
        let _ = writeln!(text, "/// {meaning}.\npub const {name}: {kind} = {value};");
    };
    for c in &shape.constants {
        constant(c.name, kind(c), &c.value.to_string(), c.meaning);
    }
    for clock in shape.clocks.iter().filter(|clock| clock.name == "gear_clock") {
        constant("GEAR_CLOCK_MOST", "u16", &clock.most.to_string(), "this clock goes no further");
    }
    let list = |values: &[u16]| format!("{values:?}");
    let gears = format!("[u16; {}]", shape.gear_ddeg.len());
    constant("GEAR_DDEG", &gears, &list(&shape.gear_ddeg), "drum angle of each gear, tenths of a degree");
    if shape.has("load") {
        let meaning = "total ratio of each gear over the top gear's, permille";
        constant("GEAR_SCALE", &gears, &list(&shape.gear_scale), meaning);
    }
    text
}

fn table_text(table: &LookupTable, shape: &Shape) -> String {
    let mut text = format!("// {}\n", axes_marker(table));
    text.push_str("// The last axis varies fastest; a value equal to an edge lies in the upper bin.\n");
    let axes = table.axes().len();
    let _ = writeln!(text, "/// Axes of the table.\npub const AXES: usize = {axes};");
    let _ = writeln!(text, "/// Cells of the table.\npub const COUNT: usize = {};", table.count());
    let _ =
        writeln!(text, "/// Added to a value in the self-test's sum.\npub const BIAS: u16 = {};", shape.bias);
    let _ = writeln!(text, "\n// {}", edges_marker(table, 0));
    let _ = writeln!(text, "/// Edges of every axis.\npub const EDGES: [&[i16]; {axes}] = [");
    for axis in table.axes() {
        let edges = axis.edges.iter().map(|edge| format!("{edge},"));
        let _ = write!(text, "    &[\n{}    ],\n", numbers(edges, "        ", " "));
    }
    text.push_str("];\n\n// Decisions, two bits each, lowest bits first: 0 down, 1 hold, 2 up.\n");
    let bytes = table.cells().len();
    let _ = writeln!(text, "// {}\n/// Packed cells.\nconst CELLS: [u8; {bytes}] = [", cells_marker(table));
    text.push_str(&numbers(table.cells().iter().map(|cell| format!("{cell},")), "    ", " "));
    text.push_str("];\n");
    text
}

fn value(feature: Feature, shape: &Shape) -> &'static str {
    match feature {
        Feature::Gear => "self.gear",
        Feature::MotorSpeed => "(self.motor_speed >> 6)",
        Feature::SpeedRatio => "(self.speed_ratio >> 6)",
        Feature::LoadSlow => "(self.load_slow >> 6)",
        Feature::LoadPeak => "(self.load_peak >> 6)",
        Feature::Tilt => "self.tilt_ddeg()",
        Feature::Battery if shape.has("battery_axis") => {
            "(self.battery_mv as u32 * 1000 / BATTERY_MV as u32).min(30_000)"
        }
        Feature::Battery => "1000u16",
        Feature::Dwell => "self.gear_clock",
        Feature::SinceFailed => "self.since_failed",
        Feature::FailedCount => "self.failed_count",
        Feature::Stalled => "self.stalled",
        Feature::Current if shape.has("current_axis") => {
            "(self.current_ma as i32 * 1000 / STALL_MA as i32).clamp(-2000, 2000)"
        }
        Feature::Current => "0u16",
    }
}
