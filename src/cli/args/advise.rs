//! The flags of `advise`.

use super::common::{LocalArgs, Output, SessionArgs};
use clap::Args;
use std::path::PathBuf;

/// `bossmark advise`.
#[derive(Args, Debug)]
pub struct Advise {
    /// Records, or folders of them; `-` for stdin
    #[arg(required_unless_present = "tape", value_name = "RECORD")]
    pub records: Vec<PathBuf>,
    /// Places measured by hand: a table (CSV), as `bossmark read --tape-template` prints it; `-` for stdin
    #[arg(long, value_name = "FILE")]
    pub tape: Option<PathBuf>,
    /// Allow a change on each axis at once
    #[arg(long)]
    pub both: bool,
    /// Show everything: the reading, all cautions, and the chain from reading to step with its numbers
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
