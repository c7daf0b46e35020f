//! The flags of `completions` and `man`.

use clap::Args;
use std::path::PathBuf;

/// `bossmark completions`.
#[derive(Args, Debug)]
pub struct Completions {
    /// The shell
    #[arg(value_enum)]
    pub shell: clap_complete::Shell,
}

/// `bossmark man`.
#[derive(Args, Debug)]
pub struct Man {
    /// Write all pages into this folder [default: the main page, on stdout]
    #[arg(short, long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}
