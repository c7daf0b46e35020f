//! `bossmark confirm`: a person checks the entries, on the page or without it.

mod edits;
mod jobs;
mod page;

use super::args::Confirm;
use super::status::CliError;
use super::terminal::Terminal;
use crate::store;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Clears away what a killed run left half written, where this one may write.
fn clear_unfinished(args: &Confirm) {
    let folder_of = |path: &Path| match path.parent() {
        _ if path.is_dir() => path.to_owned(),
        Some(folder) if folder != Path::new("") => folder.to_owned(),
        _ => PathBuf::from("."),
    };
    let named = args.inputs.iter().chain(&args.out);
    let folders: BTreeSet<PathBuf> = named.map(|path| folder_of(path)).collect();
    for folder in folders {
        store::clear_unfinished(&folder);
    }
}

/// Runs the command.
pub(super) fn run(args: &Confirm, terminal: &mut Terminal) -> Result<(), CliError> {
    clear_unfinished(args);
    if args.accept || args.edits.is_some() {
        edits::run(args, terminal)
    } else {
        page::run(args, terminal)
    }
}
