//! Exit statuses, and the errors that lead to them.

use crate::manual_points::PointsError;
use crate::measure::MeasureError;
use crate::photo::PhotoError;
use crate::record::{RecordError, SessionError};
use crate::review::ReviewError;
use crate::server::ServeError;
use crate::store::StoreError;
use std::fmt::Display;
use std::path::Path;
use std::process::ExitCode;

/// The exit status of the process. With several inputs the highest counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Status {
    /// Done.
    #[default]
    Done = 0,
    /// The input was read, but the job can't be done on it.
    NotPossible = 1,
    /// Wrong use.
    WrongUse = 2,
    /// A file could not be read, decoded or written.
    File = 3,
    /// Stopped with Ctrl-C: what the shell reports for a program that this signal ended.
    Interrupted = 130,
}

impl From<Status> for ExitCode {
    fn from(status: Status) -> Self {
        Self::from(status as u8)
    }
}

/// An error with one input: the sentence for the user, and the status.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CliError {
    /// Exit status.
    pub status: Status,
    /// The file, as the user named it; `None` if it is about no file.
    pub file: Option<String>,
    /// One sentence: what is wrong, and what to do.
    pub text: String,
}

impl CliError {
    /// Wrong use of the command.
    pub fn usage(text: impl Display) -> Self {
        Self {
            status: Status::WrongUse,
            file: None,
            text: text.to_string(),
        }
    }

    /// A job that can't be done on this input.
    pub fn not_possible(text: impl Display) -> Self {
        Self {
            status: Status::NotPossible,
            file: None,
            text: text.to_string(),
        }
    }

    /// A file that can't be read, decoded or written.
    pub fn file(text: impl Display) -> Self {
        Self {
            status: Status::File,
            file: None,
            text: text.to_string(),
        }
    }

    /// The same error, about the file `path`.
    #[must_use]
    pub fn about(self, path: &Path) -> Self {
        Self {
            file: self.file.or_else(|| Some(path.display().to_string())),
            ..self
        }
    }

    /// The line for the user.
    #[must_use]
    pub fn line(&self) -> String {
        match &self.file {
            Some(file) => format!("{file}: {}", self.text),
            None => self.text.clone(),
        }
    }
}

impl From<StoreError> for CliError {
    fn from(error: StoreError) -> Self {
        if error.is_refusal() {
            Self::usage(error)
        } else {
            Self::file(error)
        }
    }
}

impl From<RecordError> for CliError {
    fn from(error: RecordError) -> Self {
        Self::file(error)
    }
}

impl From<PhotoError> for CliError {
    fn from(error: PhotoError) -> Self {
        Self::file(error)
    }
}

impl From<MeasureError> for CliError {
    fn from(error: MeasureError) -> Self {
        Self::file(error)
    }
}

impl From<ServeError> for CliError {
    fn from(error: ServeError) -> Self {
        Self::file(error)
    }
}

impl From<SessionError> for CliError {
    fn from(error: SessionError) -> Self {
        if error.is_wrong_use() {
            Self::usage(error)
        } else {
            Self::file(error)
        }
    }
}

impl From<PointsError> for CliError {
    fn from(error: PointsError) -> Self {
        if error.is_wrong_use() {
            Self::usage(error)
        } else {
            Self::file(error)
        }
    }
}

impl From<ReviewError> for CliError {
    fn from(error: ReviewError) -> Self {
        match &error {
            ReviewError::Document(_) => Self::file(error),
            _ => Self::usage(error),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn statuses_are_those_promised_and_the_highest_counts() {
        let all = [
            (Status::Done, 0),
            (Status::NotPossible, 1),
            (Status::WrongUse, 2),
            (Status::File, 3),
            (Status::Interrupted, 130),
        ];
        for (status, number) in all {
            assert_eq!(status as u8, number);
        }
        assert_eq!(
            all.map(|(s, _)| s).into_iter().max(),
            Some(Status::Interrupted)
        );
        assert!(Status::File > Status::WrongUse && Status::WrongUse > Status::NotPossible);
    }

    #[test]
    fn newer_schemas_are_file_trouble_and_misspellings_wrong_use() {
        let newer = crate::record::SessionFile::parse(br#"{"schema": "bossmark/session/9"}"#);
        assert_eq!(
            newer.map_err(|e| CliError::from(e).status),
            Err(Status::File)
        );
        let misspelt =
            crate::record::SessionFile::parse(br#"{"schema": "bossmark/session/1", "sesion": {}}"#);
        assert_eq!(
            misspelt.map_err(|e| CliError::from(e).status),
            Err(Status::WrongUse)
        );
    }
}
