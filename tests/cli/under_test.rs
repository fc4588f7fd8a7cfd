//! The command `lowgear`, rebuilt next to the tests so that they can start it.

use std::process::ExitCode;

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    lowgear_train::cli::run(std::env::args_os())
}
