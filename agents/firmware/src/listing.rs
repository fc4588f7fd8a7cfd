//! The table as a list, with the same head as the other formats.

use std::fmt::Write as _;

use super::source::axes_marker;
use super::table_features::TableFeatures;
use super::template::Filling;
use lowgear_agents::table::LookupTable;

const HEAD: &str = "\
# Decision table: one line a cell, with the bounds of every bin (empty: open) and the decision.
#
@PROVENANCE@
#
# CAUTIONS
@CAUTIONS@
#
# UNITS AND SCALING
@UNITS@
#
# SETTINGS OF THE CONTROLLER
@SETTINGS@
#
";

pub(super) fn fill(
    filling: &mut Filling,
    table: &LookupTable,
    table_features: &TableFeatures,
    prefix: &str,
) -> String {
    let mut settings = String::new();
    for constant in &table_features.constants {
        let name = constant.name.to_ascii_lowercase().replace('_', "-");
        let _ = writeln!(settings, "# {name}: {} ({})", constant.value, constant.meaning);
    }
    let _ = writeln!(settings, "# gear-ddeg: {:?}", table_features.gear_ddeg);
    let _ = writeln!(
        settings,
        "# gear-scale-permille: {:?}\n# {}",
        table_features.gear_scale,
        axes_marker(table)
    );
    filling.text.insert("SETTINGS", settings);
    filling.render(HEAD, prefix) + &table.to_csv()
}
