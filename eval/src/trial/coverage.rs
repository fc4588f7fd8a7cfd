//! How often a trial of two equal policies is wrong, however one stops; 10 000 simulated trials of each kind.
//!
//! Lap by lap: a lap time with noise, in pairs whose order is drawn as in a plan, with a verdict after every pair.

use super::control::adjust;
use super::plan::draw_order;
use super::power::{StoppingTime, critical_values, fixed_power};
use super::result::relative_difference;
use lowgear_env::{Seed, Stream};
use rand::{Rng, RngExt};
use rand_distr::{Distribution, StandardNormal, StudentT};
use rayon::prelude::*;

const TRIALS: u64 = 10_000;
const PAIRS: usize = 120;
const LEVEL: f64 = 0.95;

/// How lap times scatter.
#[derive(Clone, Copy, Debug)]
enum Noise {
    Normal,
    /// Student's t with three degrees of freedom.
    LongTailed,
    /// One lap in ten takes a third longer, as after a stall.
    SlowLaps,
    /// Every lap is 1 % slower than the one before, and the pack is changed after five pairs.
    FallingBattery,
    /// Rounded to ticks of 2.5 % of a lap.
    CoarseClock,
}

impl Noise {
    const ALL: [Noise; 5] =
        [Noise::Normal, Noise::LongTailed, Noise::SlowLaps, Noise::FallingBattery, Noise::CoarseClock];

    /// Time of lap number `lap`, in mean laps.
    fn lap(self, lap: usize, rng: &mut impl Rng) -> f64 {
        let normal: f64 = StandardNormal.sample(rng);
        match self {
            Noise::Normal => 1.0 + 0.02 * normal,
            Noise::LongTailed => {
                let tail: f64 = StudentT::new(3.0).expect("three degrees of freedom").sample(rng);
                (1.0 + 0.02 * tail).max(0.3)
            }
            Noise::SlowLaps => 1.0 + 0.02 * normal + if rng.random_bool(0.1) { 0.33 } else { 0.0 },
            Noise::FallingBattery => (1.0 + 0.01 * (lap % 10) as f64) * (1.0 + 0.02 * normal),
            Noise::CoarseClock => ((1.0 + 0.02 * normal) / 0.025).round() * 0.025,
        }
    }
}

/// Whether a trial of these policies ever comes to a verdict, and which.
fn verdict(noise: Noise, gain: f64, trial: u64, critical: &[f64]) -> Option<(usize, bool)> {
    let mut rng = Seed(41).stream(Stream::Trial, trial);
    let order = draw_order(PAIRS, Seed(41).part(trial));
    let mut watch = StoppingTime::new(critical);
    order.iter().enumerate().find_map(|(pair, second_first)| {
        let first = noise.lap(2 * pair, &mut rng);
        let second = noise.lap(2 * pair + 1, &mut rng);
        let (reference, tested) = if *second_first { (second, first) } else { (first, second) };
        let saved = relative_difference(reference, tested * (1.0 - gain));
        watch.take(saved).map(|faster| (pair + 1, faster))
    })
}

#[test]
fn at_most_one_in_twenty_trials_of_equal_policies_is_ever_wrong() {
    let critical = critical_values(0.5 * (1.0 - LEVEL));
    for noise in Noise::ALL {
        let wrong =
            (0..TRIALS).into_par_iter().filter(|&t| verdict(noise, 0.0, t, &critical).is_some()).count();
        let share = wrong as f64 / TRIALS as f64;
        println!("{noise:?}: {:.2} % of trials wrong within {PAIRS} pairs", 100.0 * share);
        assert!(share <= 1.0 - LEVEL, "{noise:?}: {share}");
    }
}

#[test]
fn most_trials_of_a_better_policy_find_it_and_none_to_speak_of_the_contrary() {
    let critical = critical_values(0.5 * (1.0 - LEVEL));
    // A pair's difference scatters by sqrt(2) times 2 %, so this is an effect of 0.88.
    let found: Vec<(usize, bool)> =
        (0..1000).into_par_iter().filter_map(|t| verdict(Noise::Normal, 0.025, t, &critical)).collect();
    let right = found.iter().filter(|(_, faster)| *faster).count();
    let mut pairs: Vec<usize> = found.iter().map(|(pairs, _)| *pairs).collect();
    pairs.sort_unstable();
    let fixed = (2..PAIRS).find(|&n| fixed_power(n, 0.025 / (0.02 * 2f64.sqrt()), 0.025) >= 0.8);
    println!(
        "{right} of 1000 right; 80 % by {} pairs, the t test of a fixed size needs {fixed:?}",
        pairs[800]
    );
    assert!(right >= 990 && found.len() - right <= 5, "{right} of {}", found.len());
    assert!(pairs[800] <= 30, "{}", pairs[800]);
}

/// A trial in which battery and warmth make every lap slower by an amount that the model knows in part: the pairs' differences
/// and the predicted ones.
fn differences(noise: Noise, conditions: Conditions, gain: f64, trial: u64) -> (Vec<f64>, Vec<Option<f64>>) {
    let mut rng = Seed(43).stream(Stream::Trial, trial);
    let order = draw_order(PAIRS, Seed(43).part(trial));
    let mut charge = 0.0;
    let one = |(pair, second_first): (usize, &bool)| {
        // Laps of [first, second], each with its own state at the start.
        let laps = [2 * pair, 2 * pair + 1].map(|lap| {
            let noisy: f64 = StandardNormal.sample(&mut rng);
            charge =
                if lap % 10 == 0 { 0.0 } else { charge + conditions.fall * (1.0 + 0.5 * noisy).max(0.0) };
            let wrong: f64 = StandardNormal.sample(&mut rng);
            let predicted = 1.0 + conditions.known * charge + conditions.wrong * wrong;
            (noise.lap(lap, &mut rng) * (1.0 + charge), predicted)
        });
        let [(reference, by_model), (tested, of_tested)] =
            if *second_first { [laps[1], laps[0]] } else { laps };
        let saved = relative_difference(reference, tested * (1.0 - gain));
        (saved, Some(relative_difference(by_model, of_tested)))
    };
    order.iter().enumerate().map(one).unzip()
}

/// What the state at the start of a lap does.
#[derive(Clone, Copy, Debug)]
struct Conditions {
    /// Time that each lap is slower than the one before until the pack is changed, as a share.
    fall: f64,
    /// How much of it the model predicts, 1 for all.
    known: f64,
    /// Standard deviation of a prediction's error.
    wrong: f64,
}

const CONDITIONS: [Conditions; 3] = [
    Conditions { fall: 0.03, known: 0.8, wrong: 0.004 },
    Conditions { fall: 0.03, known: -0.5, wrong: 0.01 },
    Conditions { fall: 0.0, known: 0.0, wrong: 0.02 },
];

/// Pair and direction of the first verdict.
fn first_verdict(differences: &[f64], critical: &[f64]) -> Option<(usize, bool)> {
    let mut watch = StoppingTime::new(critical);
    let mut found = differences.iter().enumerate().map(|(pair, d)| (pair + 1, watch.take(*d)));
    found.find_map(|(pairs, faster)| Some((pairs, faster?)))
}

#[test]
fn a_control_variate_keeps_the_error_whatever_the_model_is_worth() {
    let critical = critical_values(0.5 * (1.0 - LEVEL));
    for conditions in CONDITIONS {
        for noise in [Noise::Normal, Noise::LongTailed, Noise::SlowLaps] {
            let wrong = |trial: &u64| {
                let (saved, predicted) = differences(noise, conditions, 0.0, *trial);
                first_verdict(&adjust(&saved, &predicted).differences, &critical).is_some()
            };
            let share = (0..TRIALS).into_par_iter().filter(wrong).count() as f64 / TRIALS as f64;
            println!("{noise:?}, {conditions:?}: {:.2} % of trials wrong", 100.0 * share);
            assert!(share <= 1.0 - LEVEL, "{noise:?}, {conditions:?}: {share}");
        }
    }
}

#[test]
fn a_control_variate_saves_pairs_where_the_model_is_good_and_costs_few_where_it_is_not() {
    let critical = critical_values(0.5 * (1.0 - LEVEL));
    let mean_pairs = |conditions: Conditions, with: bool| {
        let pairs = |trial: u64| {
            let (saved, predicted) = differences(Noise::Normal, conditions, 0.025, trial);
            let used = if with { adjust(&saved, &predicted).differences } else { saved };
            first_verdict(&used, &critical).map_or(PAIRS, |(pairs, _)| pairs)
        };
        (0..2000).into_par_iter().map(pairs).sum::<usize>() as f64 / 2000.0
    };
    let mut shares = Vec::new();
    for conditions in CONDITIONS {
        let (with, without) = (mean_pairs(conditions, true), mean_pairs(conditions, false));
        println!("{conditions:?}: {with:.1} pairs with the model, {without:.1} without");
        shares.push(with / without);
    }
    assert!(shares[0] < 0.85, "{shares:?}");
    assert!(shares[1] < 1.1 && shares[2] < 1.15, "{shares:?}");
}
