//! The vehicle and its ground against values from outside, the facts of the trade, the laws of energy, and
//! an independent integrator.
//!
//! Which outside value is checked where, and which do not apply, stands in `check_values`.
#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a check that cannot be made has failed"
)]

mod any_vehicle;
mod battery;
mod check_values;
mod closed_loop;
mod coast_down;
mod damage;
mod demo_cart;
mod dogs;
mod energy;
mod facts;
mod facts_of_shifting;
mod feeler;
mod guard_fuzz;
mod heat;
mod hunting;
mod invariants;
mod limits;
mod loads;
mod motor;
mod obstacles;
mod odometer;
mod peer;
mod properties;
mod reference_integrator;
mod roughness;
mod schedule;
mod sensors;
mod slipping;
mod traction;
mod tractive_effort;
