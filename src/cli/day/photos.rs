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
use std::collections::{BTreeMap, BTreeSet};
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
    /// Whether the number of its end is only counted.
    end_is_counted: bool,
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
    let mut found = pairs
        .map(|((photo, fingerprint), record)| {
            let mut session = context.session(&photo)?;
            session.archer = session.archer.or_else(|| folder.archer.clone());
            Ok(DayPhoto {
                name: folder.name_of(&photo),
                fingerprint,
                record,
                session,
                end_is_counted: context.end_is_counted(&photo)?,
                face: context.face(&photo),
                options: context.options(&photo)?,
                duplicate_of: None,
                photo,
            })
        })
        .collect::<Result<Vec<DayPhoto>, CliError>>()?;
    let folder = folder.out.as_ref().unwrap_or(&folder.folder);
    number_apart(&mut found, &recorded_numbers(folder));
    Ok(found)
}

/// The numbers of ends that the records in a folder hold.
fn recorded_numbers(folder: &Path) -> BTreeMap<PathBuf, u64> {
    let records = store::records(folder).unwrap_or_default();
    let numbers = records.into_iter().filter_map(|path| {
        let end = store::record_at(&path).ok().flatten()?;
        Some((path, end.session.end?))
    });
    numbers.collect()
}

/// Counted numbers are those of the photos that are there now. A photo that has a record keeps the number it has there, and so do all
/// that show the same end; another one gets no number that a record holds.
fn number_apart(photos: &mut [DayPhoto], recorded: &BTreeMap<PathBuf, u64>) {
    let mut used: BTreeSet<u64> = recorded.values().copied().collect();
    let mut by_count: BTreeMap<u64, Option<u64>> = BTreeMap::new();
    for item in photos.iter() {
        let Some(number) = item.session.end else {
            continue;
        };
        if item.end_is_counted {
            let known = by_count.entry(number).or_default();
            *known = known.or(recorded.get(&item.record.path).copied());
        } else {
            used.insert(number);
        }
    }
    for (count, number) in &mut by_count {
        let free = if used.contains(count) {
            used.last().map_or(1, |last| last.saturating_add(1))
        } else {
            *count
        };
        used.insert(*number.get_or_insert(free));
    }
    for item in photos.iter_mut().filter(|item| item.end_is_counted) {
        let own = recorded.get(&item.record.path).copied();
        let count = item
            .session
            .end
            .and_then(|n| by_count.get(&n).copied().flatten());
        item.session.end = own.or(count);
    }
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

    /// A photo that is to be end `number` by counting, with the number in its record.
    fn counted(
        name: &str,
        number: u64,
        recorded: &mut BTreeMap<PathBuf, u64>,
        own: Option<u64>,
    ) -> DayPhoto {
        let path = PathBuf::from(format!("{name}.end.json"));
        recorded.extend(own.map(|own| (path.clone(), own)));
        DayPhoto {
            photo: PathBuf::from(format!("{name}.jpg")),
            name: name.to_owned(),
            fingerprint: None,
            record: RecordPath {
                path,
                exists: own.is_some(),
                ..RecordPath::default()
            },
            session: Session {
                end: Some(number),
                ..Session::default()
            },
            end_is_counted: true,
            face: Err(CliError::usage("none")),
            options: MeasureOptions::default(),
            duplicate_of: None,
        }
    }

    #[test]
    fn a_counted_number_is_none_that_a_record_holds() {
        let numbers = |photos: &[(u64, Option<u64>)]| -> Vec<Option<u64>> {
            let mut recorded = BTreeMap::new();
            let mut items: Vec<DayPhoto> = photos
                .iter()
                .enumerate()
                .map(|(k, (count, own))| counted(&k.to_string(), *count, &mut recorded, *own))
                .collect();
            number_apart(&mut items, &recorded);
            items.iter().map(|i| i.session.end).collect()
        };
        // nothing is recorded yet; the second photo of an end
        let new = numbers(&[(1, None), (2, None), (2, None)]);
        assert_eq!(new, [Some(1), Some(2), Some(2)]);
        // the first photo was deleted, then another taken
        let later = numbers(&[(1, Some(2)), (2, Some(3)), (3, None), (4, None)]);
        assert_eq!(later, [Some(2), Some(3), Some(4), Some(5)]);
        // one that comes first was added, and another of the second end
        let before = numbers(&[(1, None), (2, Some(1)), (3, Some(2)), (3, None)]);
        assert_eq!(before, [Some(3), Some(1), Some(2), Some(2)]);
    }

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
