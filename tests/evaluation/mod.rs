//! The evaluation against independent implementations: statistics against SciPy and rliable, the plan against
//! rules, finer grids and exhaustive search; replays of logs.
#![expect(clippy::unwrap_used, reason = "a check that cannot be made has failed")]

mod ahead;
mod bound;
mod events;
mod learned_ways;
mod replayed;
mod statistics;
mod trial;
