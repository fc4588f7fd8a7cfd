//! Black-box search of policy parameters: CMA-ES (Hansen 2016, arXiv 1604.00772, by the crate `cmaes`).
//!
//! Each generation drives every candidate over the same fresh training courses (common random numbers) and
//! the mean of the search distribution is scored on the validation courses now and then; the best of those,
//! the start included, is the result: a search never ends below where it began.
//!
//! A course that is not finished counts with the whole time limit, which is so rare and so much that chance alone would
//! rank the candidates of a generation. Returns are therefore winsorised from below (Dixon 1960, "Simplified estimation
//! from censored normal samples") at two standard deviations under the mean of the best validation so far.
//! Validation takes them as they are.
//!
//! With a limit on damage both are reduced by a penalty on what exceeds it ([`crate::damage_limit`]).
//!
//! The optimiser itself cannot be written down, but it is a function of its seed and of the figures it was
//! given. So the memory of a search is the list of those figures: resuming feeds them to a fresh optimiser,
//! which then stands where the old one stood, bit for bit.

use crate::damage_limit::{DamageLimit, DamageMeasure};
use crate::error::StudyError;
use crate::timing::{Stage, Stopwatch};
use cmaes::{CMAESOptions, DVector};
use lowgear_agents::policy::Policy;
use lowgear_env::Seed;
use lowgear_env::config::{Check, KeyError, in_range};
use lowgear_eval::suite::{TrainingSuite, ValidationSuite};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::cell::RefCell;
use std::ops::ControlFlow;
use std::rc::Rc;

/// How long and how wide a search is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct SearchBudget {
    /// Generations.
    pub generations: usize,
    /// Candidates per generation.
    pub population: usize,
    /// Training courses per candidate.
    pub courses: u64,
    /// Generations from one validation to the next.
    pub validate_every: usize,
    /// First step size, in units of the search vector.
    pub step: f64,
}

impl Check for SearchBudget {
    fn check(&self) -> Result<(), KeyError> {
        in_range("generations", self.generations, 1, 1_000_000, "")?;
        in_range("population", self.population, 4, 10_000, "")?;
        in_range("courses", self.courses, 1, 1_000_000, "")?;
        in_range("validate-every", self.validate_every, 1, 1_000_000, "")?;
        in_range("step", self.step, 1e-4, 10.0, "")
    }
}

impl SearchBudget {
    /// Generations of `other` that drive as many episodes as all generations of this one.
    #[must_use]
    pub fn generations_of_the_same_size(&self, other: &SearchBudget) -> usize {
        let episodes = |b: &SearchBudget| b.population as f64 * b.courses as f64;
        let generations = self.generations as f64 * episodes(self) / episodes(other);
        (generations.round() as usize).max(1)
    }
}

/// A score on the validation courses.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Controller ticks driven in training until then.
    pub ticks: u64,
    /// Mean return on the validation courses, s.
    pub mean: f64,
    /// Standard error of that mean over courses, s.
    pub standard_error: f64,
}

/// Everything that a search has seen.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SearchMemory {
    /// Negative mean return of every candidate so far.
    figures: Vec<f64>,
    /// Ticks driven so far.
    pub ticks: u64,
    /// Validation scores so far; the first is the start's.
    pub curve: Vec<CurvePoint>,
    /// Vector of the best validation score.
    pub best: Vec<f64>,
    /// Vector of the last validation.
    pub last: Vec<f64>,
}

impl SearchMemory {
    /// Returns below this count as this much while searching, s. `courses` is how many a validation has.
    fn winsorising_limit_s(&self, courses: u64) -> f64 {
        let best = self.curve.iter().max_by(|a, b| a.mean.total_cmp(&b.mean));
        best.map_or(f64::NEG_INFINITY, |p| {
            p.mean - WINSORISING_SD * p.standard_error * (courses as f64).sqrt()
        })
    }
}

/// A search to run.
pub struct Search<'a, B> {
    /// Budget.
    pub budget: SearchBudget,
    /// Courses to search on.
    pub training: &'a TrainingSuite,
    /// Courses to choose on.
    pub validation: &'a ValidationSuite,
    /// The policy at a vector.
    pub build: B,
    /// Where to begin.
    pub start: Vec<f64>,
    /// Seed of the optimiser and of the course numbers.
    pub seed: Seed,
    /// Most damage, where there is a limit; returns are then less what damage beyond it costs.
    pub limit: Option<&'a DamageLimit>,
    /// Where the time goes.
    pub stopwatch: Rc<Stopwatch>,
}

/// Standard deviations of returns over courses, below which they count alike while searching.
const WINSORISING_SD: f64 = 2.0;

/// Figure of a candidate that cannot be driven.
const WORST: f64 = 1e6;

/// First training course of a generation: far apart for different searches.
fn first_course(seed: Seed, generation: usize, courses: u64) -> u64 {
    (seed.0 >> 20) + generation as u64 * courses
}

impl<P: Policy, B: Fn(&[f64]) -> Option<P> + Clone> Search<'_, B> {
    /// Searches from `memory` to the end of the budget. `after` runs after each generation, with the memory
    /// to keep; it may end the search there, whose last mean is then scored.
    ///
    /// # Errors
    /// What `after` says.
    pub fn run(
        &self,
        memory: SearchMemory,
        mut after: impl FnMut(&SearchMemory, usize) -> Result<ControlFlow<()>, StudyError>,
    ) -> Result<SearchMemory, StudyError> {
        let memory = Rc::new(RefCell::new(memory));
        let known = memory.borrow().figures.len();
        if memory.borrow().curve.is_empty() {
            self.validate(&mut memory.borrow_mut(), &self.start);
        }
        let validations_known = memory.borrow().curve.len();
        let objective = self.objective(Rc::clone(&memory));
        let options = CMAESOptions::new(self.start.clone(), self.budget.step)
            .population_size(self.budget.population)
            .seed(self.seed.0)
            .tol_fun(0.0)
            .tol_fun_hist(0.0)
            .tol_x(0.0);
        let Ok(mut optimiser) = options.build(objective) else {
            return Ok(memory.take());
        };
        let mut validations = 1;
        for generation in 1..=self.budget.generations {
            let over = optimiser.next().is_some();
            let replayed = generation * self.budget.population <= known;
            let due = generation % self.budget.validate_every == 0 || generation == self.budget.generations;
            let mean = || optimiser.mean().iter().copied().collect::<Vec<f64>>();
            if due || over {
                validations += 1;
                if validations > validations_known {
                    self.validate(&mut memory.borrow_mut(), &mean());
                }
            }
            // What was replayed has been kept already; its last generation may have been the end.
            let ends = if replayed && (generation + 1) * self.budget.population <= known {
                false
            } else {
                after(&memory.borrow(), generation)?.is_break()
            };
            if ends && !(due || over) {
                self.validate(&mut memory.borrow_mut(), &mean());
            }
            if over || ends {
                break;
            }
        }
        Ok(memory.take())
    }

    /// The figure of a candidate: known already, or driven now.
    fn objective(&self, memory: Rc<RefCell<SearchMemory>>) -> impl FnMut(&DVector<f64>) -> f64 {
        let (build, training, budget, seed) =
            (self.build.clone(), self.training.clone(), self.budget, self.seed);
        let validations = self.validation.courses;
        let (limit, stopwatch) = (self.limit.cloned(), Rc::clone(&self.stopwatch));
        let mut asked = 0;
        let mut measured: Option<(u64, DamageMeasure)> = None;
        move |vector: &DVector<f64>| {
            let index = asked;
            asked += 1;
            let mut memory = memory.borrow_mut();
            if let Some(&figure) = memory.figures.get(index) {
                return figure;
            }
            let first = first_course(seed, index / budget.population, budget.courses);
            let least_s = memory.winsorising_limit_s(validations);
            stopwatch.enter(Stage::Environment);
            // The measure of a generation, with its first candidate.
            if let Some(limit) = limit.as_ref().filter(|_| measured.is_none_or(|(of, _)| of != first)) {
                let (measure, ticks) = limit.on_training(&training, first, budget.courses);
                memory.ticks += ticks;
                measured = Some((first, measure));
            }
            let figure = build(vector.as_slice()).map_or(WORST, |mut policy| {
                let driven = training.mean_outcome(&mut policy, first, budget.courses, least_s);
                memory.ticks += driven.ticks;
                let penalty_s = measured.map_or(0.0, |(_, measure)| measure.penalty_s(driven.damage));
                let figure = penalty_s - driven.return_s;
                if figure.is_finite() { figure } else { WORST }
            });
            stopwatch.enter(Stage::Learning);
            memory.figures.push(figure);
            figure
        }
    }

    fn validate(&self, memory: &mut SearchMemory, vector: &[f64]) {
        let Some(mut policy) = (self.build)(vector) else { return };
        self.stopwatch.enter(Stage::Validation);
        let point = self.validated(&mut policy, memory.ticks);
        self.stopwatch.enter(Stage::Learning);
        if memory.curve.iter().all(|p| point.mean > p.mean) {
            memory.best = vector.to_vec();
        }
        memory.curve.push(point);
        memory.last = vector.to_vec();
    }
}

impl<B> Search<'_, B> {
    /// The score of a policy on the validation courses.
    pub fn validated(&self, policy: &mut dyn Policy, ticks: u64) -> CurvePoint {
        let (outcomes, _) = self.validation.outcomes(policy);
        let returns: Vec<f64> = outcomes.iter().map(|outcome| outcome.reward.total_s()).collect();
        let damage = outcomes.iter().map(|outcome| outcome.damage).sum::<f64>() / outcomes.len() as f64;
        let point = curve_point(ticks, &returns);
        let measure = self.limit.map(|limit| limit.on_validation(self.validation));
        let penalty_s = measure.map_or(0.0, |measure| measure.penalty_s(damage));
        CurvePoint { mean: point.mean - penalty_s, ..point }
    }
}

/// Mean and standard error of returns over courses.
#[must_use]
pub fn curve_point(ticks: u64, returns: &[f64]) -> CurvePoint {
    let n = returns.len() as f64;
    let mean = returns.iter().sum::<f64>() / n;
    let variance = returns.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    CurvePoint { ticks, mean, standard_error: (variance / n).sqrt() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fence_lies_two_standard_deviations_under_the_best_validation() {
        let mut memory = SearchMemory::default();
        assert_eq!(memory.winsorising_limit_s(4), f64::NEG_INFINITY);
        // Deviations from the mean of -130 s: sum of squares 7500 s², over three 2500 s², a standard deviation of 50 s.
        let best = curve_point(
            1,
            &[-80.0, -180.0, -80.0, -180.0].map(|r: f64| -130.0 + (r + 130.0) * 0.75_f64.sqrt()),
        );
        memory.curve = vec![curve_point(0, &[-300.0, -500.0, -300.0, -500.0]), best];
        assert!((memory.winsorising_limit_s(4) + 230.0).abs() < 1e-9, "{}", memory.winsorising_limit_s(4));
    }
}
