//! Tabular control: Q-learning, Sarsa, Expected Sarsa and Double Q-learning with eligibility traces.
//!
//! Start reading at [`learn_episode`], then [`update`], then [`TabularLearner`].
//!
//! **Time.** Decisions are not evenly spaced (a shift outlasts several), so the problem is semi-Markov: the
//! discount is `gamma_per_s` to the power of the elapsed time.
//!
//! **The guide.** Two decisions 0.2 s apart differ in value by less than a learner's noise, and a bare
//! arg-max over such values chatters. So a learner may be given a guide, the decision of a good rule, at
//! every decision. It follows the guide until the guide's action and another one have both been tried
//! `trust-visits` times in that cell, and then departs from it only where the other action's value is
//! higher by more than `rule-margin`. Greedy behaviour thus starts as the rule. The idea is that of safe
//! policy improvement by falling back on a baseline where counts are low (Laroche, Trichelair, Tachet des
//! Combes 2019, "Safe policy improvement with baseline bootstrapping", ICML); the margin is ours.

mod episode;
mod learner;
mod policy;
mod settings;
mod step_size;
mod traces;
pub mod update;

pub use episode::learn_episode;
pub use learner::{Choice, TabularLearner, View};
pub use policy::{Coverage, TabularPolicy};
pub use settings::{Algorithm, TabularError, TabularSettings, TraceKind};
pub use step_size::StepSize;

#[cfg(test)]
mod tests;
