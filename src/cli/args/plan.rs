//! The flags of `plan`.

use super::common::{Output, SessionArgs, UnitsArg};
use super::values::{millimetres, percent};
use clap::Args;
use std::path::PathBuf;

/// `bossmark plan`.
#[derive(Args, Debug)]
pub struct Plan {
    /// Earlier records, or folders of them: how the archer scatters, and from where
    #[arg(value_name = "RECORD")]
    pub records: Vec<PathBuf>,
    /// The archer's scatter at that distance: standard deviation on each axis, mm
    #[arg(long, value_name = "MM", value_parser = millimetres)]
    pub scatter: Option<f64>,
    /// How large a group of fletched arrows usually is at that distance: between the farthest two, mm
    #[arg(long, value_name = "MM", value_parser = millimetres, conflicts_with = "scatter")]
    pub group: Option<f64>,
    /// How many arrows such a group has
    #[arg(long, value_name = "N", default_value_t = 6, value_parser = clap::value_parser!(u32).range(2..=36))]
    pub group_arrows: u32,
    /// How sure a call should be to come, in percent
    #[arg(long, value_name = "PERCENT", value_parser = percent)]
    pub certainty: Option<f64>,
    /// The archer's own tolerance at 30 m, mm
    #[arg(long, value_name = "MM", value_parser = millimetres)]
    pub tolerance: Option<f64>,
    /// Print a short note to send to a student instead: what to shoot, how to take the photo, and what to tell
    #[arg(long, conflicts_with_all = ["json", "out"])]
    pub for_student: bool,
    /// For that note: the target face, a name from `bossmark faces`
    #[arg(long, value_name = "FACE", requires = "for_student")]
    pub face: Option<String>,
    /// Unit of lengths in the text; documents stay in mm
    #[arg(long, value_name = "mm|in", default_value = "mm")]
    pub units: UnitsArg,
    /// Output.
    #[command(flatten)]
    pub output: Output,
    /// Session.
    #[command(flatten)]
    pub session: SessionArgs,
}
