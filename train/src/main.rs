//! The command `lowgear`.

use std::process::ExitCode;

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    lowgear_train::cli::run(std::env::args_os())
}
