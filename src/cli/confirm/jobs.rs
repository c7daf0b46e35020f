//! Which records are confirmed: where each comes from, and where it is saved.

use crate::cli::args::Confirm;
use crate::cli::status::CliError;
use crate::photo;
use crate::store::{self, PhotoFile};
use rayon::prelude::*;
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

impl RecordJob {
    /// The file that it is called by.
    fn source(&self) -> &Path {
        self.photo.as_deref().unwrap_or(&self.from)
    }
}

/// The records that the command names. What there is to say of them goes to `tell`.
///
/// # Errors
/// When a folder can't be read.
pub(in crate::cli) fn jobs(
    args: &Confirm,
    tell: &mut dyn FnMut(&str),
) -> Result<Vec<RecordJob>, CliError> {
    let mut photos = Vec::new();
    let mut records = Vec::new();
    for (nth, input) in args.inputs.iter().enumerate() {
        if input.is_dir() {
            let about = |e| CliError::from(e).about(input);
            let of_folder = |path: PathBuf| Input {
                nth,
                of_folder: true,
                path,
            };
            photos.extend(
                store::photos(input)
                    .map_err(about)?
                    .into_iter()
                    .map(of_folder),
            );
            records.extend(
                store::records(input)
                    .map_err(about)?
                    .into_iter()
                    .map(of_folder),
            );
        } else {
            let list = if store::is_photo_name(input) {
                &mut photos
            } else {
                &mut records
            };
            list.push(Input {
                nth,
                of_folder: false,
                path: input.clone(),
            });
        }
    }
    let of_photos = photo_jobs(args, photos, tell);
    records.retain(|r| !r.of_folder || of_photos.iter().all(|(_, j)| j.from != r.path));
    let records_alone = records.into_iter().map(|record| {
        let out = args.out.clone().filter(|_| !record.of_folder);
        let job = RecordJob {
            photo: None,
            to: out.unwrap_or_else(|| record.path.clone()),
            from: record.path,
        };
        (record.nth, job)
    });
    let mut all: Vec<(usize, RecordJob)> = records_alone.chain(of_photos).collect();
    // in the order of the inputs, and of a folder by name, photos and records alone together
    all.sort_by(|(a, one), (b, other)| a.cmp(b).then_with(|| one.source().cmp(other.source())));
    Ok(all.into_iter().map(|(_, job)| job).collect())
}

/// A file that the command names, or that is in a folder that it names.
struct Input {
    /// Number of the argument.
    nth: usize,
    of_folder: bool,
    path: PathBuf,
}

/// Photos with their records. Of those in a folder the pictures that this program drew are left out.
fn photo_jobs(
    args: &Confirm,
    photos: Vec<Input>,
    tell: &mut dyn FnMut(&str),
) -> Vec<(usize, RecordJob)> {
    let read: Vec<Option<(usize, PhotoFile)>> = photos
        .into_par_iter()
        .map(|input| {
            let Ok(bytes) = store::read(&input.path) else {
                return Some((input.nth, (input.path, None)));
            };
            let drawn = input.of_folder && photo::is_drawn_on(&bytes);
            (!drawn).then(|| (input.nth, (input.path, Some(photo::fingerprint(&bytes)))))
        })
        .collect();
    let (order, photos): (Vec<usize>, Vec<PhotoFile>) = read.into_iter().flatten().unzip();
    let paths = store::record_paths(&photos, args.out.as_deref());
    let mut jobs = Vec::new();
    for ((nth, (photo, _)), found) in order.into_iter().zip(photos).zip(paths) {
        if let Some(message) = found.message() {
            tell(&format!("{}: {message}", photo.display()));
        }
        jobs.push((
            nth,
            RecordJob {
                photo: Some(photo),
                from: found.path.clone(),
                to: found.path,
            },
        ));
    }
    jobs
}
