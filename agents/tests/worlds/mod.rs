//! Check worlds: small textbook problems with known answers, on which learners are tested.
//!
//! Each names its source.

#![allow(
    unreachable_pub,
    dead_code,
    unused_imports,
    reason = "tests and benchmarks include this module, each needs some of it"
)]

pub mod bias;
pub mod cartpole;
pub mod cliff;
pub mod corridor;
pub mod finite;
pub mod frozen_lake;
pub mod random_walk;
pub mod recall;
pub mod solve;
