//! Rainflow counting and the damage sum.

use super::check_values::{case, close, number, numbers};
use lowgear_env::stress::{Cycle, LifeCurve, Miner, Rainflow, Stress};

fn count(history: &[f64]) -> Vec<Cycle> {
    let mut cycles = Vec::new();
    let mut counter = Rainflow::new(0.0);
    for &value in history {
        counter.push(value, |cycle| cycles.push(cycle));
    }
    counter.residue(|cycle| cycles.push(cycle));
    cycles
}

/// ASTM E1049-85 (2017), section 5.4.4, worked example; means too. Integers: exact.
#[test]
fn the_worked_example_of_the_standard_comes_out() {
    let expected = case("rainflow_astm");
    let mut got: Vec<[f64; 3]> =
        count(&numbers(&expected, "turning_points")).iter().map(|c| [c.range, c.mean, c.count]).collect();
    got.sort_by(|a, b| a.partial_cmp(b).unwrap());
    let mut listed: Vec<[f64; 3]> = Vec::new();
    for row in expected["cycles_range_mean_count"].as_array().unwrap() {
        let row: Vec<f64> = row.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
        listed.push([row[0], row[1], row[2]]);
    }
    listed.sort_by(|a, b| a.partial_cmp(b).unwrap());
    assert_eq!(merged(&got), merged(&listed));
}

/// Rows of equal range and mean, counts added.
fn merged(rows: &[[f64; 3]]) -> Vec<[f64; 3]> {
    let mut out: Vec<[f64; 3]> = Vec::new();
    for row in rows {
        match out.last_mut() {
            Some(last) if last[0] == row[0] && last[1] == row[1] => last[2] += row[2],
            _ => out.push(*row),
        }
    }
    out
}

/// 200 random points; own code and PyPI `rainflow` 3.x agree on them.
#[test]
fn a_random_history_counts_like_the_independent_package() {
    let expected = case("rainflow_random");
    let cycles = count(&numbers(&expected, "signal"));
    assert_eq!(cycles.iter().map(|c| c.count).sum::<f64>(), number(&expected, "total_cycles"));
    let largest = cycles.iter().map(|c| c.range).fold(0.0, f64::max);
    close(largest, number(&expected, "max_range"), 1e-12, "largest range");
    for slope in ["3", "6", "9"] {
        let m: i32 = slope.parse().unwrap();
        let sum: f64 = cycles.iter().map(|c| c.count * (0.5 * c.range).powi(m)).sum();
        close(sum, number(&expected["sum_n_amplitude_pow_m"], slope), 1e-12, "damage sum");
    }
}

fn curve(miner: Miner) -> LifeCurve {
    let given = case("miner");
    LifeCurve {
        knee_torque_nm: number(&given, "knee_torque_Nm"),
        knee_cycles: number(&given, "knee_cycles"),
        slope: number(&given, "slope_m"),
        miner,
    }
}

/// Closed form, Palmgren-Miner with the three rules below the knee.
#[test]
fn the_damage_sum_follows_each_rule_below_the_knee() {
    let given = case("miner");
    for (miner, key, row_key) in [
        (Miner::Original, "sum_original", "damage_original_miner"),
        (Miner::Elementary, "sum_elementary", "damage_elementary_miner"),
        (Miner::Haibach, "sum_haibach", "damage_haibach"),
    ] {
        let mut sum = 0.0;
        for row in given["rows"].as_array().unwrap() {
            let damage = number(row, "cycles") * curve(miner).damage_per_cycle(number(row, "torque_Nm"));
            close(damage, number(row, row_key), 1e-12, row_key);
            sum += damage;
        }
        close(sum, number(&given, key), 1e-12, key);
    }
}

/// A stream of pulses of the spectrum through the counter gives the same sum: one cycle a pulse.
#[test]
fn pulses_through_the_counter_add_up_to_the_damage_sum() {
    let curve = curve(Miner::Haibach);
    let mut stress = Stress::new(curve, 0.0);
    stress.push(0.0);
    let mut expected = 0.0;
    for (torque, pulses) in [(1.0, 20), (0.8, 100), (0.6, 500), (0.4, 5000)] {
        for _ in 0..pulses {
            stress.push(torque);
            stress.push(0.0);
        }
        expected += f64::from(pulses) * curve.damage_per_cycle(torque);
    }
    close(stress.total(), expected, 1e-9, "damage");
}

/// Fact of the trade: with slope 6 half the torque does a 64th of the damage.
#[test]
fn half_the_torque_does_a_64th_of_the_damage() {
    let curve = LifeCurve { knee_torque_nm: 0.5, knee_cycles: 1e6, slope: 6.0, miner: Miner::Elementary };
    close(curve.damage_per_cycle(0.8) / curve.damage_per_cycle(0.4), 64.0, 1e-12, "ratio");
}

/// Closed form: at this torque as many cycles as the whole spectrum has do the same damage.
#[test]
fn the_equivalent_torque_does_the_damage_of_the_spectrum() {
    let given = case("miner");
    let cycles: f64 = given["rows"].as_array().unwrap().iter().map(|row| number(row, "cycles")).sum();
    let each = curve(Miner::Elementary).damage_per_cycle(number(&given, "equivalent_torque_all_cycles_Nm"));
    close(cycles * each, number(&given, "sum_elementary"), 1e-12, "damage");
}
