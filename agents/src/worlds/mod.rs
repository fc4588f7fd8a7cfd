//! Check worlds: small textbook problems with known answers, on which learners are tested.
//!
//! Each names its source.

pub mod bias;
pub mod cartpole;
pub mod cliff;
pub mod corridor;
pub mod frozen_lake;
pub mod random_walk;
pub mod recall;
