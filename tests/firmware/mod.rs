//! Exported controllers on other machines than the host: every cell, and a million ticks of random readings
//! with shifts, misses, stalls and Park, agree with the onboard code on each of them.
//!
//! The vectors are made on the target (`drill.h`, `drill.rs`, `drill.py`), because none of them could store
//! a million; every thousandth tick prints a running sum, so that a difference is located.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a check that cannot be made has failed")]

#[path = "targets/drill.rs"]
#[expect(unreachable_pub, reason = "a target's source, shared with it as it is")]
mod drill;
mod guideline;
mod laps;
#[path = "targets/looks.rs"]
#[expect(unreachable_pub, reason = "a target's source, shared with it as it is")]
mod looks;
mod monitored;
mod recorded;
mod subject;
mod targets;

use lowgear_agents::integer_network::{IntegerNetwork, inputs_for};
use lowgear_agents::table::{LookupTable, Provenance, TableAxis};
use lowgear_env::config;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_firmware::{Decider, Format, recorder_file_name, recorder_source, source};
use lowgear_onboard::{Feature, NetworkLayer, PreviewSettings, Request, Settings};
use std::fs;
use std::path::Path;
use std::process::Command;
use tempfile::TempDir;

const TICKS: u32 = 1_000_000;

/// A table or a network on a vehicle, exported in every format.
struct Case {
    table: LookupTable,
    /// What decides in place of the table.
    network: Option<IntegerNetwork>,
    settings: Settings,
    folder: TempDir,
}

impl Case {
    fn new(vehicle: &str, axes: Vec<TableAxis>) -> Case {
        let file = crate::sandbox::repository().join("configs/vehicles").join(vehicle);
        let settings = config::load::<VehicleConfig>(&file).unwrap().controller_settings();
        Case::of(settings, axes)
    }

    fn of(settings: Settings, axes: Vec<TableAxis>) -> Case {
        let cells: usize = axes.iter().map(TableAxis::bins).product();
        // Up when fast, down when slow, by the second axis; and cells of every sort elsewhere.
        let inner: usize = axes[2..].iter().map(TableAxis::bins).product();
        let bins = axes[1].bins();
        let requests: Vec<Request> = (0..cells)
            .map(|cell| match (cell / inner % bins * 5 / bins, cell % 7) {
                (0, 0..6) => Request::Down,
                (3..5, 0..6) => Request::Up,
                _ => Request::Hold,
            })
            .collect();
        let table = LookupTable::from_requests(axes, &requests, Provenance::default()).unwrap();
        Case::deciding(settings, table, None)
    }

    fn deciding(settings: Settings, table: LookupTable, network: Option<IntegerNetwork>) -> Case {
        let folder = tempfile::tempdir().unwrap();
        let decider = network.as_ref().map_or(Decider::Table(&table), Decider::Network);
        for format in Format::ALL {
            let text = source(format, decider, &settings, "lowgear").unwrap();
            fs::write(folder.path().join(format.file_name("lowgear")), text).unwrap();
            let recorder = recorder_source(format, decider, &settings, "lowgear").unwrap();
            if let Some((name, text)) = recorder_file_name(format, "lowgear").zip(recorder) {
                fs::write(folder.path().join(name), text).unwrap();
            }
        }
        for file in ["agents/firmware/src/targets", "tests/firmware/targets"] {
            for entry in fs::read_dir(crate::sandbox::repository().join(file)).unwrap() {
                let path = entry.unwrap().path();
                fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
            }
        }
        if network.is_some() {
            // A network has no cells: values of any size instead.
            fs::rename(folder.path().join("network_cells.rs"), folder.path().join("cells.rs")).unwrap();
        }
        Case { table, network, settings, folder }
    }

    /// What decides.
    fn decider(&self) -> Decider<'_> {
        self.network.as_ref().map_or(Decider::Table(&self.table), Decider::Network)
    }

    /// A network of the usual size over every feature of a vehicle, with weights and biases of any sort.
    fn network(base: Case) -> Case {
        let (table, settings) = (base.table.clone(), base.settings);
        let fitted = settings.features.preview.fitted;
        let seen = |feature: &Feature| fitted || !matches!(feature, Feature::StrikeClass | Feature::StrikeMm);
        let features: Vec<Feature> = Feature::ALL.into_iter().filter(seen).collect();
        let inputs = inputs_for(&features, settings.guard.gears.into());
        let layers = [(32, 8), (32, 9), (3, 0)].map(|(units, shift)| NetworkLayer { units, shift });
        let mut random = 12_345_u32;
        let mut draw = |span: u32| {
            random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            i64::from((random >> 8) % span) - i64::from(span / 2)
        };
        let weights = (0..32 * (inputs.len() + 32 + 3)).map(|_| draw(256) as i8).collect();
        let biases = (0..67).map(|_| draw(4000) as i16).collect();
        let network = IntegerNetwork::new(inputs, layers.to_vec(), weights, biases, Provenance::default());
        Case::deciding(settings, table, Some(network.unwrap()))
    }

    /// What a demonstration's table looks like: gear, speed ratio, failures, standstill, load.
    fn usual() -> Case {
        let axis = |feature, edges: &[i16]| TableAxis { feature, edges: edges.to_vec() };
        Case::new(
            "demo-cart.toml",
            vec![
                axis(Feature::Gear, &[1, 2]),
                axis(Feature::SpeedRatio, &[120, 260, 380, 470, 560, 640, 700, 760, 820, 870]),
                axis(Feature::SinceFailed, &[20, 60, 200]),
                axis(Feature::Stalled, &[10]),
                axis(Feature::LoadSlow, &[100, 200, 300, 400, 550, 700, 900, 1200, 1600]),
            ],
        )
    }

    /// The other features, and a current sensor.
    fn other() -> Case {
        let axis = |feature, edges: &[i16]| TableAxis { feature, edges: edges.to_vec() };
        Case::new(
            "compost-tractor.toml",
            vec![
                axis(Feature::Gear, &[1, 2, 3]),
                axis(Feature::MotorSpeed, &[150, 400, 700, 850]),
                axis(Feature::LoadPeak, &[300, 900]),
                axis(Feature::Tilt, &[-60, 0, 60]),
                axis(Feature::Battery, &[970, 1010]),
                axis(Feature::Dwell, &[12, 100]),
                axis(Feature::FailedCount, &[1, 3]),
                axis(Feature::Current, &[20, 60]),
            ],
        )
    }

    /// A usual table with a sensor ahead, the class and the way of its strikes on two axes more.
    fn ahead() -> Case {
        let axis = |feature, edges: &[i16]| TableAxis { feature, edges: edges.to_vec() };
        let usual = Case::usual();
        let mut settings = usual.settings;
        settings.features.preview = PreviewSettings {
            fitted: true,
            range: [-50, 240],
            low_level: 20,
            high_level: 100,
            ahead_mm: 250,
            wheelbase_mm: 200,
            hold_mm: 30,
            lockout_mm: 60,
            stuck_mm: 400,
            coast_q4_mm: 20,
            count_q12_mm: [77, 292, 665, 0, 0, 0],
        };
        let mut axes = usual.table.axes().to_vec();
        axes.push(axis(Feature::StrikeClass, &[1, 2, 3]));
        axes.push(axis(Feature::StrikeMm, &[60, 150, 240]));
        Case::of(settings, axes)
    }

    /// What a demonstration's table with a feeler looks like.
    fn feeler() -> Case {
        let axis = |feature, edges: &[i16]| TableAxis { feature, edges: edges.to_vec() };
        Case::new(
            "demo-cart-feeler.toml",
            vec![
                axis(Feature::Gear, &[1, 2]),
                axis(Feature::SpeedRatio, &[260, 470, 640, 760, 870]),
                axis(Feature::StrikeClass, &[1, 2, 3]),
                axis(Feature::StrikeMm, &[60, 150, 240]),
            ],
        )
    }

    fn path(&self, name: &str) -> String {
        self.folder.path().join(name).to_string_lossy().into_owned()
    }

    /// Encoder counts at no-load speed.
    fn span(&self) -> u16 {
        let features = &self.settings.features;
        (1000 * u32::from(features.nominal_mv) / features.speed_gain.max(1)).clamp(8, 2000) as u16
    }

    /// Definitions for a C compiler.
    fn defines(&self, ticks: u32) -> [String; 4] {
        [
            format!("-DDRILL_TICKS={ticks}"),
            format!("-DDRILL_SPAN={}u", self.span()),
            format!("-DDRILL_NOMINAL_MV={}u", self.settings.features.nominal_mv),
            format!("-I{}", self.folder.path().display()),
        ]
    }

    /// What the host answers, and what a target has answered, line by line.
    #[track_caller]
    fn agrees(&self, target: &str, ticks: u32, answers: &str) {
        let expected = subject::lines(self, ticks);
        let answers: Vec<&str> = answers.lines().map(|line| line.trim_end_matches(['.', '\r'])).collect();
        for (i, line) in expected.iter().enumerate() {
            let found = answers.get(i).copied().unwrap_or("nothing more");
            assert_eq!(found, line, "{target}: the first line that differs");
        }
        assert_eq!(answers.len(), expected.len(), "{target}: {:?}", answers.last());
    }
}

/// Whether a tool is there. In a check on a change, where `CI` is set, it has to be.
fn there(tool: &str) -> bool {
    let found = Command::new(tool).arg("--version").output().is_ok();
    assert!(found || std::env::var_os("CI").is_none(), "`{tool}` is missing; sh tests/all.sh installs it");
    if !found {
        eprintln!("SKIPPED: `{tool}` is not on this machine, so its target is not proven here");
    }
    found
}

/// Runs a command to its end; what it printed.
#[track_caller]
fn run(program: &str, arguments: &[&str], folder: &Path) -> String {
    let output = Command::new(program).args(arguments).current_dir(folder).output().expect("it starts");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{program} {arguments:?}: {}\n{text}{said}", output.status);
    text + &said
}
