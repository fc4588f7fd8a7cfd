//! The size sheet: what the controller costs in program memory and in RAM.

use lowgear_onboard::MAX_GEARS;
use serde::{Deserialize, Serialize};

use super::cost::TargetCost;
use super::decider::Decider;
use lowgear_agents::integer_network::IntegerNetwork;
use lowgear_agents::table::LookupTable;

/// Bytes of the two per-gear arrays and of the scalar settings, each at its own width.
const SETTINGS_BYTES: usize = 4 * MAX_GEARS + 40;

/// Sections of the compiled controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ObjectSize {
    /// Code and constants, bytes.
    pub text: u64,
    /// Initialised variables, bytes.
    pub data: u64,
    /// Cleared variables, bytes.
    pub bss: u64,
}

/// The size of a network.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NetworkSize {
    /// Inputs and units of each layer, as `19 x 32 x 32 x 3`.
    pub sizes: String,
    /// Products in a decision; as many weights of a byte each.
    pub products: usize,
    /// Bytes of weights, biases, inputs and layers.
    pub bytes: usize,
}

impl NetworkSize {
    fn of(network: &IntegerNetwork) -> NetworkSize {
        NetworkSize { sizes: network.sizes(), products: network.weights().len(), bytes: network.bytes() }
    }
}

/// Every figure of the size sheet. What needs a compiler is absent without one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SizeSheet {
    /// Cells of the table.
    pub cells: usize,
    /// Bytes of the packed cells.
    pub cell_bytes: usize,
    /// Bytes of edges and axis lists.
    pub axis_bytes: usize,
    /// The network, where there is one instead of a table.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub network: Option<NetworkSize>,
    /// Bytes of the settings.
    pub settings_bytes: usize,
    /// RAM of the state, on the machine that made the proof.
    pub state_bytes: Option<u64>,
    /// The compiled controller, optimised for size, on the machine that made the proof.
    pub object: Option<ObjectSize>,
    /// Unvisited cells that the rule filled, where that is known.
    pub filled_cells: Option<usize>,
    /// Small machines whose compiler and emulator were found.
    pub targets: Vec<TargetCost>,
    /// The others: which, and which program is missing or failed.
    pub not_measured: Vec<String>,
}

impl SizeSheet {
    /// What is known without a compiler.
    #[must_use]
    pub fn of<'a>(decider: impl Into<Decider<'a>>) -> SizeSheet {
        let (table, network) = match decider.into() {
            Decider::Table(table) => (Some(table), None),
            Decider::Network(network) => (None, Some(network)),
        };
        SizeSheet {
            cells: table.map_or(0, LookupTable::count),
            cell_bytes: table.map_or(0, |table| table.cells().len()),
            axis_bytes: table.map_or(0, |table| table.bytes() - table.cells().len()),
            network: network.map(NetworkSize::of),
            settings_bytes: SETTINGS_BYTES,
            state_bytes: None,
            object: None,
            filled_cells: None,
            targets: Vec::new(),
            not_measured: Vec::new(),
        }
    }

    /// The sheet as text.
    #[must_use]
    pub fn text(&self) -> String {
        let state =
            self.state_bytes.map_or("not measured (no compiler)".to_owned(), |n| format!("{n} bytes"));
        let object = self.object.map_or("not measured".to_owned(), |o| {
            format!("text {} bytes, data {} bytes, bss {} bytes", o.text, o.data, o.bss)
        });
        let filled = self.filled_cells.map_or("not known".to_owned(), |n| n.to_string());
        let mut targets: String =
            self.targets.iter().map(|cost| format!("  {}\n", cost.sentence())).collect();
        targets.extend(self.not_measured.iter().map(|reason| format!("  {reason}\n")));
        if targets.is_empty() {
            targets.push_str("  not asked for\n");
        }
        let decider = match &self.network {
            Some(network) => format!(
                "network              {} units\n\
                 products             {} a decision, 8 bits by 8 bits\n\
                 weights and biases   {} bytes, program memory\n",
                network.sizes, network.products, network.bytes
            ),
            None => format!(
                "cells                {} (two bits each)\n\
                 filled from the rule {filled}\n\
                 packed cells         {} bytes, program memory\n\
                 edges and axes       {} bytes, program memory\n",
                self.cells, self.cell_bytes, self.axis_bytes
            ),
        };
        format!(
            "Size sheet\n\n\
             {decider}\
             settings             {} bytes, program memory (some become instructions)\n\
             state                {state}, RAM\n\
             compiled controller  {object}\n\n\
             State and compiled size were measured on the machine that made the proof; a small controller\n\
             with 8 or 16 bits needs less RAM for padding and another amount of code.\n\n\
             On small machines (compiled for size, counted on emulated ones; features and guard included):\n\
             {targets}",
            self.settings_bytes
        )
    }
}
