//! The `segue` binary; everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    segue::app::run(std::env::args_os())
}
