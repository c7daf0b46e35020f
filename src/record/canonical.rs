//! Records → bytes: always the same bytes for the same record.
//!
//! JSON indented by two spaces, lines ended by LF, fields in the order of the type. Lengths are rounded to 0.001 mm, and reading
//! them back gives the same numbers bit by bit. There is no −0 and no NaN.

use super::{CameraRecord, End, Entry, RecordError};
use crate::math::rounded;
use serde::Serialize;
use serde_json::ser::{CompactFormatter, Formatter, PrettyFormatter};
use std::io;

/// Decimals of a length in mm.
const LENGTH_DECIMALS: i32 = 3;
/// Decimals of a position in px: finer than lengths, so that `px` still maps to the millimetres beside it.
const PIXEL_DECIMALS: i32 = 4;
/// Decimals of a covariance in mm².
const AREA_DECIMALS: i32 = 6;
/// Decimals of an angle in degrees and of a probability.
const ANGLE_DECIMALS: i32 = 4;
/// Decimals of the unitless numbers of a camera (rotation, k1, k2): 1e-12 of 10 m is far below 0.001 mm.
const UNITLESS_DECIMALS: i32 = 12;

/// The bytes of a record file.
///
/// # Errors
/// When a number that a record must have is not finite.
pub fn to_bytes(end: &End) -> Result<Vec<u8>, RecordError> {
    pretty(&rounded_record(end)?)
}

/// One line of JSON Lines, with its line feed.
///
/// # Errors
/// As [`to_bytes`].
pub fn to_line(end: &End) -> Result<Vec<u8>, RecordError> {
    line(&rounded_record(end)?)
}

/// Any document as indented JSON with a line feed at its end; numbers that aren't finite become null.
///
/// # Errors
/// When the type can't be written as JSON.
pub fn pretty<T: Serialize>(document: &T) -> Result<Vec<u8>, RecordError> {
    write(document, PrettyFormatter::new())
}

/// Any document as one line of JSON with its line feed; numbers that aren't finite become null.
///
/// # Errors
/// When the type can't be written as JSON.
pub fn line<T: Serialize>(document: &T) -> Result<Vec<u8>, RecordError> {
    write(document, CompactFormatter)
}

fn write<T: Serialize, F: Formatter>(document: &T, formatter: F) -> Result<Vec<u8>, RecordError> {
    let mut bytes = Vec::new();
    let mut serializer =
        serde_json::Serializer::with_formatter(&mut bytes, NoNegativeZero(formatter));
    document
        .serialize(&mut serializer)
        .map_err(|e| RecordError::Write {
            detail: e.to_string(),
        })?;
    bytes.push(b'\n');
    Ok(bytes)
}

/// The record with its numbers rounded as they are written. An optional number that isn't finite becomes absent.
///
/// # Errors
/// When a number that a record must have is not finite.
pub fn rounded_record(end: &End) -> Result<End, RecordError> {
    let mut end = end.clone();
    for entry in &mut end.entries {
        round_entry(entry)?;
    }
    if let Some(camera) = &mut end.camera {
        round_camera(camera)?;
    }
    if let Some(face) = &mut end.face {
        round_required(
            &mut face.diameter_mm,
            LENGTH_DECIMALS,
            "the diameter of the face",
        )?;
        for v in face.spot_centres_mm.iter_mut().flatten().flatten() {
            round_required(v, LENGTH_DECIMALS, "a centre of the face")?;
        }
        for zone in face.zones.iter_mut().flatten() {
            round_required(&mut zone.radius_mm, LENGTH_DECIMALS, "a zone of the face")?;
        }
    }
    Ok(end)
}

fn round_required(value: &mut f64, digits: i32, what: &str) -> Result<(), RecordError> {
    if !value.is_finite() {
        return Err(RecordError::NotFinite {
            what: what.to_owned(),
        });
    }
    let new = rounded(*value, digits);
    // a number too large to be scaled is left unrounded
    if new.is_finite() {
        *value = new;
    }
    Ok(())
}

fn round_optional(value: &mut Option<f64>, digits: i32) {
    if let Some(v) = value
        && round_required(v, digits, "").is_err()
    {
        *value = None;
    }
}

fn round_optional_together<'a, T: 'a>(
    value: &'a mut Option<T>,
    digits: i32,
    numbers: impl Fn(&mut T) -> Vec<&mut f64>,
) {
    if let Some(v) = value
        && numbers(v)
            .into_iter()
            .any(|n| round_required(n, digits, "").is_err())
    {
        *value = None;
    }
}

fn round_entry(entry: &mut Entry) -> Result<(), RecordError> {
    let what = format!("the place of entry {}", entry.id);
    round_required(&mut entry.x_mm, LENGTH_DECIMALS, &what)?;
    round_required(&mut entry.y_mm, LENGTH_DECIMALS, &what)?;
    round_optional_together(&mut entry.cov_mm2, AREA_DECIMALS, |v| {
        v.iter_mut().flatten().collect()
    });
    round_optional_together(&mut entry.px, PIXEL_DECIMALS, |v| v.iter_mut().collect());
    round_optional_together(&mut entry.segment_px, PIXEL_DECIMALS, |v| {
        v.iter_mut().flatten().collect()
    });
    round_optional_together(&mut entry.found_mm, LENGTH_DECIMALS, |v| {
        v.iter_mut().collect()
    });
    round_optional_together(&mut entry.lean, ANGLE_DECIMALS, |v| {
        vec![&mut v.right_deg, &mut v.up_deg, &mut v.sd_deg]
    });
    round_optional(&mut entry.kind_probability, ANGLE_DECIMALS);
    round_optional(&mut entry.confidence, ANGLE_DECIMALS);
    round_optional(&mut entry.thickness_mm, LENGTH_DECIMALS);
    round_optional_together(&mut entry.arrow_proposed, ANGLE_DECIMALS, |v| {
        vec![&mut v.p]
    });
    Ok(())
}

fn round_camera(camera: &mut CameraRecord) -> Result<(), RecordError> {
    const WHAT: &str = "a number of the camera";
    for v in [
        &mut camera.fx_px,
        &mut camera.fy_px,
        &mut camera.cx_px,
        &mut camera.cy_px,
        &mut camera.fit_rms_px,
    ] {
        round_required(v, PIXEL_DECIMALS, WHAT)?;
    }
    for v in [&mut camera.k1, &mut camera.k2] {
        round_required(v, UNITLESS_DECIMALS, WHAT)?;
    }
    for v in camera.face_to_camera.rotation.iter_mut().flatten() {
        round_required(v, UNITLESS_DECIMALS, WHAT)?;
    }
    // the elements of the homography differ in size by powers of ten: they are written in full
    for v in camera.image_to_face.iter().flatten() {
        round_required(&mut v.clone(), UNITLESS_DECIMALS, WHAT)?;
    }
    for v in &mut camera.face_to_camera.translation_mm {
        round_required(v, LENGTH_DECIMALS, WHAT)?;
    }
    if let Some(sheet) = &mut camera.sheet {
        round_required(&mut sheet.reach_mm, LENGTH_DECIMALS, WHAT)?;
        for v in &mut sheet.z_mm {
            round_required(v, LENGTH_DECIMALS, WHAT)?;
        }
    }
    if let Some(evidence) = &mut camera.evidence {
        round_required(&mut evidence.nats, ANGLE_DECIMALS, WHAT)?;
        round_required(&mut evidence.least_nats, ANGLE_DECIMALS, WHAT)?;
    }
    round_required(&mut camera.distance_mm, LENGTH_DECIMALS, WHAT)?;
    round_required(&mut camera.tilt_deg, ANGLE_DECIMALS, WHAT)?;
    round_required(&mut camera.upright.sd_deg, ANGLE_DECIMALS, WHAT)
}

/// Whether a terminal may obey this character, or text be shown in another order with it: control characters (Unicode category Cc)
/// and those of writing direction. JSON allows most of them as they are, but need not hold them so.
#[must_use]
pub fn is_control(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// A formatter that writes 0 for −0.
struct NoNegativeZero<F>(F);

macro_rules! hand_on {
    ($($name:ident($($arg:ident: $type:ty),*)),* $(,)?) => {$(
        fn $name<W: ?Sized + io::Write>(&mut self, writer: &mut W $(, $arg: $type)*) -> io::Result<()> {
            self.0.$name(writer $(, $arg)*)
        }
    )*};
}

impl<F: Formatter> Formatter for NoNegativeZero<F> {
    fn write_f64<W: ?Sized + io::Write>(&mut self, writer: &mut W, value: f64) -> io::Result<()> {
        self.0.write_f64(writer, value + 0.0)
    }

    fn write_f32<W: ?Sized + io::Write>(&mut self, writer: &mut W, value: f32) -> io::Result<()> {
        self.0.write_f32(writer, value + 0.0)
    }

    fn write_string_fragment<W: ?Sized + io::Write>(
        &mut self,
        writer: &mut W,
        fragment: &str,
    ) -> io::Result<()> {
        let mut rest = fragment;
        while let Some((at, c)) = rest.char_indices().find(|(_, c)| is_control(*c)) {
            let (before, from) = rest.split_at(at);
            self.0.write_string_fragment(writer, before)?;
            // none of them is beyond the first 65 536 characters
            write!(writer, "\\u{:04x}", u32::from(c))?;
            rest = from.get(c.len_utf8()..).unwrap_or_default();
        }
        self.0.write_string_fragment(writer, rest)
    }

    hand_on!(
        begin_array(),
        end_array(),
        begin_array_value(first: bool),
        end_array_value(),
        begin_object(),
        end_object(),
        begin_object_key(first: bool),
        end_object_key(),
        begin_object_value(),
        end_object_value(),
    );
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::parse_records;
    use serde_json::json;

    fn record() -> End {
        serde_json::from_value(json!({
            "schema": "bossmark/end/1", "weather": {"wind": -0.0},
            "entries": [{"id": 2, "x_mm": 1.23456, "y_mm": -0.0001, "px": [10.123456, 5], "kind": "bare", "nock": "red"}],
            "session": {"archer": "A", "setup": {"sight": 3}}
        }))
        .expect("record")
    }

    #[test]
    fn written_and_read_is_the_same_and_written_again_the_same_bytes() {
        let bytes = to_bytes(&record()).expect("bytes");
        let text = String::from_utf8(bytes.clone()).expect("UTF-8");
        assert!(
            text.ends_with("}\n") && !text.contains('\r') && !text.contains("-0"),
            "{text}"
        );
        assert!(
            text.contains("\"x_mm\": 1.235")
                && text.contains("\"nock\": \"red\"")
                && text.contains("\"sight\": 3")
        );
        let back = parse_records(&bytes).expect("record").remove(0).end;
        assert_eq!(back, rounded_record(&record()).expect("finite"));
        assert_eq!(to_bytes(&back).expect("bytes"), bytes);
        let line = to_line(&back).expect("line");
        assert_eq!(line.iter().filter(|b| **b == b'\n').count(), 1);
    }

    #[test]
    fn numbers_that_are_not_finite_become_absent_or_an_error() {
        let mut end = record();
        end.entries[0].confidence = Some(f64::NAN);
        end.entries[0].cov_mm2 = Some([[1.0, f64::INFINITY], [0.0, 1.0]]);
        let tidy = rounded_record(&end).expect("optional numbers only");
        assert_eq!(
            (tidy.entries[0].confidence, tidy.entries[0].cov_mm2),
            (None, None)
        );
        end.entries[0].x_mm = f64::NAN;
        assert!(matches!(to_bytes(&end), Err(RecordError::NotFinite { .. })));
    }
}
