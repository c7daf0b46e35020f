//! The flags of `card`.

use super::common::{LocalArgs, Output, SessionArgs};
use clap::Args;
use std::path::PathBuf;

/// `bossmark card`.
#[derive(Args, Debug)]
pub struct Card {
    /// Records, or folders of them; `-` for stdin
    #[arg(required = true, value_name = "RECORD")]
    pub records: Vec<PathBuf>,
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
