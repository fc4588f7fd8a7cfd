//! The learner as a whole.
