//! The folders that `day` works through.

use crate::cli::args::Day;
use crate::cli::status::CliError;
use crate::store;
use std::path::{Path, PathBuf};

/// A folder of photos, and where their records go.
pub(super) struct DayFolder {
    pub(super) folder: PathBuf,
    /// Folder of the records, if it is another one.
    pub(super) out: Option<PathBuf>,
    /// The archer's name where nothing else gives it: the folder's name, if there are several folders.
    pub(super) archer: Option<String>,
}

/// The folders named; a folder without photos and records of its own stands for those in it that hold photos.
pub(super) fn find_folders(args: &Day) -> Result<Vec<DayFolder>, CliError> {
    let mut folders = Vec::new();
    for folder in &args.folders {
        let about = |e| CliError::from(e).about(folder);
        let inner = if store::photos(folder).map_err(about)?.is_empty()
            && store::records(folder).map_err(about)?.is_empty()
        {
            store::folders_with_photos(folder).map_err(about)?
        } else {
            Vec::new()
        };
        if inner.is_empty() {
            folders.push(folder.clone());
        } else {
            folders.extend(inner);
        }
    }
    let several = folders.len() > 1;
    Ok(folders
        .into_iter()
        .map(|folder| {
            let name = several.then(|| store::name_of(&folder));
            DayFolder {
                out: args.out.as_ref().map(|out| match &name {
                    Some(name) => out.join(name),
                    None => out.clone(),
                }),
                archer: name,
                folder,
            }
        })
        .collect())
}

/// Makes the folder of the records, and clears away temporary files of killed processes.
pub(super) fn prepare(day_folder: &DayFolder) -> Result<(), CliError> {
    if let Some(out) = &day_folder.out {
        store::make_folder(out).map_err(|e| CliError::from(e).about(out))?;
        store::clear_unfinished(out);
    }
    store::clear_unfinished(&day_folder.folder);
    Ok(())
}

impl DayFolder {
    /// A file's name in messages and reports: with its folder, if there are several.
    pub(super) fn name_of(&self, file: &Path) -> String {
        let name = store::name_of(file);
        match &self.archer {
            Some(folder) => format!("{folder}/{name}"),
            None => name,
        }
    }
}
