//! From the bytes of a photo to an end record: the first half of the road, in one call.

use crate::face::{
    self, FaceError, FaceFit, FitOptions, FocalSource, UprightSource, spec::FaceSpec,
};
use crate::photo::{self, Photo, PhotoError};
use crate::record::{
    CameraRecord, End, Entry, EntryKind, FaceRecord, Failure, FocalFrom, Lean, Note, PhotoRecord,
    Session, UprightFrom, UprightRecord,
};
use crate::shaft::{self, Shaft, ShaftKind, Shafts, View, WeightsError};
use thiserror::Error;

/// From this confidence on a proposal counts as a shaft (the contract's threshold of the reading).
const COUNTS: f64 = 0.5;

/// A part of the road that has just been done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// The photo is decoded and upright.
    Photo,
    /// The camera is fitted, or no face was found.
    Camera,
    /// The shafts are found.
    Shafts,
}

/// What came of a photo. Where no face is believed the record carries a failure, and there is no fit.
#[derive(Debug)]
pub struct Measured {
    /// The end record with proposed entries.
    pub end: End,
    /// The upright photo.
    pub photo: Photo,
    /// The camera and the edges it rests on.
    pub fit: Option<FaceFit>,
    /// The shafts, with those that are too doubtful to count.
    pub shafts: Option<Shafts>,
}

/// Why nothing at all could be made of a photo.
#[derive(Debug, Error)]
pub enum RoadError {
    /// The bytes are no photo that can be decoded.
    #[error(transparent)]
    Photo(#[from] PhotoError),
    /// The program's own data is damaged.
    #[error("the built-in shaft data cannot be used ({0}): build the program again")]
    Weights(#[from] WeightsError),
    /// The program's own data is damaged.
    #[error(transparent)]
    Calibration(FaceError),
}

/// Measures a photo: decode, fit the camera to the rings of the face `spec`, find the shafts, and write down what was found.
///
/// `file` is the photo's name for the record; `done` is told of each stage as it ends.
///
/// # Errors
/// [`RoadError`] when the bytes cannot be decoded. A photo without the face is no error: its record says so.
pub fn measure(
    bytes: &[u8],
    file: &str,
    spec: &FaceSpec,
    session: Session,
    options: &FitOptions,
    done: &mut dyn FnMut(Stage),
) -> Result<Measured, RoadError> {
    let photo = photo::open(bytes)?;
    done(Stage::Photo);
    let mut end = End {
        photo: Some(photo_record(&photo, file)),
        face: Some(face_record(spec)),
        session,
        ..End::default()
    };
    let fit = match face::fit(&photo, spec, options) {
        Ok(fit) => fit,
        Err(error @ FaceError::NoFace { .. }) => {
            done(Stage::Camera);
            end.failure = Some(Failure {
                code: "no-face".to_owned(),
                text: error.to_string(),
            });
            return Ok(Measured {
                end,
                photo,
                fit: None,
                shafts: None,
            });
        }
        Err(error @ FaceError::Calibration) => return Err(RoadError::Calibration(error)),
    };
    end.camera = camera_record(&fit);
    end.notes
        .extend(fit.notes.iter().map(|n| Note::new(n.code, n.text.clone())));
    done(Stage::Camera);
    let shafts = shafts_of(&photo, &fit, spec, &end.session)?;
    done(Stage::Shafts);
    end.entries = entries(&shafts, spec);
    if end.entries.is_empty() {
        end.notes.push(no_shafts(shafts.shafts.len()));
    }
    if shafts.face_size_doubtful() {
        end.notes.push(face_size(&shafts, spec));
    }
    end.notes.extend(count_note(&end));
    Ok(Measured {
        end,
        photo,
        fit: Some(fit),
        shafts: Some(shafts),
    })
}

fn shafts_of(
    photo: &Photo,
    fit: &FaceFit,
    spec: &FaceSpec,
    session: &Session,
) -> Result<Shafts, WeightsError> {
    let told = session.fletched.zip(session.bare);
    shaft::find(
        &photo.pixels,
        &View {
            camera: &fit.camera,
            spot_centres: &spec.spots_mm,
            outer_radius_mm: spec.outer_radius_mm(),
            point_cov_mm2: &|px| fit.point_cov_mm2(px),
            expected: told.map(|(f, b)| (f as usize, b as usize)),
        },
    )
}

fn photo_record(photo: &Photo, file: &str) -> PhotoRecord {
    PhotoRecord {
        file: file.to_owned(),
        sha256: photo.sha256.clone(),
        width_px: photo.width,
        height_px: photo.height,
        taken: photo.exif.taken_rfc3339.clone(),
        taken_local: photo
            .exif
            .taken_local
            .clone()
            .filter(|_| photo.exif.taken_rfc3339.is_none()),
        ..PhotoRecord::default()
    }
}

fn face_record(spec: &FaceSpec) -> FaceRecord {
    FaceRecord {
        name: spec.name.clone(),
        diameter_mm: spec.diameter_mm,
        spot_centres_mm: (spec.spots_mm.len() > 1)
            .then(|| spec.spots_mm.iter().map(|p| [p.x, p.y]).collect()),
        ..FaceRecord::default()
    }
}

/// The camera as the record writes it; `None` for a camera whose plane is seen edge-on.
fn camera_record(fit: &FaceFit) -> Option<CameraRecord> {
    let upright = UprightRecord {
        from: upright_from(fit.upright.from),
        sd_deg: fit.upright.sd_rad.to_degrees(),
    };
    let focal_from = match fit.focal_from {
        FocalSource::Exif => FocalFrom::Exif,
        FocalSource::Rings => FocalFrom::Rings,
        FocalSource::Profile => FocalFrom::Profile,
        FocalSource::Assumed => FocalFrom::Assumed,
    };
    CameraRecord::new(&fit.camera, fit.fit_rms_px, upright, focal_from)
}

fn upright_from(source: UprightSource) -> UprightFrom {
    match source {
        UprightSource::PaperEdge => UprightFrom::PaperEdge,
        UprightSource::BossEdge => UprightFrom::BossEdge,
        UprightSource::Layout => UprightFrom::Layout,
        UprightSource::CentreMark => UprightFrom::CentreMark,
        UprightSource::Camera => UprightFrom::Camera,
        UprightSource::Person => UprightFrom::Person,
        UprightSource::Fused => UprightFrom::Fused,
    }
}

/// The entries of a record, the surest first. Doubtful ones are kept for a person to take up, but not where nothing counts:
/// a face without arrows has no entries.
fn entries(shafts: &Shafts, spec: &FaceSpec) -> Vec<Entry> {
    if !shafts.shafts.iter().any(|s| s.confidence >= COUNTS) {
        return Vec::new();
    }
    (1..)
        .zip(&shafts.shafts)
        .map(|(id, s)| entry(id, s, spec))
        .collect()
}

fn entry(id: u64, s: &Shaft, spec: &FaceSpec) -> Entry {
    let spot = (spec.spots_mm.len() > 1)
        .then(|| u32::try_from(spec.nearest_spot(s.entry) + 1).unwrap_or(u32::MAX));
    Entry {
        id,
        x_mm: s.entry.x,
        y_mm: s.entry.y,
        cov_mm2: Some([
            [s.cov_mm2[(0, 0)], s.cov_mm2[(0, 1)]],
            [s.cov_mm2[(1, 0)], s.cov_mm2[(1, 1)]],
        ]),
        px: Some([s.entry_px.x, s.entry_px.y]),
        kind: match s.kind {
            ShaftKind::Fletched => EntryKind::Fletched,
            ShaftKind::Bare => EntryKind::Bare,
            ShaftKind::Unknown => EntryKind::Unknown,
        },
        kind_probability: Some(s.kind_probability),
        confidence: Some(s.confidence),
        lean: s.lean.map(|l| Lean {
            right_deg: l.right_rad.to_degrees(),
            up_deg: l.up_rad.to_degrees(),
            sd_deg: l.sd_rad.to_degrees(),
        }),
        spot,
        thickness_mm: s.thickness_mm,
        segment_px: s.segment_px.map(|seg| seg.map(|p| [p.x, p.y])),
        ..Entry::default()
    }
}

fn no_shafts(doubtful: usize) -> Note {
    let seen = match doubtful {
        0 => String::new(),
        n => format!(" ({n} doubtful place(s) looked at)"),
    };
    Note::new(
        "no-shafts",
        format!(
            "the face was found, but no shaft in it{seen}; if there are shafts, add them by hand or photograph again from one step to the side"
        ),
    )
}

/// A note where the shafts would be thicker or thinner than shafts are, had the face the size told.
fn face_size(shafts: &Shafts, spec: &FaceSpec) -> Note {
    let thick = shafts.thickness_mm.unwrap_or_default();
    Note::new(
        "face-size-doubtful",
        format!(
            "on a {} face the shafts would be {thick:.1} mm thick; check the face's size, since every millimetre hangs on it",
            spec.name
        ),
    )
}

/// A note where the photo shows another number of shafts than was told.
fn count_note(end: &End) -> Option<Note> {
    let (fletched, bare) = end.session.fletched.zip(end.session.bare)?;
    let of = |kind| {
        let counted = |e: &&Entry| e.kind == kind && e.confidence.is_none_or(|c| c >= COUNTS);
        end.entries.iter().filter(counted).count()
    };
    let seen = (of(EntryKind::Fletched), of(EntryKind::Bare));
    (seen != (fletched as usize, bare as usize)).then(|| {
        Note::new(
            "count-differs",
            format!(
                "{fletched} fletched and {bare} bare shafts were told, {} and {} were found; check the entries before you rely on them, and note shots that missed",
                seen.0, seen.1
            ),
        )
    })
}
