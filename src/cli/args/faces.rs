//! The flags of `faces`.

use super::common::Output;
use clap::Args;

/// `bossmark faces`.
#[derive(Args, Debug)]
pub struct Faces {
    /// Where each figure comes from, and the rings
    #[arg(long)]
    pub sources: bool,
    /// Output.
    #[command(flatten)]
    pub output: Output,
}
