//! The lens profile, `bossmark/lens/1`: what a calibration found, for which camera, and when it applies.

use super::assumptions::RangeLensChange;
use super::stored;
use super::sufficiency::NoteKind;
use crate::face::LensPrior;
use crate::geometry::ImagePoint;
use crate::photo::Photo;
use crate::record::{Extra, Remark, typed};
use serde::{Deserialize, Serialize};

/// Schema name of the lens profile.
pub const SCHEMA: &str = "bossmark/lens/1";
/// How file names of lens profiles end.
pub const ENDING: &str = ".lens.json";

/// A lens profile. Pixels are those of the picture as the camera stored it, before its EXIF orientation is applied; the
/// origin is the centre of the top-left pixel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LensProfile {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// Its name, which end records give in `lens_profile`.
    pub name: String,
    /// The camera whose photos it applies to.
    pub camera: CameraKey,
    /// The lens; `None` where the photos didn't suffice.
    pub lens: Option<LensNumbers>,
    /// Standard deviations of the lens's numbers.
    #[serde(default)]
    pub sd: Option<LensNumbers>,
    /// The same photos fitted with tangential terms and k3 too; `None` where these don't help. Measuring uses `lens`.
    #[serde(default)]
    pub more_terms: Option<MoreTerms>,
    /// Root mean square distance of seen and fitted corners, px, over all photos used.
    #[serde(default)]
    pub rms_px: Option<f64>,
    /// Distance of the outermost corner from the principal point, px. Farther out the lens is extrapolated.
    #[serde(default)]
    pub reach_px: Option<f64>,
    /// Inner corners of the board, the larger number first.
    #[serde(default)]
    pub board: Option<[u32; 2]>,
    /// The result for each photo.
    #[serde(default)]
    pub photos: Vec<ProfilePhoto>,
    /// Remarks: what would make it better.
    #[serde(default)]
    pub notes: Vec<Remark<NoteKind>>,
    /// Set when the photos didn't suffice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failure: Option<Remark<NoteKind>>,
    /// Version of the program that wrote it.
    #[serde(default)]
    pub bossmark: String,
    /// Fields that this version doesn't know.
    #[serde(flatten)]
    pub extra: Extra,
}

/// The EXIF facts by which lenses are distinguished. A missing one isn't in the photos.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CameraKey {
    /// Maker.
    #[serde(default)]
    pub make: Option<String>,
    /// Model.
    #[serde(default)]
    pub model: Option<String>,
    /// 35 mm equivalent of the focal length, mm.
    #[serde(default)]
    pub focal_35mm: Option<f64>,
    /// Focal length itself, mm.
    #[serde(default)]
    pub focal_mm: Option<f64>,
    /// Ratio of digital zoom above 1.
    #[serde(default)]
    pub digital_zoom: Option<f64>,
    /// Width of the stored picture, px.
    pub width_px: u32,
    /// Height of the stored picture, px.
    pub height_px: u32,
}

/// Focal length, principal point and radial terms, or their standard deviations; px of the stored picture.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LensNumbers {
    /// Focal length, px.
    pub f_px: f64,
    /// Principal point, x.
    pub cx_px: f64,
    /// Principal point, y.
    pub cy_px: f64,
    /// Radial term of r².
    pub k1: f64,
    /// Radial term of r⁴.
    pub k2: f64,
}

/// A lens with all terms (Brown–Conrady), and how well it fits.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MoreTerms {
    /// Focal length, principal point, k1, k2.
    #[serde(flatten)]
    pub lens: LensNumbers,
    /// Radial term of r⁶.
    pub k3: f64,
    /// Tangential terms.
    pub p1: f64,
    /// Tangential terms.
    pub p2: f64,
    /// Root mean square distance of seen and fitted corners, px.
    pub rms_px: f64,
}

/// The result for one photo of the board.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ProfilePhoto {
    /// File name without folders.
    pub file: String,
    /// Whether the profile was fitted to it.
    pub used: bool,
    /// Corners seen.
    pub corners: u32,
    /// Columns and rows that they span.
    #[serde(default)]
    pub board: Option<[u32; 2]>,
    /// Root mean square distance of its corners from the fit, px.
    #[serde(default)]
    pub rms_px: Option<f64>,
    /// Angle between the line of sight and the board's normal, degrees.
    #[serde(default)]
    pub tilt_deg: Option<f64>,
    /// Why it isn't used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<NoteKind>,
}

/// Why a lens profile can't be used.
#[derive(Debug, thiserror::Error)]
pub enum ProfileError {
    /// Not JSON, a newer version, or without what it must have.
    #[error(transparent)]
    Document(#[from] crate::record::RecordError),
    /// A profile of photos that didn't suffice.
    #[error("it holds no lens, its photos didn't suffice: {0}")]
    NoLens(String),
    /// Values that no lens has.
    #[error("its numbers are those of no lens: make it anew with `bossmark lens fit`")]
    Numbers,
}

/// Whether a profile is for a photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Match {
    /// Maker, model, focal length, zoom and size are the same.
    Same,
    /// The same but for the size: a reduced copy of the whole picture.
    Resized,
    /// The photo doesn't say what took it; its shape fits.
    Unknown,
    /// Another camera, lens, zoom or shape.
    Other,
}

/// Two focal lengths of one lens differ at most by rounding, as a share.
const SAME_FOCAL: f64 = 0.02;
/// Two shapes are the same within this share: copies are rounded to whole pixels.
const SAME_SHAPE: f64 = 0.005;

impl CameraKey {
    /// The key of a photo.
    #[must_use]
    pub fn of(photo: &Photo) -> Self {
        let exif = &photo.exif;
        let [width_px, height_px] = stored::size(exif.orientation, [photo.width, photo.height]);
        Self {
            make: exif.make.clone(),
            model: exif.model.clone(),
            focal_35mm: exif.focal_35mm,
            focal_mm: exif.focal_mm,
            digital_zoom: exif.digital_zoom,
            width_px,
            height_px,
        }
    }

    /// How a photo with this key matches a profile for `self`.
    #[must_use]
    pub fn matches(&self, photo: &Self) -> Match {
        let differ = |a: Option<f64>, b: Option<f64>, by: f64| match (a, b) {
            (Some(a), Some(b)) => (a / b).ln().abs() > by,
            _ => false,
        };
        let texts = [(&self.make, &photo.make), (&self.model, &photo.model)];
        let other = texts
            .iter()
            .any(|(a, b)| a.is_some() && b.is_some() && a != b)
            || differ(self.focal_35mm, photo.focal_35mm, SAME_FOCAL)
            || differ(self.focal_mm, photo.focal_mm, SAME_FOCAL)
            || differ(
                Some(self.digital_zoom.unwrap_or(1.0)),
                Some(photo.digital_zoom.unwrap_or(1.0)),
                SAME_FOCAL,
            );
        let shape = |k: &Self| f64::from(k.width_px) / f64::from(k.height_px);
        let bent = (shape(self) / shape(photo)).ln().abs();
        if other || bent.is_nan() || bent >= SAME_SHAPE {
            return Match::Other;
        }
        let same_focal = self.focal_35mm.is_some() && photo.focal_35mm.is_some()
            || self.focal_mm.is_some() && photo.focal_mm.is_some();
        if texts.iter().any(|(a, b)| a.is_none() || b.is_none()) || !same_focal {
            return Match::Unknown;
        }
        if (self.width_px, self.height_px) == (photo.width_px, photo.height_px) {
            Match::Same
        } else {
            Match::Resized
        }
    }
}

impl LensProfile {
    /// Reads and checks a profile.
    ///
    /// # Errors
    /// [`ProfileError`].
    pub fn parse(bytes: &[u8]) -> Result<Self, ProfileError> {
        let profile: Self = typed(bytes, SCHEMA, "the lens profile")?;
        let Some(l) = &profile.lens else {
            let why = match profile.failure.map(|f| f.values) {
                Some(NoteKind::Written(text)) => text,
                _ => String::new(),
            };
            return Err(ProfileError::NoLens(why));
        };
        let (w, h) = (
            f64::from(profile.camera.width_px),
            f64::from(profile.camera.height_px),
        );
        let sound = w >= 1.0
            && h >= 1.0
            && (0.1..100.0).contains(&(l.f_px / w.hypot(h)))
            && (0.0..w).contains(&l.cx_px)
            && (0.0..h).contains(&l.cy_px)
            && l.k1.abs() < 5.0
            && l.k2.abs() < 50.0;
        if sound {
            Ok(profile)
        } else {
            Err(ProfileError::Numbers)
        }
    }

    /// The lens of a photo by this profile. Its error includes how lenses change between the photos of the board and that of the
    /// face. `None` where the profile holds no lens.
    #[must_use]
    pub fn prior(&self, photo: &Photo, range: &RangeLensChange) -> Option<LensPrior> {
        let l = self.lens?;
        let zero = LensNumbers {
            f_px: 0.0,
            cx_px: 0.0,
            cy_px: 0.0,
            k1: 0.0,
            k2: 0.0,
        };
        let sd = self.sd.unwrap_or(zero);
        let orientation = photo.exif.orientation;
        let size = stored::size(orientation, [photo.width, photo.height]);
        // profile's pixels per pixel of the photo
        let factor = f64::from(self.camera.width_px) / f64::from(size[0].max(1));
        let c = ImagePoint::new(l.cx_px, l.cy_px).reduced(factor);
        let c = stored::to_upright(orientation, size, c);
        let width = f64::from(size[0].max(size[1]));
        let c_sd = sd.cx_px.max(sd.cy_px) / factor;
        Some(LensPrior {
            f_px: l.f_px / factor,
            ln_f_sd: (sd.f_px / l.f_px).hypot(range.ln_f_sd),
            cx_px: c.x,
            cy_px: c.y,
            c_sd_px: c_sd.hypot(range.principal_point_sd_of_width * width),
            k1: l.k1,
            k1_sd: sd.k1.hypot(range.k1_sd),
            k2: l.k2,
            k2_sd: sd.k2.hypot(range.k2_sd),
        })
    }
}

/// The profile for a photo among several: that of the same camera, lens and zoom. One of the same size comes before one that is
/// resized; of equals the first counts. A single profile that a person has `named` also applies to a photo that doesn't say which
/// camera took it.
#[must_use]
pub fn pick<'a>(
    profiles: &'a [LensProfile],
    photo: &Photo,
    named: bool,
) -> Option<&'a LensProfile> {
    let key = CameraKey::of(photo);
    let most = if named && profiles.len() == 1 {
        Match::Unknown
    } else {
        Match::Resized
    };
    profiles
        .iter()
        .map(|p| (p.camera.matches(&key), p))
        .filter(|(m, p)| *m <= most && p.lens.is_some())
        .min_by_key(|(m, _)| *m)
        .map(|(_, p)| p)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photo::ExifFacts;
    use image::RgbImage;

    fn profile() -> LensProfile {
        serde_json::from_value(serde_json::json!({
            "schema": SCHEMA, "name": "a", "bossmark": "0.1.0",
            "camera": {"make": "M", "model": "One", "focal_35mm": 26.0, "width_px": 400, "height_px": 300},
            "lens": {"f_px": 300.0, "cx_px": 210.0, "cy_px": 145.0, "k1": 0.01, "k2": 0.0},
            "sd": {"f_px": 0.6, "cx_px": 0.5, "cy_px": 0.5, "k1": 0.001, "k2": 0.001}
        }))
        .unwrap()
    }

    fn photo(model: Option<&str>, orientation: u8, width: u32, height: u32) -> Photo {
        Photo::from_pixels(
            RgbImage::new(width, height),
            ExifFacts {
                make: model.map(|_| "M".to_owned()),
                model: model.map(str::to_owned),
                focal_35mm: model.map(|_| 26.0),
                orientation,
                ..ExifFacts::default()
            },
        )
    }

    #[test]
    fn the_camera_picks_its_own_profile() {
        let all = [profile()];
        let picked = |p: &Photo, named: bool| pick(&all, p, named).is_some();
        assert!(picked(&photo(Some("One"), 1, 400, 300), false));
        assert!(
            picked(&photo(Some("One"), 6, 300, 400), false),
            "held upright"
        );
        assert!(
            picked(&photo(Some("One"), 1, 200, 150), false),
            "a reduced copy"
        );
        assert!(
            !picked(&photo(Some("Two"), 1, 400, 300), true),
            "another camera"
        );
        assert!(!picked(&photo(Some("One"), 1, 400, 225), true), "cropped");
        assert!(!picked(&photo(None, 1, 400, 300), false), "nothing known");
        assert!(picked(&photo(None, 1, 400, 300), true), "but it was named");
        let mut zoomed = photo(Some("One"), 1, 400, 300);
        zoomed.exif.digital_zoom = Some(2.0);
        assert!(!picked(&zoomed, true));
        let mut tele = photo(Some("One"), 1, 400, 300);
        tele.exif.focal_35mm = Some(52.0);
        assert!(!picked(&tele, true));
    }

    #[test]
    fn size_and_orientation_carry_the_lens_over() {
        let range = super::super::assumptions::assumptions()
            .unwrap()
            .at_the_range;
        let p = profile();
        let half = p.prior(&photo(Some("One"), 1, 200, 150), &range).unwrap();
        assert!((half.f_px - 150.0).abs() < 1e-9 && (half.cx_px - 104.75).abs() < 1e-9);
        let up = p.prior(&photo(Some("One"), 6, 300, 400), &range).unwrap();
        assert!((up.cx_px - (299.0 - 145.0)).abs() < 1e-9 && (up.cy_px - 210.0).abs() < 1e-9);
        assert!(up.ln_f_sd > 0.002 && up.ln_f_sd < 0.02);
    }

    #[test]
    fn broken_profiles_are_reported() {
        let text = serde_json::to_string(&profile()).unwrap();
        assert!(LensProfile::parse(text.as_bytes()).is_ok());
        for (from, to, word) in [
            ("bossmark/lens/1", "bossmark/lens/7", "update"),
            ("\"f_px\":300.0", "\"f_px\":0.0", "no lens"),
            ("\"width_px\":400", "\"wide\":400", "width_px"),
        ] {
            let error = LensProfile::parse(text.replacen(from, to, 1).as_bytes()).unwrap_err();
            assert!(error.to_string().contains(word), "{error}");
        }
        assert!(LensProfile::parse(b"rubbish").is_err());
    }
}
