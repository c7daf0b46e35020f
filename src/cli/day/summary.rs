//! The day on the terminal: what was done, what waits for a person, readings and advice.

use super::folders::DayFolder;
use super::history::earlier_records;
use super::outcome::DayOutcome;
use super::outputs;
use crate::cli::args::Day;
use crate::cli::terminal::Terminal;
use crate::record::RecordFile;
use crate::record::history::is_confirmed;
use crate::text::{Locale, plain, sentence};
use crate::timeline::{BowReport, bow_reports};
use std::collections::BTreeSet;
use std::path::Path;

/// Prints the summary, and writes the reports, drawings and tables that the flags ask for.
pub(super) fn report_day(
    args: &Day,
    outcome: &DayOutcome,
    folders: &[DayFolder],
    terminal: &mut Terminal,
) {
    let history = earlier_records(args, outcome, folders, terminal);
    if !args.json {
        let short = plain::DayInShort {
            ends: outcome
                .records
                .iter()
                .map(|f| (f.file.as_str(), &f.end))
                .collect(),
            problems: &outcome.problems,
            measured: outcome.measured,
            kept: outcome.kept,
            again: outcome.duplicates,
            confirm: confirm_commands(outcome, folders),
        };
        terminal.text(&plain::day(&short));
        if args.shard.is_none() {
            let of_day: BTreeSet<(String, usize)> = outcome
                .records
                .iter()
                .map(|f| (f.file.clone(), f.line))
                .collect();
            let all = outcome.records.iter().chain(&history).cloned().collect();
            let (mut bows, _) = bow_reports(
                all,
                &outputs::options(args),
                &outcome.noted,
                &|f: &RecordFile| of_day.contains(&(f.file.clone(), f.line)),
            );
            outputs::in_archers_order(&mut bows, &outcome.records, &[]);
            if bows.len() > 1 {
                terminal.text(&format!("\n{}", plain::overview(&bows, args.local.into())));
            }
            for bow in &bows {
                let words = bow_in_words(bow, bows.len() > 1, args.local.into());
                terminal.text(&format!("\n{words}"));
            }
        }
    }
    outputs::write(args, outcome, history, terminal);
}

/// The commands that open the page on what waits for a person, one for each folder where something does.
fn confirm_commands(outcome: &DayOutcome, folders: &[DayFolder]) -> Vec<String> {
    let waits = |folder: &DayFolder| {
        let mut here = outcome.records.iter().filter(|f| folder.holds(f));
        here.any(|f| !is_confirmed(&f.end) && !f.end.entries.is_empty())
    };
    let commands = folders.iter().filter(|f| waits(f)).map(|folder| {
        let out = folder
            .out
            .as_deref()
            .map_or_else(String::new, |out| format!(" --out {}", quoted(out)));
        format!("bossmark confirm {}{out}", quoted(&folder.folder))
    });
    commands.collect()
}

/// A path as it is typed in a shell.
fn quoted(path: &Path) -> String {
    let text = path.display().to_string();
    let unquoted = |c: char| c.is_alphanumeric() || "/._-+,:@%".contains(c);
    if !text.is_empty() && text.chars().all(unquoted) {
        text
    } else {
        format!("'{}'", text.replace('\'', "'\\''"))
    }
}

/// What the set-ups of a bow showed, and its advice.
fn bow_in_words(bow: &BowReport, several: bool, locale: Locale) -> String {
    let mut out = String::new();
    if several {
        out.push_str(&format!("{}\n\n", bow.label));
    }
    if bow.runs.len() > 1 {
        let now = sentence(&bow.advice_now.reading, locale);
        for (remaining_runs, run) in (0..bow.runs.len()).rev().zip(&bow.runs) {
            let files: Vec<&str> = run
                .ends
                .iter()
                .filter(|e| !e.earlier)
                .map(|e| e.file.as_str())
                .collect();
            let read = sentence(&run.reading, locale);
            // the present set-up is read in full below
            let words = if remaining_runs == 0 && read == now {
                "the one of now, read below."
            } else {
                &read
            };
            let set_up = format!("Set-up {} ({}): ", run.number, files.join(", "));
            out.push_str(&plain::wrapped(&set_up, words));
        }
        out.push('\n');
    }
    out + &plain::advice(&bow.advice_now, locale)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn commands_can_be_typed_as_they_stand() {
        assert_eq!(quoted(Path::new("a/b-1.jpg")), "a/b-1.jpg");
        assert_eq!(quoted(Path::new("my night")), "'my night'");
        assert_eq!(quoted(Path::new("it's")), r"'it'\''s'");
    }
}
