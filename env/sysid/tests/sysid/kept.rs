//! What the logs cannot tell keeps its start value, whatever it went through on the way to the solution.

use super::python;
use super::recovered::fitted;
use lowgear_env::config::load;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_sysid::sheet::Sheet;

/// A vehicle as its owner knows it before the first run.
pub(super) fn from_the_sheet() -> VehicleConfig {
    let sheet: Sheet = load(&python::repository().join("configs/sheets/seed-tray-cart.toml")).unwrap();
    sheet.vehicle().unwrap().0
}

#[test]
fn what_the_logs_cannot_tell_keeps_its_start_value_in_the_file_and_in_words() {
    if !python::there() {
        return;
    }
    let (start, folder) = (from_the_sheet(), python::folder("kept"));
    let vehicle = python::repository().join("configs/vehicles/demo-cart.toml");
    let mut kept = 0;
    let seeds = [5001, 5002, 5004, 5006];
    let places = python::logs("world.py", &["log", vehicle.to_str().unwrap()], &folder, seeds.into_iter());
    for (seed, place) in seeds.into_iter().zip(places) {
        let found = fitted(&start, &place.join("log.csv"));
        let (written, report) = (found.vehicle(&start), found.findings(""));
        let text = found.vehicle_text(&start, &[], "").unwrap();
        let again: VehicleConfig = lowgear_env::config::parse(&text, &place).unwrap();
        assert_eq!(again, written, "the file says what was fitted");
        for (key, before, after) in [
            ("efficiency", &start.gearbox.efficiency, &written.gearbox.efficiency),
            ("back-efficiency", &start.gearbox.back_efficiency, &written.gearbox.back_efficiency),
        ] {
            for gear in 0..before.len() {
                let name = format!("{key}, gear {}", gear + 1);
                let Some(held) = found.held.iter().find(|h| h.name == name) else { continue };
                assert_eq!(held.value.to_bits(), before[gear].to_bits(), "cart {seed}: {name}");
                assert_eq!(after[gear].to_bits(), before[gear].to_bits(), "cart {seed}: {name} in the file");
                assert!(report.contains(&format!("{name}: {} (", before[gear])), "cart {seed}: {report}");
                kept += 1;
            }
        }
        std::fs::remove_dir_all(&place).unwrap();
    }
    assert!(kept >= 4, "{kept} values kept");
}
