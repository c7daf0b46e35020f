//! Photos in: orientation, EXIF facts, and what happens with bytes that are no usable photo.

#![allow(clippy::unwrap_used, reason = "helpers of tests may panic")]

use bossmark::photo::{self, PhotoError};
use image::{ExtendedColorType, ImageEncoder, Rgb, RgbImage};

/// A 16 × 8 picture with a corner marked in each colour: red top left, green top right, blue bottom left.
fn marked() -> RgbImage {
    RgbImage::from_fn(16, 8, |x, y| match (x < 8, y < 4) {
        (true, true) => Rgb([255, 0, 0]),
        (false, true) => Rgb([0, 255, 0]),
        (true, false) => Rgb([0, 0, 255]),
        (false, false) => Rgb([255, 255, 255]),
    })
}

fn png(picture: &RgbImage, exif: Option<Vec<u8>>) -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = image::codecs::png::PngEncoder::new(&mut out);
    if let Some(block) = exif {
        encoder.set_exif_metadata(block).unwrap();
    }
    encoder
        .write_image(
            picture.as_raw(),
            picture.width(),
            picture.height(),
            ExtendedColorType::Rgb8,
        )
        .unwrap();
    out
}

fn jpeg(picture: &RgbImage) -> Vec<u8> {
    let mut out = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, 95)
        .write_image(
            picture.as_raw(),
            picture.width(),
            picture.height(),
            ExtendedColorType::Rgb8,
        )
        .unwrap();
    out
}

/// A JPEG with an EXIF block put behind its start marker.
fn jpeg_with(picture: &RgbImage, tiff: &[u8]) -> Vec<u8> {
    let plain = jpeg(picture);
    let mut out = plain[..2].to_vec();
    out.extend([0xFF, 0xE1]);
    out.extend(u16::try_from(tiff.len() + 8).unwrap().to_be_bytes());
    out.extend(b"Exif\0\0");
    out.extend(tiff);
    out.extend(&plain[2..]);
    out
}

/// A little-endian TIFF block that holds only the orientation.
fn orientation_block(value: u16) -> Vec<u8> {
    let mut b = b"II*\0\x08\0\0\0\x01\0".to_vec();
    b.extend(0x0112u16.to_le_bytes());
    b.extend(3u16.to_le_bytes());
    b.extend(1u32.to_le_bytes());
    b.extend(u32::from(value).to_le_bytes());
    b.extend(0u32.to_le_bytes());
    b
}

/// Where the stored first row and column are to be seen, by orientation (Exif 2.3, 4.6.4, tag 274): the stored top-left
/// corner (red) and the stored top-right one (green), as (right?, bottom?) of the upright picture.
const CORNERS: [((bool, bool), (bool, bool)); 8] = [
    ((false, false), (true, false)), // 1: row 0 top, column 0 left
    ((true, false), (false, false)), // 2: top, right
    ((true, true), (false, true)),   // 3: bottom, right
    ((false, true), (true, true)),   // 4: bottom, left
    ((false, false), (false, true)), // 5: left, top
    ((true, false), (true, true)),   // 6: right, top
    ((true, true), (true, false)),   // 7: right, bottom
    ((false, true), (false, false)), // 8: left, bottom
];

#[test]
fn all_eight_orientations_are_turned_upright() {
    for (i, (red, green)) in CORNERS.into_iter().enumerate() {
        let block = orientation_block(u16::try_from(i + 1).unwrap());
        for bytes in [
            jpeg_with(&marked(), &block),
            png(&marked(), Some(block.clone())),
        ] {
            let p = photo::open(&bytes).unwrap();
            assert_eq!(usize::from(p.exif.orientation), i + 1);
            assert_eq!((p.width, p.height), if i < 4 { (16, 8) } else { (8, 16) });
            let at = |(right, bottom): (bool, bool)| {
                *p.pixels.get_pixel(
                    if right { p.width - 2 } else { 1 },
                    if bottom { p.height - 2 } else { 1 },
                )
            };
            let strongest = |c: Rgb<u8>| (0..3).max_by_key(|k| c.0[*k]).unwrap();
            assert_eq!(strongest(at(red)), 0, "orientation {}", i + 1);
            assert_eq!(strongest(at(green)), 1, "orientation {}", i + 1);
        }
    }
}

#[test]
fn orientation_out_of_range_leaves_the_picture() {
    for value in [0, 9, 77] {
        let p = photo::open(&jpeg_with(&marked(), &orientation_block(value))).unwrap();
        assert_eq!((p.exif.orientation, p.width), (1, 16));
    }
}

#[test]
fn bytes_that_are_no_photo_are_refused_in_words() {
    let whole = jpeg(&marked());
    let said = |bytes: &[u8]| photo::open(bytes).unwrap_err();
    assert!(matches!(said(&[]), PhotoError::Empty));
    assert!(matches!(
        said(b"<html>not found</html>"),
        PhotoError::NotAnImage
    ));
    assert!(matches!(
        said(&whole[..whole.len() - 30]),
        PhotoError::Truncated
    ));
    assert!(matches!(said(&whole[..40]), PhotoError::Truncated));
    let drawn = png(&marked(), None);
    assert!(photo::open(&drawn[..drawn.len() / 2]).is_err());
    let heic = said(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic");
    assert!(matches!(heic, PhotoError::Heic) && heic.to_string().contains("JPEG"));
}

#[test]
fn every_cut_and_every_flipped_byte_is_an_answer() {
    let whole = jpeg_with(&marked(), &orientation_block(6));
    for n in 0..whole.len() {
        let _ = photo::open(&whole[..n]);
        let mut bent = whole.clone();
        bent[n] ^= 0x55;
        let _ = photo::open(&bent);
    }
}

#[test]
fn a_small_file_that_claims_a_huge_picture_is_refused_before_memory_is_taken() {
    // the frame header's height and width (ITU-T T.81, B.2.2) set to 60 000 × 60 000
    let mut bytes = jpeg(&marked());
    let frame = bytes.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
    bytes[frame + 5..frame + 9].copy_from_slice(&[0xEA, 0x60, 0xEA, 0x60]);
    assert!(matches!(
        photo::open(&bytes),
        Err(PhotoError::TooLarge {
            width: 60_000,
            height: 60_000
        })
    ));
    bytes[frame + 5..frame + 9].copy_from_slice(&[0x3E, 0x80, 0x3E, 0x80]); // 16 000 × 16 000: each side allowed, area not
    assert!(matches!(
        photo::open(&bytes),
        Err(PhotoError::TooLarge { .. })
    ));
}

#[test]
fn odd_pixel_formats_become_rgb() {
    let grey = image::DynamicImage::new_luma16(5, 3);
    let mut bytes = std::io::Cursor::new(Vec::new());
    grey.write_to(&mut bytes, image::ImageFormat::Png).unwrap();
    let p = photo::open(bytes.get_ref()).unwrap();
    assert_eq!((p.width, p.height), (5, 3));
    assert!(photo::open(&png(&RgbImage::new(1, 1), None)).is_ok());
}

#[test]
fn focal_length_is_taken_over_the_diagonal() {
    // 26 mm on 4000 × 3000 px: 3004.6 px (over the width it would be 2888.9)
    let exif = photo::ExifFacts {
        focal_35mm: Some(26.0),
        ..Default::default()
    };
    let p = photo::Photo::from_pixels(RgbImage::new(4000, 3000), exif);
    assert!((p.focal_from_exif_px().unwrap() - 3004.6).abs() < 0.05);
}

/// A picture with a pattern everywhere, so that no part of it looks made up.
fn busy(width: u32, height: u32) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| {
        let v = (x * 37 + y * 91 + (x * y) % 53) % 256;
        Rgb([v, (v * 7) % 256, 255 - v].map(|v| u8::try_from(v).unwrap()))
    })
}

/// A decoder makes something up for what is missing; the end marker alone doesn't make a picture whole.
#[test]
fn half_a_picture_with_an_end_marker_is_refused() {
    let whole = jpeg(&busy(320, 240));
    photo::open(&whole).unwrap();
    for share in [2, 3, 5] {
        let half = [&whole[..whole.len() * (share - 1) / share], &[0xFF, 0xD9]].concat();
        assert!(
            matches!(photo::open(&half), Err(PhotoError::Truncated)),
            "{share}: {:?}",
            photo::open(&half).map(|p| p.width)
        );
    }
}

#[test]
fn a_whole_picture_with_a_plain_edge_is_no_half_one() {
    // 128 is also what a decoder puts where there is no data
    for colour in [0, 90, 128, 255] {
        let mut picture = busy(320, 240);
        for y in 150..240 {
            for x in 0..320 {
                picture.put_pixel(x, y, Rgb([colour; 3]));
            }
        }
        photo::open(&jpeg(&picture)).unwrap();
    }
    photo::open(&jpeg(&RgbImage::from_pixel(200, 200, Rgb([128; 3])))).unwrap();
}

/// A decoder that meets with nonsense gives up and leaves the rest grey.
#[test]
fn a_picture_whose_data_make_no_sense_is_refused() {
    let mut broken = jpeg(&busy(320, 240));
    let at = broken.len() / 2;
    // a marker that can't be there: another frame header
    broken[at..at + 2].copy_from_slice(&[0xFF, 0xC9]);
    assert!(
        photo::open(&broken).is_err(),
        "{:?}",
        photo::open(&broken).map(|p| p.width)
    );
}

/// Bytes that once made a decoder panic: a palette that ends within a colour.
#[test]
fn a_palette_of_broken_colours_is_refused() {
    let mut random = 1_u32;
    for name in ["palette-49-bytes.png", "palette-43-bytes.png"] {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/seeds/photo");
        let mut file = std::fs::read(folder.join(name)).unwrap();
        assert!(photo::open(&file).is_err(), "{name}");
        // whatever stands behind its header
        for _ in 0..500 {
            random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let at = 33 + random as usize / 7 % (file.len() - 33);
            file[at] = random.to_be_bytes()[0];
            let _ = photo::open(&file);
        }
    }
}

/// A packed profile is never unpacked: it may be broken, or a thousand times its size.
#[test]
fn the_colour_profile_of_a_png_is_not_unpacked() {
    let plain = png(&marked(), None);
    let mut profile = 20_u32.to_be_bytes().to_vec();
    profile.extend(b"iCCPname\0\0not packed at.");
    profile.truncate(8 + 20);
    profile.extend([0; 4]);
    // behind the header: 8 bytes of magic, 25 of IHDR
    let file = [&plain[..33], &profile, &plain[33..]].concat();
    assert_eq!(
        photo::open(&file).unwrap().pixels,
        photo::open(&plain).unwrap().pixels
    );
}
