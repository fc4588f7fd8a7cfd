//! The rule card: the fewest numbers of a threshold rule that keep most of what a policy gains, for controllers that
//! take only a handful of numbers.
//!
//! It begins with thresholds read off the policy's own shifts and with rules given besides, takes the best, and leaves
//! out one condition after the other as long as the return over training courses allows, moving the numbers that are
//! left. What the card loses on test courses is for the comparison to say.

mod numbers;
mod reading;

pub use numbers::Omission;
pub use reading::thresholds_of;

use crate::rule::RuleSettings;

/// How far a card may be shortened.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CardSettings {
    /// Share of the policy's gain over `from` that the card has to keep, 0 to 1.
    pub keep: f64,
    /// Passes over all numbers after each omission.
    pub passes: u32,
}

impl Default for CardSettings {
    fn default() -> CardSettings {
        CardSettings { keep: 0.9, passes: 2 }
    }
}

/// A rule with few numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct RuleCard {
    /// The rule.
    pub settings: RuleSettings,
    /// Numbers to type in.
    pub numbers: usize,
    /// What was left out, in order, with the share of the gain that was left after it (training courses).
    pub left_out: Vec<(Omission, f64)>,
}

/// Mean returns that a card is measured by, s, all over the same training courses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gain {
    /// The policy that the card stands for.
    pub policy_s: f64,
    /// What it is a gain over: the hand-written rule.
    pub from_s: f64,
}

impl Gain {
    /// The part of the gain that a return keeps; 1 when there is no gain to keep and nothing was lost.
    fn kept(&self, return_s: f64) -> f64 {
        let gain_s = self.policy_s - self.from_s;
        if gain_s > 0.0 {
            (return_s - self.from_s) / gain_s
        } else {
            1.0 + (return_s - self.policy_s).min(0.0)
        }
    }
}

/// Makes a card from the best of `starts` (at least one). `judge` gives the mean return of each rule over the training
/// courses, s.
///
/// # Errors
/// What `judge` says.
pub fn rule_card<E>(
    starts: Vec<RuleSettings>,
    gain: Gain,
    settings: CardSettings,
    mut judge: impl FnMut(&[RuleSettings]) -> Result<Vec<f64>, E>,
) -> Result<Option<RuleCard>, E> {
    let starts: Vec<RuleSettings> = starts.iter().map(numbers::rounded).collect();
    let Some((mut rule, mut return_s)) = best(starts, &mut judge)? else { return Ok(None) };
    for _ in 0..settings.passes {
        (rule, return_s) = moved(rule, return_s, &mut judge)?;
    }
    let mut left_out = Vec::new();
    loop {
        let shorter: Vec<(Omission, RuleSettings)> =
            Omission::ALL.into_iter().filter_map(|o| o.of(&rule).map(|rule| (o, rule))).collect();
        let rules: Vec<RuleSettings> = shorter.iter().map(|(_, rule)| rule.clone()).collect();
        let Some((candidate, judged_s)) = best(rules, &mut judge)? else { break };
        let omission = shorter.iter().find(|(_, rule)| *rule == candidate).map(|(omission, _)| *omission);
        let (mut candidate, mut candidate_s) = (candidate, judged_s);
        for _ in 0..settings.passes {
            (candidate, candidate_s) = moved(candidate, candidate_s, &mut judge)?;
        }
        // A shorter card may be the better one; then the longer one is no measure.
        if candidate_s < return_s && gain.kept(candidate_s) < settings.keep {
            break;
        }
        (rule, return_s) = (candidate, candidate_s);
        left_out.extend(omission.map(|omission| (omission, gain.kept(return_s))));
    }
    Ok(Some(RuleCard { numbers: numbers::count(&rule), settings: rule, left_out }))
}

/// The best of some rules, and its return.
fn best<E>(
    rules: Vec<RuleSettings>,
    judge: &mut impl FnMut(&[RuleSettings]) -> Result<Vec<f64>, E>,
) -> Result<Option<(RuleSettings, f64)>, E> {
    let returns = judge(&rules)?;
    Ok(rules.into_iter().zip(returns).max_by(|a, b| a.1.total_cmp(&b.1)))
}

/// The rule after one pass over its numbers, each moved where that helps.
fn moved<E>(
    mut rule: RuleSettings,
    mut return_s: f64,
    judge: &mut impl FnMut(&[RuleSettings]) -> Result<Vec<f64>, E>,
) -> Result<(RuleSettings, f64), E> {
    for number in 0..numbers::places(&rule) {
        if let Some((other, other_s)) = best(numbers::moves(&rule, number), judge)?
            && other_s > return_s
        {
            (rule, return_s) = (other, other_s);
        }
    }
    Ok((rule, return_s))
}

#[cfg(test)]
mod tests;
