//! Policies on the vehicles that fit the same logs: drawn from the covariance of a fit, all driven over the same courses.
//!
//! What the fit knows together is drawn together; the ranges of the vehicle file for efficiencies, winding, battery and rolling resistance,
//! which hold the same uncertainty for training, are left out. Mass, charge, air and sensors vary as the file says.

use crate::statistics::StatisticsError;
use crate::suite::TestSuite;
use crate::summary::{FittedComparison, Metric};
use crate::{PolicyId, aggregate::episode_scores};
use lowgear_agents::policy::Policy;
use lowgear_env::config::{KeyError, ParameterDistribution};
use lowgear_env::vehicle::FittedConfig;
use lowgear_env::{Outcome, Scenario, Stream};
use lowgear_sysid::fit::{DrawnVehicle, FittedVehicles, Surfaces};
use rand_distr::{Distribution, StandardNormal};

/// Draws of one vehicle until every value lies within its limits.
const TRIES: usize = 256;

/// Draws worlds.
#[derive(Clone, Debug)]
pub struct FittedWorlds<'a> {
    scenario: &'a Scenario,
    vehicles: FittedVehicles,
}

impl<'a> FittedWorlds<'a> {
    /// Worlds like `scenario`, as far as the fit knows it.
    ///
    /// # Errors
    /// What the fit of the vehicle file names and the vehicle has not.
    pub fn new(scenario: &'a Scenario, fitted: &FittedConfig) -> Result<FittedWorlds<'a>, KeyError> {
        let course = &scenario.course.surfaces;
        let surfaces = Surfaces {
            names: course.iter().map(|s| s.name.clone()).collect(),
            rolling: course.iter().map(|s| s.rolling).collect(),
            drag_s_m: course.iter().map(|s| s.drag_s_m).collect(),
            friction: 0.0,
        };
        Ok(FittedWorlds { scenario, vehicles: FittedVehicles::new(fitted, &scenario.vehicle, surfaces)? })
    }

    /// World number `index`: other vehicle and ground, same courses and noise; the controller keeps its constants.
    #[must_use]
    pub fn draw(&self, index: u64) -> Scenario {
        let mut rng = self.scenario.seed.stream(Stream::FittedVehicle, index);
        let mut draw = || {
            let normals: Vec<f64> =
                (0..self.vehicles.count()).map(|_| StandardNormal.sample(&mut rng)).collect();
            self.vehicles.draw(&normals)
        };
        let mut drawn = draw();
        for _ in 0..TRIES {
            if drawn.inside {
                break;
            }
            drawn = draw();
        }
        let DrawnVehicle { config, surfaces, .. } = drawn;
        let mut world = self.scenario.clone();
        world.vehicle = config;
        let variation = &mut world.vehicle.variation;
        for factor in [
            &mut variation.efficiency_factor,
            &mut variation.winding_factor,
            &mut variation.rolling_factor,
            &mut variation.battery_resistance_factor,
        ] {
            *factor = ParameterDistribution::Fixed(1.0);
        }
        let drawn = surfaces.names.iter().zip(surfaces.rolling.iter().zip(&surfaces.drag_s_m));
        for (name, (rolling, drag_s_m)) in drawn {
            for surface in world.course.surfaces.iter_mut().filter(|s| s.name == *name) {
                (surface.rolling, surface.drag_s_m) = (*rolling, *drag_s_m);
            }
            let measured = world.measured.iter_mut().flat_map(|course| &mut course.surfaces);
            for surface in measured.filter(|s| s.name == *name) {
                (surface.rolling, surface.drag_s_m) = (*rolling, *drag_s_m);
            }
        }
        world
    }
}

/// Mean course time of a policy on one vehicle against that of another policy, %: below zero where it is ahead.
///
/// # Errors
/// [`StatisticsError`].
pub fn time_percent<P: Policy + Clone + Sync>(
    world: &Scenario,
    courses: u64,
    seeds: &[P],
    against: &P,
) -> Result<f64, StatisticsError> {
    let suite = TestSuite::new(world, courses);
    let own: Vec<Vec<Outcome>> = seeds.iter().map(|policy| suite.outcomes(|| policy.clone())).collect();
    let other = [suite.outcomes(|| against.clone())];
    let mean = |rows: &[Vec<Outcome>]| Ok(episode_scores(Metric::CourseTime, rows)?.mean());
    let (own, other): (f64, f64) = (mean(&own)?, mean(&other)?);
    Ok(100.0 * (own - other) / other)
}

impl FittedComparison {
    /// From the difference on each vehicle.
    #[must_use]
    pub fn new(
        (policy, against): (PolicyId, PolicyId),
        fitted: &FittedConfig,
        courses: u64,
        time_percent: Vec<f64>,
    ) -> FittedComparison {
        let count = |beyond: f64| time_percent.iter().filter(|percent| **percent < -beyond).count();
        FittedComparison {
            policy,
            against,
            courses: courses as usize,
            ahead: count(0.0),
            gap_percent: fitted.gap_percent,
            ahead_beyond_gap: fitted.gap_percent.map(count),
            time_percent,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::aggregate::tests::{rule, scenario};
    use lowgear_env::vehicle::FittedParameter;

    fn fitted(rolling: f64) -> FittedConfig {
        let parameter = |name: &str, value: f64, correlation: Vec<f64>| FittedParameter {
            name: name.into(),
            value,
            error: 0.05 * value,
            correlation,
        };
        FittedConfig::new(vec![
            parameter("resistance-ohm (battery)", 0.5, vec![]),
            parameter(&format!("rolling on {}", scenario().course.surfaces[0].name), rolling, vec![0.5]),
        ])
    }

    #[test]
    fn worlds_differ_in_what_was_fitted_and_in_nothing_else() {
        let plain = scenario();
        let fitted = fitted(plain.course.surfaces[0].rolling);
        let worlds = FittedWorlds::new(&plain, &fitted).unwrap();
        let (one, other) = (worlds.draw(0), worlds.draw(1));
        assert!(one.vehicle.battery.resistance_ohm != other.vehicle.battery.resistance_ohm);
        assert!(one.course.surfaces[0].rolling != other.course.surfaces[0].rolling);
        assert_eq!(one.course.surfaces[1..], plain.course.surfaces[1..]);
        assert_eq!((one.settings, one.vehicle.chassis), (plain.settings, plain.vehicle.chassis.clone()));
        assert_eq!(worlds.draw(1).vehicle, other.vehicle, "the same number, the same vehicle");
    }

    #[test]
    fn a_policy_is_ahead_of_itself_on_no_vehicle_and_of_a_worse_one_on_all() {
        let plain = scenario();
        let fitted = FittedConfig { gap_percent: Some(0.2), ..fitted(plain.course.surfaces[0].rolling) };
        let worlds = FittedWorlds::new(&plain, &fitted).unwrap();
        let percents = |up: i16| -> Vec<f64> {
            let own = [rule(760, 400)];
            (0..3).map(|k| time_percent(&worlds.draw(k), 4, &own, &rule(up, 400)).unwrap()).collect()
        };
        let ids = || (PolicyId::Table, PolicyId::TunedLoadRule);
        let same = FittedComparison::new(ids(), &fitted, 4, percents(760));
        assert_eq!((same.ahead, same.ahead_beyond_gap), (0, Some(0)));
        let slow = FittedComparison::new(ids(), &fitted, 4, percents(1200));
        assert_eq!((slow.ahead, slow.ahead_beyond_gap), (3, Some(3)), "{:?}", slow.time_percent);
    }
}
