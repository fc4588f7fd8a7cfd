//! The owner's own way: a sheet with readings of scales and ruler, a log after the recipes, a fit. The intervals hold what was not measured
//! or measured badly (`tests/sysid/world.py sheet`).
//!
//! Measured figures are in tests/benches/README.md; `LOWGEAR_FITS` asks for more fits, `LOWGEAR_FITS_FROM` for another first cart.

use super::python;
use super::recovered::{Counted, fitted, truth};
use lowgear_env::config::load;
use lowgear_sysid::sheet::Sheet;
use std::collections::BTreeMap;

/// Fits, unless the environment asks for another number.
const FITS: usize = 6;

#[test]
fn from_a_sheet_the_intervals_hold_what_was_not_known() {
    if !python::there() {
        return;
    }
    let asked = |name: &str| std::env::var(name).ok().and_then(|n| n.parse::<usize>().ok());
    let (fits, from) = (asked("LOWGEAR_FITS").unwrap_or(FITS), asked("LOWGEAR_FITS_FROM").unwrap_or(0));
    let folder = python::folder("sheeted");
    let file = |name: &str| python::repository().join(name).to_str().unwrap().to_owned();
    let (vehicle, sheet) =
        (file("configs/vehicles/demo-cart.toml"), file("configs/sheets/seed-tray-cart.toml"));
    let mut counted: BTreeMap<String, Counted> = BTreeMap::new();
    let mut assumed = Counted::default();
    let places = python::logs("world.py", &["sheet", &vehicle, &sheet], &folder, from..from + fits);
    for (seed, place) in (from..).zip(places) {
        let true_values = python::true_values(&place);
        let sheet: Sheet = load(&place.join("sheet.toml")).unwrap();
        let found = fitted(&sheet.vehicle().unwrap().0, &place.join("log.csv"));
        std::fs::remove_dir_all(&place).unwrap();
        assert!(found.plausibility.refused.is_empty(), "seed {seed}: {:?}", found.plausibility);
        found.plausibility.contradictions.iter().for_each(|said| println!("seed {seed}: {said}"));
        for estimate in &found.estimates {
            let exact = truth(&true_values, &estimate.parameter, &found.surfaces.names);
            let z = (estimate.value - exact) / estimate.error;
            counted.entry(estimate.name.clone()).or_default().take(z);
            if z.abs() > 1.96 {
                println!(
                    "seed {seed}: {} is {exact:.5e}, found {:.5e} ± {:.1e}",
                    estimate.name, estimate.value, estimate.error
                );
            }
        }
        for estimate in &found.assumed {
            let exact = truth(&true_values, &estimate.parameter, &found.surfaces.names);
            assumed.take((estimate.value / exact).ln() / (estimate.error / estimate.value));
        }
    }
    for (name, of_it) in &counted {
        println!("{name}: {}", of_it.text());
    }
    println!("what was assumed: {}", assumed.text());
    let all = counted.values().fold(Counted::default(), |sum, of_it| sum.with(of_it));
    println!("all together: {} = {:.1} %", all.text(), 100.0 * all.inside as f64 / all.fits as f64);
    assert!(all.fits >= 12 * fits, "{} in {fits} fits", all.fits);
    assert!(all.inside * 100 >= all.fits * 93, "{} inside their 95 % intervals", all.text());
    assert!(assumed.inside * 100 >= assumed.fits * 85, "assumed: {}", assumed.text());
}
