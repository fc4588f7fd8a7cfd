//! The table as a list, with the same head as the other formats.

use std::fmt::Write as _;

use super::decider::Decider;
use super::network;
use super::source::axes_marker;
use super::table_features::TableFeatures;
use super::template::Filling;

const TABLE_HEAD: &str =
    "# Decision table: one line a cell, with the bounds of every bin (empty: open) and the decision.\n";
const NETWORK_HEAD: &str = "\
# Decision network: of each input feature, form, bound and shift; of each layer units and shift; of each unit in it
# bias and weights.
";
const HEAD: &str = "\
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
    decider: Decider<'_>,
    table_features: &TableFeatures,
    prefix: &str,
) -> String {
    let mut settings = String::new();
    for constant in &table_features.constants {
        let name = constant.name.to_ascii_lowercase().replace('_', "-");
        let _ = writeln!(settings, "# {name}: {} ({})", constant.value, constant.meaning);
    }
    let _ = writeln!(settings, "# gear-ddeg: {:?}", table_features.gear_ddeg);
    let _ = writeln!(settings, "# gear-scale-permille: {:?}", table_features.gear_scale);
    let (head, list) = match decider {
        Decider::Table(table) => {
            let _ = writeln!(settings, "# {}", axes_marker(table));
            (TABLE_HEAD, table.to_csv())
        }
        Decider::Network(network) => {
            network::markers(network).lines().for_each(|line| {
                let _ = writeln!(settings, "# {line}");
            });
            (NETWORK_HEAD, network::list_text(network))
        }
    };
    filling.text.insert("SETTINGS", settings);
    filling.render(&format!("{head}{HEAD}"), prefix) + &list
}
