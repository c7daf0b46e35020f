//! The few EXIF fields that measuring needs. Everything else in the block stays unread.

use super::MAX_SIDE_PX;
use exif::experimental::Writer;
use exif::{Exif, Field, In, Reader, Tag, Value};
use std::io::Cursor;

/// What the camera wrote about the picture, as far as it is of use. No position, no serial number, no owner.
#[derive(Clone, Debug, PartialEq)]
pub struct ExifFacts {
    /// Orientation tag as stored, 1–8 (1 when absent or out of range); the pixels have it applied.
    pub orientation: u8,
    /// Focal length as 35 mm equivalent, mm. `None`: absent or 0 ("unknown").
    pub focal_35mm: Option<f64>,
    /// Focal length of the lens itself, mm. `None`: absent or 0.
    pub focal_mm: Option<f64>,
    /// Pixels of the picture as taken to a millimetre of the sensor (FocalPlaneXResolution and its unit).
    pub sensor_px_per_mm: Option<f64>,
    /// Width and height of the picture as the camera wrote it, px, before it was turned (PixelXDimension, PixelYDimension). An
    /// editor that cuts or reduces a picture mostly leaves them.
    pub taken_px: Option<[u32; 2]>,
    /// Maker of the camera.
    pub make: Option<String>,
    /// Model of the camera.
    pub model: Option<String>,
    /// Time taken, RFC 3339: only where the camera stated its offset from UTC.
    pub taken_rfc3339: Option<String>,
    /// Time taken by the camera's own clock, `YYYY-MM-DDThh:mm:ss`, zone unknown.
    pub taken_local: Option<String>,
    /// Ratio of digital zoom, if the camera stated one above 1.
    pub digital_zoom: Option<f64>,
    /// True when the file carried an EXIF block at all.
    pub present: bool,
    /// True when it is no photo but a picture that this program made of one.
    pub drawn_on: bool,
}

impl Default for ExifFacts {
    fn default() -> Self {
        Self {
            orientation: 1,
            focal_35mm: None,
            focal_mm: None,
            sensor_px_per_mm: None,
            taken_px: None,
            make: None,
            model: None,
            taken_rfc3339: None,
            taken_local: None,
            digital_zoom: None,
            present: false,
            drawn_on: false,
        }
    }
}

/// What the field "Software" says in pictures that this program made of photos: where they lie among photos they are told from them.
const DRAWN_ON: &str = "bossmark: drawn on a photo";
/// Longest text taken from a field, characters.
const MAX_TEXT_LENGTH: usize = 64;
/// 35 mm equivalents that exist on cameras, mm; anything else is a broken field.
const FOCAL_RANGE_MM: std::ops::RangeInclusive<f64> = 5.0..=2000.0;
/// Resolutions that exist on sensors (with digital zoom), pixels a millimetre; anything else is a broken field.
const SENSOR_PX_PER_MM: std::ops::RangeInclusive<f64> = 20.0..=20_000.0;

pub(super) fn read(block: &[u8]) -> ExifFacts {
    let block = block.strip_prefix(b"Exif\0\0").unwrap_or(block);
    // a damaged field must not cost the others
    let parsed = Reader::new()
        .continue_on_error(true)
        .read_raw(block.to_vec())
        .or_else(|e| e.distill_partial_result(|_| {}));
    let Ok(exif) = parsed else {
        return ExifFacts::default();
    };
    let local = text(&exif, Tag::DateTimeOriginal)
        .as_deref()
        .and_then(local_time);
    let zone = text(&exif, Tag::OffsetTimeOriginal)
        .as_deref()
        .and_then(utc_offset);
    ExifFacts {
        orientation: number(&exif, Tag::Orientation)
            .and_then(orientation)
            .unwrap_or(1),
        focal_35mm: number(&exif, Tag::FocalLengthIn35mmFilm)
            .filter(|f| FOCAL_RANGE_MM.contains(f)),
        focal_mm: number(&exif, Tag::FocalLength).filter(|f| *f > 0.0 && *f < 10_000.0),
        sensor_px_per_mm: sensor_px_per_mm(&exif),
        taken_px: side_px(&exif, Tag::PixelXDimension)
            .zip(side_px(&exif, Tag::PixelYDimension))
            .map(|(width, height)| [width, height]),
        make: text(&exif, Tag::Make),
        model: text(&exif, Tag::Model),
        taken_rfc3339: local
            .as_ref()
            .zip(zone)
            .map(|(time, zone)| format!("{time}{zone}")),
        taken_local: local,
        digital_zoom: number(&exif, Tag::DigitalZoomRatio).filter(|z| *z > 1.0 && *z < 1000.0),
        present: true,
        drawn_on: text(&exif, Tag::Software).as_deref() == Some(DRAWN_ON),
    }
}

/// An EXIF block of these fields.
pub(crate) fn block(fields: Vec<(Tag, Value)>) -> Result<Vec<u8>, exif::Error> {
    let fields: Vec<Field> = fields
        .into_iter()
        .map(|(tag, value)| Field {
            tag,
            ifd_num: In::PRIMARY,
            value,
        })
        .collect();
    let mut writer = Writer::new();
    for field in &fields {
        writer.push_field(field);
    }
    let mut block = Cursor::new(Vec::new());
    writer.write(&mut block, true)?;
    Ok(block.into_inner())
}

/// The EXIF block of a picture made of a photo: what drew it, and nothing of the photo's.
pub(crate) fn of_drawn_on() -> Result<Vec<u8>, exif::Error> {
    block(vec![(
        Tag::Software,
        Value::Ascii(vec![DRAWN_ON.as_bytes().to_vec()]),
    )])
}

fn orientation(value: f64) -> Option<u8> {
    (1..=8).find(|o| (f64::from(*o) - value).abs() < 0.5)
}

/// Length of a side, px, if a picture can have it.
fn side_px(exif: &Exif, tag: Tag) -> Option<u32> {
    let px = exif.get_field(tag, In::PRIMARY)?.value.get_uint(0)?;
    (1..=MAX_SIDE_PX).contains(&px).then_some(px)
}

/// Resolution on the sensor along x; the unit is the inch where none is stated (Exif 2.32, 4.6.5, FocalPlaneResolutionUnit).
fn sensor_px_per_mm(exif: &Exif) -> Option<f64> {
    let unit_mm = match exif.get_field(Tag::FocalPlaneResolutionUnit, In::PRIMARY) {
        Some(field) => match field.value.get_uint(0)? {
            2 => 25.4,
            3 => 10.0,
            _ => return None,
        },
        None => 25.4,
    };
    number(exif, Tag::FocalPlaneXResolution)
        .map(|resolution| resolution / unit_mm)
        .filter(|r| SENSOR_PX_PER_MM.contains(r))
}

fn number(exif: &Exif, tag: Tag) -> Option<f64> {
    let field = exif.get_field(tag, In::PRIMARY)?;
    match &field.value {
        Value::Rational(v) => v.first().map(exif::Rational::to_f64),
        other => other.get_uint(0).map(f64::from),
    }
    .filter(|v| v.is_finite())
}

fn text(exif: &Exif, tag: Tag) -> Option<String> {
    let Value::Ascii(parts) = &exif.get_field(tag, In::PRIMARY)?.value else {
        return None;
    };
    let text = String::from_utf8_lossy(parts.first()?);
    let clean: String = text
        .chars()
        .filter(|c| !c.is_control() && *c != '\u{fffd}')
        .take(MAX_TEXT_LENGTH)
        .collect();
    let clean = clean.trim();
    (!clean.is_empty()).then(|| clean.to_owned())
}

/// `2026:05:03 10:12:40` → `2026-05-03T10:12:40`. `None` for blanks and impossible dates.
fn local_time(text: &str) -> Option<String> {
    let b = text.as_bytes();
    if b.len() < 19 || b[4] != b':' || b[7] != b':' || b[13] != b':' || b[16] != b':' {
        return None;
    }
    let field = |from: usize, to: usize| {
        let part = text.get(from..to)?;
        part.bytes()
            .all(|c| c.is_ascii_digit())
            .then(|| part.parse::<u32>().ok())
            .flatten()
    };
    let (year, month, day) = (field(0, 4)?, field(5, 7)?, field(8, 10)?);
    let (hour, minute, second) = (field(11, 13)?, field(14, 16)?, field(17, 19)?);
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let days = match month {
        4 | 6 | 9 | 11 => 30,
        2 if leap => 29,
        2 => 28,
        _ => 31,
    };
    let possible = year >= 1900
        && (1..=12).contains(&month)
        && (1..=days).contains(&day)
        && hour < 24
        && minute < 60
        && second < 60;
    possible.then(|| format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}"))
}

/// `+02:00` as it stands, if it is an offset from UTC.
fn utc_offset(text: &str) -> Option<String> {
    if text == "Z" {
        return Some(text.to_owned());
    }
    let b = text.as_bytes();
    let shape = b.len() == 6 && (b[0] == b'+' || b[0] == b'-') && b[3] == b':';
    let hours: u32 = text.get(1..3)?.parse().ok()?;
    let minutes: u32 = text.get(4..6)?.parse().ok()?;
    (shape && hours <= 14 && minutes < 60).then(|| text.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_checked() {
        assert_eq!(
            local_time("2026:05:03 10:12:40").as_deref(),
            Some("2026-05-03T10:12:40")
        );
        assert_eq!(
            local_time("2024:02:29 00:00:00").as_deref(),
            Some("2024-02-29T00:00:00")
        );
        for bad in [
            "2026:02:29 10:12:40",
            "    :  :     :  :  ",
            "0000:00:00 00:00:00",
            "2026:05:03",
            "2026:05:03 24:00:00",
            "2026:05:0é 10:12:40",
        ] {
            assert_eq!(local_time(bad), None, "{bad}");
        }
        assert_eq!(utc_offset("+02:00").as_deref(), Some("+02:00"));
        for bad in ["   :  ", "+2:00", "+15:00", "02:00", "+0200"] {
            assert_eq!(utc_offset(bad), None, "{bad}");
        }
    }

    #[test]
    fn rubbish_is_no_exif() {
        assert!(!read(b"").present && !read(b"Exif\0\0rubbish").present);
    }
}
