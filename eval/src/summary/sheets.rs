//! Thresholds of rules and the sheet of the exported table.

use crate::PolicyId;
use serde::{Deserialize, Serialize};

/// Thresholds of a rule.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TunedRule {
    /// Policy id.
    pub policy: PolicyId,
    /// Lines to read, in the notation of the configuration.
    pub lines: Vec<String>,
    /// The same in units that a controller can be given: turns, volts, seconds, degrees.
    pub enterable: Vec<String>,
    /// The motor speeds among them, upshifts and downshifts of each pair of gears, lowest pair first.
    pub thresholds: Vec<ShiftThreshold>,
}

/// Motor speed at which a rule leaves a gear.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShiftThreshold {
    /// Gear before the shift, 1 is the lowest.
    pub from: u8,
    /// Gear after it.
    pub to: u8,
    /// Motor speed at nominal battery voltage and full duty, rpm: an upshift at this speed or above, a downshift below
    /// it.
    pub motor_rpm: f64,
    /// Motor speed per volt at the motor (battery voltage times duty), rpm/V, where the threshold follows the voltage.
    pub rpm_per_v: Option<f64>,
    /// Time in the gear before this shift is allowed, s, where a gear has a wait of its own.
    #[serde(default)]
    pub wait_s: Option<f64>,
}

/// The exported integer network in short.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NetworkSheet {
    /// Policy it was distilled from.
    pub teacher: PolicyId,
    /// Training seed of the exported network, from 1: the one with the best validation score.
    pub seed: u64,
    /// C header in the run folder.
    pub header: String,
    /// Inputs and units of each layer.
    pub sizes: String,
    /// Features that it sees.
    pub features: Vec<String>,
    /// Size of weights, biases and inputs in flash, bytes.
    pub bytes: usize,
    /// Products in a decision.
    pub products: usize,
    /// Share of its last training decisions in which it decided as its teacher, %.
    pub agreement_percent: f64,
    /// Share in which its integers decide as the real numbers that they were rounded from, %.
    pub rounding_agreement_percent: f64,
    /// Hash of the packed network.
    pub hash: String,
    /// Test vectors.
    pub vectors: usize,
    /// Results of the proofs that the code decides as the simulator.
    pub proof: Vec<String>,
    /// Costs on small machines.
    pub costs: Vec<String>,
}

/// The exported lookup table in short.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TableSheet {
    /// Policy it was distilled from.
    pub teacher: PolicyId,
    /// Training seed of the exported table, from 1: the one with the best validation score.
    pub seed: u64,
    /// C header in the run folder.
    pub header: String,
    /// Whether its edges were searched for afterwards.
    pub refined: bool,
    /// Size in flash, bytes.
    pub bytes: usize,
    /// Cells.
    pub cells: usize,
    /// Cells that the teacher decided.
    pub visited_cells: usize,
    /// Cells filled from the rule.
    pub filled_from_rule: usize,
    /// Axes, slowest first.
    pub axes: Vec<TableAxis>,
    /// Hash of the packed table.
    pub hash: String,
    /// Test vectors.
    pub vectors: usize,
    /// What the proof against compiled firmware came to, one line per language.
    pub proof: Vec<String>,
    /// What it costs on small machines, one line each; empty where no compiler and emulator were found.
    pub costs: Vec<String>,
}

/// One axis of the table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TableAxis {
    /// Feature name.
    pub feature: String,
    /// Cells along it.
    pub cells: usize,
    /// Edges between cells, in the feature's unit.
    pub edges: Vec<i16>,
}
