//! The vehicle and its ground against values from outside, the facts of the trade, the laws of energy, and
//! an independent integrator.
//!
//! Of the outside check values these do not apply, each with its reason:
//! - motor spin-up *with* inductance: the electrical time constant is neglected (the error is checked instead);
//! - terminal speeds at -5°: the motor is driven there and the gears then pass torque the other way;
//! - coast-down in gear with a short circuit: duty 0 leaves the motor's circuit open;
//! - battery with an RC branch, the selector's detent, period measurement of speed: not modelled;
//! - drive over a step with torque held: the model lets the force fall linearly with the distance rolled;
//! - optimal gear sequence of a drive cycle: a question to a planner, not to the vehicle.
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
mod guard_fuzz;
mod heat;
mod hunting;
mod invariants;
mod motor;
mod obstacles;
mod peer;
mod properties;
mod reference_integrator;
mod roughness;
mod schedule;
mod sensors;
mod slipping;
mod traction;
mod tractive_effort;
