//! Records from files, folders and stdin.

use super::status::CliError;
use super::terminal::Terminal;
use crate::record::check::{SessionFault, check_session};
use crate::record::{RecordFile, Session, parse_records, tape};
use crate::store;
use rayon::prelude::*;
use std::io::Read;
use std::path::{Path, PathBuf};

/// The bytes of a file, or of stdin for `-`.
///
/// # Errors
/// When they can't be read.
pub(super) fn bytes(path: &Path) -> Result<Vec<u8>, CliError> {
    if path == Path::new("-") {
        let mut bytes = Vec::new();
        std::io::stdin()
            .lock()
            .read_to_end(&mut bytes)
            .map_err(|e| {
                CliError::file(format!("stdin can't be read ({e}): give a file")).about(path)
            })?;
        return Ok(bytes);
    }
    store::read(path).map_err(|e| CliError::from(e).about(path))
}

/// All records of these inputs; of folders all record files in them and below. Each input that can't be read is reported
/// and skipped. What the records leave open is filled from `flags`.
pub(super) fn records(
    terminal: &mut Terminal,
    inputs: &[impl AsRef<Path>],
    flags: &Session,
) -> Vec<RecordFile> {
    let mut found = Vec::new();
    for input in inputs {
        let input = input.as_ref();
        let files = if input.is_dir() {
            match folder(input) {
                Ok(files) => files,
                Err(error) => {
                    terminal.error(&error);
                    continue;
                }
            }
        } else {
            vec![input.to_owned()]
        };
        // thousands of small files: reading and parsing them is the work
        let parsed: Vec<Result<FileRecords, CliError>> =
            files.par_iter().map(|path| file(path)).collect();
        for one in parsed {
            match one {
                Ok(file) => {
                    file.warnings.iter().for_each(|w| terminal.message(w));
                    found.extend(file.records);
                }
                Err(error) => terminal.error(&error),
            }
        }
    }
    if *flags != Session::default() {
        for filed in &mut found {
            filed.end.session = filed.end.session.or(flags);
        }
    }
    found
}

/// The ends of a table of places measured by hand; `unit_mm` is the unit of columns that name none.
///
/// # Errors
/// When the file can't be read or is no such table.
pub(super) fn tape(
    path: &Path,
    unit_mm: f64,
    flags: &Session,
) -> Result<Vec<RecordFile>, CliError> {
    let bytes = bytes(path)?;
    let text = String::from_utf8_lossy(&bytes);
    if text.trim() == tape::TEMPLATE.trim() {
        return Err(CliError::file(
            "this is the template as it was printed: put your own shots in the place of its three examples",
        )
        .about(path));
    }
    let ends =
        tape::parse(&text, unit_mm).map_err(|e| CliError::file(e.to_string()).about(path))?;
    let file = path.display().to_string();
    Ok(ends
        .into_iter()
        .map(|(line, mut end)| {
            end.session = end.session.or(flags);
            RecordFile {
                file: file.clone(),
                line,
                end,
            }
        })
        .collect())
}

fn folder(path: &Path) -> Result<Vec<PathBuf>, CliError> {
    let files = store::records_below(path).map_err(|e| CliError::from(e).about(path))?;
    if files.is_empty() {
        return Err(CliError::file(
            "this is a folder without records (NAME.end.json): name a record, or measure the folder's photos with `bossmark day`",
        )
        .about(path));
    }
    Ok(files)
}

/// Refuses numbers that can't be meant in their unit, in the words of `setup`.
fn refuse_slips(session: &Session) -> Result<(), CliError> {
    let faults = check_session(session, "session");
    let slip = faults
        .into_iter()
        .find(|f| matches!(f, SessionFault::Unit { .. }));
    slip.map_or(Ok(()), |fault| Err(CliError::usage(fault)))
}

/// The records of a file, and warnings about them.
struct FileRecords {
    warnings: Vec<String>,
    records: Vec<RecordFile>,
}

fn file(path: &Path) -> Result<FileRecords, CliError> {
    let parsed = parse_records(&bytes(path)?).map_err(|e| CliError::from(e).about(path))?;
    let name = path.display().to_string();
    let several = parsed.len() > 1;
    let (mut warnings, mut records) = (Vec::new(), Vec::new());
    for record in parsed {
        let label = if several {
            format!("{name}, line {}", record.line)
        } else {
            name.clone()
        };
        refuse_slips(&record.end.session).map_err(|e| e.about(Path::new(&label)))?;
        warnings.extend(record.warnings.iter().map(|w| format!("{label}: {w}")));
        records.push(RecordFile {
            file: name.clone(),
            line: record.line,
            end: record.end,
        });
    }
    Ok(FileRecords { warnings, records })
}
