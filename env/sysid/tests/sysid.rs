//! Logs and fits against values from outside. Programs in Python stand in `tests/sysid/` at the top.
#![expect(clippy::unwrap_used, clippy::panic, reason = "a check that cannot be made has failed")]

mod sysid {
    mod dirty;
    mod doubted;
    mod kept;
    mod mutated;
    mod python;
    mod recovered;
    mod scipy;
    mod sheeted;
    mod textbook;
    mod unmodelled;
}
