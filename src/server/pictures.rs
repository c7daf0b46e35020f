//! The upright photo for the page: the whole photo reduced, and tiles at full resolution. Pixels only, no EXIF.

use crate::photo::{self, Photo};
use crate::store;
use image::codecs::jpeg::JpegEncoder;
use image::{RgbImage, imageops};
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Longest side of the reduced photo, px: sharp on a laptop's screen, and on a phone's up to the first zoom.
pub(super) const REDUCED_SIDE_PX: u32 = 2048;
/// Side of a tile, px.
pub(super) const TILE_SIDE_PX: u32 = 1024;
/// Quality of JPEGs, 1 to 100: high, since people set points in them.
const JPEG_QUALITY: u8 = 88;
/// How many decoded photos are kept: the one shown, and the next,
const MAX_DECODED: usize = 2;
/// if all together have no more pixels than this. The one shown is kept in any case.
const MAX_KEPT_PX: u64 = 60_000_000;
/// Photos of more pixels than this are decoded while no other one is.
const LARGE_PX: u64 = 30_000_000;

/// A photo ready to be shown.
#[derive(Debug)]
pub(super) struct ShownPhoto {
    /// The upright photo.
    pub(super) photo: Photo,
    reduced: Vec<u8>,
}

impl ShownPhoto {
    /// Prepares a photo.
    ///
    /// # Errors
    /// When it can't be encoded (a picture without pixels).
    fn new(photo: Photo) -> Result<Self, String> {
        let (w, h) = photo.pixels.dimensions();
        let longest = w.max(h);
        let small;
        let reduced = if longest > REDUCED_SIDE_PX {
            let side = |s: u32| {
                let scaled = u64::from(s) * u64::from(REDUCED_SIDE_PX) / u64::from(longest);
                u32::try_from(scaled).unwrap_or(1).max(1)
            };
            // `thumbnail` averages over areas, so thin shafts stay whole
            small = imageops::thumbnail(&photo.pixels, side(w), side(h));
            &small
        } else {
            &photo.pixels
        };
        Ok(Self {
            reduced: jpeg(reduced)?,
            photo,
        })
    }

    /// The reduced picture, JPEG.
    pub(super) fn reduced(&self) -> Vec<u8> {
        self.reduced.clone()
    }

    /// The tile in this column and row, JPEG; `None` outside the photo.
    pub(super) fn tile(&self, column: u32, row: u32) -> Option<Vec<u8>> {
        let (w, h) = self.photo.pixels.dimensions();
        let (x, y) = (
            column.checked_mul(TILE_SIDE_PX)?,
            row.checked_mul(TILE_SIDE_PX)?,
        );
        if x >= w || y >= h {
            return None;
        }
        let crop = imageops::crop_imm(
            &self.photo.pixels,
            x,
            y,
            TILE_SIDE_PX.min(w - x),
            TILE_SIDE_PX.min(h - y),
        );
        jpeg(&crop.to_image()).ok()
    }
}

fn jpeg(picture: &RgbImage) -> Result<Vec<u8>, String> {
    let mut out = Vec::new();
    picture
        .write_with_encoder(JpegEncoder::new_with_quality(&mut out, JPEG_QUALITY))
        .map_err(|e| e.to_string())?;
    Ok(out)
}

/// The photos shown last.
#[derive(Debug, Default)]
pub(super) struct Pictures {
    kept: Mutex<Vec<(u64, Arc<ShownPhoto>)>>,
    /// One decode at a time: each may take hundreds of megabytes.
    decoding: Mutex<()>,
}

/// The turn of a large photo to be decoded, until it is dropped.
pub(super) type DecodingTurn<'a> = Option<MutexGuard<'a, ()>>;

impl Pictures {
    /// Waits until this photo may be decoded outside of here. For a large one no other is decoded meanwhile, and none is kept.
    pub(super) fn turn_of(&self, bytes: &[u8]) -> DecodingTurn<'_> {
        if photo::claimed_pixels(bytes) <= LARGE_PX {
            return None;
        }
        let turn = self.decoding.lock().unwrap_or_else(PoisonError::into_inner);
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.clear();
        Some(turn)
    }

    /// The photo of an end; it is decoded if it isn't kept.
    ///
    /// # Errors
    /// A sentence for the user when it can't be read or decoded.
    pub(super) fn of(&self, id: u64, path: &Path) -> Result<Arc<ShownPhoto>, String> {
        if let Some(there) = self.find(id) {
            return Ok(there);
        }
        let _one = self.decoding.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(there) = self.find(id) {
            return Ok(there);
        }
        let bytes = store::read(path).map_err(|e| e.to_string())?;
        if photo::claimed_pixels(&bytes) > LARGE_PX {
            let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
            kept.clear();
        }
        let photo = photo::open(&bytes).map_err(|e| e.to_string())?;
        self.keep(id, photo)
    }

    /// Keeps a photo that was decoded for measuring.
    ///
    /// # Errors
    /// When it can't be encoded.
    pub(super) fn keep(&self, id: u64, photo: Photo) -> Result<Arc<ShownPhoto>, String> {
        let shown = Arc::new(ShownPhoto::new(photo)?);
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.retain(|(i, _)| *i != id);
        kept.push((id, Arc::clone(&shown)));
        let pixels = |shown: &ShownPhoto| {
            let (w, h) = shown.photo.pixels.dimensions();
            u64::from(w) * u64::from(h)
        };
        while kept.len() > MAX_DECODED
            || kept.len() > 1 && kept.iter().map(|(_, s)| pixels(s)).sum::<u64>() > MAX_KEPT_PX
        {
            kept.remove(0);
        }
        Ok(shown)
    }

    fn find(&self, id: u64) -> Option<Arc<ShownPhoto>> {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let at = kept.iter().position(|(i, _)| *i == id)?;
        // the photo shown last is dropped last
        let found = kept.remove(at);
        let shown = Arc::clone(&found.1);
        kept.push(found);
        Some(shown)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photo::ExifFacts;

    /// Large photos push each other out; of small ones the one shown and the next are kept.
    #[test]
    fn kept_photos_have_bounded_pixels() {
        let pictures = Pictures::default();
        let photo = |side| Photo::from_pixels(RgbImage::new(side, side), ExifFacts::default());
        let kept = || {
            let kept = pictures.kept.lock().expect("kept");
            kept.iter().map(|(id, _)| *id).collect::<Vec<u64>>()
        };
        for id in 1..=3 {
            pictures.keep(id, photo(8)).expect("kept");
        }
        assert_eq!(kept(), [2, 3]);
        pictures.keep(4, photo(7_800)).expect("kept");
        assert_eq!(kept(), [4], "the one shown last, however large");
    }

    #[test]
    fn the_whole_is_reduced_and_tiles_are_not() {
        let pixels = RgbImage::from_fn(2600, 1300, |x, _| {
            image::Rgb([if x < 1300 { 20 } else { 230 }; 3])
        });
        let shown =
            ShownPhoto::new(Photo::from_pixels(pixels, ExifFacts::default())).expect("shown");
        let size = |jpeg: &[u8]| {
            let picture = image::load_from_memory(jpeg).expect("JPEG").to_rgb8();
            (
                picture.dimensions(),
                picture.get_pixel(0, 0)[0],
                picture.get_pixel(picture.width() - 1, 0)[0],
            )
        };
        assert_eq!(size(&shown.reduced()).0, (2048, 1024));
        let (corner, dark, light) = size(&shown.tile(1, 0).expect("part"));
        assert_eq!(corner, (1024, 1024));
        assert!(
            dark < 40 && light > 210,
            "column 1 holds the step at 1300: {dark} {light}"
        );
        assert_eq!(size(&shown.tile(2, 1).expect("part")).0, (552, 276));
        for (c, r) in [(3, 0), (0, 2), (u32::MAX, 0)] {
            assert!(shown.tile(c, r).is_none());
        }
    }
}
