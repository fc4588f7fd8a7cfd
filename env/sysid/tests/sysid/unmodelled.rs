//! Logs of carts whose physics the simulator does not have (`tests/sysid/unmodelled.py`): the intervals still hold the true values, and the
//! test of lack of fit names what is missing.
//!
//! Measured figures are in the README of this crate; `LOWGEAR_FITS` asks for more carts, `LOWGEAR_FITS_FROM` for another first one.

use super::python;
use super::recovered::{Counted, cart, fitted_with, truth};
use lowgear_sysid::fit::GivenErrors;

/// Carts of each sort, unless the environment asks for another number.
const CARTS: usize = 2;

/// What a cart has, and how often the intervals of its fits have to hold the true values, percent. By the readings alone it was 11 % with a
/// diode and 21 % with everything.
const EFFECTS: [(&str, usize); 7] = [
    ("none", 90),
    ("slip", 85),
    ("backlash", 80),
    ("static-friction", 85),
    ("slow-battery", 80),
    ("diode", 85),
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
        let mut noticed = 0;
        let (mut all, mut before) = (Counted::default(), Counted::default());
        let made_by = [vehicle.to_str().unwrap(), effect];
        let places = python::logs("unmodelled.py", &made_by, &folder.join(effect), from..from + carts);
        for (seed, place) in (from..).zip(places) {
            let true_values = python::true_values(&place);
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
            noticed += usize::from(found.lacks_fit());
            found.lack_of_fit.iter().for_each(|lack| println!("{effect}, cart {seed}: {lack:?}"));
        }
        println!("{effect}: {}; by the readings alone {}", all.text(), before.text());
        println!("{effect}: noticed on {noticed} of {carts} carts");
        let enough = if effect == "none" { noticed == 0 } else { 2 * noticed >= carts };
        assert!(enough, "{effect}: noticed on {noticed} of {carts} carts");
        assert!(all.inside * 100 >= all.fits * least, "{effect}: {}", all.text());
    }
}
