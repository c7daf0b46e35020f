//! Files: reading, atomic writing, and the rule that a proposal never overwrites a person's work.

mod error;
mod files;
mod folder;
mod location;
mod save;

pub use error::StoreError;
pub use files::{append, clear_unfinished, make_folder, read, write};
pub use folder::{
    RECORD_ENDING, SETUP_ENDING, folders_with_photos, is_photo_name, lens_profiles, name_of,
    photo_of, photos, record_paths, records, records_below, setup_files,
};
pub use location::{RecordIndex, RecordLocation};
pub use save::{
    is_touched, record_at, save_document, save_proposal, save_proposals, save_revision,
    save_revisions,
};

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
