//! Logs of broken, swapped and mis-scaled sensors are refused with the reason, given values that contradict readings are reported, and a
//! healthy log meets neither.

use super::python;
use super::recovered::{cart, fitted_with};
use lowgear_env::config::load;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_sysid::fit::{Conditions, Fit, GivenErrors, Surfaces, fit, still_rad_s};
use lowgear_sysid::log::{LogReader, Mapping};
use lowgear_sysid::plausibility::Plausibility;
use lowgear_sysid::runs::{Collected, Collector, Limits};
use lowgear_sysid::validate::compare;
use std::path::Path;

/// A log with a distance column; `test` keeps tests that run side by side apart.
fn log_of(test: &str, vehicle: &str, seed: usize) -> String {
    let folder = python::folder(&format!("doubted-{test}-{seed}"));
    let file = python::repository().join(vehicle);
    let place = &python::logs("world.py", &["way", file.to_str().unwrap()], &folder, seed..seed + 1)[0];
    let text = std::fs::read_to_string(place.join("log.csv")).unwrap();
    std::fs::remove_dir_all(&folder).unwrap();
    text
}

/// The log with a column changed; rows are counted from 0.
fn changed(log: &str, column: &str, change: impl Fn(usize, f64) -> f64) -> String {
    let mut lines = log.lines();
    let heading = lines.next().unwrap();
    let at = heading.split(',').position(|h| h == column).unwrap();
    let mut out = heading.to_owned() + "\n";
    for (row, line) in lines.enumerate() {
        let mut fields: Vec<String> = line.split(',').map(str::to_owned).collect();
        if let Ok(value) = fields[at].parse() {
            fields[at] = change(row, value).to_string();
        }
        out += &(fields.join(",") + "\n");
    }
    out
}

fn collected(start: &VehicleConfig, log: &str) -> Collected {
    let mut collector = Collector::new(start, Limits::default(), None, still_rad_s(start));
    let mut reader = LogReader::new(log.as_bytes(), Path::new("log.csv"), &Mapping::default()).unwrap();
    collector.read(&mut reader, |_| {}).unwrap();
    collector.finish()
}

fn fit_to(start: &VehicleConfig, log: &str) -> Fit {
    fit(start, &collected(start, log), Conditions::default(), |_| {}).unwrap()
}

const SPEED: &str = "motor_speed_rad_s";
const VOLTS: &str = "battery_voltage_v";
const AMPS: &str = "motor_current_a";

/// A column, what becomes of its readings, and words of the reason.
type Broken = (&'static str, fn(usize, f64) -> f64, &'static [&'static str]);

const BEFORE_A_FIT: &[Broken] = &[
    (SPEED, |_, _| 0.0, &["encoder stays at 0", "wheels-off"]),
    (SPEED, |row, v| if row < 100 { v } else { 0.0 }, &["encoder stays at 0"]),
    (SPEED, |row, v| if row < 2000 { v } else { 0.0 }, &["encoder stays at 0", "lawn"]),
    (SPEED, |_, v| v * 9.549_3, &["rpm"]),
    (SPEED, |_, v| v * 57.296, &["degrees per second"]),
    (SPEED, |_, v| v / std::f64::consts::TAU, &["turns per second"]),
    (VOLTS, |_, _| 0.0, &["0 V at rest"]),
    (VOLTS, |row, v| if row < 100 { v } else { 7.8 }, &["battery voltage stays at 7.8", "dead"]),
    (VOLTS, |_, v| v * 10.0, &["V at rest", "tenths"]),
    (AMPS, |_, _| 0.0, &["motor current stays at 0", "dead"]),
    (AMPS, |row, v| if row < 100 { v } else { 0.02 }, &["motor current stays at 0.02", "line"]),
    (AMPS, |_, v| v * 1000.0, &["mA"]),
    (AMPS, |_, v| v * 0.001, &["where thousandths"]),
    (AMPS, |_, v| -v, &["wrong way round"]),
    ("tilt_deg", |_, v| -v, &["tilt", "wrong way round"]),
    ("tilt_deg", |_, v| v / 57.3, &["tilt", "radians"]),
    ("tilt_deg", |_, v| v * 10.0, &["tilt_ddeg"]),
    ("duty", |_, v| v / 100.0, &["duty", "percent"]),
    ("distance_m", |_, v| v * 1000.0, &["millimetres"]),
];

const AFTER_A_FIT: &[Broken] = &[
    (AMPS, |_, v| v * 2.0, &["resistance-ohm (winding) moved"]),
    (SPEED, |_, v| v * 0.5, &["emf-constant-v-s moved"]),
];

#[test]
fn broken_and_mis_scaled_sensors_are_refused_with_their_reason() {
    if !python::there() {
        return;
    }
    let (start, log) = (cart(), log_of("broken", "configs/vehicles/demo-cart.toml", 5001));
    for (column, change, words) in BEFORE_A_FIT {
        let runs = collected(&start, &changed(&log, column, change)).runs;
        let refused = Plausibility::of(&start, &runs).refused.join("\n");
        for word in *words {
            assert!(refused.contains(word), "{column}: no {word:?} in {refused:?}");
        }
    }
    for (column, change, words) in AFTER_A_FIT {
        let found = fit_to(&start, &changed(&log, column, change));
        let refused = found.plausibility.refused.join("\n");
        for word in *words {
            assert!(refused.contains(word), "{column}: no {word:?} in {refused:?}");
        }
        assert!(found.findings("").starts_with("MISFIT: "), "{}", found.findings(""));
    }
}

#[test]
fn given_values_that_contradict_readings_are_told_first() {
    if !python::there() {
        return;
    }
    let (start, log) = (cart(), log_of("given", "configs/vehicles/demo-cart.toml", 5001));
    let found = fit_to(&start, &log);
    assert_eq!(found.plausibility, Plausibility::default());
    assert_eq!(found.pulls.len(), 2, "each stall pull is listed");
    let report = found.findings("");
    assert!(report.contains("N measured") && report.contains("Ramp labelled 5°"), "{report}");
    let own = found.vehicle(&start);

    let short = changed(&log, "distance_m", |_, v| 0.8 * v);
    let report = fit_to(&start, &short).findings("");
    assert!(report.starts_with("CONTRADICTION: the distance column has -20.0 %"), "{report}");
    assert!(report.contains("`wheel-radius-m` = 0.024"), "{report}");
    let surfaces = |found: &Fit| found.surfaces.clone();
    let validation = compare(&own, &surfaces(&found), &collected(&own, &short).runs, 20.0);
    assert!(validation.text().starts_with("CONTRADICTION: the distance column"), "{}", validation.text());
    assert!(validation.trust().unwrap() > 0.1, "{}", validation.text());
    let validation = compare(&own, &surfaces(&found), &collected(&own, &log).runs, 20.0);
    assert!(
        validation.plausibility == Plausibility::default() && validation.trust().unwrap() < 0.02,
        "{}",
        validation.text()
    );

    let mut wrong = start.clone();
    wrong.chassis.wheel_radius_m *= 1.1;
    let report = fit_to(&wrong, &log).plausibility.contradictions.join("\n");
    assert!(report.contains("distance column has -9.1 %") && report.contains("= 0.03 instead"), "{report}");
    assert!(report.contains("stall pull at line"), "{report}");

    wrong = start.clone();
    wrong.chassis.mass_kg *= 1.2;
    let found = fit_to(&wrong, &log);
    let report = found.plausibility.contradictions.join("\n");
    for word in ["stall pull at line", "mass-kg = 6 contradicts", "most of all those of stall-pull"] {
        assert!(report.contains(word), "no {word:?} in {report}");
    }
    let own = found.vehicle(&wrong);
    let validation = compare(&own, &surfaces(&found), &collected(&own, &log).runs, 20.0);
    assert!(validation.text().starts_with("CONTRADICTION: the stall pull"), "{}", validation.text());
    assert!(validation.text().contains("N measured"), "{}", validation.text());
}

#[test]
fn healthy_logs_of_any_vehicle_are_not_refused() {
    if !python::there() {
        return;
    }
    for vehicle in ["demo-cart", "compost-tractor", "watering-barrow"] {
        let file = format!("configs/vehicles/{vehicle}.toml");
        let start: VehicleConfig = load(&python::repository().join(&file)).unwrap();
        for seed in 1..=if vehicle == "demo-cart" { 2 } else { 1 } {
            let folder = python::folder("healthy");
            let place = folder.join(format!("{vehicle}-{seed}.csv"));
            std::fs::write(&place, log_of("healthy", &file, seed)).unwrap();
            let found = fitted_with(&start, &place, GivenErrors::default());
            assert!(
                found.plausibility.refused.is_empty(),
                "{vehicle}, cart {seed}: {:?}",
                found.plausibility
            );
            // The others have wheels that slip and readings that come late, which that world has not.
            assert!(
                vehicle != "demo-cart" || found.plausibility.contradictions.is_empty(),
                "cart {seed}: {:?}",
                found.plausibility
            );
            std::fs::remove_file(&place).unwrap();
        }
    }
    let none = Surfaces::new(vec![]);
    assert_eq!(compare(&cart(), &none, &[], 20.0).plausibility, Plausibility::default());
}
