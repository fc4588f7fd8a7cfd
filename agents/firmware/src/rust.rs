//! The Rust module: the onboard crate's own sources, wrapped with the constants of one table and one vehicle.

use std::fmt::Write as _;

use lowgear_onboard::{MAX_GEARS, Settings};

use super::decider::Decider;
use super::network;
use super::selftest::SelfTest;
use super::source::{axes_marker, cells_marker, edges_marker, numbers};
use super::table_features::TableFeatures;
use super::template::Filling;
use lowgear_agents::table::LookupTable;

const CONTROLLER: &str = include_str!("rust/controller.rs.in");

macro_rules! onboard {
    ($name:literal) => {
        include_str!(concat!("../../../env/onboard/src/", $name, ".rs"))
    };
}

/// The root of the onboard crate: its documentation, its modules and what it makes public.
const ROOT: &str = onboard!("lib");
/// The modules that the root names.
const MODULES: [(&str, &str); 14] = [
    ("controller", onboard!("controller")),
    ("features", onboard!("features")),
    ("guard", onboard!("guard")),
    ("lap_control", onboard!("lap_control")),
    ("lap_memory", onboard!("lap_memory")),
    ("monitor", onboard!("monitor")),
    ("network", onboard!("network")),
    ("observer", onboard!("observer")),
    ("odometer", onboard!("odometer")),
    ("order", onboard!("order")),
    ("preview", onboard!("preview")),
    ("ranges", onboard!("ranges")),
    ("recorder", onboard!("recorder")),
    ("table", onboard!("table")),
];
/// Modules that the root names and only a controller uses that learns its way lap by lap.
const OF_LAPS: [&str; 3] = ["lap_control", "lap_memory", "odometer"];
/// Modules that the root names and no exported controller uses: it drives without a map of the way.
const LEFT_OUT: [&str; 2] = ["route", "route_map"];

pub(super) fn fill(
    filling: &mut Filling,
    decider: Decider<'_>,
    settings: &Settings,
    table_features: &TableFeatures,
    self_test: &SelfTest,
    prefix: &str,
) -> String {
    let bias = table_features.bias;
    let mut put = |name, text: String| {
        filling.text.insert(name, text);
    };
    put("SETTINGS", settings_text(settings));
    put("TOP_GEAR", (usize::from(settings.guard.gears).clamp(1, MAX_GEARS) - 1).to_string());
    match decider {
        Decider::Table(table) => {
            put("TABLE", table_text(table, bias));
            let axes = table.axes().iter().enumerate();
            let axes = axes.map(|(i, a)| {
                format!("    Axis {{ feature: Feature::{:?} as u8, edges: EDGES[{i}] }},\n", a.feature)
            });
            put("GRID", axes.collect());
        }
        Decider::Network(network) => put("TABLE", network::rust_text(network, bias)),
    }
    let rows = self_test.runs.iter().map(|run| format!("    [{}],\n", run.map(|v| v.to_string()).join(", ")));
    put("VECTORS", rows.collect());
    put("HEADER", super::recorder::header_text(decider, settings));
    put("ONBOARD", onboard_text(table_features.has("laps")));
    filling.render(CONTROLLER, prefix)
}

/// The onboard crate as the body of a module: its modules stand inside each other instead of in files.
fn onboard_text(laps: bool) -> String {
    let mut text = String::new();
    for line in ROOT.lines().filter(|line| !line.starts_with("#![") && !is_left_out(line, laps)) {
        let module = line.strip_prefix("mod ").and_then(|rest| rest.strip_suffix(';'));
        match module.and_then(|name| MODULES.iter().find(|(known, _)| *known == name)) {
            Some((name, source)) => {
                let between = if text.ends_with("}\n") { "\n" } else { "" };
                let _ = write!(text, "{between}    mod {name} {{\n{}    }}\n", indented(source, 8));
            }
            None => text.push_str(&indented(&format!("{line}\n"), 4)),
        }
    }
    text
}

/// Whether a line of the root names a module that is left out, or makes something in it public.
fn is_left_out(line: &str, laps: bool) -> bool {
    let of = |name: &&str| line == format!("mod {name};") || line.starts_with(&format!("pub use {name}::"));
    LEFT_OUT.iter().any(of) || !laps && OF_LAPS.iter().any(of)
}

/// Every line behind so many spaces; empty lines stay empty.
fn indented(text: &str, spaces: usize) -> String {
    let mut out = String::new();
    for line in text.lines() {
        let _ = writeln!(out, "{}", format!("{:spaces$}{line}", "").trim_end());
    }
    out
}

/// The settings as an expression of Rust: what `Debug` makes of structures of integers is one. Arrays take one line.
fn settings_text(settings: &Settings) -> String {
    let (mut text, mut in_array) = (String::new(), false);
    for line in format!("{settings:#?}").lines() {
        let word = line.trim();
        if in_array && word == "]," {
            in_array = false;
            text.truncate(text.trim_end_matches([',', ' ']).len());
            text.push_str("],\n");
        } else if in_array {
            let _ = write!(text, "{word} ");
        } else {
            in_array = word.ends_with('[');
            text.push_str(line);
            text.push_str(if in_array { "" } else { "\n" });
        }
    }
    text.trim_end().to_owned()
}

fn table_text(table: &LookupTable, bias: u16) -> String {
    let mut text = format!("// {}\n", axes_marker(table));
    text.push_str("// The last axis varies fastest; a value equal to an edge lies in the upper bin.\n");
    let axes = table.axes().len();
    let _ = writeln!(text, "/// Axes of the table.\npub const AXES: usize = {axes};");
    let _ = writeln!(text, "/// Cells of the table.\npub const COUNT: usize = {};", table.count());
    let _ = writeln!(text, "/// Added to a value in the self-test's sum.\npub const BIAS: u16 = {bias};");
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

#[cfg(test)]
mod tests {
    use super::*;

    /// What means another thing, or nothing, inside an exported file.
    const NOT_CARRIED: [&str; 11] = [
        "crate::",
        "(crate)",
        "cfg",
        "extern ",
        "macro_rules!",
        "include",
        "std::",
        "serde",
        "#![",
        "\\\n",
        "@",
    ];

    #[test]
    fn every_module_of_the_onboard_crate_is_carried_and_holds_nothing_that_would_not_compile_there() {
        let carried = ROOT.lines().filter(|line| !is_left_out(line, true));
        let named: Vec<&str> =
            carried.filter_map(|line| line.strip_prefix("mod ")?.strip_suffix(';')).collect();
        assert_eq!(named, MODULES.map(|(name, _)| name));
        let root = ROOT.replacen("#![no_std]\n", "", 1);
        for (name, source) in MODULES.into_iter().chain([("lib", root.as_str())]) {
            let code = |line: &&str| !line.trim_start().starts_with("//");
            for word in NOT_CARRIED {
                assert!(
                    !source.contains(word),
                    "{name}.rs holds `{word}`, which an exported file cannot carry"
                );
            }
            let nested = source.lines().filter(code).any(|line| line.trim_start().starts_with("mod "));
            assert!(name == "lib" || !nested, "{name}.rs holds a module of its own");
        }
    }

    #[test]
    fn the_onboard_sources_are_carried_word_for_word() {
        let text = onboard_text(true);
        let without = onboard_text(false);
        for (name, source) in MODULES {
            let whole = format!("    mod {name} {{\n{}    }}\n", indented(source, 8));
            assert!(text.contains(&whole), "{name}");
            assert_eq!(without.contains(&whole), !OF_LAPS.contains(&name), "{name}");
        }
        assert!(!text.lines().any(|line| line.trim_start().starts_with("mod ") && line.ends_with(';')));
    }
}
