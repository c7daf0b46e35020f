//! Records of no photo in the folder: ends measured with a tape, or whose photo is gone or was replaced.

use super::folders::DayFolder;
use super::outcome::{DayOutcome, print_line};
use crate::cli::args::Day;
use crate::cli::context::Context;
use crate::cli::status::CliError;
use crate::cli::terminal::Terminal;
use crate::record::{ParsedRecord, RecordFile, parse_records};
use crate::store;
use std::collections::BTreeSet;
use std::path::PathBuf;

/// A file of records that belongs to no photo of the folder.
pub(super) struct LoneRecords {
    /// Its name in messages and reports.
    name: String,
    path: PathBuf,
    /// In the folder of the photos, not in one of records alone.
    beside_photos: bool,
    archer: Option<String>,
    records: Result<Vec<ParsedRecord>, CliError>,
}

/// The record files of the folders, without those in `used`, which belong to photos.
pub(super) fn find_lone_records(
    folders: &[DayFolder],
    used: &BTreeSet<PathBuf>,
) -> Vec<LoneRecords> {
    let mut found = Vec::new();
    for day_folder in folders {
        let mut paths = vec![day_folder.folder.as_path()];
        paths.extend(day_folder.out.as_deref());
        for folder in paths {
            // the folder of the photos has been listed before, and that of the records has been made
            let records = store::records(folder).unwrap_or_default();
            for path in records.into_iter().filter(|r| !used.contains(r)) {
                let records = store::read(&path)
                    .map_err(CliError::from)
                    .and_then(|bytes| Ok(parse_records(&bytes)?));
                found.push(LoneRecords {
                    name: day_folder.name_of(&path),
                    beside_photos: folder == day_folder.folder,
                    archer: day_folder.archer.clone(),
                    path,
                    records,
                });
            }
        }
    }
    found
}

/// Adds these records to the outcome, without those of photos of another archer: one folder may hold the records of several.
pub(super) fn add_lone_records(
    args: &Day,
    lone_records: Vec<LoneRecords>,
    context: &Context,
    terminal: &mut Terminal,
    outcome: &mut DayOutcome,
) {
    let archers = archers_of(outcome);
    for one in lone_records {
        let records = match one.records {
            Ok(records) => records,
            Err(error) => {
                outcome.add_problem(&error.about(&one.path), &one.name, terminal);
                continue;
            }
        };
        for record in records {
            let mut end = record.end;
            end.session = end.session.or(context.flags());
            end.session.archer = end.session.archer.or_else(|| one.archer.clone());
            let known = archers.as_ref().zip(end.session.archer.as_ref());
            let of_another = known.is_some_and(|(archers, archer)| !archers.contains(archer));
            if of_another && !one.beside_photos && end.photo.is_some() {
                terminal.message(&format!(
                    "{}: an end of another archer, whose photo isn't here: left out",
                    one.path.display()
                ));
                continue;
            }
            if args.json {
                print_line(&end, terminal);
            }
            outcome.kept += 1;
            outcome.records.push(RecordFile {
                file: one.name.clone(),
                line: record.line,
                end,
            });
        }
    }
}

/// The archers of the day's photos, where each is stated.
fn archers_of(outcome: &DayOutcome) -> Option<BTreeSet<String>> {
    let archers = outcome.records.iter().map(|f| f.end.session.archer.clone());
    archers
        .collect::<Option<BTreeSet<String>>>()
        .filter(|a| !a.is_empty())
}
