//! The order in which the photos of a folder were taken, and the numbers of their ends.

use crate::photo;
use crate::store;
use jiff::civil::DateTime;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::Path;

/// Photos taken within this time of the first one of an end show the same end, s. Nobody pulls the arrows, walks back, shoots at
/// least two of each kind and returns to the boss within it (common practice).
const SAME_END_S: i64 = 60;

/// Names of the photos of a folder in the order taken: by time if all have one, else by name.
pub(in crate::cli) fn photos_in_order(folder: &Path) -> Vec<String> {
    let photos = photos_with_times(folder);
    photos.into_iter().map(|(_, name)| name).collect()
}

/// The number of the end on each photo of a folder.
pub(super) fn end_numbers(folder: &Path) -> BTreeMap<String, u64> {
    numbered(photos_with_times(folder))
}

/// The photos of a folder in the order taken, with their times.
fn photos_with_times(folder: &Path) -> Vec<(Option<DateTime>, String)> {
    let photos = store::photos(folder).unwrap_or_default();
    let mut timed: Vec<(Option<DateTime>, String)> = photos
        .par_iter()
        .filter_map(|p| {
            let facts = store::read(p).ok().and_then(|b| photo::facts(&b).ok());
            // a marked picture that the program wrote shows no end of its own
            if facts.as_ref().is_some_and(|f| f.drawn_on) {
                return None;
            }
            // the camera's clock suffices to order the photos of one camera
            let time = facts.and_then(|f| f.taken_local.or(f.taken_rfc3339));
            Some((
                time.and_then(|t| t.get(..19)?.parse().ok()),
                store::name_of(p),
            ))
        })
        .collect();
    if timed.iter().all(|(time, _)| time.is_some()) {
        timed.sort();
    }
    timed
}

/// The number of each photo's end. In the order taken, the photos are ends 1, 2, …; one taken within [`SAME_END_S`] of the first
/// photo of an end shows that end again. Unless all photos have times, each shows an end of its own.
fn numbered(photos: Vec<(Option<DateTime>, String)>) -> BTreeMap<String, u64> {
    let all_timed = photos.iter().all(|(time, _)| time.is_some());
    let mut number = 0;
    let mut began: Option<DateTime> = None;
    let mut numbers = BTreeMap::new();
    for (time, name) in photos {
        let same_end = time
            .zip(began)
            .is_some_and(|(time, began)| time.duration_since(began).as_secs() <= SAME_END_S);
        if !(all_timed && same_end) {
            number += 1;
            began = time;
        }
        numbers.insert(name, number);
    }
    numbers
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::codecs::jpeg::JpegEncoder;
    use image::{ImageEncoder as _, RgbImage};

    #[test]
    fn photos_seconds_apart_show_one_end_and_those_without_times_one_each() {
        let numbers = |photos: &[(&str, &str)]| -> Vec<u64> {
            let list = photos
                .iter()
                .map(|(name, time)| (time.parse().ok(), (*name).to_owned()))
                .collect();
            let numbers = numbered(list);
            photos.iter().map(|(name, _)| numbers[*name]).collect()
        };
        let outcome = [
            ("d", "2031-06-14T18:05:00"),
            ("b", "2031-06-14T18:05:20"),
            ("c", "2031-06-14T18:16:00"),
            ("a", "2031-06-14T18:16:59"),
            ("e", "2031-06-14T18:17:01"),
        ];
        assert_eq!(numbers(&outcome), [1, 1, 2, 2, 3]);
        let mut untimed = outcome;
        untimed[2].1 = "";
        assert_eq!(numbers(&untimed), [1, 2, 3, 4, 5]);
    }

    #[test]
    fn a_marked_picture_is_no_photo_of_an_end() {
        let folder = tempfile::tempdir().expect("folder");
        let jpeg = |marked: bool| {
            let mut bytes = Vec::new();
            let mut encoder = JpegEncoder::new(&mut bytes);
            if marked {
                let block = photo::of_drawn_on().expect("EXIF");
                encoder.set_exif_metadata(block).expect("JPEG holds EXIF");
            }
            RgbImage::new(8, 8)
                .write_with_encoder(encoder)
                .expect("JPEG");
            bytes
        };
        for (name, marked) in [("end-1.jpg", false), ("look.jpg", true)] {
            std::fs::write(folder.path().join(name), jpeg(marked)).expect("written");
        }
        assert_eq!(photos_in_order(folder.path()), ["end-1.jpg"]);
    }
}
