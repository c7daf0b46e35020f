//! Lens profiles from files.

use super::status::CliError;
use crate::lens::LensProfile;
use crate::store;
use std::path::Path;

/// The lens profiles at a path: that of a file, or those of a folder (`NAME.lens.json`), ordered by name.
///
/// # Errors
/// When there is none, or one can't be read.
pub(super) fn profiles_at(path: &Path) -> Result<Vec<LensProfile>, CliError> {
    if !path.is_dir() {
        return Ok(vec![profile(path)?]);
    }
    let files = store::lens_profiles(path).map_err(|e| CliError::from(e).about(path))?;
    if files.is_empty() {
        return Err(CliError::usage(
            "this folder holds no lens profile (NAME.lens.json): make one with `bossmark lens fit PHOTO… --out NAME.lens.json`",
        )
        .about(path));
    }
    files.iter().map(|f| profile(f)).collect()
}

/// The lens profile in a file.
///
/// # Errors
/// When it can't be read or holds no lens.
pub(super) fn profile(path: &Path) -> Result<LensProfile, CliError> {
    let bytes = store::read(path).map_err(|e| CliError::from(e).about(path))?;
    LensProfile::parse(&bytes).map_err(|e| CliError::file(e).about(path))
}
