//! Bytes → upright pixels: format by first bytes, limits before memory, all eight EXIF orientations.

use super::limits::{JpegLayout, MAX_MEMORY_BYTES, made_up_rows, needed_chunks};
use super::{ExifFacts, MAX_AREA_PX, MAX_SIDE_PX, PhotoError};
use image::error::ImageError;
use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits, RgbImage};
use std::borrow::Cow;
use std::io::{Cursor, ErrorKind};
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

pub(super) fn decode(bytes: &[u8]) -> Result<(RgbImage, ExifFacts), PhotoError> {
    let format = match format_of(bytes) {
        #[cfg(feature = "heic")]
        Err(PhotoError::Heic) => return super::heic::decode(bytes),
        other => other?,
    };
    let bytes = &match format {
        ImageFormat::Png => needed_chunks(bytes),
        _ => Cow::Borrowed(bytes),
    };
    let (picture, exif) = decode_checked(bytes, format)?;
    let orientation = Orientation::from_exif(exif.orientation).unwrap_or(Orientation::NoTransforms);
    Ok((upright(picture, orientation), exif))
}

fn decode_checked(
    bytes: &[u8],
    format: ImageFormat,
) -> Result<(DynamicImage, ExifFacts), PhotoError> {
    if format != ImageFormat::Jpeg {
        return decode_as(bytes, format);
    }
    let layout = JpegLayout::of(bytes);
    let end = layout.end.ok_or(PhotoError::Truncated)?;
    layout.check_memory()?;
    let (picture, exif) = decode_as(bytes, format)?;
    if is_cut_off(&picture, bytes, end) {
        return Err(PhotoError::Truncated);
    }
    Ok((picture, exif))
}

/// Whether the lower part of a JPEG was made up by the decoder, for want of data before the end marker at `end`. Where it looks
/// like that, it is decoded once more with other data in front of that marker: a whole picture is the same with it. Where it has the
/// grey that stands for no data, the decoder may have given up before: then it is decoded once strictly.
fn is_cut_off(picture: &DynamicImage, bytes: &[u8], end: usize) -> bool {
    /// Rows of two of the largest blocks: fewer hide no shaft, and a picture may have a plain edge.
    const MIN_ROWS: usize = 33;
    let (bytes_of, height) = (picture.as_bytes(), picture.height());
    let channels = usize::from(picture.color().channel_count());
    let stride = picture.width() as usize * channels;
    let rows = made_up_rows(bytes_of, stride, channels);
    if rows < MIN_ROWS.min(height as usize) {
        return false;
    }
    let made_up = bytes_of.len() - rows * stride..bytes_of.len();
    let doubtful = bytes_of.get(made_up.clone()).unwrap_or_default();
    // a wall or a sheet of that very grey is no reason: the decoder must have met with trouble
    if rows < height as usize && doubtful.iter().all(|v| *v == GREY) && has_trouble(bytes) {
        return true;
    }
    let (before, after) = bytes.split_at(end);
    let more = [before, &[0x5A; 4096], after].concat();
    match decode_as(&more, ImageFormat::Jpeg) {
        Ok((other, _)) => other.as_bytes().get(made_up) != Some(doubtful),
        Err(_) => false,
    }
}

/// What the decoder puts where there is no data.
const GREY: u8 = 128;

/// Whether the decoder passes over anything in a JPEG: data that end too early, codes that mean nothing, markers where none may be.
fn has_trouble(bytes: &[u8]) -> bool {
    let options = DecoderOptions::default()
        .set_strict_mode(true)
        .set_max_width(MAX_SIDE_PX as usize)
        .set_max_height(MAX_SIDE_PX as usize);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    if decoder.decode_headers().is_err() {
        return true;
    }
    // brightness alone takes a third of the memory
    let colours = match decoder.input_colorspace() {
        Some(ColorSpace::YCbCr | ColorSpace::Luma) => ColorSpace::Luma,
        _ => ColorSpace::RGB,
    };
    decoder.set_options(options.jpeg_set_out_colorspace(colours));
    decoder.decode().is_err()
}

fn decode_as(bytes: &[u8], format: ImageFormat) -> Result<(DynamicImage, ExifFacts), PhotoError> {
    let mut limits = Limits::default();
    limits.max_image_width = Some(MAX_SIDE_PX);
    limits.max_image_height = Some(MAX_SIDE_PX);
    limits.max_alloc = Some(MAX_MEMORY_BYTES);
    let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
    reader.no_limits(); // the size is checked below, so that the message can name it
    let mut decoder = reader.into_decoder().map_err(explain)?;
    let (width, height) = decoder.dimensions();
    if width > MAX_SIDE_PX
        || height > MAX_SIDE_PX
        || u64::from(width) * u64::from(height) > MAX_AREA_PX
    {
        return Err(PhotoError::TooLarge { width, height });
    }
    // `into_decoder` does not count the picture itself against the limit: reserve it here
    limits
        .reserve(decoder.total_bytes())
        .map_err(|_| PhotoError::TooLarge { width, height })?;
    decoder.set_limits(limits).map_err(explain)?;
    let exif = decoder
        .exif_metadata()
        .ok()
        .flatten()
        .map(|block| super::exif::read(&block))
        .unwrap_or_default();
    let picture = DynamicImage::from_decoder(decoder).map_err(explain)?;
    Ok((picture, exif))
}

fn upright(mut picture: DynamicImage, orientation: Orientation) -> RgbImage {
    match orientation {
        Orientation::Rotate90 => quarter_turn(&picture.into_rgb8(), true),
        Orientation::Rotate270 => quarter_turn(&picture.into_rgb8(), false),
        Orientation::Rotate180 => {
            let mut picture = picture.into_rgb8();
            picture.as_chunks_mut::<3>().0.reverse();
            picture
        }
        other => {
            picture.apply_orientation(other);
            picture.into_rgb8()
        }
    }
}

/// A quarter turn clockwise or back, square by square, so that what is read and written stays in the cache: phones store most
/// pictures turned.
fn quarter_turn(picture: &RgbImage, clockwise: bool) -> RgbImage {
    const SQUARE: usize = 32;
    let (w, h) = (picture.width() as usize, picture.height() as usize);
    let mut turned = RgbImage::new(picture.height(), picture.width());
    let (from, _) = picture.as_raw().as_chunks::<3>();
    let (to, _) = turned.as_chunks_mut::<3>();
    for (band, rows) in to.chunks_mut((SQUARE * h).max(1)).enumerate() {
        for left in (0..h).step_by(SQUARE) {
            let columns = left..(left + SQUARE).min(h);
            for (k, row) in rows.chunks_exact_mut(h).enumerate() {
                let y = band * SQUARE + k;
                for (x, pixel) in columns.clone().zip(&mut row[columns.clone()]) {
                    let at = if clockwise {
                        (h - 1 - x) * w + y
                    } else {
                        x * w + (w - 1 - y)
                    };
                    *pixel = from[at];
                }
            }
        }
    }
    turned
}

/// The facts of the EXIF block alone, without decoding the picture.
pub(super) fn facts(bytes: &[u8]) -> Result<ExifFacts, PhotoError> {
    let format = match format_of(bytes) {
        #[cfg(feature = "heic")]
        Err(PhotoError::Heic) => return super::heic::facts(bytes),
        other => other?,
    };
    of_header(bytes, format, |decoder| {
        let block = decoder.exif_metadata().ok().flatten();
        block
            .map(|block| super::exif::read(&block))
            .unwrap_or_default()
    })
}

/// How many pixels the header claims; 0 where there is none.
pub(super) fn claimed_pixels(bytes: &[u8]) -> u64 {
    let size = format_of(bytes).and_then(|format| of_header(bytes, format, |d| d.dimensions()));
    size.map_or(0, |(width, height)| u64::from(width) * u64::from(height))
}

/// What a decoder says that has read no more than the header.
fn of_header<T>(
    bytes: &[u8],
    format: ImageFormat,
    ask: impl FnOnce(&mut dyn ImageDecoder) -> T,
) -> Result<T, PhotoError> {
    let bytes = match format {
        ImageFormat::Png => needed_chunks(bytes),
        _ => Cow::Borrowed(bytes),
    };
    let mut reader = ImageReader::with_format(Cursor::new(&bytes[..]), format);
    reader.no_limits(); // nothing is decoded
    let mut decoder = reader.into_decoder().map_err(explain)?;
    Ok(ask(&mut decoder))
}

fn explain(error: ImageError) -> PhotoError {
    match error {
        ImageError::IoError(e) if e.kind() == ErrorKind::UnexpectedEof => PhotoError::Truncated,
        other => PhotoError::Damaged(other.to_string()),
    }
}

fn format_of(bytes: &[u8]) -> Result<ImageFormat, PhotoError> {
    let starts = |magic: &[u8]| bytes.starts_with(magic);
    if bytes.is_empty() {
        return Err(PhotoError::Empty);
    }
    if starts(&[0xFF, 0xD8]) {
        return Ok(ImageFormat::Jpeg);
    }
    if starts(b"\x89PNG\r\n\x1a\n") {
        return Ok(ImageFormat::Png);
    }
    if bytes.get(4..8) == Some(b"ftyp") {
        let brand = bytes.get(8..12).unwrap_or_default();
        let stills: [&[u8]; 9] = [
            b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"avif",
        ];
        return Err(if stills.contains(&brand) {
            PhotoError::Heic
        } else {
            PhotoError::OtherFormat("video")
        });
    }
    let webp = starts(b"RIFF") && bytes.get(8..12) == Some(b"WEBP");
    let others = [
        (webp, "WebP"),
        (starts(b"GIF8"), "GIF"),
        (starts(b"II*\0") || starts(b"MM\0*"), "TIFF or raw"),
        (starts(b"BM"), "BMP"),
        (starts(b"%PDF"), "PDF"),
        (starts(b"\xFF\x0A") || starts(b"\0\0\0\x0CJXL "), "JPEG XL"),
    ];
    match others.iter().find(|(is, _)| *is) {
        Some((_, name)) => Err(PhotoError::OtherFormat(name)),
        None if b"\x89PNG\r\n\x1a\n".starts_with(bytes) => Err(PhotoError::Truncated),
        None => Err(PhotoError::NotAnImage),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formats_are_told_apart_by_their_first_bytes() {
        assert!(matches!(format_of(b""), Err(PhotoError::Empty)));
        assert!(matches!(
            format_of(b"hello there, no picture"),
            Err(PhotoError::NotAnImage)
        ));
        assert!(matches!(
            format_of(b"\0\0\0\x18ftypheic\0\0\0\0"),
            Err(PhotoError::Heic)
        ));
        assert!(matches!(
            format_of(b"\0\0\0\x18ftypisom\0\0\0\0"),
            Err(PhotoError::OtherFormat("video"))
        ));
        assert!(matches!(
            format_of(b"RIFF\0\0\0\0WEBPVP8 "),
            Err(PhotoError::OtherFormat("WebP"))
        ));
        assert!(matches!(format_of(b"\x89PN"), Err(PhotoError::Truncated)));
    }

    #[test]
    fn quarter_turns_are_those_of_the_image_library() {
        use image::imageops::{rotate90, rotate270};
        for (w, h) in [(1, 1), (3, 70), (65, 33)] {
            let byte = |n: u32| u8::try_from(n % 251).unwrap();
            let picture =
                RgbImage::from_fn(w, h, |x, y| image::Rgb([byte(x), byte(y), byte(x * y)]));
            assert!(quarter_turn(&picture, true) == rotate90(&picture));
            assert!(quarter_turn(&picture, false) == rotate270(&picture));
        }
    }
}
