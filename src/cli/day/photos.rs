//! The photos of the folders: each with what is known about it, sorted out by content.

use super::folders::DayFolder;
use crate::cli::context::Context;
use crate::cli::status::CliError;
use crate::face::spec::FaceSpec;
use crate::measure::MeasureOptions;
use crate::photo;
use crate::record::Session;
use crate::store::{self, PhotoFile, RecordPath};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// A photo, and what is known about it.
pub(super) struct DayPhoto {
    pub(super) photo: PathBuf,
    /// Its name in messages and reports.
    pub(super) name: String,
    /// SHA-256 of its bytes; `None` where they can't be read.
    fingerprint: Option<String>,
    /// Where its record is, or will be.
    pub(super) record: RecordPath,
    pub(super) session: Session,
    pub(super) face: Result<FaceSpec, CliError>,
    pub(super) options: MeasureOptions,
    /// Name of another photo with the same content, which counts instead.
    pub(super) duplicate_of: Option<String>,
}

/// The pictures of a folder: photos, and pictures that bossmark drew on photos.
pub(super) struct FolderPictures {
    pub(super) photos: Vec<PhotoFile>,
    /// Pictures that bossmark drew on photos.
    pub(super) drawn_on: Vec<PathBuf>,
}

/// Reads all these files and separates photos from pictures that bossmark drew on them.
pub(super) fn separate_drawn_pictures(files: Vec<PathBuf>) -> FolderPictures {
    let read: Vec<(Option<String>, bool)> = files
        .par_iter()
        .map(|path| {
            let Ok(bytes) = store::read(path) else {
                return (None, false);
            };
            (Some(photo::fingerprint(&bytes)), photo::is_drawn_on(&bytes))
        })
        .collect();
    let mut pictures = FolderPictures {
        photos: Vec::new(),
        drawn_on: Vec::new(),
    };
    for (path, (fingerprint, drawn)) in files.into_iter().zip(read) {
        if drawn {
            pictures.drawn_on.push(path);
        } else {
            pictures.photos.push((path, fingerprint));
        }
    }
    pictures
}

/// The photos of one folder, with their records.
pub(super) fn find_photos(
    folder: &DayFolder,
    photos: Vec<PhotoFile>,
    context: &mut Context,
) -> Result<Vec<DayPhoto>, CliError> {
    let records = store::record_paths(&photos, folder.out.as_deref());
    let pairs = photos.into_iter().zip(records);
    pairs
        .map(|((photo, fingerprint), record)| {
            let mut session = context.session(&photo)?;
            session.archer = session.archer.or_else(|| folder.archer.clone());
            Ok(DayPhoto {
                name: folder.name_of(&photo),
                fingerprint,
                record,
                session,
                face: context.face(&photo),
                options: context.options(&photo)?,
                duplicate_of: None,
                photo,
            })
        })
        .collect()
}

/// Leaves out the photos of other shards, and marks those that are there twice: they count once.
pub(super) fn select_shard_and_mark_duplicates(
    photos: &mut Vec<DayPhoto>,
    shard: Option<(u64, u64)>,
) {
    let folder_of = |item: &DayPhoto| item.photo.parent().unwrap_or(Path::new("")).to_owned();
    // of photos with the same content the one whose name its record has counts, else the first
    let mut counts: BTreeMap<(PathBuf, String), (bool, String)> = BTreeMap::new();
    for item in photos.iter() {
        let Some(fingerprint) = &item.fingerprint else {
            continue;
        };
        let has_record = item.record.exists && item.record.own_name;
        let one = (has_record, item.name.clone());
        counts
            .entry((folder_of(item), fingerprint.clone()))
            .and_modify(|there| {
                if has_record && !there.0 {
                    *there = one.clone();
                }
            })
            .or_insert(one);
    }
    // the first shard reports photos that can't be read
    photos.retain(|item| {
        let number = item.fingerprint.as_deref().map_or(0, shard_number);
        shard.is_none_or(|(k, n)| number % n == k - 1)
    });
    for item in photos {
        let key = (
            folder_of(item),
            item.fingerprint.clone().unwrap_or_default(),
        );
        let name = counts.get(&key).map(|(_, name)| name);
        item.duplicate_of = name.filter(|name| **name != item.name).cloned();
    }
}

/// The number by which photos are shared out: the first 60 bits of the fingerprint.
fn shard_number(fingerprint: &str) -> u64 {
    let digits = fingerprint.get(..15).unwrap_or_default();
    u64::from_str_radix(digits, 16).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shards_go_by_content_and_cover_everything() {
        let prints: Vec<String> = (0_u8..60).map(|i| photo::fingerprint(&[i])).collect();
        let mut sizes = [0_u32; 4];
        for print in &prints {
            let k = usize::try_from(shard_number(print) % 4).expect("small");
            sizes[k] += 1;
        }
        assert_eq!(sizes.iter().sum::<u32>(), 60);
        assert!(sizes.iter().all(|n| *n > 5), "{sizes:?}");
    }
}
