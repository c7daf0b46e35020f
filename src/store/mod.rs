//! Files: reading, atomic writing by one writer at a time, and the rules of what may replace what.

mod belonging;
mod cache;
mod content;
mod error;
#[cfg(not(target_family = "wasm"))]
mod files;
#[cfg(target_family = "wasm")]
#[path = "browser/files.rs"]
mod files;
mod folder;
mod location;
#[cfg(not(target_family = "wasm"))]
mod lock;
#[cfg(target_family = "wasm")]
#[path = "browser/lock.rs"]
mod lock;
#[cfg(any(target_family = "wasm", test))]
mod memory;
mod output;
mod rewriting;
mod save;

pub use belonging::{PhotoFile, RecordPath, record_paths};
pub use cache::RecordCache;
pub use content::{has_manual_changes, record_at};
pub use error::StoreError;
#[cfg(not(target_family = "wasm"))]
pub use files::IncomingFile;
pub use files::{append, exists, is_device, make_folder, read, write, write_new};
#[cfg(target_family = "wasm")]
pub use files::{put, put_away, take_changes};
pub use folder::{
    RECORD_ENDING, SETUP_ENDING, folders_with_photos, is_photo_name, lens_profiles, name_of,
    photo_of, photos, pictures_in_other_formats, records, records_below, setup_files,
};
pub use location::{RecordIndex, RecordLocation, change_records};
#[cfg(not(target_family = "wasm"))]
pub use lock::clear_unfinished;
pub use lock::{FileLock, lock};
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
