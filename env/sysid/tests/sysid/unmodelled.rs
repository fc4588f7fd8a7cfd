//! Logs of carts whose physics the simulator does not have (`tests/sysid/unmodelled.py`): the intervals still hold the true values, and the
//! test of lack of fit names what is missing.
//!
//! Measured figures are in the README of this crate; `LOWGEAR_FITS` asks for more carts, `LOWGEAR_FITS_FROM` for another first one.

use super::python;
use super::recovered::{Counted, cart, fitted_with, serde_like, truth};
use lowgear_sysid::fit::GivenErrors;

/// Carts of each sort, unless the environment asks for another number.
const CARTS: usize = 2;

/// What a cart has, and how often the intervals of its fits have to hold the true values, percent.
const EFFECTS: [(&str, usize); 7] = [
    ("none", 90),
    ("slip", 75),
    ("backlash", 75),
    ("static-friction", 75),
    ("slow-battery", 75),
    ("diode", 75),
    ("all", 75),
];

#[test]
fn intervals_hold_where_the_vehicle_is_not_the_model() {
    if !python::there() {
        return;
    }
    let asked = |name: &str| std::env::var(name).ok().and_then(|n| n.parse::<usize>().ok());
    let (carts, from) = (asked("LOWGEAR_FITS").unwrap_or(CARTS), asked("LOWGEAR_FITS_FROM").unwrap_or(0));
    let (start, folder) = (cart(), python::folder("unmodelled"));
    let vehicle = python::repository().join("configs/vehicles/demo-cart.toml");
    for (effect, least) in EFFECTS {
        let (mut all, mut before) = (Counted::default(), Counted::default());
        for seed in from..from + carts {
            let place = folder.join(format!("{effect}-{seed}"));
            let (seed, out) = (seed.to_string(), place.to_str().unwrap());
            let flat = python::run("unmodelled.py", &[vehicle.to_str().unwrap(), effect, &seed, out]);
            let true_values = serde_like::Value::read(&flat);
            let found = fitted_with(&start, &place.join("log.csv"), GivenErrors::EXACT);
            std::fs::remove_dir_all(&place).unwrap();
            for estimate in &found.estimates {
                let exact = truth(&true_values, &estimate.parameter, &found.surfaces.names);
                let z = (estimate.value - exact) / estimate.error;
                all.take(z);
                before.take((estimate.value - exact) / estimate.readings_error);
                if z.abs() > 1.96 {
                    println!(
                        "{effect}, cart {seed}: {} is {exact:.5e}, found {:.5e} ± {:.1e} ({z:+.1})",
                        estimate.name, estimate.value, estimate.error
                    );
                }
            }
            println!("{effect}, cart {seed}: {:?} {:?}", found.plausibility, found.lack_of_fit);
            println!(
                "{effect}, cart {seed}: beyond four standard deviations {:.2} %",
                100.0 * found.outlying
            );
        }
        println!("{effect}: {}; by the readings alone {}", all.text(), before.text());
        assert!(all.inside * 100 >= all.fits * least, "{effect}: {}", all.text());
    }
}
