//! Motor heat in two bodies.

use super::check_values::{built, case, close, ground, number, numbers, reference};
use lowgear_env::motion::{Plant, Track};
use lowgear_env::vehicle::{COPPER_PER_K, HeatStep, TemperatureRise, time_constants_s};

/// The eigenvalues of the two-body system, not the products of resistance and capacity.
#[test]
fn the_time_constants_are_the_eigenvalues() {
    let expected = numbers(&case("heat"), "time_constants_s");
    let got = time_constants_s(&reference().motor.heat);
    close(got[0], expected[0], 1e-12, "fast");
    close(got[1], expected[1], 1e-12, "slow");
}

/// Closed form at 6.75 W; the step is exact, so its length does not matter.
#[test]
fn constant_loss_warms_both_bodies_as_the_closed_form_says() {
    let expected = case("heat");
    let times = numbers(&expected["inputs"], "times_s");
    for (time, temperature_rise) in times.iter().zip(expected["rise_winding_housing_K"].as_array().unwrap()) {
        for steps in [1, 7] {
            let step = HeatStep::new(&reference().motor.heat, time / f64::from(steps));
            let mut got = TemperatureRise::default();
            for _ in 0..steps {
                got = step.advance(got, 6.75, 0.0);
            }
            close(got.winding_k, temperature_rise[0].as_f64().unwrap(), 1e-10, "winding");
            close(got.housing_k, temperature_rise[1].as_f64().unwrap(), 1e-10, "housing");
        }
    }
}

/// ODE with copper's temperature coefficient (SciPy DOP853, rtol 1e-11). The loss is held over a tick of
/// 50 ms: a lag of half a tick, 25 ms of the 28 s time constant, 1e-3 of the slope at the start and less later.
#[test]
fn a_warm_winding_warms_faster() {
    let expected = case("heat");
    let (winding, housing) =
        (numbers(&expected, "rise_winding_with_tempco_K"), numbers(&expected, "rise_housing_with_tempco_K"));
    let tick_s = 0.05;
    let step = HeatStep::new(&reference().motor.heat, tick_s);
    let (mut temperature_rise, mut tick) = (TemperatureRise::default(), 0);
    for (i, time) in numbers(&expected["inputs"], "times_s").into_iter().enumerate() {
        while f64::from(tick) * tick_s < time - 1e-9 {
            temperature_rise =
                step.advance(temperature_rise, 6.75 * (1.0 + COPPER_PER_K * temperature_rise.winding_k), 0.0);
            tick += 1;
        }
        close(temperature_rise.winding_k, winding[i], 1e-3, "winding");
        close(temperature_rise.housing_k, housing[i], 1e-3, "housing");
    }
}

/// ODE: a motor stalled on its supply, current falling as the winding warms, takes this long to rise by 100 K.
/// One tick of 50 ms and the lag above: 1e-3.
#[test]
fn a_stalled_motor_takes_as_long_to_warm_by_100_k_as_the_ode_says() {
    let vehicle = built(&reference());
    let track = Track::new(ground(0.03, 1.5, 30.0), &vehicle);
    let mut plant = Plant::new(&vehicle, &track, 2);
    let mut ticks = 0;
    while plant.temperature_rise.winding_k < 100.0 {
        let before = plant.energies.heat();
        plant.advance(&vehicle, &track, vehicle.tick_s, 1.0);
        plant.update_thermal_tick(&vehicle, before);
        ticks += 1;
    }
    let expected = number(&case("heat")["stall"], "ode_time_to_100K_with_tempco_at_constant_supply_s");
    close(f64::from(ticks) * vehicle.tick_s, expected, 1e-3, "time to 100 K");
}

/// Winding rise at a constant current after some hours, K; the loss follows the winding, tick by tick.
fn after_hours_k(current_a: f64, tempco: f64) -> TemperatureRise {
    let step = HeatStep::new(&reference().motor.heat, 1.0);
    let cold_w = 3.0 * current_a * current_a;
    (0..20 * 3600).fold(TemperatureRise::default(), |temperature_rise, _| {
        step.advance(temperature_rise, cold_w * (1.0 + tempco * temperature_rise.winding_k), 0.0)
    })
}

/// Closed form `x / (1 - alpha x)` with `x` the rise without the coefficient; 20 h are 27 of its time constants,
/// which the coefficient stretches threefold at most.
#[test]
fn a_constant_current_warms_to_the_steady_rise_of_the_closed_form() {
    let expected = case("steady_heat");
    for (tempco, winding, housing) in [
        (0.0, "steady_rise_winding_K", "steady_rise_housing_K"),
        (
            COPPER_PER_K,
            "steady_rise_winding_with_copper_tempco_K",
            "steady_rise_housing_with_copper_tempco_K",
        ),
    ] {
        let temperature_rise = after_hours_k(1.5, tempco);
        close(temperature_rise.winding_k, number(&expected, winding), 1e-6, winding);
        close(temperature_rise.housing_k, number(&expected, housing), 1e-6, housing);
    }
}

/// Closed form: above `sqrt(1 / (alpha R0 (R_wh + R_ha)))` there is no steady rise. A tenth below the limit the
/// rise ends at `x / (1 - alpha x)` with `alpha x` of 0.81, a tenth above it is past any bound.
#[test]
fn above_the_runaway_current_the_winding_warms_without_end() {
    let limit_a = number(&case("steady_heat"), "thermal_runaway_current_A");
    let below = after_hours_k(0.9 * limit_a, COPPER_PER_K).winding_k;
    close(below, 0.81 / (1.0 - 0.81) / COPPER_PER_K, 1e-6, "below the limit");
    let above = after_hours_k(1.1 * limit_a, COPPER_PER_K).winding_k;
    assert!(above > 1e5, "{above} K");
}
