//! What one more sensor would be worth on a vehicle and its ground before it is bought.
//!
//! Each sensor has a controller of its own, made with the same budget as the one without a sensor, and drives the same
//! held-out courses; the differences are paired. A sensor saves time, wear, or neither, and the verdict may be that it is not worth its place.

mod sighting;
pub mod text;

pub use sighting::{Sighting, sighting};

use crate::aggregate::{episode_scores, ratio};
use crate::statistics::{
    Estimate, Scores, StatisticsError, holm, mean_interval, paired_difference, share_of_gap,
};
use crate::summary::Metric;
use lowgear_env::{Cause, Outcome};
use serde::{Deserialize, Serialize};

/// A sensor in words and figures, whatever it is worth.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SensorCard {
    /// Name.
    pub name: String,
    /// A reference that nobody sells.
    pub reference: bool,
    /// Where its figures are from.
    pub origin: String,
    /// How it is mounted.
    pub mounting: String,
    /// What it sees.
    pub sees: String,
    /// What it does not see.
    pub misses: String,
    /// Program memory that it adds to a controller, bytes; none where that was not measured.
    pub flash_bytes: Option<u32>,
    /// What of the obstacles it announces.
    pub sighting: Sighting,
    /// The tuned rule, a line per threshold.
    pub rule: Vec<String>,
}

/// A sensor as its controller drove with it.
#[derive(Clone, Debug)]
pub struct DrivenSensor {
    /// The sensor.
    pub card: SensorCard,
    /// Outcome of each course.
    pub outcomes: Vec<Outcome>,
    /// Outcome of each course where the sensor is fitted and the controller without one drives: what carrying it costs.
    pub unused: Vec<Outcome>,
}

/// What decides about gears in a comparison, with each sensor and without one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Controller {
    /// The load-ratio rule, tuned for each.
    TunedRule,
    /// A table, distilled from a policy network that was trained for each, or that rule where validation prefers it.
    Trained {
        /// Decisions that each network learned from.
        decisions: u64,
    },
}

/// What the comparison was made with.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SensorSettings {
    /// What decides.
    pub controller: Controller,
    /// Vehicle.
    pub vehicle: String,
    /// Kind of course.
    pub course: String,
    /// Seed.
    pub seed: u64,
    /// A quick run concludes nothing.
    pub quick: bool,
    /// Searches per rule.
    pub searches: u64,
    /// Training episodes of all searches for one rule.
    pub episodes: u64,
    /// Level of the intervals.
    pub level: f64,
    /// Smallest saving of time that makes a sensor worth it, %.
    pub margin_percent: f64,
    /// The tuned rule without a sensor, a line per threshold.
    pub rule: Vec<String>,
}

/// Smallest saving of damage that makes a sensor worth it, as a ratio of means: a tenth less wear.
pub const WEAR_MARGIN: f64 = 0.9;

/// What a sensor is worth.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SensorWorth {
    /// The sensor.
    pub card: SensorCard,
    /// Courses finished, %.
    pub finished_percent: f64,
    /// Mean course time, s.
    pub time_s: Estimate,
    /// Course time that the sensor costs where it is fitted and not used, % of the mean without a sensor: its drag.
    pub carrying_percent: f64,
    /// Course time saved against the controller without a sensor, s.
    pub saved_s: Estimate,
    /// The same, % of the mean course time without a sensor.
    pub saved_percent: Estimate,
    /// P-value of "no time saved", corrected for all comparisons.
    pub time_p: f64,
    /// Damage as a ratio to that without a sensor; none where one of the two is zero.
    pub damage_ratio: Option<Estimate>,
    /// P-value of "no difference in damage", corrected for all comparisons.
    pub damage_p: f64,
    /// Share of the way from the controller without a sensor to the clairvoyant plan, %.
    pub gap_percent: Option<f64>,
    /// Whether it is worth it.
    pub verdict: Verdict,
}

/// Whether a sensor is worth its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// It saves time, at no clearly higher wear.
    Time,
    /// It saves wear, at no clearly longer time.
    Wear,
    /// It saves both.
    Both,
    /// Less than the margin is to be had.
    None,
    /// These courses do not say.
    NotClear,
}

/// The comparison of all sensors.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SensorComparison {
    /// What it was made with.
    pub settings: SensorSettings,
    /// Held-out courses.
    pub courses: usize,
    /// Courses finished without a sensor, %.
    pub finished_percent: f64,
    /// Mean course time without a sensor, s.
    pub time_s: Estimate,
    /// Damage without a sensor, share of nominal life per km.
    pub damage_per_km: f64,
    /// Time that the clairvoyant plan saves on its courses, the first ones, % of the mean without a sensor there.
    pub plan_percent: Estimate,
    /// The sensors.
    pub sensors: Vec<SensorWorth>,
}

/// What the controllers of one comparison drove.
#[derive(Clone, Debug)]
pub struct Driven {
    /// Without a sensor.
    pub blind: Vec<Outcome>,
    /// The clairvoyant plan, on the first courses.
    pub plan: Vec<Outcome>,
    /// With each sensor.
    pub sensors: Vec<DrivenSensor>,
}

impl SensorComparison {
    /// Compares every sensor with none.
    ///
    /// # Errors
    /// [`StatisticsError`], as for fewer than two courses.
    pub fn new(settings: SensorSettings, driven: Driven) -> Result<SensorComparison, StatisticsError> {
        let level = settings.level;
        let blind_s = times(&driven.blind)?;
        let blind_damage = damage(&driven.blind)?;
        let known = driven.plan.len();
        let (plan_s, first_s) = (times(&driven.plan)?, times(&driven.blind[..known])?);
        let plan_saved = paired_difference(&first_s, &plan_s, level)?.estimate;
        let mut p_values = Vec::new();
        let mut sensors = Vec::new();
        for DrivenSensor { card, outcomes, unused } in driven.sensors {
            let own_s = times(&outcomes)?;
            let saved = paired_difference(&blind_s, &own_s, level)?;
            let own_damage = damage(&outcomes)?;
            p_values.extend([saved.p_value, paired_difference(&own_damage, &blind_damage, level)?.p_value]);
            let gap = share_of_gap(&times(&outcomes[..known])?, &first_s, &plan_s, level);
            sensors.push(SensorWorth {
                card,
                finished_percent: finished_percent(&outcomes),
                time_s: mean_interval(&own_s, level)?,
                carrying_percent: 100.0 * (times(&unused)?.mean() / blind_s.mean() - 1.0),
                saved_s: saved.estimate,
                saved_percent: scaled(saved.estimate, 100.0 / blind_s.mean()),
                time_p: 1.0,
                damage_ratio: ratio(&own_damage, &blind_damage, level)?,
                damage_p: 1.0,
                gap_percent: gap.ok().map(|share| 100.0 * share.mean),
                verdict: Verdict::NotClear,
            });
        }
        for (sensor, p) in sensors.iter_mut().zip(holm(&p_values).chunks(2)) {
            (sensor.time_p, sensor.damage_p) = (p[0], p[1]);
            sensor.verdict = sensor.concluded(settings.margin_percent, level);
        }
        Ok(SensorComparison {
            courses: driven.blind.len(),
            finished_percent: finished_percent(&driven.blind),
            time_s: mean_interval(&blind_s, level)?,
            damage_per_km: blind_damage.mean(),
            plan_percent: scaled(plan_saved, 100.0 / first_s.mean()),
            sensors,
            settings,
        })
    }
}

impl SensorWorth {
    /// The verdict. A saving counts where it is significant after correction and not below its margin; a sensor that saves
    /// one and clearly costs the other is not judged.
    fn concluded(&self, margin_percent: f64, level: f64) -> Verdict {
        let significant = |p: f64| p < 1.0 - level;
        let (time, wear) = (self.saved_percent, self.damage_ratio);
        let (changes_time, changes_wear) = (significant(self.time_p), significant(self.damage_p));
        let slower = changes_time && time.mean < 0.0;
        let wears_more = changes_wear && wear.is_some_and(|ratio| ratio.mean > 1.0);
        let saves_time = changes_time && time.mean >= margin_percent && !wears_more;
        let saves_wear = changes_wear && wear.is_some_and(|ratio| ratio.mean <= WEAR_MARGIN) && !slower;
        match (saves_time, saves_wear) {
            (true, true) => Verdict::Both,
            (true, false) => Verdict::Time,
            (false, true) => Verdict::Wear,
            (false, false) if time.high < margin_percent => Verdict::None,
            (false, false) => Verdict::NotClear,
        }
    }
}

fn times(outcomes: &[Outcome]) -> Result<Scores, StatisticsError> {
    episode_scores(Metric::CourseTime, &[outcomes.to_vec()])
}

fn damage(outcomes: &[Outcome]) -> Result<Scores, StatisticsError> {
    episode_scores(Metric::Damage, &[outcomes.to_vec()])
}

fn finished_percent(outcomes: &[Outcome]) -> f64 {
    let finished = outcomes.iter().filter(|outcome| outcome.cause == Cause::Finished).count();
    100.0 * finished as f64 / outcomes.len().max(1) as f64
}

fn scaled(estimate: Estimate, factor: f64) -> Estimate {
    Estimate {
        mean: factor * estimate.mean,
        low: factor * estimate.low,
        high: factor * estimate.high,
        ..estimate
    }
}

#[cfg(test)]
mod tests;
