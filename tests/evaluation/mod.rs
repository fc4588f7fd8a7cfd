//! The evaluation against independent implementations: statistics against SciPy and rliable, the plan against
//! rules, finer grids and exhaustive search.

mod bound;
mod statistics;
