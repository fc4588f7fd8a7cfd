//! Vehicles at the limits that their files allow.

use super::demo_cart::{driven, hold, nominal_cart, scenario, stretch};
use lowgear_env::Cause;
use lowgear_env::config::Spread;

/// Time down a slope with this efficiency both ways in every gear, s.
fn time_down_s(gear: usize, efficiency: f64, back_efficiency: f64) -> f64 {
    let mut cart = nominal_cart();
    cart.gearbox.efficiency.fill(efficiency);
    cart.gearbox.back_efficiency.fill(back_efficiency);
    let slope = scenario(cart, vec![stretch("hard path", 4.0, -6.0)], gear);
    let outcome = driven(&slope, 300.0, hold).outcome();
    assert_eq!(outcome.cause, Cause::Finished, "gear {gear}, {efficiency} and back {back_efficiency}");
    outcome.time_s
}

/// The side of an efficiency of 1 cannot be told by its value: the vehicle then stopped dead.
#[test]
fn an_efficiency_of_one_drives_as_one_of_nearly_one() {
    for gear in 1..=3 {
        for efficiency in [0.5, 0.999_999, 1.0] {
            let nearly_s = time_down_s(gear, efficiency, 0.999_999);
            let one_s = time_down_s(gear, efficiency, 1.0);
            assert!((one_s - nearly_s).abs() < 1e-4 * nearly_s, "gear {gear}: {one_s} s, {nearly_s} s");
        }
    }
}

/// A draw above 1 is capped at 1.
#[test]
fn a_drawn_efficiency_that_is_capped_at_one_drives_on() {
    let mut cart = nominal_cart();
    cart.gearbox.back_efficiency.fill(0.95);
    cart.variation.efficiency_factor = Spread::Fixed(1.06);
    for gear in 1..=3 {
        let slope = scenario(cart.clone(), vec![stretch("hard path", 4.0, -6.0)], gear);
        assert_eq!(driven(&slope, 300.0, hold).outcome().cause, Cause::Finished, "gear {gear}");
    }
}
