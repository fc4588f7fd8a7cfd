//! A limit on gearbox damage in searches, relative to a rule: gains in time are then stated at equal damage.
//!
//! The constraint is that the mean damage of a course is at most `ratio` times that of the rule on the same courses. It
//! enters as an exact penalty (Nocedal, Wright 2006, "Numerical Optimization", chapter 17): the objective is reduced in
//! proportion to the relative excess, and by nothing within the limit. Such a penalty has the constrained optimum where
//! its weight exceeds the multiplier, the time that a unit of damage buys there. In the demonstration a table buys 1 % of
//! the course time with 40 % more damage: a multiplier of 0.025 course times per unit of excess.

use lowgear_agents::rule::Rule;
use lowgear_env::Outcome;
use lowgear_eval::suite::{MeanOutcome, TrainingSuite, ValidationSuite};

/// Weight in training, course times per unit of excess: four times the multiplier. A larger one would let the noise of the
/// damage of some tens of courses rank the candidates.
const TRAINING_WEIGHT: f64 = 0.1;
/// Weight in validation, which has more courses and chooses the result.
const VALIDATION_WEIGHT: f64 = 1.0;

/// Most damage that a search may end with.
#[derive(Clone, Debug)]
pub struct DamageLimit {
    /// The rule whose damage is the measure.
    pub rule: Rule,
    /// Most damage, as a ratio to the rule's.
    pub ratio: f64,
}

/// What the rule does on some courses: the measure for others there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DamageMeasure {
    /// Most damage of a course, share of nominal life.
    most: f64,
    /// Penalty per unit of relative excess, s.
    weight_s: f64,
}

impl DamageLimit {
    /// The measure on training courses, and the ticks driven for it.
    #[must_use]
    pub fn on_training(&self, suite: &TrainingSuite, first: u64, courses: u64) -> (DamageMeasure, u64) {
        let driven = suite.mean_outcome(&mut self.rule.clone(), first, courses, f64::NEG_INFINITY);
        (self.measure(driven, TRAINING_WEIGHT), driven.ticks)
    }

    /// The measure on the validation courses.
    #[must_use]
    pub fn on_validation(&self, suite: &ValidationSuite) -> DamageMeasure {
        let (outcomes, ticks) = suite.outcomes(&mut self.rule.clone());
        let mean = |of: fn(&Outcome) -> f64| outcomes.iter().map(of).sum::<f64>() / outcomes.len() as f64;
        let driven = MeanOutcome {
            return_s: mean(|outcome| outcome.reward.total_s()),
            time_s: mean(|outcome| outcome.time_s),
            damage: mean(|outcome| outcome.damage),
            ticks,
        };
        self.measure(driven, VALIDATION_WEIGHT)
    }

    fn measure(&self, rule: MeanOutcome, weight: f64) -> DamageMeasure {
        DamageMeasure { most: self.ratio * rule.damage, weight_s: weight * rule.time_s }
    }
}

impl DamageMeasure {
    /// What a mean damage of a course costs beyond the limit, s; nothing within it. Where the limit is zero, any damage
    /// is one unit of excess.
    #[must_use]
    pub fn penalty_s(&self, damage: f64) -> f64 {
        let excess = if damage <= self.most {
            0.0
        } else if self.most > 0.0 {
            damage / self.most - 1.0
        } else {
            1.0
        };
        self.weight_s * excess
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_damage_beyond_the_limit_costs_and_in_proportion() {
        let measure = DamageMeasure { most: 2e-5, weight_s: 20.0 };
        for (damage, expected_s) in [(0.0, 0.0), (2e-5, 0.0), (2.2e-5, 2.0), (4e-5, 20.0)] {
            assert!((measure.penalty_s(damage) - expected_s).abs() < 1e-9, "{damage}");
        }
        let none = DamageMeasure { most: 0.0, weight_s: 20.0 };
        assert_eq!((none.penalty_s(0.0), none.penalty_s(1e-9)), (0.0, 20.0));
    }
}
