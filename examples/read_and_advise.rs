//! Records of a bow → what its groups say, and the next change.
//!
//! `cargo run --release --example read_and_advise -- evening-1.end.json evening-2.end.json`

#![allow(clippy::print_stdout, reason = "a program that prints its findings")]

use anyhow::{Context, Result};
use bossmark::advice::{AdviceOptions, advise};
use bossmark::record::{History, RecordFile, parse_records};
use bossmark::text::{Locale, plain};
use bossmark::timeline::readings;

fn main() -> Result<()> {
    let mut records = Vec::new();
    for file in std::env::args().skip(1) {
        let bytes = std::fs::read(&file).with_context(|| format!("{file} can't be read"))?;
        for parsed in parse_records(&bytes)? {
            records.push(RecordFile {
                file: file.clone(),
                line: parsed.line,
                end: parsed.end,
            });
        }
    }
    let (read, _left_out) = readings(records.clone());
    for run in &read {
        println!("{}", plain::reading(&run.reading, Locale::default()));
    }
    let advice = advise(&History::new(records), &AdviceOptions::default());
    println!("{}", plain::advice(&advice, Locale::default()));
    Ok(())
}
