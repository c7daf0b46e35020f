//! The photos of the folders: each with what is known about it, sorted out by content.

use super::folders::DayFolder;
use super::lone_records::LoneRecords;
use crate::cli::context::Context;
use crate::cli::status::CliError;
use crate::face::spec::FaceSpec;
use crate::measure::MeasureOptions;
use crate::record::Session;
use crate::{photo, store};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// A photo, and what is known about it.
pub(super) struct DayPhoto {
    pub(super) photo: PathBuf,
    /// Its name in messages and reports.
    pub(super) name: String,
    /// Path of its record.
    pub(super) record: PathBuf,
    pub(super) session: Session,
    pub(super) face: Result<FaceSpec, CliError>,
    pub(super) options: MeasureOptions,
    /// Name of another photo with the same content, which counts instead.
    pub(super) duplicate_of: Option<String>,
}

/// The photos of one folder.
pub(super) fn find_photos(
    folder: &DayFolder,
    photos: &[PathBuf],
    records: &[PathBuf],
    context: &mut Context,
) -> Result<Vec<DayPhoto>, CliError> {
    let pairs = photos.iter().zip(records);
    pairs
        .map(|(photo, record)| {
            let mut session = context.session(photo)?;
            session.archer = session.archer.or_else(|| folder.archer.clone());
            Ok(DayPhoto {
                photo: photo.clone(),
                name: folder.name_of(photo),
                record: record.clone(),
                session,
                face: context.face(photo),
                options: context.options(photo)?,
                duplicate_of: None,
            })
        })
        .collect()
}

/// Sorts photos out by content. Photos of other shards go, a photo that is there twice counts once, and a renamed one finds its
/// record. Pictures that bossmark drew on photos go too, and are returned.
pub(super) fn sort_out_by_content(
    photos: &mut Vec<DayPhoto>,
    lone_records: &[LoneRecords],
    shard: Option<(u64, u64)>,
    used: &mut BTreeSet<PathBuf>,
) -> Vec<PathBuf> {
    let read: Vec<(Option<String>, bool)> = photos
        .par_iter()
        .map(|item| {
            let Ok(bytes) = store::read(&item.photo) else {
                return (None, false);
            };
            (Some(photo::fingerprint(&bytes)), photo::is_drawn_on(&bytes))
        })
        .collect();
    let (mut fingerprints, mut drawn_on) = (Vec::new(), Vec::new());
    for (item, (fingerprint, drawn)) in std::mem::take(photos).into_iter().zip(read) {
        if drawn {
            drawn_on.push(item.photo);
        } else {
            photos.push(item);
            fingerprints.push(fingerprint);
        }
    }
    let mut records: BTreeMap<(&Path, &str), &Path> = BTreeMap::new();
    for one in lone_records {
        if let Ok([record]) = one.records.as_deref()
            && let Some(photo) = &record.end.photo
        {
            records.insert((one.folder(), photo.sha256.as_str()), &one.path);
        }
    }
    let folder_of = |item: &DayPhoto| item.photo.parent().unwrap_or(Path::new("")).to_owned();
    // of photos with the same content the one with a record counts, else the first
    let mut counts: BTreeMap<(PathBuf, String), (bool, String)> = BTreeMap::new();
    for (item, fingerprint) in photos.iter().zip(&fingerprints) {
        let Some(fingerprint) = fingerprint else {
            continue;
        };
        let has_record = item.record.exists();
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
    let mut kept = Vec::new();
    for (mut item, fingerprint) in std::mem::take(photos).into_iter().zip(fingerprints) {
        // the first shard reports photos that can't be read
        let number = fingerprint.as_deref().map_or(0, shard_number);
        if shard.is_some_and(|(k, n)| number % n != k - 1) {
            continue;
        }
        if let Some(fingerprint) = fingerprint {
            let name = counts.get(&(folder_of(&item), fingerprint.clone()));
            item.duplicate_of = name.map(|(_, n)| n).filter(|n| **n != item.name).cloned();
            let records_folder = item.record.parent().unwrap_or(Path::new(""));
            if !item.record.exists()
                && item.duplicate_of.is_none()
                && let Some(there) = records.get(&(records_folder, fingerprint.as_str()))
            {
                item.record = (*there).to_owned();
                used.insert(item.record.clone());
            }
        }
        kept.push(item);
    }
    *photos = kept;
    drawn_on
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
