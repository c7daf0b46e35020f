//! The photo as a file: JPEG, stored as the phone was held, with the EXIF fields that phones write.

use super::RehearseError;
use super::scene::Scene;
use crate::photo::exif_block;
use exif::{Rational, Tag, Value};
use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder, RgbImage, imageops};

impl Scene {
    /// The bytes of the file.
    ///
    /// # Errors
    /// [`RehearseError`] when the picture can't be encoded.
    pub fn file(&self, upright: &RgbImage) -> Result<Vec<u8>, RehearseError> {
        let p = &self.processing;
        let turned;
        // stored turned back, so that turning as the orientation says makes it upright
        let stored = match p.orientation {
            3 => {
                turned = imageops::rotate180(upright);
                &turned
            }
            6 => {
                turned = imageops::rotate270(upright);
                &turned
            }
            8 => {
                turned = imageops::rotate90(upright);
                &turned
            }
            _ => upright,
        };
        let mut jpeg = Vec::new();
        let mut encoder = JpegEncoder::new_with_quality(&mut jpeg, p.quality);
        encoder
            .set_exif_metadata(self.exif(stored.dimensions())?)
            .map_err(|e| RehearseError::Exif(e.to_string()))?;
        encoder.write_image(
            stored.as_raw(),
            stored.width(),
            stored.height(),
            ExtendedColorType::Rgb8,
        )?;
        Ok(jpeg)
    }

    fn exif(&self, (width, height): (u32, u32)) -> Result<Vec<u8>, RehearseError> {
        let p = &self.processing;
        let ascii = |text: &str| Value::Ascii(vec![text.as_bytes().to_vec()]);
        let [make, model] = &p.make;
        let f35 = crate::math::floor_index(self.taken.f35_mm.round());
        let f35 = u16::try_from(f35).unwrap_or(26);
        let fields = vec![
            (Tag::Make, ascii(make)),
            (Tag::Model, ascii(model)),
            (Tag::Software, ascii("practice photo, drawn")),
            (
                Tag::Orientation,
                Value::Short(vec![u16::from(p.orientation)]),
            ),
            (
                Tag::XResolution,
                Value::Rational(vec![Rational { num: 72, denom: 1 }]),
            ),
            (
                Tag::YResolution,
                Value::Rational(vec![Rational { num: 72, denom: 1 }]),
            ),
            (Tag::DateTimeOriginal, ascii(&p.date)),
            (Tag::FocalLengthIn35mmFilm, Value::Short(vec![f35])),
            (Tag::PixelXDimension, Value::Long(vec![width])),
            (Tag::PixelYDimension, Value::Long(vec![height])),
        ];
        exif_block(fields).map_err(|e| RehearseError::Exif(e.to_string()))
    }
}
