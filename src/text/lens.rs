//! A lens profile in words.

use crate::lens::LensProfile;
use std::fmt::Write;

/// What came of the photos, for a person.
#[must_use]
pub fn lens(profile: &LensProfile) -> String {
    let mut out = String::new();
    // writing to a string can't fail
    let _ = match (&profile.lens, &profile.failure) {
        (None, Some(failure)) => writeln!(out, "No lens: {}.", failure.text),
        _ => writeln!(out, "Lens {}", profile.name),
    };
    if let Some([a, b]) = profile.board {
        let _ = writeln!(out, "Board of {a} × {b} inner corners");
    }
    if let (Some(l), Some(sd)) = (&profile.lens, &profile.sd) {
        let _ = writeln!(
            out,
            "Focal length {:.1} ± {:.1} px, middle {:.1} ± {:.1}, {:.1} ± {:.1} px, k1 {:.4} ± {:.4}, k2 {:.4} ± {:.4}",
            l.f_px, sd.f_px, l.cx_px, sd.cx_px, l.cy_px, sd.cy_px, l.k1, sd.k1, l.k2, sd.k2
        );
    }
    if let Some(rms) = profile.rms_px {
        let _ = writeln!(
            out,
            "Corners miss the fit by {rms:.2} px (root mean square)"
        );
    }
    for photo in &profile.photos {
        let _ = match &photo.reason {
            Some(reason) => writeln!(out, "  {}: not used: {reason}", photo.file),
            None => {
                let number = |v: Option<f64>, unit: &str| {
                    v.map_or_else(String::new, |v| format!(", {v:.2}{unit}"))
                };
                let tilt = photo
                    .tilt_deg
                    .map_or_else(String::new, |t| format!(", tilted {t:.0}°"));
                writeln!(
                    out,
                    "  {}: {} corners{}{tilt}",
                    photo.file,
                    photo.corners,
                    number(photo.rms_px, " px")
                )
            }
        };
    }
    for note in &profile.notes {
        let _ = writeln!(out, "Note: {}.", note.text);
    }
    out
}
