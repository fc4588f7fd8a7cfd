//! Vehicles that fit the same logs: fitted values drawn together from their covariance.

use super::estimate::{Estimate, Fit};
use super::parameters::{Parameter, Shared, Surfaces};
use lowgear_env::config::KeyError;
use lowgear_env::vehicle::{FittedConfig, FittedParameter, VehicleConfig};
use nalgebra::{DMatrix, DVector, SymmetricEigen};

/// Sweeps of the eigenvalue decomposition before it is given up.
const MOST_SWEEPS: usize = 2000;

impl Fit {
    /// Values, errors and correlations as a vehicle file holds them.
    pub(super) fn fitted(&self) -> Option<FittedConfig> {
        let kept: Vec<(usize, &Estimate)> =
            self.estimates.iter().enumerate().filter(|(_, e)| e.error > 0.0 && e.error.is_finite()).collect();
        let parameter = |(at, (i, estimate)): (usize, &(usize, &Estimate))| FittedParameter {
            name: estimate.name.clone(),
            value: figures(estimate.value),
            error: figures(estimate.error),
            correlation: kept[..at].iter().map(|(j, _)| thousandths(self.correlation[(*i, *j)])).collect(),
        };
        let parameters: Vec<FittedParameter> = kept.iter().enumerate().map(parameter).collect();
        (!parameters.is_empty())
            .then(|| FittedConfig { logs: self.logs.clone(), ..FittedConfig::new(parameters) })
    }
}

fn figures(value: f64) -> f64 {
    format!("{value:.4e}").parse().unwrap_or(value)
}

fn thousandths(value: f64) -> f64 {
    (1000.0 * value.clamp(-1.0, 1.0)).round() / 1000.0
}

/// A drawn vehicle and its ground.
#[derive(Clone, Debug)]
pub struct DrawnVehicle {
    /// The vehicle.
    pub config: VehicleConfig,
    /// Its surfaces.
    pub surfaces: Surfaces,
    /// Whether no value had to be moved to its limit. Of values that hang together one that is moved falls out: such a vehicle is better drawn
    /// again.
    pub inside: bool,
}

/// Draws vehicles and their ground.
#[derive(Clone, Debug)]
pub struct FittedVehicles {
    config: VehicleConfig,
    surfaces: Surfaces,
    /// Parameter, value and standard error; none for a surface that the course does not have.
    parameters: Vec<(Option<Parameter>, f64, f64)>,
    /// Square root of the correlations.
    root: DMatrix<f64>,
}

impl FittedVehicles {
    /// For this vehicle on these surfaces.
    ///
    /// # Errors
    /// A name that is none of the vehicle's, or correlations that cannot be.
    pub fn new(
        fitted: &FittedConfig,
        config: &VehicleConfig,
        surfaces: Surfaces,
    ) -> Result<FittedVehicles, KeyError> {
        let all = Parameter::all(config.gearbox.total_ratio.len(), surfaces.names.len());
        let mut parameters = Vec::new();
        for (i, given) in fitted.parameters.iter().enumerate() {
            let found = all.iter().find(|p| p.name(&surfaces) == given.name).cloned();
            let on_ground = ["rolling on ", "drag-s-m on "].iter().any(|start| given.name.starts_with(start));
            if found.is_none() && !on_ground {
                let key = format!("fitted.parameters[{i}].name");
                let allowed = "a name that `lowgear fit` writes for this vehicle";
                return Err(KeyError::new(key, format!("{:?}", given.name), allowed));
            }
            parameters.push((found, given.value, given.error));
        }
        let n = parameters.len();
        let entry = |i: usize, j: usize| match i.cmp(&j) {
            std::cmp::Ordering::Equal => 1.0,
            std::cmp::Ordering::Greater => fitted.parameters[i].correlation[j],
            std::cmp::Ordering::Less => fitted.parameters[j].correlation[i],
        };
        let correlation = DMatrix::from_fn(n, n, entry);
        let root = SymmetricEigen::try_new(correlation, 1e-12, MOST_SWEEPS).map(|eigen| {
            // Rounding may leave a direction without variance a little below zero.
            let sizes = eigen.eigenvalues.map(|value| value.max(0.0).sqrt());
            eigen.eigenvectors * DMatrix::from_diagonal(&sizes)
        });
        let impossible = || KeyError::new("fitted.parameters", "correlations", "those of a covariance");
        Ok(FittedVehicles {
            config: config.clone(),
            surfaces,
            parameters,
            root: root.ok_or_else(impossible)?,
        })
    }

    /// Numbers that a draw takes.
    #[must_use]
    pub fn count(&self) -> usize {
        self.parameters.len()
    }

    /// One vehicle with its surfaces from independent standard normal numbers, [`FittedVehicles::count`] of them; zeros give the fitted values.
    /// What is positive by nature is log-normal; every value is kept within its limits.
    #[must_use]
    pub fn draw(&self, normals: &[f64]) -> DrawnVehicle {
        let together =
            &self.root * DVector::from_fn(self.count(), |i, _| normals.get(i).copied().unwrap_or(0.0));
        let mut shared = Shared::from_parts(self.config.clone(), self.surfaces.clone());
        let mut inside = true;
        for ((parameter, value, error), z) in self.parameters.iter().zip(together.iter()) {
            let Some(parameter) = parameter else { continue };
            let drawn = if parameter.is_positive() && *value > 0.0 {
                let log_sd = (error / value).powi(2).ln_1p().sqrt();
                value * (log_sd * z).exp()
            } else {
                value + error * z
            };
            let (low, high) = parameter.limits();
            inside &= (low..=high).contains(&drawn);
            shared.set(parameter, drawn.clamp(low, high));
        }
        DrawnVehicle { config: shared.config, surfaces: shared.surfaces, inside }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    fn cart() -> VehicleConfig {
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../configs/vehicles/demo-cart.toml");
        lowgear_env::config::load(&file).unwrap()
    }

    fn fitted() -> FittedConfig {
        let parameter = |name: &str, value, error, correlation: &[f64]| FittedParameter {
            name: name.into(),
            value,
            error,
            correlation: correlation.to_vec(),
        };
        FittedConfig::new(vec![
            parameter("resistance-ohm (winding)", 14.0, 0.7, &[]),
            parameter("rolling on path", 0.03, 0.003, &[-0.8]),
            parameter("rolling on gravel", 0.05, 0.003, &[0.0, 0.0]),
        ])
    }

    #[test]
    fn drawn_vehicles_have_the_mean_spread_and_correlation_of_the_fit() {
        let vehicles = FittedVehicles::new(&fitted(), &cart(), Surfaces::new(vec!["path".into()])).unwrap();
        let ohm = |config: &VehicleConfig| config.motor.line.constants().resistance_ohm;
        let middle = vehicles.draw(&[0.0; 3]);
        assert!((ohm(&middle.config) - 14.0).abs() < 1e-9 && middle.inside);
        assert!((middle.surfaces.rolling[0] - 0.03).abs() < 1e-12);
        // Sums over the eight corners of a cube have the moments of independent numbers.
        let corners: Vec<[f64; 3]> =
            (0..8).map(|c: i32| [0, 1, 2].map(|bit| f64::from(2 * (c >> bit & 1) - 1))).collect();
        let drawn: Vec<(f64, f64)> = corners
            .iter()
            .map(|corner| vehicles.draw(corner))
            .map(|d| ((ohm(&d.config) / 14.0).ln(), (d.surfaces.rolling[0] / 0.03).ln()))
            .collect();
        let mean = |of: fn(&(f64, f64)) -> f64| drawn.iter().map(of).sum::<f64>() / 8.0;
        let (sd_a, sd_b) = (mean(|d| d.0 * d.0).sqrt(), mean(|d| d.1 * d.1).sqrt());
        assert!((sd_a - 0.05).abs() < 1e-3 && (sd_b - 0.1).abs() < 1e-3, "{sd_a} {sd_b}");
        assert!((mean(|d| d.0 * d.1) / (sd_a * sd_b) + 0.8).abs() < 1e-9);
    }

    #[test]
    fn a_value_beyond_its_limit_is_reported() {
        let mut grassy = fitted();
        grassy.parameters.truncate(1);
        grassy.parameters[0] =
            FittedParameter { name: "drag-s-m on path".into(), value: 0.0, error: 0.1, correlation: vec![] };
        let vehicles = FittedVehicles::new(&grassy, &cart(), Surfaces::new(vec!["path".into()])).unwrap();
        let (up, down) = (vehicles.draw(&[1.0]), vehicles.draw(&[-1.0]));
        let drags = [up.surfaces.drag_s_m[0], down.surfaces.drag_s_m[0]];
        assert!(up.inside != down.inside && drags.contains(&0.1) && drags.contains(&0.0), "{drags:?}");
    }

    #[test]
    fn a_name_that_no_fit_writes_is_refused() {
        let mut wrong = fitted();
        wrong.parameters[0].name = "resistance".into();
        let error = FittedVehicles::new(&wrong, &cart(), Surfaces::new(vec![])).unwrap_err();
        assert!(error.key == "fitted.parameters[0].name", "{error:?}");
    }
}
