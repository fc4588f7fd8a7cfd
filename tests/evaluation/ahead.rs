//! What a feeler is worth to exported C in an independent world with obstacles.

use crate::sandbox::repository;
use lowgear_agents::table::{LookupTable, Provenance, TableAxis};
use lowgear_env::config::load;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_firmware::{Format, source};
use lowgear_onboard::{Feature, Request};
use serde_json::Value;
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

#[test]
fn a_table_with_a_feeler_stands_less_in_an_independent_world_with_obstacles() {
    if ["python3", "cc"].iter().any(|tool| Command::new(tool).arg("--version").output().is_err()) {
        assert!(std::env::var_os("CI").is_none(), "needs python3 and a C compiler");
        println!("SKIPPED: needs python3 and a C compiler");
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
    let program = repository().join("tests/sysid/ahead.py");
    let mut python = Command::new("python3");
    python.env("PYTHONDONTWRITEBYTECODE", "1").arg(program).arg(&cart).arg(&folder).arg("24");
    let out = python.args(&controllers).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let said = String::from_utf8(out.stdout).unwrap();
    println!("{said}");
    let rows: Vec<Value> = said.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let figure = |row: usize, key: &str| rows[row][key].as_f64().unwrap();
    assert!((0..2).all(|row| figure(row, "finished") >= 23.0), "{said}");
    assert!(figure(1, "standing_ticks") < 0.7 * figure(0, "standing_ticks"), "{said}");
    assert!((30.0..200.0).contains(&figure(0, "time_s")), "15 m with first gear at some 0.05 m/s: {said}");
}
