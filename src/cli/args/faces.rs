//! The flags of `faces`.

use super::common::Output;
use clap::Args;

/// `bossmark faces`.
#[derive(Args, Debug)]
pub struct Faces {
    /// Output.
    #[command(flatten)]
    pub output: Output,
}
