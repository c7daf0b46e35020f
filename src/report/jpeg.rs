//! A JPEG file without anything but its picture.

/// A JPEG picture stripped of metadata, with its size in px.
pub(super) struct PlainJpeg {
    pub(super) bytes: Vec<u8>,
    pub(super) width: u16,
    pub(super) height: u16,
}

/// Copies a JPEG without EXIF, maker notes, comments, previews or anything after its end: only what decoding needs
/// (ITU-T T.81, annex B: markers and their lengths). `None` when the bytes are no JPEG.
pub(super) fn stripped(jpeg: &[u8]) -> Option<PlainJpeg> {
    let mut bytes = jpeg.get(..2).filter(|b| *b == [0xff, 0xd8])?.to_vec();
    let mut size = None;
    let mut at = 2;
    loop {
        let (0xff, marker) = (*jpeg.get(at)?, *jpeg.get(at + 1)?) else {
            return None;
        };
        match marker {
            // a fill byte before the marker
            0xff => {
                at += 1;
                continue;
            }
            // markers without a length
            0x01 | 0xd0..=0xd7 => {
                at += 2;
                continue;
            }
            0xd8 | 0xd9 | 0x00 => return None,
            _ => {}
        }
        let length = usize::from(u16::from_be_bytes([*jpeg.get(at + 2)?, *jpeg.get(at + 3)?]));
        let segment = jpeg.get(at..at + 2 + length)?;
        if matches!(marker, 0xc0..=0xcf) && !matches!(marker, 0xc4 | 0xc8 | 0xcc) {
            let side =
                |i: usize| Some(u16::from_be_bytes([*segment.get(i)?, *segment.get(i + 1)?]));
            size = Some((side(7)?, side(5)?));
        }
        // application data (but for the colour transform of APP14 and the plain APP0) and comments
        let metadata = matches!(marker, 0xe1..=0xed | 0xef | 0xfe);
        if marker == 0xda {
            let rest = jpeg.get(at..)?;
            let end = rest.windows(2).position(|w| w == [0xff, 0xd9])?;
            bytes.extend(rest.get(..end + 2)?);
            break;
        }
        if !metadata {
            bytes.extend(segment);
        }
        at += 2 + length;
    }
    let (width, height) = size?;
    Some(PlainJpeg {
        bytes,
        width,
        height,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::RgbImage;
    use image::codecs::jpeg::JpegEncoder;

    #[test]
    fn metadata_goes_and_the_picture_stays() {
        let picture = RgbImage::from_fn(40, 24, |x, y| {
            image::Rgb([if x > y { 200 } else { 40 }, 120, 90])
        });
        let mut plain = Vec::new();
        picture
            .write_with_encoder(JpegEncoder::new(&mut plain))
            .unwrap();
        let mut tagged = plain[..2].to_vec();
        tagged.extend(b"\xff\xe1\x00\x10Exif\0\0secret12");
        tagged.extend(b"\xff\xfe\x00\x06note");
        tagged.extend(&plain[2..]);
        tagged.extend(b"\xff\xd8\xff\xe1\x00\x0aExif\0\0zz");
        let out = stripped(&tagged).unwrap();
        assert_eq!((out.width, out.height), (40, 24));
        assert_eq!(out.bytes, plain);
    }

    #[test]
    fn no_jpeg_no_picture() {
        assert!(stripped(b"").is_none());
        assert!(stripped(b"\x89PNG").is_none());
        assert!(stripped(b"\xff\xd8\xff\xe1\xff\xff").is_none());
        assert!(stripped(b"\xff\xd8\xff\xd9").is_none());
    }
}
