//! Pictures → files, marked as drawn by the program.

use crate::photo;
use image::codecs::jpeg::JpegEncoder;
use image::codecs::png::PngEncoder;
use image::error::{EncodingError, ImageFormatHint};
use image::{ImageEncoder, ImageError, ImageFormat, ImageResult, RgbImage};

/// JPEG quality of a marked photo of its own.
pub(super) const QUALITY: u8 = 88;

/// File formats of the marked photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Small; for looking at.
    Jpeg,
    /// Exact.
    Png,
}

impl Format {
    /// The format that a file name's ending asks for: `.png`, `.jpg` or `.jpeg`, in capitals or not.
    #[must_use]
    pub fn of_name(name: &str) -> Option<Self> {
        let ending = name.rsplit_once('.')?.1.to_ascii_lowercase();
        match ending.as_str() {
            "png" => Some(Self::Png),
            "jpg" | "jpeg" => Some(Self::Jpeg),
            _ => None,
        }
    }
}

/// The picture as a file, with nothing of the photo's EXIF data: only what drew it, so that it isn't taken for a photo.
///
/// # Errors
/// An encoding error of the image library (a picture without pixels).
pub fn bytes(picture: &RgbImage, format: Format) -> ImageResult<Vec<u8>> {
    let mut out = Vec::new();
    match format {
        Format::Jpeg => drawn(
            picture,
            JpegEncoder::new_with_quality(&mut out, QUALITY),
            format,
        )?,
        Format::Png => drawn(picture, PngEncoder::new(&mut out), format)?,
    }
    Ok(out)
}

pub(super) fn drawn(
    picture: &RgbImage,
    mut encoder: impl ImageEncoder,
    format: Format,
) -> ImageResult<()> {
    let refused = |error: exif::Error| {
        let hint = ImageFormatHint::Exact(match format {
            Format::Jpeg => ImageFormat::Jpeg,
            Format::Png => ImageFormat::Png,
        });
        ImageError::Encoding(EncodingError::new(hint, error))
    };
    let block = photo::of_drawn_on().map_err(refused)?;
    encoder
        .set_exif_metadata(block)
        .map_err(ImageError::Unsupported)?;
    picture.write_with_encoder(encoder)
}
