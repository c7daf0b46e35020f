//! The upright photo for the page: reduced as a whole, and in parts at full resolution. Pixels only, no EXIF.

use crate::photo::{self, Photo};
use crate::store;
use image::codecs::jpeg::JpegEncoder;
use image::{RgbImage, imageops};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

/// Longest side of the reduced picture, px: sharp on a laptop's screen, and on a phone's up to the first zoom.
pub(super) const REDUCED: u32 = 2048;
/// Side of a part, px.
pub(super) const PART: u32 = 1024;
/// Quality of JPEGs: marks are placed on them.
const QUALITY: u8 = 88;
/// Photos kept decoded: the one looked at, and the next.
const KEPT: usize = 2;

/// A photo ready to be shown.
#[derive(Debug)]
pub(super) struct Shown {
    /// The upright photo.
    pub(super) photo: Photo,
    reduced: Vec<u8>,
}

impl Shown {
    /// Prepares a photo.
    ///
    /// # Errors
    /// When it can't be encoded (a picture without pixels).
    fn new(photo: Photo) -> Result<Self, String> {
        let (w, h) = photo.pixels.dimensions();
        let longest = w.max(h);
        let small;
        let reduced = if longest > REDUCED {
            let side = |s: u32| {
                let scaled = u64::from(s) * u64::from(REDUCED) / u64::from(longest);
                u32::try_from(scaled).unwrap_or(1).max(1)
            };
            // averages over areas, so that thin shafts don't break up
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

    /// The part in this column and row, JPEG; `None` outside the picture.
    pub(super) fn part(&self, column: u32, row: u32) -> Option<Vec<u8>> {
        let (w, h) = self.photo.pixels.dimensions();
        let (x, y) = (column.checked_mul(PART)?, row.checked_mul(PART)?);
        if x >= w || y >= h {
            return None;
        }
        let crop = imageops::crop_imm(&self.photo.pixels, x, y, PART.min(w - x), PART.min(h - y));
        jpeg(&crop.to_image()).ok()
    }
}

fn jpeg(picture: &RgbImage) -> Result<Vec<u8>, String> {
    let mut out = Vec::new();
    picture
        .write_with_encoder(JpegEncoder::new_with_quality(&mut out, QUALITY))
        .map_err(|e| e.to_string())?;
    Ok(out)
}

/// The photos looked at last.
#[derive(Debug, Default)]
pub(super) struct Pictures {
    kept: Mutex<Vec<(u64, Arc<Shown>)>>,
    /// One decode at a time: each may take hundreds of megabytes.
    decoding: Mutex<()>,
}

impl Pictures {
    /// The photo of an end, decoded now or before.
    ///
    /// # Errors
    /// When it can't be read or decoded, in words.
    pub(super) fn of(&self, id: u64, path: &Path) -> Result<Arc<Shown>, String> {
        if let Some(there) = self.find(id) {
            return Ok(there);
        }
        let _one = self.decoding.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(there) = self.find(id) {
            return Ok(there);
        }
        let bytes = store::read(path).map_err(|e| e.to_string())?;
        let photo = photo::open(&bytes).map_err(|e| e.to_string())?;
        self.keep(id, photo)
    }

    /// Keeps a photo that was decoded for measuring.
    ///
    /// # Errors
    /// When it can't be encoded.
    pub(super) fn keep(&self, id: u64, photo: Photo) -> Result<Arc<Shown>, String> {
        let shown = Arc::new(Shown::new(photo)?);
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.retain(|(i, _)| *i != id);
        kept.push((id, Arc::clone(&shown)));
        if kept.len() > KEPT {
            kept.remove(0);
        }
        Ok(shown)
    }

    fn find(&self, id: u64) -> Option<Arc<Shown>> {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let at = kept.iter().position(|(i, _)| *i == id)?;
        // looked at last: thrown out last
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

    #[test]
    fn the_whole_is_reduced_and_parts_are_not() {
        let pixels = RgbImage::from_fn(2600, 1300, |x, _| {
            image::Rgb([if x < 1300 { 20 } else { 230 }; 3])
        });
        let shown = Shown::new(Photo::from_pixels(pixels, ExifFacts::default())).expect("shown");
        let size = |jpeg: &[u8]| {
            let picture = image::load_from_memory(jpeg).expect("JPEG").to_rgb8();
            (
                picture.dimensions(),
                picture.get_pixel(0, 0)[0],
                picture.get_pixel(picture.width() - 1, 0)[0],
            )
        };
        assert_eq!(size(&shown.reduced()).0, (2048, 1024));
        let (corner, dark, light) = size(&shown.part(1, 0).expect("part"));
        assert_eq!(corner, (1024, 1024));
        assert!(
            dark < 40 && light > 210,
            "column 1 holds the step at 1300: {dark} {light}"
        );
        assert_eq!(size(&shown.part(2, 1).expect("part")).0, (552, 276));
        for (c, r) in [(3, 0), (0, 2), (u32::MAX, 0)] {
            assert!(shown.part(c, r).is_none());
        }
    }
}
