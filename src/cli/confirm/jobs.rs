//! Which records are confirmed: where each comes from, and where it is saved.

use crate::cli::args::Confirm;
use crate::cli::status::CliError;
use crate::{photo, store};
use std::path::{Path, PathBuf};

/// A record to confirm: where it comes from, and where it is saved.
pub(in crate::cli) struct RecordJob {
    /// The photo to measure where there is no record yet.
    pub(in crate::cli) photo: Option<PathBuf>,
    /// The record's file; `-` for stdin.
    pub(in crate::cli) from: PathBuf,
    /// The file to which the changed record is saved; `-` for stdout.
    pub(in crate::cli) to: PathBuf,
}

/// The records that the command names.
///
/// # Errors
/// When a folder can't be read.
pub(in crate::cli) fn jobs(args: &Confirm) -> Result<Vec<RecordJob>, CliError> {
    let mut jobs = Vec::new();
    for input in &args.inputs {
        if input.is_dir() {
            let mut photos = store::photos(input).map_err(|e| CliError::from(e).about(input))?;
            photos.retain(|photo| !is_drawn_on(photo));
            let records = store::records(input).map_err(|e| CliError::from(e).about(input))?;
            jobs.extend(folder_jobs(args, &photos, records));
        } else if store::is_photo_name(input) {
            jobs.extend(folder_jobs(args, std::slice::from_ref(input), Vec::new()));
        } else {
            jobs.push(RecordJob {
                photo: None,
                from: input.clone(),
                to: args.out.clone().unwrap_or_else(|| input.clone()),
            });
        }
    }
    Ok(jobs)
}

/// Photos with their records, and records without a photo.
fn folder_jobs(args: &Confirm, photos: &[PathBuf], records: Vec<PathBuf>) -> Vec<RecordJob> {
    let paths = store::record_paths(photos, args.out.as_deref());
    let mut without_photo: Vec<PathBuf> =
        records.into_iter().filter(|r| !paths.contains(r)).collect();
    let mut of_photos = Vec::new();
    for (photo, path) in photos.iter().zip(paths) {
        let renamed = if path.exists() || args.out.is_some() {
            None
        } else {
            record_of(photo, &without_photo)
        };
        let path = renamed.map_or(path, |k| without_photo.remove(k));
        of_photos.push(RecordJob {
            photo: Some(photo.clone()),
            from: path.clone(),
            to: path,
        });
    }
    let records_alone = without_photo.into_iter().map(|from| RecordJob {
        photo: None,
        to: from.clone(),
        from,
    });
    records_alone.chain(of_photos).collect()
}

/// Index of the record that was made from this photo, whatever the files are called.
fn record_of(photo: &Path, records: &[PathBuf]) -> Option<usize> {
    if records.is_empty() {
        return None;
    }
    let sha256 = photo::fingerprint(&store::read(photo).ok()?);
    records.iter().position(|record| {
        let end = store::record_at(record).ok().flatten();
        end.and_then(|end| end.photo)
            .is_some_and(|p| p.sha256 == sha256)
    })
}

/// Whether this is not a camera's photo but a picture that this program drew on one.
fn is_drawn_on(photo: &Path) -> bool {
    store::read(photo).is_ok_and(|bytes| photo::is_drawn_on(&bytes))
}
