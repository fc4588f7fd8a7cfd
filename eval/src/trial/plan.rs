//! The plan of a trial: how many pairs, in which order.

use super::power::{MOST_PAIRS, SequentialPairs, fixed_pairs, sequential_pairs};
use lowgear_env::{Seed, Stream};
use rand::RngExt;

/// Most pairs of a plan: twice as many laps have numbers that fit the lap label of a recording.
pub const MOST_PLANNED: usize = 127;
/// A plan is made for this probability of finding what is there.
pub const POWER: f64 = 0.8;

/// What a trial may prove about the tested policy.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Claim {
    /// Its laps are faster than those of the reference.
    Faster,
    /// They are slower by at most the margin.
    NotSlower,
}

impl Claim {
    /// Both.
    pub const ALL: [Claim; 2] = [Claim::Faster, Claim::NotSlower];

    /// In words.
    #[must_use]
    pub fn words(self, margin_percent: f64) -> String {
        match self {
            Claim::Faster => "faster".to_owned(),
            Claim::NotSlower => format!("at most {margin_percent} % slower"),
        }
    }

    /// What is added to a difference before it is compared with 0, percent.
    #[must_use]
    pub const fn added_percent(self, margin_percent: f64) -> f64 {
        match self {
            Claim::Faster => 0.0,
            Claim::NotSlower => margin_percent,
        }
    }
}

/// What a plan is made for.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanSettings {
    /// Time that the tested policy is expected to save, percent.
    pub gain_percent: f64,
    /// Standard deviation of the relative difference of one pair, percent.
    pub scatter_percent: f64,
    /// Largest loss that does not matter, percent.
    pub margin_percent: f64,
    /// The claim that the pairs are planned for.
    pub claim: Claim,
    /// Probability that no verdict is wrong.
    pub level: f64,
    /// Pairs to plan; those of the claim if not given.
    pub pairs: Option<usize>,
    /// Pairs driven with one battery.
    pub pairs_per_battery: usize,
    /// Names of the reference (0) and of the tested policy (1).
    pub policies: [String; 2],
    /// Seed of the order.
    pub seed: Seed,
}

/// What one claim takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClaimPlan {
    /// The claim.
    pub claim: Claim,
    /// Scatter of a pair, percent.
    pub scatter_percent: f64,
    /// Pairs of a paired t test whose size is fixed in advance.
    pub fixed: Option<usize>,
    /// Pairs of a trial that is looked at after every pair.
    pub sequential: SequentialPairs,
}

/// A plan.
#[derive(Clone, Debug, PartialEq)]
pub struct TrialPlan {
    /// What it is made for.
    pub settings: PlanSettings,
    /// What the claims take, at less scatter, at that of the settings and at more.
    pub claims: Vec<ClaimPlan>,
    /// Pairs that the claim of the settings takes; `None` beyond [`MOST_PAIRS`].
    pub needed: Option<usize>,
    /// For each planned pair whether the tested policy drives first.
    pub order: Vec<bool>,
}

impl TrialPlan {
    /// Makes a plan. Both sides of the interval have half of the error, so that "faster" and "slower" together are wrong
    /// with at most the whole of it.
    #[must_use]
    pub fn new(settings: PlanSettings) -> TrialPlan {
        let error = 0.5 * (1.0 - settings.level);
        let factors = [2.0 / 3.0, 1.0, 1.5];
        let mut claims = Vec::new();
        for claim in Claim::ALL {
            for scatter_percent in factors.map(|factor| factor * settings.scatter_percent) {
                let shift = settings.gain_percent + claim.added_percent(settings.margin_percent);
                let effect = shift / scatter_percent;
                let fixed = if effect > 0.0 { fixed_pairs(effect, error, POWER) } else { None };
                let sequential = sequential_pairs(effect, error, settings.seed);
                claims.push(ClaimPlan { claim, scatter_percent, fixed, sequential });
            }
        }
        let planned =
            |c: &&ClaimPlan| c.claim == settings.claim && c.scatter_percent == settings.scatter_percent;
        let needed = claims.iter().find(planned).and_then(|c| c.sequential.eighty_percent);
        let pairs = settings.pairs.unwrap_or(needed.unwrap_or(MOST_PAIRS)).min(MOST_PLANNED);
        let order = draw_order(pairs, settings.seed);
        TrialPlan { settings, claims, needed, order }
    }
}

/// For each pair whether the tested policy drives first: a coin decides for one pair, the next has the opposite order.
/// Whatever changes steadily over the laps then cancels over two pairs.
#[must_use]
pub fn draw_order(pairs: usize, seed: Seed) -> Vec<bool> {
    let mut rng = seed.stream(Stream::Trial, u64::MAX);
    let mut order = Vec::with_capacity(pairs + 1);
    while order.len() < pairs {
        let first: bool = rng.random();
        order.extend([first, !first]);
    }
    order.truncate(pairs);
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings() -> PlanSettings {
        PlanSettings {
            gain_percent: 2.5,
            scatter_percent: 3.0,
            margin_percent: 1.0,
            claim: Claim::Faster,
            level: 0.95,
            pairs: None,
            pairs_per_battery: 5,
            policies: ["rule".to_owned(), "table".to_owned()],
            seed: Seed(1),
        }
    }

    #[test]
    fn a_plan_has_the_pairs_of_its_claim_in_an_order_that_is_balanced_and_differs_by_seed() {
        let plan = TrialPlan::new(settings());
        assert_eq!(Some(plan.order.len()), plan.needed);
        let order = draw_order(40, Seed(1));
        assert_eq!(order.iter().filter(|first| **first).count(), 20);
        assert!(order.chunks(2).all(|two| two[0] != two[1]));
        assert_ne!(order, draw_order(40, Seed(2)));
        assert_eq!(order[..7], draw_order(7, Seed(1)));
    }

    #[test]
    fn more_scatter_takes_more_pairs_and_an_impossible_claim_has_none() {
        let plan = TrialPlan::new(settings());
        for claims in plan.claims.chunks(3) {
            assert!(claims.windows(2).all(|two| two[0].fixed < two[1].fixed), "{claims:?}");
        }
        let worse = TrialPlan::new(PlanSettings { gain_percent: -2.0, ..settings() });
        assert!(worse.needed.is_none() && worse.claims.iter().all(|c| c.fixed.is_none()));
        assert_eq!(worse.order.len(), MOST_PLANNED);
    }
}
