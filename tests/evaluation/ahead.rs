//! What a feeler, and a memory of the way, are worth to exported C in an independent world with obstacles.

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

/// Gear by gear up when fast, down on a stall; with a feeler not into top gear, and out of it, before a strike.
fn table(seeing: bool) -> LookupTable {
    let axis = |feature, edges: &[i16]| TableAxis { feature, edges: edges.to_vec() };
    let mut axes = vec![
        axis(Feature::Gear, &[1, 2]),
        axis(Feature::SpeedRatio, &[760]),
        axis(Feature::Stalled, &[2]),
        axis(Feature::SinceFailed, &[20]),
        axis(Feature::StrikeClass, &[2]),
    ];
    if !seeing {
        axes.pop();
    }
    let cells: usize = axes.iter().map(TableAxis::bins).product();
    let strikes = if seeing { 2 } else { 1 };
    let requests: Vec<Request> = (0..cells)
        .map(|cell| {
            let (strike, cell) = (cell % strikes == 1, cell / strikes);
            let [waited, stalled, fast, gear] = [cell % 2, cell / 2 % 2, cell / 4 % 2, cell / 8];
            match (stalled, gear) {
                (1, _) => Request::Down,
                (_, 2) if strike => Request::Down,
                (_, 1) if strike => Request::Hold,
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
    let (table, settings) = (table(false), vehicle.controller_settings());
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

#[test]
fn a_table_with_a_feeler_stands_less_in_an_independent_world_with_obstacles() {
    if !tools() {
        return;
    }
    let cart = repository().join("configs/vehicles/demo-cart-feeler.toml");
    let settings = load::<VehicleConfig>(&cart).unwrap().controller_settings();
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("ahead");
    std::fs::create_dir_all(&folder).unwrap();
    let controllers = [("blind", false), ("seeing", true)].map(|(name, seeing)| {
        let header = folder.join(format!("{name}.h"));
        std::fs::write(&header, source(Format::C, &table(seeing), &settings, "lowgear").unwrap()).unwrap();
        format!("{name}={}", header.display())
    });
    let mut arguments = vec![cart.as_os_str(), folder.as_os_str(), "24".as_ref()];
    arguments.extend(controllers.iter().map(OsStr::new));
    let rows = said("ahead.py", &arguments);
    let figure = |row: usize, key: &str| rows[row][key].as_f64().unwrap();
    assert!((0..2).all(|row| figure(row, "finished") >= 23.0), "{rows:?}");
    assert!(figure(1, "standing_ticks") < 0.7 * figure(0, "standing_ticks"), "{rows:?}");
    assert!((30.0..200.0).contains(&figure(0, "time_s")), "15 m with first gear at some 0.05 m/s: {rows:?}");
}
