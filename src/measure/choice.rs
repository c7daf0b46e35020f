//! Which of several faces is measured.

use super::{MeasureError, MeasureOptions, Pick};
use crate::face::spec::FaceSpec;
use crate::face::{self, FaceFit};
use crate::geometry::{FacePoint, ImagePoint};
use crate::math::{round_i64, rounded};
use crate::photo::Photo;
use crate::record::{FaceInPhoto, Failure, MIN_COUNTED_CONFIDENCE, Session};
use crate::shaft::{self, Shafts, View, WeightsError};

/// The face that is measured, and the other faces of this kind in the photo.
pub(super) struct ChosenFace {
    pub(super) fit: FaceFit,
    pub(super) shafts: Shafts,
    pub(super) others: Vec<FaceFit>,
    /// All faces, the chosen one among them, as the record lists them.
    pub(super) seen: Vec<FaceInPhoto>,
}

/// Ranks the faces and takes the one wanted. Faces with shafts rank first, then those that are large in the picture, then those
/// near its centre. The number of shafts doesn't matter: the archer at the next face may have shot more.
pub(super) fn choose_face(
    photo: &Photo,
    spec: &FaceSpec,
    faces: Vec<FaceFit>,
    options: &MeasureOptions,
    session: &Session,
) -> Result<Result<ChosenFace, Failure>, MeasureError> {
    let mut ranked = Vec::new();
    for i in 0..faces.len() {
        let others = other_spot_centres(&faces, i, spec);
        let shafts = find_shafts(photo, &faces[i], spec, session, &others)?;
        let counted = shafts
            .shafts
            .iter()
            .filter(|s| s.confidence >= MIN_COUNTED_CONFIDENCE);
        let on_face = counted.filter(|s| in_rings(spec, s.entry)).count();
        ranked.push((on_face, centre_px(&faces[i]), shafts));
    }
    let mut ranked: Vec<((usize, ImagePoint, Shafts), FaceFit)> =
        ranked.into_iter().zip(faces).collect();
    let largest = ranked
        .iter()
        .map(|((_, at, _), fit)| radius_px(fit, *at, spec))
        .fold(0.0, f64::max);
    let middle = ImagePoint::new(
        0.5 * (f64::from(photo.width) - 1.0),
        0.5 * (f64::from(photo.height) - 1.0),
    );
    // of several about equally large faces, as on one boss, the one in the middle of the picture is meant
    ranked.sort_by_key(|((shafts, at, _), fit)| {
        let small = radius_px(fit, *at, spec) < face::LARGE_FACE_SHARE * largest;
        (*shafts == 0, small, round_i64(at.distance(middle)))
    });
    let target = options.point_px(photo).or(options.fit.near);
    let taken = match (options.pick, target) {
        (Some(Pick::Number(n)), _) => n.checked_sub(1).filter(|i| *i < ranked.len()),
        (Some(Pick::At(_)), Some(at)) if !is_inside(photo, at) => None,
        (_, Some(at)) => (0..ranked.len()).min_by(|i, j| {
            let distance = |k: usize| ranked[k].0.1.distance(at);
            distance(*i).total_cmp(&distance(*j))
        }),
        _ => Some(0),
    };
    let Some(taken) = taken else {
        let text = match options.pick {
            Some(Pick::At(_)) => format!(
                "the point asked for lies outside the photo, which is {} x {} px: point at a face with --at X,Y, or leave it out",
                photo.width, photo.height
            ),
            _ => format!(
                "{} face(s) of this kind are in the photo, so there is none with the number asked for: leave --which out, or point at one with --at X,Y",
                ranked.len()
            ),
        };
        return Ok(Err(Failure {
            code: "no-such-face".to_owned(),
            text,
        }));
    };
    let seen = ranked
        .iter()
        .enumerate()
        .map(|(i, ((n, at, _), fit))| seen_face(*n, *at, fit, spec, i == taken))
        .collect();
    let ((_, _, shafts), fit) = ranked.remove(taken);
    Ok(Ok(ChosenFace {
        fit,
        shafts,
        others: ranked.into_iter().map(|(_, fit)| fit).collect(),
        seen,
    }))
}

fn is_inside(photo: &Photo, p: ImagePoint) -> bool {
    (0.0..=f64::from(photo.width)).contains(&p.x) && (0.0..=f64::from(photo.height)).contains(&p.y)
}

fn centre_px(fit: &FaceFit) -> ImagePoint {
    fit.camera
        .image_from_face(FacePoint::default())
        .unwrap_or_default()
}

fn in_rings(spec: &FaceSpec, p: FacePoint) -> bool {
    let spot = spec.spots_mm.get(spec.nearest_spot(p));
    spot.is_some_and(|s| s.distance(p) <= spec.outer_radius_mm())
}

/// The spot centres of the other faces, on the plane of face `own`, mm.
fn other_spot_centres(faces: &[FaceFit], own: usize, spec: &FaceSpec) -> Vec<FacePoint> {
    let camera = &faces[own].camera;
    faces
        .iter()
        .enumerate()
        .filter(|(i, _)| *i != own)
        .flat_map(|(_, other)| {
            let spots = spec.spots_mm.iter();
            spots.filter_map(|s| camera.face_from_image(other.camera.image_from_face(*s)?))
        })
        .collect()
}

/// Mean distance in the picture of a face's outermost printed points from its centre, px.
fn radius_px(fit: &FaceFit, at: ImagePoint, spec: &FaceSpec) -> f64 {
    let reach = spec.reach_mm();
    let radii = [(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)].map(|(x, y)| {
        let rim = FacePoint::new(x * reach, y * reach);
        fit.camera
            .image_from_face(rim)
            .map_or(0.0, |p| p.distance(at))
    });
    radii.iter().sum::<f64>() / 4.0
}

fn seen_face(
    shafts: usize,
    at: ImagePoint,
    fit: &FaceFit,
    spec: &FaceSpec,
    taken: bool,
) -> FaceInPhoto {
    FaceInPhoto {
        px: [rounded(at.x, 1), rounded(at.y, 1)],
        radius_px: rounded(radius_px(fit, at, spec), 1),
        shafts: u32::try_from(shafts).unwrap_or(u32::MAX),
        taken,
    }
}

fn find_shafts(
    photo: &Photo,
    fit: &FaceFit,
    spec: &FaceSpec,
    session: &Session,
    other_centres: &[FacePoint],
) -> Result<Shafts, WeightsError> {
    let given_counts = session.fletched.zip(session.bare);
    shaft::find_beside(
        &photo.pixels,
        &View {
            camera: &fit.camera,
            spot_centres: &spec.spots_mm,
            outer_radius_mm: spec.outer_radius_mm(),
            point_cov_mm2: &|px| fit.point_cov_mm2(px),
            paper_bends: fit.sheet.is_some(),
            expected: given_counts.map(|(f, b)| (f as usize, b as usize)),
        },
        other_centres,
    )
}
