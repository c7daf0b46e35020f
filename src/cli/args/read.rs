//! The flags of `read`.

use super::common::{Output, SessionArgs, UnitsArg};
use clap::Args;
use std::path::PathBuf;

/// `bossmark read`.
#[derive(Args, Debug)]
pub struct Read {
    /// Records, or folders of them; `-` for stdin
    #[arg(required_unless_present_any = ["tape", "tape_template"], value_name = "RECORD")]
    pub records: Vec<PathBuf>,
    /// Places measured by hand: a table (CSV) of x, y, kind, end, arrow; `-` for stdin. With --out their records are written
    /// there, one a line
    #[arg(long, value_name = "FILE")]
    pub tape: Option<PathBuf>,
    /// Print such a table to fill in
    #[arg(long, conflicts_with_all = ["tape", "records"])]
    pub tape_template: bool,
    /// Unit of lengths in the text, and of a table's columns that name none; documents stay in mm
    #[arg(long, value_name = "mm|in", default_value = "mm")]
    pub units: UnitsArg,
    /// Output.
    #[command(flatten)]
    pub output: Output,
    /// Session: fills what the records leave open.
    #[command(flatten)]
    pub session: SessionArgs,
}
