//! Files: reading, atomic writing by one writer at a time, and the rules of what may replace what.

mod belonging;
mod cache;
mod content;
mod error;
mod files;
mod folder;
mod location;
mod lock;
mod output;
mod rewriting;
mod save;

pub use belonging::{PhotoFile, RecordPath, record_paths};
pub use cache::RecordCache;
pub use content::{is_touched, record_at};
pub use error::StoreError;
pub use files::{IncomingFile, append, is_device, make_folder, read, write, write_new};
pub use folder::{
    RECORD_ENDING, SETUP_ENDING, folders_with_photos, is_photo_name, lens_profiles, name_of,
    photo_of, photos, records, records_below, setup_files,
};
pub use location::{RecordIndex, RecordLocation, change_records};
pub use lock::{FileLock, clear_unfinished, lock};
pub use output::{OutputKind, check_output, save_output, save_proposals};
pub use save::{save_copy, save_proposal, save_session, with_ids_at};

#[cfg(test)]
pub(crate) use files::faults;

#[cfg(test)]
mod test_records {
    //! Records for the tests of this folder.
    use crate::record::{End, Entry, EntryState};

    /// An end with one entry in that state.
    pub(super) fn with(state: EntryState, revision: u64) -> End {
        End {
            entries: vec![Entry {
                id: 1,
                state,
                ..Entry::default()
            }],
            revision,
            ..End::default()
        }
    }
}
