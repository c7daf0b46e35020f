//! The files that a command's flags name for its output: refused before any work is done, not after it.

use super::status::CliError;
use crate::store::{self, OutputKind};
use std::path::{Path, PathBuf};

/// Checks the outputs of a command: each path and what goes there. `inputs`: the files that the command reads.
///
/// # Errors
/// When one of them may not be written, or two go to the same file.
pub(super) fn check(
    outputs: &[(Option<&PathBuf>, OutputKind)],
    inputs: &[&[PathBuf]],
) -> Result<(), CliError> {
    let inputs: Vec<PathBuf> = inputs.concat();
    let mut taken: Vec<PathBuf> = Vec::new();
    for (path, kind) in outputs {
        let Some(path) = path.filter(|p| p.as_path() != Path::new("-")) else {
            continue;
        };
        store::check_output(path, kind, &inputs).map_err(|e| CliError::from(e).about(path))?;
        let absolute = std::path::absolute(path).unwrap_or_else(|_| path.clone());
        if taken.contains(&absolute) && !store::is_device(path) {
            return Err(CliError::usage(
                "two outputs would go to this file: give each a name of its own",
            )
            .about(path));
        }
        taken.push(absolute);
    }
    Ok(())
}
