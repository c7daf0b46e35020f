//! The photo, the face and the camera as a record writes them.

use super::MeasureOptions;
use crate::face::FaceFit;
use crate::face::spec::{self, FaceSpec};
use crate::photo::Photo;
use crate::record::{
    CameraRecord, EvidenceRecord, FaceRecord, FittedTo, PhotoRecord, PrintedZone, SheetRecord,
    UprightRecord,
};

/// The photo as the record names it.
pub(super) fn photo_record(photo: &Photo, file: &str) -> PhotoRecord {
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

/// A face as a record names it.
#[must_use]
pub fn face_record(spec: &FaceSpec) -> FaceRecord {
    FaceRecord {
        name: spec.name.clone(),
        diameter_mm: spec.diameter_mm,
        spot_centres_mm: (spec.spots_mm.len() > 1)
            .then(|| spec.spots_mm.iter().map(|p| [p.x, p.y]).collect()),
        // a built-in face is known by its name; the file of another may be missing when the record is shown
        zones: (spec::by_name(&spec.name) != Some(spec)).then(|| {
            let zone = |z: &spec::Zone| PrintedZone {
                radius_mm: z.radius_mm(),
                colour: z.colour.name().to_owned(),
            };
            spec.zones.iter().map(zone).collect()
        }),
        ..FaceRecord::default()
    }
}

/// The camera as the record writes it; `None` where the face is seen edge-on.
pub(super) fn camera_record(
    fit: &FaceFit,
    profile: Option<String>,
    options: &MeasureOptions,
) -> Option<CameraRecord> {
    let upright = UprightRecord {
        from: fit.upright.from,
        sd_deg: fit.upright.sd_rad.to_degrees(),
    };
    let record = CameraRecord::new(&fit.camera, fit.fit_rms_px, upright, fit.focal_from)?;
    Some(CameraRecord {
        lens_profile: profile,
        fitted_to: options.points.as_ref().map(|_| FittedTo::Points),
        sheet: fit.sheet.as_ref().map(SheetRecord::new),
        evidence: fit.evidence.map(|e| EvidenceRecord {
            nats: e.total(),
            least_nats: e.required_nats(),
        }),
        ..record
    })
}
