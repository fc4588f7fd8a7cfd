//! What a feeler, a gyroscope and a memory of the way are worth to exported C in an independent world with obstacles.

use crate::sandbox::repository;
use lowgear_agents::table::{LookupTable, Provenance, TableAxis};
use lowgear_env::config::load;
use lowgear_env::vehicle::{LapAdvice, VehicleConfig};
use lowgear_firmware::{Format, laps_sources, source, source_with_laps};
use lowgear_onboard::{Feature, Request};
use serde_json::Value;
use std::ffi::OsStr;
use std::path::Path;
use std::process::Command;

/// What a table does before a strike.
#[derive(Clone, Copy)]
enum Strikes {
    Ignored,
    /// From this class on not into top gear, and out of it.
    OutOfTopGear(i16),
    /// From this class on not up.
    NotUp(i16),
}

/// Gear by gear up when fast, down on a stall.
fn table(known: Strikes) -> LookupTable {
    let axis = |feature, edges: &[i16]| TableAxis { feature, edges: edges.to_vec() };
    let mut axes = vec![
        axis(Feature::Gear, &[1, 2]),
        axis(Feature::SpeedRatio, &[760]),
        axis(Feature::Stalled, &[2]),
        axis(Feature::SinceFailed, &[20]),
    ];
    let class = match known {
        Strikes::Ignored => None,
        Strikes::OutOfTopGear(class) | Strikes::NotUp(class) => Some(class),
    };
    axes.extend(class.map(|class| axis(Feature::StrikeClass, &[class])));
    let cells: usize = axes.iter().map(TableAxis::bins).product();
    let strikes = if class.is_some() { 2 } else { 1 };
    let leaves_top = matches!(known, Strikes::OutOfTopGear(_));
    let requests: Vec<Request> = (0..cells)
        .map(|cell| {
            let (strike, cell) = (cell % strikes == 1, cell / strikes);
            let [waited, stalled, fast, gear] = [cell % 2, cell / 2 % 2, cell / 4 % 2, cell / 8];
            match (stalled, gear) {
                (1, _) => Request::Down,
                (_, 2) if strike && leaves_top => Request::Down,
                (_, 1) if strike => Request::Hold,
                (_, 0) if strike && !leaves_top => Request::Hold,
                _ if fast == 1 && waited == 1 => Request::Up,
                _ => Request::Hold,
            }
        })
        .collect();
    LookupTable::from_requests(axes, &requests, Provenance::default()).unwrap()
}

/// Whether there is what the world needs.
fn tools() -> bool {
    let there = ["python3", "cc"].iter().all(|tool| Command::new(tool).arg("--version").output().is_ok());
    assert!(there || std::env::var_os("CI").is_none(), "needs python3 and a C compiler");
    if !there {
        println!("SKIPPED: needs python3 and a C compiler");
    }
    there
}

/// What a program of the world prints, line by line.
fn said(program: &str, arguments: &[&OsStr]) -> Vec<Value> {
    let mut python = Command::new("python3");
    python.env("PYTHONDONTWRITEBYTECODE", "1").arg(repository().join("tests/sysid").join(program));
    let out = python.args(arguments).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let said = String::from_utf8(out.stdout).unwrap();
    println!("{said}");
    said.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn exported_c_that_learns_its_way_is_faster_in_an_independent_world() {
    if !tools() {
        return;
    }
    let cart = repository().join("configs/vehicles/demo-cart-feeler.toml");
    let vehicle = load::<VehicleConfig>(&cart).unwrap();
    let (table, settings) = (table(Strikes::Ignored), vehicle.controller_settings());
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("laps");
    std::fs::create_dir_all(&folder).unwrap();
    let header = source_with_laps(Format::C, &table, &settings, "lowgear").unwrap();
    std::fs::write(folder.join("lowgear.h"), header).unwrap();
    let laps = vehicle.lap_settings(LapAdvice::Early);
    for (name, text) in laps_sources(&[Format::C], &table, &settings, &laps, "lowgear").unwrap() {
        std::fs::write(folder.join(name), text).unwrap();
    }
    let rows = said("laps.py", &[cart.as_os_str(), folder.as_os_str(), "10".as_ref(), folder.as_os_str()]);
    let figure = |key: &str| rows[0][key].as_f64().unwrap();
    // Of 80 laps after those of learning; the gain is some five standard errors of so few ways.
    assert!(rows[0]["finished"][0].as_u64().unwrap() >= 72);
    assert!(figure("gain_percent") > 2.0 * figure("standard_error"), "{rows:?}");
    let first = figure("first_lap_gain_percent").abs();
    assert!(first < 0.5, "the control, a lap on which nothing is known: {first} %");
}

/// What two tables do that differ in strikes alone: one does not know them.
fn compared(vehicle: &str, known: Strikes) -> Vec<Value> {
    let cart = repository().join("configs/vehicles").join(format!("{vehicle}.toml"));
    let settings = load::<VehicleConfig>(&cart).unwrap().controller_settings();
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(vehicle);
    std::fs::create_dir_all(&folder).unwrap();
    let controllers = [("blind", Strikes::Ignored), ("seeing", known)].map(|(name, known)| {
        let header = folder.join(format!("{name}.h"));
        std::fs::write(&header, source(Format::C, &table(known), &settings, "lowgear").unwrap()).unwrap();
        format!("{name}={}", header.display())
    });
    let mut arguments = vec![cart.as_os_str(), folder.as_os_str(), "24".as_ref()];
    arguments.extend(controllers.iter().map(OsStr::new));
    said("ahead.py", &arguments)
}

/// Figures of the table that does not know strikes and of the one that does; both finish.
fn figures(rows: &[Value], key: &str) -> [f64; 2] {
    assert!(rows.iter().all(|row| row["finished"].as_f64().unwrap() >= 23.0), "{rows:?}");
    [0, 1].map(|row| rows[row][key].as_f64().unwrap())
}

#[test]
fn a_table_with_a_feeler_stands_less_in_an_independent_world_with_obstacles() {
    if !tools() {
        return;
    }
    let rows = compared("demo-cart-feeler", Strikes::OutOfTopGear(2));
    let [blind, seeing] = figures(&rows, "standing_ticks");
    assert!(seeing < 0.7 * blind, "{rows:?}");
    let [blind_s, _] = figures(&rows, "time_s");
    assert!((30.0..200.0).contains(&blind_s), "15 m with first gear at some 0.05 m/s: {rows:?}");
}

#[test]
fn the_compiled_slot_expects_what_the_rear_axle_strikes_in_an_independent_world() {
    if !tools() {
        return;
    }
    let rows = compared("demo-cart-gyro", Strikes::NotUp(3));
    let [blind, seeing] = figures(&rows, "expected_percent");
    assert!(seeing > 70.0 && blind == 0.0, "{rows:?}");
    let [blind_s, seeing_s] = figures(&rows, "time_s");
    assert!(seeing_s < 1.01 * blind_s, "{rows:?}");
}
