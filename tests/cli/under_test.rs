//! The command, rebuilt beside the tests.
fn main() {}
