//! Policy iteration by rollouts over the cells of a table.
//!
//! A state of the present policy is copied, and every action is tried on a copy of its own: that action first, then
//! the present policy for a while, with the same noise in every copy. What the copies collect differs by the
//! worth of the action (Bertsekas, Tsitsiklis, Wu 1997, "Rollout algorithms for combinatorial optimization",
//! Journal of Heuristics 3). Such differences are gathered by cell, and at the end of each round a cell takes another
//! action where it has been better by more than chance allows: approximate policy iteration with a policy for a
//! model (Lagoudakis, Parr 2003, "Reinforcement learning as classification", ICML; Dimitrakakis, Lagoudakis 2008,
//! "Rollout sampling approximate policy iteration", Machine Learning 72). No value is bootstrapped, so what a cell
//! cannot tell apart is averaged over and not fed back.
//!
//! The policy is the table itself, as a vehicle can carry it.

mod evidence;
mod learner;
mod settings;

pub use evidence::Evidence;
pub use learner::RolloutLearner;
pub use settings::RolloutSettings;

#[cfg(test)]
mod tests;
