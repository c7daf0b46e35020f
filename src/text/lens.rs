//! A lens profile in words.

use super::{Locale, Sentence};
use crate::lens::{LensProfile, NoteKind, PictureCorner};
use std::fmt::Write;

/// What came of the photos, for a person.
#[must_use]
pub fn lens(profile: &LensProfile) -> String {
    let mut out = String::new();
    let locale = Locale::default();
    // writing to a string can't fail
    let _ = match (&profile.lens, &profile.failure) {
        (None, Some(failure)) => writeln!(out, "No lens: {}.", failure.text(locale)),
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
            Some(reason) => writeln!(out, "  {}: not used: {}", photo.file, reason.text(locale)),
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
        let _ = writeln!(out, "Note: {}.", note.text(locale));
    }
    out
}

impl Sentence for NoteKind {
    fn text(&self, _: Locale) -> String {
        match self {
            Self::NoBoard => "no chessboard was seen in any photo: print the sheet (`bossmark lens sheet`), tape it flat, and photograph it sharp and well lit".to_owned(),
            Self::TooFew { seen, least, good } => format!(
                "the board was seen in {seen} photo(s), and a lens needs {least} at least, better {good} or more: take more, each from another side"
            ),
            Self::NoFit => "the boards seen fit no lens: photograph one flat, printed board, with the same lens and zoom in every photo".to_owned(),
            Self::AllAlike { angle_deg } => format!(
                "all photos look at the board from nearly the same side (they differ by {angle_deg:.0}° at most), which doesn't tell the focal length: take more, from the left, right, above and below, 20 to 45° off the middle"
            ),
            Self::DoesNotFit { rms_px } => format!(
                "the corners miss the fit by {rms_px:.1} px, far more than corners in a sharp photo do: the sheet must lie flat, and lens, zoom and picture size must be the same in all photos"
            ),
            Self::TooUnsure { ln_f_sd, principal_point_sd_px, corner_sd_px } => format!(
                "these photos leave the focal length open by {:.1} %, the principal point by {principal_point_sd_px:.0} px and the picture's corners by {corner_sd_px:.1} px: take more, tilted more, with the board filling the picture and coming into all its corners",
                100.0 * ln_f_sd
            ),
            Self::FewPhotos { used, good } => format!(
                "{used} photos were used: {good} or more make the lens surer"
            ),
            Self::LittleTilt { angle_deg } => format!(
                "the photos look at the board from sides that differ by {angle_deg:.0}° at most: add some from further to the side"
            ),
            Self::CornersEmpty { corners, reach_px, apart_px } => format!(
                "no square comes near the picture's {} corner(s) (as the camera stores it), so the lens is a guess there: the squares reach out to {reach_px:.0} px from its middle{}; add photos with the board in the picture's corners",
                corners.iter().map(|c| corner(*c)).collect::<Vec<_>>().join(", "),
                apart_px.map_or_else(String::new, |px| format!(
                    ", and in the corners lenses that fit them alike differ by up to {px:.0} px"
                ))
            ),
            Self::PhotoFitsBadly { file, rms_px, median_px } => format!(
                "{file}: its corners miss the fit by {rms_px:.2} px, those of the others by {median_px:.2} px: shaken, out of focus, or the sheet was bent; leave it out or take it again"
            ),
            Self::MoreTermsHelp { plain_px, all_px } => format!(
                "tangential terms and k3 would lower the residuals from {plain_px:.3} to {all_px:.3} px; they are in the profile, measuring uses k1 and k2"
            ),
            Self::AnotherCamera => "another camera, lens, zoom or picture size than most of the photos: calibrate it by itself".to_owned(),
            Self::BoardNotSeen => "no chessboard seen: the whole width of several squares must be in the picture, sharp and evenly lit".to_owned(),
            Self::AnotherBoard { seen: [a, b], expected: [c, d] } => format!(
                "a board of {a} × {b} inner corners, not of {c} × {d}"
            ),
            Self::Written(text) => text.clone(),
        }
    }
}

const fn corner(corner: PictureCorner) -> &'static str {
    match corner {
        PictureCorner::UpperLeft => "upper left",
        PictureCorner::UpperRight => "upper right",
        PictureCorner::LowerRight => "lower right",
        PictureCorner::LowerLeft => "lower left",
    }
}
