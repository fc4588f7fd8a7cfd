//! The environment for Python users: a batch of worlds that writes what policies see into arrays.
//!
//! Start reading at [`batch::Batch`]. What Gymnasium expects of an environment is in Python, in `package/lowgear/`.
#![cfg_attr(doc, doc = include_str!("../README.md"))]

mod batch;
mod canvas;
mod encode;
mod env_slot;
mod picture;
mod setup;

use pyo3::prelude::*;

/// The module `lowgear._core`.
#[pymodule]
#[pyo3(name = "_core")]
mod core {
    #[pymodule_export]
    use super::batch::Batch;
}
