//! The flags of `day`.

use super::common::{LocalArgs, SessionArgs};
use clap::Args;
use std::path::PathBuf;

/// `bossmark day`.
#[derive(Args, Debug)]
pub struct Day {
    /// Folders of photos, each with session.json if there is one; a folder of such folders stands for them (one an archer)
    #[arg(required = true, value_name = "FOLDER")]
    pub folders: Vec<PathBuf>,
    /// Write the report here: one HTML file to look at, print and keep
    #[arg(long, value_name = "FILE")]
    pub report: Option<PathBuf>,
    /// Write a report for each archer into this folder
    #[arg(long, value_name = "DIR")]
    pub reports: Option<PathBuf>,
    /// Print the report's details too: every set-up, every entry, what was learned
    #[arg(long)]
    pub full: bool,
    /// Show archers' names, labels of bows, file names and notes in reports and tables; otherwise they are left out
    #[arg(long)]
    pub names: bool,
    /// Folder of earlier records, with those below it: the same bow's count for advice, and reports show the trend
    #[arg(long, value_name = "DIR")]
    pub history: Option<PathBuf>,
    /// Target face: a name from `bossmark faces`, or a face file [default: the session file's]
    #[arg(long, value_name = "FACE")]
    pub face: Option<String>,
    /// Lens profile, or a folder of them [default: the session file's, else NAME.lens.json in the folder]
    #[arg(long, value_name = "FILE|DIR")]
    pub lens: Option<PathBuf>,
    /// Folder of the records [default: beside the photos]
    #[arg(short, long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Measure photos again that are done already; what a person has worked on stays
    #[arg(long)]
    pub again: bool,
    /// Take one share of N of the photos, by their content: run 1/N to N/N anywhere, then once without it
    #[arg(long, value_name = "K/N", value_parser = shard, conflicts_with_all = ["report", "reports", "svg", "png", "csv", "history"])]
    pub shard: Option<(u64, u64)>,
    /// Photos measured at the same time [default: as many as there are processors]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
    /// Print the record of each end as JSON, one a line, and nothing else, on stdout
    #[arg(long)]
    pub json: bool,
    /// Allow a change on each axis at once
    #[arg(long)]
    pub both: bool,
    /// Write each set-up's face plot, and how the offset moved, into this folder as SVG
    #[arg(long, value_name = "DIR")]
    pub svg: Option<PathBuf>,
    /// The same as PNG; needs a program built with the feature `png`
    #[arg(long, value_name = "DIR")]
    pub png: Option<PathBuf>,
    /// Write all entries as a table for a spreadsheet
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// How texts and reports are written.
    #[command(flatten)]
    pub local: LocalArgs,
    /// Session.
    #[command(flatten)]
    pub session: SessionArgs,
}

/// `K/N`: the Kth of N shares.
fn shard(text: &str) -> Result<(u64, u64), String> {
    let numbers = text
        .split_once('/')
        .and_then(|(k, n)| Some((k.trim().parse().ok()?, n.trim().parse().ok()?)));
    match numbers {
        Some((k, n)) if (1..=n).contains(&k) => Ok((k, n)),
        _ => Err("give a share and how many there are, from 1/4 to 4/4".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_counted_from_one() {
        assert_eq!(shard("2/4"), Ok((2, 4)));
        for bad in ["0/4", "5/4", "2", "a/b", "1/0"] {
            assert!(shard(bad).is_err(), "{bad}");
        }
    }
}
