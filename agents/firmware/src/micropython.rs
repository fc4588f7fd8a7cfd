//! The module for small Python interpreters.

use std::fmt::Write as _;

use lowgear_onboard::Feature;

use super::decider::Decider;
use super::network;
use super::selftest::SelfTest;
use super::source::{axes_marker, cells_marker, edges_marker, numbers};
use super::table_features::TableFeatures;
use super::template::Filling;
use lowgear_agents::table::LookupTable;

const CONTROLLER: &str = include_str!("micropython/controller.py.in");

pub(super) fn fill(
    filling: &mut Filling,
    decider: Decider<'_>,
    table_features: &TableFeatures,
    self_test: &SelfTest,
    prefix: &str,
) -> String {
    let mut put = |name, text: String| filling.text.insert(name, text);
    put("SETTINGS", settings_text(table_features));
    put(
        "TABLE",
        match decider {
            Decider::Table(table) => table_text(table, table_features),
            Decider::Network(network) => network::python_text(network, table_features.bias),
        },
    );
    put("VALUES", values_text(decider, table_features));
    let rows =
        self_test.runs.iter().map(|run| format!("        ({}),\n", run.map(|v| v.to_string()).join(", ")));
    put("VECTORS", rows.collect());
    filling.render(CONTROLLER, prefix)
}

fn values_text(decider: Decider<'_>, table_features: &TableFeatures) -> String {
    let mut text = String::new();
    if table_features.has("preview") {
        text.push_str("        self.next_strike()\n");
    }
    for (i, feature) in decider.features().into_iter().enumerate() {
        let _ = writeln!(text, "        value[{i}] = {}", value(feature, table_features));
    }
    text
}

fn settings_text(table_features: &TableFeatures) -> String {
    let mut text = String::new();
    for constant in &table_features.constants {
        let _ = writeln!(text, "{} = const({})  # {}", constant.name, constant.value, constant.meaning);
    }
    for clock in table_features.clocks.iter().filter(|clock| clock.name == "gear_clock") {
        let _ = writeln!(text, "GEAR_CLOCK_MOST = const({})  # this clock goes no further", clock.most);
    }
    let tuple = |values: &[u16]| values.iter().map(|value| format!("{value}, ")).collect::<String>();
    let _ = writeln!(text, "# Drum angle of each gear, tenths of a degree.");
    let _ = writeln!(text, "GEAR_DDEG = ({})", tuple(&table_features.gear_ddeg).trim_end());
    if table_features.has("load") {
        let _ = writeln!(text, "# Total ratio of each gear over the top gear's, permille.");
        let _ = writeln!(text, "GEAR_SCALE = ({})", tuple(&table_features.gear_scale).trim_end());
    }
    if table_features.has("preview") {
        let ways: String = table_features.count_way.iter().map(|way| format!("{way}, ")).collect();
        let _ = writeln!(text, "# Way of an encoder count in each gear, mm times 4096.");
        let _ = writeln!(text, "COUNT_Q12_MM = ({})", ways.trim_end());
    }
    text
}

fn table_text(table: &LookupTable, table_features: &TableFeatures) -> String {
    let mut text = format!("# {}\n", axes_marker(table));
    text.push_str("# The last axis varies fastest; a value equal to an edge lies in the upper bin.\n");
    let _ = writeln!(text, "AXES = const({})", table.axes().len());
    let _ = writeln!(text, "COUNT = const({})", table.count());
    let _ =
        writeln!(text, "BIAS = const({})  # added to a value in the self-test's sum", table_features.bias);
    let _ = writeln!(text, "# {}\nEDGES = (", edges_marker(table, 0));
    for axis in table.axes() {
        let edges = axis.edges.iter().map(|edge| format!("{edge},"));
        let _ = write!(text, "    (\n{}    ),\n", numbers(edges, "        ", " "));
    }
    text.push_str(")\n# Decisions, two bits each, lowest bits first: 0 down, 1 hold, 2 up.\n");
    let _ = writeln!(text, "# {}\nCELLS = (", cells_marker(table));
    for row in table.cells().chunks(20) {
        let bytes: String = row.iter().map(|cell| format!("\\x{cell:02x}")).collect();
        let _ = writeln!(text, "    b\"{bytes}\"");
    }
    text.push_str(")\n");
    text
}

fn value(feature: Feature, table_features: &TableFeatures) -> &'static str {
    match feature {
        Feature::Gear => "self.gear",
        Feature::MotorSpeed => "self.motor_speed >> 6",
        Feature::SpeedRatio => "self.speed_ratio >> 6",
        Feature::LoadSlow => "self.load_slow >> 6",
        Feature::LoadPeak => "self.load_peak >> 6",
        Feature::Tilt => "self.tilt_ddeg()",
        Feature::Battery if table_features.has("battery_axis") => {
            "min(self.battery_mv * 1000 // BATTERY_MV, 30000)"
        }
        Feature::Battery => "1000",
        Feature::Dwell => "self.gear_clock",
        Feature::SinceFailed => "self.since_failed",
        Feature::FailedCount => "self.failed_count",
        Feature::Stalled => "self.stalled",
        Feature::Current if table_features.has("current_axis") => "self.current_permille()",
        Feature::StrikeClass if table_features.has("preview") => "self.strike_class",
        Feature::StrikeMm if table_features.has("preview") => "self.strike_mm",
        Feature::Current | Feature::StrikeClass => "0",
        Feature::StrikeMm => "1000",
    }
}
