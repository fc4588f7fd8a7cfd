//! How often a trial of two equal policies is wrong, however one stops; 10 000 simulated trials of each kind.
//!
//! Lap by lap: a lap time with noise, in pairs whose order is drawn as in a plan, with a verdict after every pair.

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
