//! Policy iteration by rollouts over the cells of a table.
//!
//! A state that the present policy comes to is copied, and every action is tried on a copy of its own: that action
//! first, then the present policy for a while, with the same noise in every copy. What the copies collect differs by the
//! worth of the action (Bertsekas, Tsitsiklis, Wu 1997, "Rollout algorithms for combinatorial optimization",
//! Journal of Heuristics 3). Such differences are gathered by cell, and at the end of each round a cell takes another
//! action where it has been better by more than chance allows: approximate policy iteration with a policy for a
//! model (Lagoudakis, Parr 2003, "Reinforcement learning as classification", ICML; Dimitrakakis, Lagoudakis 2008,
//! "Rollout sampling approximate policy iteration", Machine Learning 72). No value is bootstrapped, so what a cell
//! cannot tell apart is averaged over and not fed back.
//!
//! Each cell either follows a guide, a good rule, or overrides it with an action of its own. In the beginning all
//! follow, so the policy starts as the guide.

mod evidence;
mod learner;
mod policy;
mod settings;

pub use evidence::Evidence;
pub use learner::RolloutLearner;
pub use policy::{RolloutError, RolloutPolicy};
pub use settings::RolloutSettings;

#[cfg(test)]
mod tests;
