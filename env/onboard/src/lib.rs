//! What runs on the vehicle: features from raw sensor units, the guard, the table lookup, the integer network.
//!
//! Integers only, no heap, no floats, no dependencies. The simulator, every policy, the evaluation and firmware
//! exported as Rust are this very code; firmware in C and Python is proven equal to it. Units stand in the names:
//! `_ticks` are controller ticks, `_permille` are thousandths, `_ddeg` tenths of a degree, `_mv` millivolts.
//!
//! The order of one controller tick is: [`Controller::sense`], then [`Controller::act`].
#![no_std]

mod controller;
mod features;
mod guard;
mod lap_control;
mod lap_memory;
mod monitor;
mod network;
mod observer;
mod odometer;
mod order;
mod preview;
mod ranges;
mod recorder;
mod route;
mod route_map;
mod table;

pub use controller::{Controller, Settings};
pub use features::{FEATURES, Feature, Features, Raw};
pub use guard::{Guard, GuardSettings, MAX_GEARS};
pub use lap_control::{LapControl, LapSettings};
pub use lap_memory::{CELL_MM, LapMemory, LapMemorySettings, MEMORY_CELLS};
pub use monitor::{MOST_FALLBACKS, Monitor, MonitorSettings};
pub use network::{InputForm, MAX_LAYERS, MAX_WIDTH, Network, NetworkError, NetworkInput, NetworkLayer};
pub use observer::{FeatureSettings, Observer};
pub use odometer::{Odometer, OdometerSettings};
pub use order::{Command, Phase, Request, Verdict};
pub use preview::PreviewSettings;
pub use ranges::{Fault, Ranges};
pub use recorder::{
    FRAME_BYTES, FRAME_DATA, Frame, HEADER_BYTES, HEADER_DATA, HEADER_TICKS, Header, Recorder, crc16_of,
    stuff, unstuff,
};
pub use route::{MOST_VARIANCE_MM2, Route, RouteSettings};
pub use route_map::{ROUTE_ENTRY, ROUTE_FORMAT, ROUTE_HEAD, ROUTE_SILENT, RouteError, RouteMap};
pub use table::{Axis, MAX_AXES, Table, TableError};
