//! The flags of `history`.

use super::common::{LocalArgs, Output, SessionArgs};
use clap::Args;
use std::path::PathBuf;

/// `bossmark history`.
#[derive(Args, Debug)]
pub struct History {
    /// Records, or folders of them with those below; `-` for stdin
    #[arg(required = true, value_name = "RECORD")]
    pub records: Vec<PathBuf>,
    /// Compare two set-ups, as the list counts them
    #[arg(long, value_name = "A,B", value_parser = two_setups)]
    pub compare: Option<[usize; 2]>,
    /// All bows, not only that of the newest record
    #[arg(long, conflicts_with = "compare")]
    pub all: bool,
    /// Write every entry of every record as a table for a spreadsheet
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// Draw the trend of offset and group size
    #[arg(long, value_name = "FILE", conflicts_with = "compare")]
    pub svg: Option<PathBuf>,
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

/// Two different numbers of set-ups.
fn two_setups(text: &str) -> Result<[usize; 2], String> {
    let numbers = text
        .split_once(',')
        .and_then(|(a, b)| Some((a.trim().parse().ok()?, b.trim().parse().ok()?)));
    match numbers {
        Some((a, b)) if a > 0 && b > 0 && a != b => Ok([a, b]),
        _ => Err("give the numbers of two set-ups, like 1,3".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pairs_of_setups_are_counted_from_one() {
        assert_eq!(two_setups("1, 3"), Ok([1, 3]));
        for bad in ["1,1", "0,1", "3"] {
            assert!(two_setups(bad).is_err(), "{bad}");
        }
    }
}
