//! The end record, `bossmark/end/1`: what one photo (or one tape measure) says about one end.

use super::{Entry, Extra, Missed, Session};
use crate::face::{FocalSource, UprightSource};
use serde::{Deserialize, Serialize};

/// Schema name of the end record.
pub const SCHEMA: &str = "bossmark/end/1";

/// One end: its photo, the fitted camera, the entries of the shafts, and its session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct End {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// The photo; `None` for an end measured with a tape.
    #[serde(default)]
    pub photo: Option<PhotoRecord>,
    /// The face shot at.
    #[serde(default)]
    pub face: Option<FaceRecord>,
    /// The fitted camera; `None` without a photo, or where no face was found.
    #[serde(default)]
    pub camera: Option<CameraRecord>,
    /// Where the shafts enter.
    #[serde(default)]
    pub entries: Vec<Entry>,
    /// Shots that left no entry, as a person entered them; never guessed.
    #[serde(default)]
    pub missed: Vec<Missed>,
    /// Counts the changes made to this record by a person.
    #[serde(default)]
    pub revision: u64,
    /// Who shot what, from where, with which set-up.
    #[serde(default)]
    pub session: Session,
    /// Remarks of the program on how the record was made.
    #[serde(default)]
    pub notes: Vec<Note>,
    /// Set when the job could not be done on this photo.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failure: Option<Failure>,
    /// Version of the program that wrote the record.
    #[serde(default)]
    pub bossmark: String,
    /// Fields that this version doesn't know.
    #[serde(flatten)]
    pub extra: Extra,
}

impl Default for End {
    fn default() -> Self {
        Self {
            schema: SCHEMA.to_owned(),
            photo: None,
            face: None,
            camera: None,
            entries: Vec::new(),
            missed: Vec::new(),
            revision: 0,
            session: Session::default(),
            notes: Vec::new(),
            failure: None,
            bossmark: env!("CARGO_PKG_VERSION").to_owned(),
            extra: Extra::new(),
        }
    }
}

/// The photo an end was read from.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PhotoRecord {
    /// File name without folders.
    pub file: String,
    /// SHA-256 of the file's bytes, lower-case hexadecimal.
    pub sha256: String,
    /// Width of the upright picture, px.
    pub width_px: u32,
    /// Height of the upright picture, px.
    pub height_px: u32,
    /// When it was taken, RFC 3339; `None` without a zone.
    #[serde(default)]
    pub taken: Option<String>,
    /// The camera's own time without a zone, `YYYY-MM-DDTHH:MM:SS`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken_local: Option<String>,
    /// Fields that this version doesn't know.
    #[serde(flatten)]
    pub extra: Extra,
}

/// The face of an end.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FaceRecord {
    /// Name, as `bossmark faces` lists it.
    pub name: String,
    /// Nominal diameter, mm.
    pub diameter_mm: f64,
    /// Centres of the spots of a many-spot face, mm, in the order that `spot` counts; absent for one centre.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spot_centres_mm: Option<Vec<[f64; 2]>>,
    /// What is printed on a face that isn't built in, the innermost zone first; absent for one that is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zones: Option<Vec<PrintedZone>>,
    /// Pattern of the print that the photo shows: `ten-zone`, `six-zone`, `five-zone`, `three-spot`, `field` …
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pattern: Option<String>,
    /// All faces of this kind that the photo shows, as `--which` counts them; absent where it is the only one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seen: Option<Vec<FaceInPhoto>>,
    /// Fields that this version doesn't know.
    #[serde(flatten)]
    pub extra: Extra,
}

/// A printed zone of a face.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PrintedZone {
    /// Outer radius, mm.
    pub radius_mm: f64,
    /// Its colour, as face files name it.
    pub colour: String,
}

/// A face that a photo shows beside others of its kind.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FaceInPhoto {
    /// Its middle in the picture, px.
    pub px: [f64; 2],
    /// Radius of its outermost ring there, px.
    pub radius_px: f64,
    /// Shafts that count in it.
    pub shafts: u32,
    /// True for the one that this record is about.
    pub taken: bool,
}

/// The fitted camera of a photo.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CameraRecord {
    /// Focal length, px, horizontally.
    pub fx_px: f64,
    /// Focal length, px, vertically (equal to `fx_px`).
    pub fy_px: f64,
    /// Principal point x, px.
    pub cx_px: f64,
    /// Principal point y, px.
    pub cy_px: f64,
    /// Radial term of r².
    pub k1: f64,
    /// Radial term of r⁴.
    pub k2: f64,
    /// Face frame → camera frame.
    pub face_to_camera: FaceToCamera,
    /// Homogeneous undistorted display pixels → face millimetres, row by row.
    pub image_to_face: [[f64; 3]; 3],
    /// Angle between the view to the face's centre and the face's normal, degrees.
    pub tilt_deg: f64,
    /// Distance from the camera to the face's centre, mm.
    pub distance_mm: f64,
    /// Root mean square of the ring edges about the fit, px.
    pub fit_rms_px: f64,
    /// Source of the face's up direction.
    pub upright: UprightRecord,
    /// Source of the focal length.
    pub focal_from: FocalSource,
    /// Name of the lens profile used, if any.
    #[serde(default)]
    pub lens_profile: Option<String>,
    /// What the camera was fitted to; absent: the rings, by the program.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fitted_to: Option<FittedTo>,
    /// How the paper stands off the face plane; absent where it is flat as far as the rings show.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sheet: Option<SheetRecord>,
    /// What speaks for the face; absent where a person marked it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub evidence: Option<EvidenceRecord>,
    /// Fields that this version doesn't know.
    #[serde(flatten)]
    pub extra: Extra,
}

/// The surface of the paper over the face plane. A point p of the print (mm) that stands off by z appears on the face plane at
/// p + (p − c) · z / (c_z − z), with c the camera's centre in the face frame; from there the plane's mapping takes it to the picture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SheetRecord {
    /// z is the sum of these times 1, x, y, x², xy, y², x³, x²y, xy², y³, x⁴, x³y, x²y², xy³, y⁴, mm; x and y in `reach_mm`, and
    /// beyond it drawn back to that distance from the centre.
    pub z_mm: Vec<f64>,
    /// Length that x and y are divided by, mm.
    pub reach_mm: f64,
}

/// What speaks for the face: the logarithm of how much better it explains colours and edges than no face does.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct EvidenceRecord {
    /// All of it, nats.
    pub nats: f64,
    /// What accepting this face asks for, nats.
    pub least_nats: f64,
}

/// Pose of the face before the camera: camera point = rotation · face point + translation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FaceToCamera {
    /// Rotation, row by row.
    pub rotation: [[f64; 3]; 3],
    /// The face's centre in the camera frame, mm.
    pub translation_mm: [f64; 3],
}

/// Source of the face's up direction, and its standard deviation.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct UprightRecord {
    /// The source.
    pub from: UprightSource,
    /// Standard deviation of the roll, degrees.
    pub sd_deg: f64,
}

/// What a camera can be fitted to besides the rings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FittedTo {
    /// Points of the face that a person marked in the picture.
    Points,
}

/// A remark: a code to rely on and a sentence to read. Also the shape of a caution.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// Stable code.
    pub code: String,
    /// The sentence, with what to do.
    pub text: String,
}

impl Note {
    /// A note of this code and text.
    #[must_use]
    pub fn new(code: &str, text: impl Into<String>) -> Self {
        Self {
            code: code.to_owned(),
            text: text.into(),
        }
    }
}

/// Why a document could not do its job.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Failure {
    /// Stable code.
    pub code: String,
    /// One sentence: what is wrong, and what to do.
    pub text: String,
}
