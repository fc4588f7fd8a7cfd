//! Logs, fits and replays against values from outside. Programs in Python stand in `tests/field/` at the top.
#![expect(clippy::unwrap_used, clippy::panic, reason = "a check that cannot be made has failed")]

mod field {
    mod dirty;
    mod doubted;
    mod kept;
    mod mutated;
    mod python;
    mod recovered;
    mod replayed;
    mod scipy;
    mod sheeted;
    mod textbook;
}
