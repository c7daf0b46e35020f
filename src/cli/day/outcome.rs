//! What `day` has found out, and how the terminal hears of it.

use crate::cli::status::CliError;
use crate::cli::terminal::Terminal;
use crate::record::{End, RecordFile, canonical};
use crate::timeline::{FaceLook, NotedSettings, Problem};
use std::collections::BTreeMap;

/// The records of all folders, and what went wrong.
#[derive(Default)]
pub(super) struct DayOutcome {
    pub(super) records: Vec<RecordFile>,
    /// JPEGs of marked photos, by the name of the photo.
    pub(super) marked: BTreeMap<String, Vec<u8>>,
    /// Settings that session files note after every photo that they name.
    pub(super) noted: NotedSettings,
    pub(super) problems: Vec<Problem>,
    /// How faces are drawn, by name; face files are known only here.
    pub(super) looks: BTreeMap<String, FaceLook>,
    /// How many photos were measured.
    pub(super) measured: usize,
    /// How many records were kept as they were.
    pub(super) kept: usize,
    /// How many photos had the same content as another one.
    pub(super) duplicates: usize,
}

impl DayOutcome {
    /// Reports and keeps what went wrong with a file.
    pub(super) fn add_problem(&mut self, error: &CliError, name: &str, terminal: &mut Terminal) {
        terminal.error(error);
        self.problems.push(Problem {
            file: name.to_owned(),
            text: error.text.clone(),
        });
    }
}

/// Prints a record as one line of JSON.
pub(super) fn print_line(end: &End, terminal: &mut Terminal) {
    match canonical::to_line(end) {
        Ok(line) => terminal.answer(&line),
        Err(error) => terminal.error(&CliError::from(error)),
    }
}
