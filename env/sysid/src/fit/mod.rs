//! The simulator's parameters from runs: bounded, robust least squares through the very simulator.
//!
//! Each run is re-simulated by the plant of `lowgear-env` with the duties of the log (output error: what is compared
//! is motor speed, battery voltage and current over the whole run). Residuals are weighted by what each sensor scatters,
//! beyond 1.345 of that they count by Huber's loss (Huber 1964). Levenberg and Marquardt's method is that of the crate
//! `levenberg-marquardt` (a port of MINPACK's), limits are kept by a logistic change of variable. Standard errors are those of
//! an M-estimator (Huber 1967) from the Jacobian at the solution, each channel with its own scatter.
//!
//! Torque constant and back-EMF constant are tied by their ratio in the start file: torque constant, rotor inertia
//! and the efficiencies only ever act as products, so that no log can distinguish all of them.
//! Not fitted: mass, wheel radius, ratios, friction of the ground. Wheel inertia and heat constants are fitted where the runs tell
//! something of them, with what is known beforehand as a residual of its own. How far given values may be off stands in every standard error
//! ([`GivenErrors`]).

mod conclude;
mod course_file;
mod draws;
mod estimate;
mod format;
mod given;
mod initial;
mod linearised;
mod misfit;
mod parameters;
mod plots;
mod problem;
mod scale;
mod selector;
mod sensors;
mod simulate;
mod uncertainty;
mod unmodelled;
mod vehicle_file;

pub use draws::{DrawnVehicle, FittedVehicles};
pub use estimate::{Conditions, Estimate, Fit, FitError, FixedParameter, fit};
pub use given::{GivenErrors, GivenValue};
pub use initial::{charge_at_rest, charge_at_rest_v, still_rad_s};
pub use misfit::StallPullResult;
pub use parameters::{Parameter, Surfaces};
pub use problem::{Channel, Residual};
pub use scale::{mean_drive_force_n, spring_scale_n};
pub use selector::{SelectorFit, fit_selector};
pub use sensors::SensorFit;
pub use simulate::{Predicted, World, simulate};
pub use unmodelled::{Effect, LackOfFit};
