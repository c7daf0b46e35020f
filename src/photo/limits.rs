//! What is looked at before a decoder sees a file: whether it is whole, how much memory it would take, and chunks that are left out.

use super::PhotoError;
use std::borrow::Cow;

/// Most memory that decoding one photo may take, bytes: 120 megapixels of four bytes, and the decoder's own rows.
pub(super) const MAX_MEMORY_BYTES: u64 = 512 * 1024 * 1024;

/// Longest EXIF block that is read, bytes. A JPEG holds at most 64 KiB of it.
const MAX_EXIF_BYTES: usize = 256 * 1024;

/// What the segments of a JPEG say (ITU-T T.81, annex B).
#[derive(Debug, Default)]
pub(super) struct JpegLayout {
    /// Where the end-of-image marker is. Decoders fill what is missing with grey, which must not be measured as if it were a picture.
    pub(super) end: Option<usize>,
    /// Width, px.
    width: u32,
    /// Height, px.
    height: u32,
    /// Coefficients that a decoder keeps until the last scan, in hundredths of the number of pixels; 0 where it keeps none.
    coefficients: u64,
}

impl JpegLayout {
    /// Walks the segments up to the end-of-image marker.
    pub(super) fn of(bytes: &[u8]) -> Self {
        let mut layout = Self::default();
        let mut at = 2;
        while let (Some(&lead), Some(&code)) = (bytes.get(at), bytes.get(at + 1)) {
            if lead != 0xFF {
                at += 1; // entropy-coded data, or stray bytes that decoders skip
                continue;
            }
            match code {
                0xD9 => {
                    layout.end = Some(at);
                    break;
                }
                0xFF => at += 1,
                0x00 | 0x01 | 0xD0..=0xD8 => at += 2,
                _ => {
                    let length = match (bytes.get(at + 2), bytes.get(at + 3)) {
                        (Some(&high), Some(&low)) => usize::from(high) * 256 + usize::from(low),
                        _ => break,
                    };
                    let segment = bytes.get(at + 4..at + 2 + length.max(2));
                    layout.segment(code, segment.unwrap_or_default());
                    at += 2 + length.max(2);
                }
            }
        }
        layout
    }

    fn segment(&mut self, code: u8, segment: &[u8]) {
        // frame headers; C4, C8 and CC are tables and reserved
        if !matches!(code, 0xC0..=0xCF) || matches!(code, 0xC4 | 0xC8 | 0xCC) {
            return;
        }
        let &[_, h1, h0, w1, w0, _, ref components @ ..] = segment else {
            return;
        };
        self.height = u32::from(h1) * 256 + u32::from(h0);
        self.width = u32::from(w1) * 256 + u32::from(w0);
        let sampling: Vec<[u8; 2]> = components
            .chunks_exact(3)
            .map(|c| [c[1] >> 4, c[1] & 15])
            .collect();
        let largest = |k: usize| sampling.iter().map(|s| s[k]).max().unwrap_or(1).max(1);
        let whole = u64::from(largest(0)) * u64::from(largest(1));
        let all: u64 = sampling
            .iter()
            .map(|s| 100 * u64::from(s[0]) * u64::from(s[1]) / whole)
            .sum();
        // all but the first two kinds come in scans over the whole picture
        self.coefficients = if code <= 0xC1 { 0 } else { all };
    }

    /// About how much memory decoding takes, bytes: three for each pixel, and two for each coefficient that is kept.
    fn memory(&self) -> u64 {
        u64::from(self.width) * u64::from(self.height) * (300 + 2 * self.coefficients) / 100
    }

    /// Refuses a picture whose coefficients take more memory than is allowed.
    ///
    /// # Errors
    /// [`PhotoError::TooLarge`] or [`PhotoError::Progressive`].
    pub(super) fn check_memory(&self) -> Result<(), PhotoError> {
        if self.coefficients > 0 && self.memory() > MAX_MEMORY_BYTES {
            return Err(PhotoError::Progressive {
                width: self.width,
                height: self.height,
            });
        }
        Ok(())
    }
}

/// A PNG with the chunks alone that are needed for its pixels and its EXIF block. A colour profile or a text may be packed, and
/// inflate to a thousand times its size; nothing here uses them. A palette must consist of whole colours (PNG, third edition,
/// 11.2.2): the decoder relies on it.
pub(super) fn needed_chunks(bytes: &[u8]) -> Cow<'_, [u8]> {
    const KEPT: [&[u8; 4]; 6] = [b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND", b"eXIf"];
    let mut dropped = false;
    let mut kept: Vec<&[u8]> = vec![bytes.get(..8).unwrap_or(bytes)];
    let mut rest = bytes.get(8..).unwrap_or_default();
    while let Some(head) = rest.first_chunk::<8>() {
        let [a, b, c, d, name @ ..] = *head;
        let length = u32::from_be_bytes([a, b, c, d]) as usize;
        let size = length.saturating_add(12).min(rest.len());
        let (chunk, after) = rest.split_at(size);
        let broken = match &name {
            b"eXIf" => length > MAX_EXIF_BYTES,
            b"PLTE" => !length.is_multiple_of(3),
            _ => false,
        };
        let wanted = KEPT.iter().any(|k| **k == name) && !broken;
        if wanted {
            kept.push(chunk);
        } else {
            dropped = true;
        }
        rest = after;
    }
    kept.push(rest);
    if dropped {
        Cow::Owned(kept.concat())
    } else {
        Cow::Borrowed(bytes)
    }
}

/// How many rows at the bottom of a decoded JPEG may be made up: a decoder that gets no more data repeats one block, or fills with
/// grey, so that each row is the same every 16 px. Real rows of a photo never are.
pub(super) fn made_up_rows(picture: &[u8], stride: usize, channels: usize) -> usize {
    let period = 16 * channels;
    // the last blocks may be cut by the edge
    let compared = stride.saturating_sub(2 * period);
    let repeats = |row: &&[u8]| {
        let later = row.iter().skip(period);
        row.iter().zip(later).take(compared).all(|(a, b)| a == b)
    };
    let rows = picture.chunks_exact(stride.max(1));
    rows.rev().take_while(repeats).count()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_end_of_a_jpeg_is_found_behind_an_embedded_preview() {
        // start, APP1 that holds a whole small JPEG (its end marker must not count), end
        let file = [
            0xFF, 0xD8, 0xFF, 0xE1, 0, 6, 0xFF, 0xD8, 0xFF, 0xD9, 0xFF, 0xD9,
        ];
        assert_eq!(JpegLayout::of(&file).end, Some(10));
        assert_eq!(JpegLayout::of(&file[..10]).end, None);
    }

    #[test]
    fn memory_is_told_by_the_frame_header() {
        // 16 000 × 7 500, 4:4:4
        let frame = |code: u8| {
            let mut file = vec![0xFF, 0xD8, 0xFF, code, 0, 17, 8, 0x1D, 0x4C, 0x3E, 0x80, 3];
            file.extend([1, 0x11, 0, 2, 0x11, 0, 3, 0x11, 0]);
            JpegLayout::of(&file)
        };
        frame(0xC0).check_memory().expect("baseline");
        assert!(matches!(
            frame(0xC2).check_memory(),
            Err(PhotoError::Progressive {
                width: 16_000,
                height: 7_500
            })
        ));
    }

    #[test]
    fn chunks_that_nobody_needs_are_left_out() {
        let chunk = |name: &[u8; 4], data: &[u8]| {
            let length = u32::try_from(data.len()).expect("short").to_be_bytes();
            [&length[..], name, data, &[0; 4]].concat()
        };
        let magic = b"\x89PNG\r\n\x1a\n".to_vec();
        let (head, end) = (chunk(b"IHDR", &[1; 13]), chunk(b"IEND", b""));
        let plain = [magic.clone(), head.clone(), end.clone()].concat();
        assert!(matches!(needed_chunks(&plain), Cow::Borrowed(_)));
        let profile = chunk(b"iCCP", b"packed");
        let full = [magic, head, profile, end].concat();
        assert_eq!(needed_chunks(&full).as_ref(), plain);
        for length in 0..full.len() {
            let _ = needed_chunks(&full[..length]);
        }
    }
}
