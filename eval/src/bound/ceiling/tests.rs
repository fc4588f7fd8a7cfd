//! The dual bound on a problem that is small enough to be solved exactly, and the law on many courses.

use super::law::Law;
use super::*;
use lowgear_env::{EpisodeConfig, Seed, load_course};
use std::path::Path;
use std::sync::Arc;

/// A way of a few cells. Each holds a cane with a chance; it is known from `view` cells ahead on, or when it is met. In high
/// gear a cell takes less time, and a cane far more, after which the vehicle is in low gear.
#[derive(Clone, Copy)]
struct Way {
    cells: usize,
    chance: f64,
    view: usize,
}

const LOW: usize = 0;
const HIGH: usize = 1;
const SHIFT_S: f64 = 0.6;

/// Reward of a cell that is driven in a gear, s, and the gear behind it.
fn driven(gear: usize, cane: bool) -> (f64, usize) {
    match (gear, cane) {
        (LOW, false) => (-2.0, LOW),
        (LOW, true) => (-2.4, LOW),
        (_, false) => (-1.0, HIGH),
        (_, true) => (-5.0, LOW),
    }
}

impl Way {
    /// Best mean return from cell `at` on, entered in `gear`, where the cells below `shown` are as in `canes`.
    fn value_s(&self, at: usize, gear: usize, shown: usize, canes: u32) -> f64 {
        if at == self.cells {
            return 0.0;
        }
        let follow = |chosen: usize| {
            let shift_s = if chosen == gear { 0.0 } else { -SHIFT_S };
            shift_s + self.followed_s(at, chosen, shown, canes)
        };
        follow(LOW).max(follow(HIGH))
    }

    /// The same once a gear is chosen: what comes into view now is not known yet.
    fn followed_s(&self, at: usize, gear: usize, shown: usize, canes: u32) -> f64 {
        if shown < self.cells && shown <= at + self.view {
            let one = |cane: bool| self.followed_s(at, gear, shown + 1, canes | (u32::from(cane) << shown));
            return (1.0 - self.chance) * one(false) + self.chance * one(true);
        }
        let (reward_s, behind) = driven(gear, canes >> at & 1 == 1);
        reward_s + self.value_s(at + 1, behind, shown, canes)
    }

    /// What the cane in cell `shown` costs, in the eyes of this way, when it comes into view at cell `at`, s.
    fn loss_s(&self, at: usize, gear: usize, shown: usize, canes: u32) -> f64 {
        let before = canes & ((1 << shown) - 1);
        self.followed_s(at, gear, shown + 1, before | 1 << shown)
            - self.followed_s(at, gear, shown + 1, before)
    }

    /// Best return with full knowledge of `canes`, less the charges: the surprise of each cell times a loss.
    fn charged_s(
        &self,
        at: usize,
        gear: usize,
        canes: u32,
        loss_s: &impl Fn(usize, usize, usize, u32) -> f64,
    ) -> f64 {
        if at == self.cells {
            return 0.0;
        }
        let follow = |chosen: usize| {
            let shift_s = if chosen == gear { 0.0 } else { -SHIFT_S };
            let shown = if at == 0 { 0..self.view + 1 } else { at + self.view..at + self.view + 1 };
            let charge = |cell: usize| {
                let surprise = f64::from(canes >> cell & 1) - self.chance;
                surprise * loss_s(at, chosen, cell, canes)
            };
            let charges_s: f64 = shown.filter(|cell| *cell < self.cells).map(charge).sum();
            let (reward_s, behind) = driven(chosen, canes >> at & 1 == 1);
            shift_s + reward_s - charges_s + self.charged_s(at + 1, behind, canes, loss_s)
        };
        follow(LOW).max(follow(HIGH))
    }

    /// Mean over all ways, and the spread between the least and the most.
    fn ceiling_s(&self, loss_s: impl Fn(usize, usize, usize, u32) -> f64) -> (f64, f64) {
        let (mut mean, mut least, mut most) = (0.0, f64::INFINITY, f64::NEG_INFINITY);
        for canes in 0..1_u32 << self.cells {
            let count = canes.count_ones() as i32;
            let chance = self.chance.powi(count) * (1.0 - self.chance).powi(self.cells as i32 - count);
            let value_s = self.charged_s(0, LOW, canes, &loss_s);
            mean += chance * value_s;
            (least, most) = (least.min(value_s), most.max(value_s));
        }
        (mean, most - least)
    }
}

#[test]
fn without_charges_it_is_the_clairvoyant_value_and_with_the_ideal_ones_the_exact_one_on_every_way() {
    for view in [0, 1, 2] {
        let way = Way { cells: 8, chance: 0.25, view };
        let exact_s = way.value_s(0, LOW, 0, 0);
        let (clairvoyant_s, _) = way.ceiling_s(|_, _, _, _| 0.0);
        let (ideal_s, spread_s) = way.ceiling_s(|at, gear, shown, canes| way.loss_s(at, gear, shown, canes));
        assert!((ideal_s - exact_s).abs() < 1e-9, "view {view}: {ideal_s} for {exact_s}");
        assert!(spread_s < 1e-9, "view {view}: the same on every way");
        assert!(clairvoyant_s > exact_s + 0.1, "view {view}: {clairvoyant_s} over {exact_s}");
    }
}

#[test]
fn approximate_charges_give_a_ceiling_between_the_exact_value_and_the_clairvoyant_one() {
    let way = Way { cells: 8, chance: 0.25, view: 0 };
    let exact_s = way.value_s(0, LOW, 0, 0);
    let (clairvoyant_s, _) = way.ceiling_s(|_, _, _, _| 0.0);
    let other = Way { chance: 0.4, ..way };
    let of_other = way.ceiling_s(|at, gear, shown, canes| other.loss_s(at, gear, shown, canes)).0;
    let by_gear = way.ceiling_s(|_, gear, _, _| if gear == HIGH { -4.0 } else { -0.4 }).0;
    let halved = way.ceiling_s(|at, gear, shown, canes| 0.5 * way.loss_s(at, gear, shown, canes)).0;
    for ceiling_s in [of_other, by_gear, halved] {
        assert!(exact_s < ceiling_s && ceiling_s < clairvoyant_s, "{exact_s} {ceiling_s} {clairvoyant_s}");
    }
    // Losses without sense: still no less than the exact value.
    let senseless =
        way.ceiling_s(|at, gear, _, canes| (at * 7 + gear * 3) as f64 % 5.0 - f64::from(canes & 1)).0;
    assert!(senseless >= exact_s - 1e-9, "{senseless} below {exact_s}");
}

fn scenario(course: &str) -> Arc<Scenario> {
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
    let vehicle = lowgear_env::config::load(&configs.join("vehicles/demo-cart-feeler.toml")).unwrap();
    let course = load_course(&configs.join(format!("courses/{course}.toml"))).unwrap();
    Arc::new(Scenario::new(vehicle, course, EpisodeConfig::default(), Seed(5)))
}

/// Of each course sums of all surprises, weighted by what is known before: not at all, by whether an obstacle lies on the
/// half metre before, and by whether the last one is a quarter to half a metre back, as the next one of a row would be.
#[test]
fn surprises_have_mean_nought_whatever_lies_before() {
    for name in ["level-path-canes", "garden-mix"] {
        let scenario = scenario(name);
        let law = Law::new(&scenario).unwrap();
        let sums: Vec<[f64; 3]> = (0..3000)
            .map(|episode| {
                let (_, track) = scenario.instantiate(episode);
                let mut sums = [0.0; 3];
                for (cell, surprises) in law.surprises(&scenario, episode, &track.course).iter().enumerate() {
                    let from_m = cell as f64 * CELL_M;
                    let behind = track.course.obstacles.iter().rfind(|o| o.position_m < from_m);
                    let way_m = behind.map_or(f64::INFINITY, |o| from_m - o.position_m);
                    let weights = [1.0, f64::from(way_m < 0.5), f64::from((0.25..0.5).contains(&way_m))];
                    let total: f64 = surprises.iter().sum();
                    sums.iter_mut().zip(weights).for_each(|(sum, weight)| *sum += weight * total);
                }
                sums
            })
            .collect();
        for n in 0..3 {
            let count = sums.len() as f64;
            let mean = sums.iter().map(|s| s[n]).sum::<f64>() / count;
            let variance = sums.iter().map(|s| (s[n] - mean).powi(2)).sum::<f64>() / count;
            let z = mean / (variance / count).sqrt();
            assert!(z.abs() < 3.5, "{name}, weight {n}: mean {mean}, {z} standard errors");
            assert!(variance > 0.5, "{name}, weight {n}: there are surprises");
        }
    }
}

#[test]
fn without_charges_it_is_the_plan_and_what_lies_out_of_reach_of_any_sensor_costs_it_something() {
    let scenario = scenario("level-path-canes");
    let ceiling = Ceiling::new(&scenario).unwrap();
    let drive = Drive::new(scenario, 0);
    let coarse = GridResolution { position_strides: 0.5, speeds: 12 };
    let view = |weight| View { ahead_m: 0.0, weight };
    let values = ceiling.start_values(&drive, coarse, &[view(0.0), view(0.5)]);
    let plan_s = Plan::new(&drive, coarse).start_value(drive.scenario());
    assert!(
        (-1e-6..1.0).contains(&(values[0] - plan_s)),
        "{values:?} {plan_s}: dogs that come free at the most"
    );
    assert!((values[1] - values[0]).abs() > 1e-3, "{values:?}");
}

#[test]
fn courses_without_a_law_have_no_ceiling() {
    assert!(Ceiling::new(&scenario("ramp")).is_none());
    assert!(Ceiling::new(&scenario("garden-laps")).is_none());
}
