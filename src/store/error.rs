//! What may go wrong with a file.

use crate::record::RecordError;
use std::io;

impl StoreError {
    /// Whether the file was left alone because of what it holds: another name or place is needed, which is for the user to choose.
    #[must_use]
    pub const fn is_refusal(&self) -> bool {
        matches!(
            self,
            Self::Confirmed
                | Self::HoldsRecords
                | Self::Foreign
                | Self::Input
                | Self::NotOurs
                | Self::OtherPhoto { .. }
        )
    }
}

/// What the system says of a file, and what to do.
fn in_words(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::PermissionDenied => {
            "you have no permission; change that, or choose another folder".to_owned()
        }
        io::ErrorKind::StorageFull => {
            "the disk is full; make room, or choose another folder".to_owned()
        }
        io::ErrorKind::ReadOnlyFilesystem => {
            "nothing can be written there; choose another folder".to_owned()
        }
        _ => {
            let text = error.to_string();
            // the name of a temporary file is of no use to the user
            let text = text.split(" at path ").next().unwrap_or(&text);
            format!("{text}; check its permissions and the disk")
        }
    }
}

/// Why a file could not be read or written. Each message says in one sentence what is wrong and what to do.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// There is no such file.
    #[error("there is no file or folder of that name: check the path")]
    Missing,
    /// A folder where a file belongs.
    #[error(
        "this is a folder, and a file is needed here: name a file in it, or use `bossmark day FOLDER` for all its photos"
    )]
    Folder,
    /// No folder in which the file could be made.
    #[error("there is no folder {folder}: make it, or choose another")]
    FolderMissing {
        /// Its path.
        folder: String,
    },
    /// A file where a folder belongs.
    #[error("this is a file, and a folder is needed here: name a folder")]
    NoFolder,
    /// The system refused.
    #[error("the file can't be {what}: {}", in_words(error))]
    System {
        /// `read` or `written`.
        what: &'static str,
        /// What the system says.
        error: io::Error,
    },
    /// A file that holds no record.
    #[error("{0}")]
    Record(#[from] RecordError),
    /// A proposal would replace a record that a person has worked on.
    #[error(
        "it holds a record that a person has confirmed, which a new proposal never replaces: move it away to measure anew"
    )]
    Confirmed,
    /// The record would replace one of the same or a later revision.
    #[error(
        "it holds revision {there}, not older than the {new} to be written: somebody has changed it since, look at it again"
    )]
    Newer {
        /// Revision of the record in the file.
        there: u64,
        /// Revision to be written.
        new: u64,
    },
    /// Another document would replace a record.
    #[error("it holds an end record, which is not to be lost: choose another file name")]
    HoldsRecords,
    /// A file of several records no longer holds the one that was opened at this index.
    #[error(
        "the records in this file are not those that were opened: somebody has written it anew, open the page again"
    )]
    Moved,
    /// A record would replace a file that holds something else.
    #[error(
        "it exists and holds no end record, so it is left alone: choose another place, or move it away"
    )]
    Foreign,
    /// An output would replace a file that the command reads.
    #[error(
        "this command reads that file, so nothing is written over it: choose another file name"
    )]
    Input,
    /// An output would replace something that the program didn't write, or wrote for another purpose.
    #[error(
        "it exists and is no earlier output of this kind, so it is left alone: choose another file name, or move it away"
    )]
    NotOurs,
    /// A record would replace that of another photo.
    #[error(
        "it holds the record of another photo ({file}): choose another file name, or move it away"
    )]
    OtherPhoto {
        /// Name of that photo.
        file: String,
    },
    /// Another process keeps the file's lock.
    #[error("another program has been writing it for {seconds} s: end that one, or try again")]
    Busy {
        /// How long was waited.
        seconds: u64,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_system_says_is_said_in_words_without_temporary_names() {
        let denied = io::Error::from(io::ErrorKind::PermissionDenied);
        let other = io::Error::other("too many links at path \".bossmark-Iruhy1.tmp\"");
        for (error, said) in [(denied, "no permission"), (other, "too many links; check")] {
            let text = StoreError::System {
                what: "written",
                error,
            }
            .to_string();
            assert!(text.contains(said) && !text.contains(".tmp"), "{text}");
        }
    }
}
