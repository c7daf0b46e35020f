//! Earlier records, below the folder that `--history` names.

use super::folders::DayFolder;
use super::outcome::DayOutcome;
use crate::cli::args::Day;
use crate::cli::input;
use crate::cli::terminal::Terminal;
use crate::record::{RecordFile, Session};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// The records below the history's folder that aren't the day's own.
pub(super) fn earlier_records(
    args: &Day,
    outcome: &DayOutcome,
    folders: &[DayFolder],
    terminal: &mut Terminal,
) -> Vec<RecordFile> {
    let Some(folder) = &args.history else {
        return Vec::new();
    };
    let same = |a: &Path, b: &Path| match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => a == b,
    };
    let own: Vec<&Path> = folders
        .iter()
        .flat_map(|p| [Some(p.folder.as_path()), p.out.as_deref()])
        .flatten()
        .collect();
    let photos: BTreeSet<&str> = outcome
        .records
        .iter()
        .filter_map(|f| f.end.photo.as_ref().map(|p| p.sha256.as_str()))
        .collect();
    let mut found = input::records(terminal, &[folder], &Session::default());
    // whether a folder is one of the day's; the system is asked once for each
    let mut is_own: BTreeMap<PathBuf, bool> = BTreeMap::new();
    found.retain(|filed| {
        let folder = Path::new(&filed.file).parent().unwrap_or(Path::new(""));
        let own = *is_own
            .entry(folder.to_owned())
            .or_insert_with(|| own.iter().any(|o| same(o, folder)));
        let photo = filed.end.photo.as_ref();
        !own && !photo.is_some_and(|p| photos.contains(p.sha256.as_str()))
    });
    found
}
