//! HEIC and HEIF photos through the system's libheif: only with the feature `heic`.

use super::{ExifFacts, MAX_AREA_PX, MAX_SIDE_PX, PhotoError};
use image::RgbImage;
use libheif_rs::{ColorSpace, HeifContext, HeifError, ImageHandle, ItemId, LibHeif, RgbChroma};

/// Upright pixels and facts. The container's own turns are carried out by the decoder; the EXIF orientation, which says the
/// same once more, is not applied (ISO/IEC 23008-12, Annex A: the transformative properties decide).
pub(super) fn decode(bytes: &[u8]) -> Result<(RgbImage, ExifFacts), PhotoError> {
    let context = HeifContext::read_from_bytes(bytes).map_err(explain)?;
    let handle = context.primary_image_handle().map_err(explain)?;
    let (width, height) = (handle.width(), handle.height());
    if width > MAX_SIDE_PX
        || height > MAX_SIDE_PX
        || u64::from(width) * u64::from(height) > MAX_AREA_PX
    {
        return Err(PhotoError::TooLarge { width, height });
    }
    let picture = LibHeif::new()
        .decode(&handle, ColorSpace::Rgb(RgbChroma::Rgb), None)
        .map_err(explain)?;
    let odd = || PhotoError::Damaged("the picture's planes are not as expected".to_owned());
    let plane = picture.planes().interleaved.ok_or_else(odd)?;
    let row = usize::try_from(plane.width).map_err(|_| odd())? * 3;
    let mut pixels = Vec::with_capacity(row * usize::try_from(plane.height).map_err(|_| odd())?);
    let rows = plane.data.chunks(plane.stride.max(1));
    for line in rows.take(usize::try_from(plane.height).map_err(|_| odd())?) {
        pixels.extend_from_slice(line.get(..row).ok_or_else(odd)?);
    }
    let pixels = RgbImage::from_raw(plane.width, plane.height, pixels).ok_or_else(odd)?;
    Ok((pixels, exif(&handle)))
}

/// The facts of the EXIF block alone.
pub(super) fn facts(bytes: &[u8]) -> Result<ExifFacts, PhotoError> {
    let context = HeifContext::read_from_bytes(bytes).map_err(explain)?;
    let handle = context.primary_image_handle().map_err(explain)?;
    Ok(exif(&handle))
}

fn exif(handle: &ImageHandle) -> ExifFacts {
    let mut ids: [ItemId; 1] = [0];
    if handle.metadata_block_ids(&mut ids, b"Exif") == 0 {
        return ExifFacts::default();
    }
    let block = handle.metadata(ids[0]).unwrap_or_default();
    // four bytes say how far behind them the TIFF header stands
    let Some((offset, rest)) = block.split_first_chunk::<4>() else {
        return ExifFacts::default();
    };
    let start = usize::try_from(u32::from_be_bytes(*offset)).unwrap_or(usize::MAX);
    rest.get(start..)
        .map_or_else(ExifFacts::default, super::exif::read)
}

fn explain(error: HeifError) -> PhotoError {
    PhotoError::Damaged(error.message)
}
