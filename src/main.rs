//! The program: everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    bossmark::cli::run(std::env::args_os()).into()
}
