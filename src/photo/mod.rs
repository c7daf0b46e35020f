//! A photo as it was meant to be seen: bytes in, upright pixels and the few facts of its EXIF block out.
//!
//! Position, serial numbers, owner and maker notes are never read into memory that outlives decoding.

mod decode;
mod exif;
#[cfg(feature = "heic")]
mod heic;
mod limits;
mod taken;

pub use exif::ExifFacts;
pub(crate) use exif::{block as exif_block, of_drawn_on};
pub use taken::OriginalPicture;

use image::RgbImage;
use sha2::{Digest, Sha256};
use thiserror::Error;

/// A decoded photo, turned as its EXIF orientation says.
#[derive(Clone, Debug)]
pub struct Photo {
    /// Pixels, upright, 8-bit sRGB.
    pub pixels: RgbImage,
    /// What the camera wrote about the picture.
    pub exif: ExifFacts,
    /// SHA-256 of the file's bytes, lower-case hexadecimal.
    pub sha256: String,
    /// Width of the upright picture, px.
    pub width: u32,
    /// Height of the upright picture, px.
    pub height: u32,
}

impl Photo {
    /// A photo from pixels that are upright already, without EXIF: for pictures that were drawn, not taken.
    #[must_use]
    pub fn from_pixels(pixels: RgbImage, exif: ExifFacts) -> Self {
        let sha256 = hex(&Sha256::digest(pixels.as_raw()));
        let (width, height) = pixels.dimensions();
        Self {
            pixels,
            exif,
            sha256,
            width,
            height,
        }
    }
}

/// Diagonal of the 24 × 36 mm picture that "35 mm equivalent" refers to, mm.
pub const DIAGONAL_35MM: f64 = 43.266_615_305_567_87;

/// Largest side of a photo, px.
pub const MAX_SIDE_PX: u32 = 16_000;
/// Largest number of pixels of a photo.
pub const MAX_AREA_PX: u64 = 120_000_000;

/// Why a photo cannot be used, and what to do.
#[derive(Debug, Error)]
pub enum PhotoError {
    /// No bytes.
    #[error("the file is empty; copy or download the photo again")]
    Empty,
    /// None of the formats that are understood.
    #[error("this is not a photo in JPEG or PNG; save or export the photo as JPEG")]
    NotAnImage,
    /// A phone's HEIC/HEIF/AVIF container.
    #[error(
        "this photo is in HEIC (or HEIF/AVIF), which is not read here; export it as JPEG, set the phone's camera to \"most compatible\" so that it saves JPEG, or build bossmark with `--features heic`"
    )]
    Heic,
    /// A known picture format that is not read.
    #[error("this is a {0} file; photos are read in JPEG and PNG: save or export it as JPEG")]
    OtherFormat(&'static str),
    /// Bytes are missing at the end.
    #[error("the file ends before the picture does; copy or download the photo again")]
    Truncated,
    /// Beyond what is decoded.
    #[error("the picture is {width} × {height} px; at most {MAX_SIDE_PX} px a side and {megapixels} megapixels are read: save a smaller copy", megapixels = MAX_AREA_PX / 1_000_000)]
    TooLarge {
        /// Width, px.
        width: u32,
        /// Height, px.
        height: u32,
    },
    /// A JPEG whose scans would have to be kept in memory, all of them.
    #[error(
        "the picture is a progressive JPEG of {width} × {height} px, which takes too much memory to decode: save it as an ordinary (baseline) JPEG, or a smaller copy"
    )]
    Progressive {
        /// Width, px.
        width: u32,
        /// Height, px.
        height: u32,
    },
    /// A picture made by this program.
    #[error("this is a picture that bossmark made of a photo: name the photo itself")]
    DrawnOn,
    /// The decoder gave up.
    #[error("the picture cannot be decoded ({0}); export it again as JPEG")]
    Damaged(String),
}

/// Decodes a photo (JPEG or PNG, known by its first bytes) and turns it upright.
///
/// # Errors
/// [`PhotoError`], decided before any pixel memory is taken where the reason is format or size.
pub fn open(bytes: &[u8]) -> Result<Photo, PhotoError> {
    let (pixels, exif) = decode::decode(bytes)?;
    if exif.drawn_on {
        return Err(PhotoError::DrawnOn);
    }
    let (width, height) = pixels.dimensions();
    Ok(Photo {
        pixels,
        exif,
        sha256: hex(&Sha256::digest(bytes)),
        width,
        height,
    })
}

/// What the camera wrote about a picture, without decoding it: to bring the photos of a folder into order.
///
/// # Errors
/// [`PhotoError`] when the bytes are no photo that can be read.
pub fn facts(bytes: &[u8]) -> Result<ExifFacts, PhotoError> {
    decode::facts(bytes)
}

/// How many pixels the header of a photo claims; 0 where the bytes are no photo that can be read.
#[must_use]
pub fn claimed_pixels(bytes: &[u8]) -> u64 {
    decode::claimed_pixels(bytes)
}

/// Whether a file is no photo but a picture that this program made of one.
#[must_use]
pub fn is_drawn_on(bytes: &[u8]) -> bool {
    facts(bytes).is_ok_and(|facts| facts.drawn_on)
}

/// SHA-256 of a file's bytes, lower-case hexadecimal, as records hold it.
#[must_use]
pub fn fingerprint(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

fn hex(digest: &[u8]) -> String {
    digest.iter().map(|b| format!("{b:02x}")).collect()
}
