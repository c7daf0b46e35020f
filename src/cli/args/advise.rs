//! The flags of `advise`.

use super::common::{LocalArgs, Output, SessionArgs};
use clap::Args;
use std::path::PathBuf;

/// `bossmark advise`.
#[derive(Args, Debug)]
pub struct Advise {
    /// Records, or folders of them; `-` for stdin
    #[arg(required = true, value_name = "RECORD")]
    pub records: Vec<PathBuf>,
    /// Allow a change on each axis at once
    #[arg(long)]
    pub both: bool,
    /// Show the chain from reading to step with its numbers
    #[arg(long, conflicts_with = "json")]
    pub why: bool,
    /// How the text is written.
    #[command(flatten)]
    pub local: LocalArgs,
    /// Output.
    #[command(flatten)]
    pub output: Output,
    /// Session: fills what the records leave open.
    #[command(flatten)]
    pub session: SessionArgs,
}
