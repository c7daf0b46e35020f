//! The folders that `day` works through.

use crate::cli::args::Day;
use crate::cli::context::Context;
use crate::cli::status::CliError;
use crate::cli::terminal::Terminal;
use crate::record::RecordFile;
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

impl DayFolder {
    /// Whether a record of the day is of this folder.
    pub(super) fn holds(&self, record: &RecordFile) -> bool {
        let Some(name) = &self.archer else {
            return true;
        };
        record.file.starts_with(&format!("{name}/"))
    }
}

/// The folders named; a folder without photos and records of its own stands for those in it that hold photos. So does one that
/// holds fewer photos than folders with photos: those photos are nobody's, and left out.
pub(super) fn find_folders(
    args: &Day,
    terminal: &mut Terminal,
) -> Result<Vec<DayFolder>, CliError> {
    let mut folders = Vec::new();
    for folder in &args.folders {
        let about = |e| CliError::from(e).about(folder);
        let stray = store::photos(folder).map_err(about)?;
        let mut inner = if store::records(folder).map_err(about)?.is_empty() {
            store::folders_with_photos(folder).map_err(about)?
        } else {
            Vec::new()
        };
        if !stray.is_empty() && (inner.len() < 2 || stray.len() >= inner.len()) {
            inner.clear();
        }
        for photo in stray.iter().filter(|_| !inner.is_empty()) {
            terminal.message(&format!(
                "{}: in none of the archers' folders, left out",
                photo.display()
            ));
        }
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

/// Of several archers each has facts of its own: flags fill gaps, and must not say otherwise than an archer's session file.
pub(super) fn refuse_conflicts(
    folders: &[DayFolder],
    context: &mut Context,
) -> Result<(), CliError> {
    if folders.len() < 2 {
        return Ok(());
    }
    let mut lines = Vec::new();
    for folder in folders {
        lines.extend(context.conflicts(&folder.folder)?);
    }
    if lines.is_empty() {
        return Ok(());
    }
    Err(CliError::usage(format!(
        "flags fill what the archers' session files leave open, and these say otherwise: {}. Leave the flag out, or correct the file",
        lines.join("; ")
    )))
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
