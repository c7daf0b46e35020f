//! The lens of a camera, from photos of a printed chessboard: `sheet` makes one, `board` finds it (or any other) in a photo,
//! `zhang` calibrates the lens, `sufficiency` says whether the photos suffice, and `profile` is the document that is kept.

mod assumptions;
pub mod board;
mod corners;
mod grey;
mod profile;
pub mod sheet;
mod stored;
mod sufficiency;
pub mod zhang;

pub use assumptions::{Assumptions, RangeLensChange, assumptions};
pub use profile::{
    CameraKey, ENDING, LensNumbers, LensProfile, Match, MoreTerms, ProfileError, ProfilePhoto,
    SCHEMA, pick,
};
pub use sufficiency::{NoteKind, PictureCorner};

use crate::math::rounded;
use crate::photo::Photo;
use crate::record::Remark;
use board::Board;
use nalgebra::Vector2;
use std::collections::BTreeMap;
use zhang::{Calibration, Pair};

/// What was found of the board in one photo.
#[derive(Clone, Debug)]
pub struct BoardDetection {
    /// File name without folders.
    pub file: String,
    /// The camera that took it.
    pub camera: CameraKey,
    /// The board, in pixels of the picture as stored; `None` where there is none.
    pub board: Option<Board>,
}

/// Looks for the board in a photo.
#[must_use]
pub fn detect_board(photo: &Photo, file: &str) -> BoardDetection {
    let camera = CameraKey::of(photo);
    let size = [camera.width_px, camera.height_px];
    let board = board::find(&photo.pixels).map(|mut board| {
        for corner in &mut board.corners {
            corner.at = stored::from_upright(photo.exif.orientation, size, corner.at);
        }
        board
    });
    BoardDetection {
        file: file.to_owned(),
        camera,
        board,
    }
}

/// What a person specifies about the photos.
#[derive(Clone, Debug, Default)]
pub struct LensOptions {
    /// Inner corners of the board, in either order; `None`: the size that most photos show.
    pub board: Option<[u32; 2]>,
    /// Name of the profile; `None`: derived from the photos' camera.
    pub name: Option<String>,
}

/// Makes a profile of these photos. Where they don't suffice it holds no lens, and says why and what to do.
#[must_use]
pub fn fit(detections: &[BoardDetection], options: &LensOptions) -> LensProfile {
    let camera = usual_camera(detections);
    let size = board_size(detections, &camera, options);
    let mut profile = LensProfile {
        schema: SCHEMA.to_owned(),
        name: options.name.clone().unwrap_or_else(|| name_of(&camera)),
        board: size,
        lens: None,
        sd: None,
        more_terms: None,
        rms_px: None,
        reach_px: None,
        photos: detections
            .iter()
            .map(|d| listed(d, &camera, size))
            .collect(),
        notes: Vec::new(),
        failure: None,
        bossmark: env!("CARGO_PKG_VERSION").to_owned(),
        extra: crate::record::Extra::new(),
        camera,
    };
    if let Err(failure) = filled(&mut profile, detections) {
        profile.failure = Some(failure);
    }
    profile
}

fn filled(
    profile: &mut LensProfile,
    detections: &[BoardDetection],
) -> Result<(), Remark<NoteKind>> {
    let Some(Assumptions { sufficient, .. }) = assumptions() else {
        return Err(sufficiency::no_fit());
    };
    let used: Vec<usize> = (0..detections.len())
        .filter(|i| profile.photos[*i].used)
        .collect();
    if let Some(failure) = sufficiency::too_few(used.len(), sufficient) {
        return Err(failure);
    }
    let views: Vec<Vec<Pair>> = used.iter().filter_map(|i| pairs(&detections[*i])).collect();
    let size = [
        f64::from(profile.camera.width_px),
        f64::from(profile.camera.height_px),
    ];
    let fit = zhang::calibrate(&views, size).ok_or_else(sufficiency::no_fit)?;
    for (k, i) in used.iter().enumerate() {
        let photo = &mut profile.photos[*i];
        photo.rms_px = fit.rms_px.get(k).map(|v| rounded(*v, 3));
        let tilt = fit.poses.get(k).map(tilt_deg);
        photo.tilt_deg = tilt.map(|t| rounded(t, 1));
    }
    let files: Vec<&str> = used.iter().map(|i| detections[*i].file.as_str()).collect();
    let seen = sufficiency::BoardViews {
        files: &files,
        views: &views,
        size,
    };
    if let Some(failure) = sufficiency::refusal(&fit, &seen, sufficient) {
        return Err(failure);
    }
    profile.lens = Some(numbers(&fit));
    profile.sd = Some(deviations(&fit));
    profile.rms_px = Some(rounded(fit.overall_px, 3));
    profile.reach_px = Some(rounded(sufficiency::reach_px(&fit, &seen), 1));
    let corners = views.iter().map(Vec::len).sum();
    let all = zhang::with_all_terms(&views, size, &fit);
    profile.notes = sufficiency::notes(&fit, all.as_ref(), &seen, sufficient);
    if let Some(all) = all.filter(|all| sufficiency::more_help(&fit, all, corners)) {
        profile.more_terms = Some(more_terms(&all));
        let about = NoteKind::MoreTermsHelp {
            plain_px: fit.overall_px,
            all_px: all.overall_px,
        };
        profile.notes.push(Remark::new("more-terms-help", about));
    }
    Ok(())
}

/// The camera that most photos with a board come from; of equals the first.
fn usual_camera(detections: &[BoardDetection]) -> CameraKey {
    let mut tallies: Vec<(&CameraKey, usize)> = Vec::new();
    for detection in detections {
        let counts = usize::from(detection.board.is_some());
        match tallies.iter_mut().find(|(k, _)| *k == &detection.camera) {
            Some((_, n)) => *n += counts,
            None => tallies.push((&detection.camera, counts)),
        }
    }
    // the first of the largest
    let most = tallies.iter().map(|t| t.1).max();
    tallies
        .into_iter()
        .find(|t| Some(t.1) == most)
        .map(|t| t.0.clone())
        .unwrap_or_default()
}

/// Inner corners of the board: those specified, else the most frequent size of whole boards, else the largest size.
fn board_size(
    detections: &[BoardDetection],
    camera: &CameraKey,
    options: &LensOptions,
) -> Option<[u32; 2]> {
    if let Some([a, b]) = options.board {
        return Some([a.max(b), a.min(b)]);
    }
    let boards = || {
        detections
            .iter()
            .filter(|d| d.camera == *camera)
            .filter_map(|d| d.board.as_ref())
    };
    let mut tallies: BTreeMap<[u32; 2], usize> = BTreeMap::new();
    for board in boards().filter(|b| b.is_whole()) {
        *tallies.entry(board.size).or_default() += 1;
    }
    let usual = tallies.into_iter().max_by_key(|(size, n)| (*n, *size));
    usual.map(|(size, _)| size).or_else(|| {
        Some([
            boards().map(|b| b.size[0]).max()?,
            boards().map(|b| b.size[1]).max()?,
        ])
    })
}

/// A photo's line in the profile: whether it is used, and why not.
fn listed(detection: &BoardDetection, camera: &CameraKey, size: Option<[u32; 2]>) -> ProfilePhoto {
    let reason = match (&detection.board, size) {
        _ if detection.camera != *camera => Some(NoteKind::AnotherCamera),
        (None, _) => Some(NoteKind::BoardNotSeen),
        (Some(b), Some(s)) if b.size[0] > s[0] || b.size[1] > s[1] => {
            Some(NoteKind::AnotherBoard {
                seen: b.size,
                expected: s,
            })
        }
        _ => None,
    };
    ProfilePhoto {
        file: detection.file.clone(),
        used: reason.is_none(),
        corners: detection
            .board
            .as_ref()
            .map_or(0, |b| u32::try_from(b.corners.len()).unwrap_or(u32::MAX)),
        board: detection.board.as_ref().map(|b| b.size),
        reason,
        ..ProfilePhoto::default()
    }
}

fn pairs(detection: &BoardDetection) -> Option<Vec<Pair>> {
    let corner = |c: &board::BoardCorner| {
        let on_board = Vector2::new(f64::from(c.column), f64::from(c.row));
        (on_board, Vector2::new(c.at.x, c.at.y))
    };
    Some(
        detection
            .board
            .as_ref()?
            .corners
            .iter()
            .map(corner)
            .collect(),
    )
}

fn name_of(camera: &CameraKey) -> String {
    let mut parts: Vec<String> = Vec::new();
    parts.extend(camera.make.clone());
    parts.extend(camera.model.clone());
    parts.extend(camera.focal_35mm.map(|f| format!("{f} mm")));
    parts.push(format!("{} × {}", camera.width_px, camera.height_px));
    parts.join(" ")
}

/// Angle between the line of sight to the board's origin and its normal, degrees.
fn tilt_deg(pose: &crate::geometry::camera::Pose) -> f64 {
    let n = pose.rotation.column(2);
    let t = pose.translation_mm;
    (n.dot(&t).abs() / t.norm().max(1e-12))
        .clamp(0.0, 1.0)
        .acos()
        .to_degrees()
}

/// Decimals of pixels and of unitless numbers in a profile.
const PIXEL: i32 = 3;
const UNITLESS: i32 = 7;

fn plain_numbers(lens: &crate::geometry::camera::Lens) -> LensNumbers {
    LensNumbers {
        f_px: rounded(lens.f_px, PIXEL),
        cx_px: rounded(lens.cx_px, PIXEL),
        cy_px: rounded(lens.cy_px, PIXEL),
        k1: rounded(lens.k1, UNITLESS),
        k2: rounded(lens.k2, UNITLESS),
    }
}

fn numbers(fit: &Calibration) -> LensNumbers {
    plain_numbers(&fit.lens.lens)
}

fn deviations(fit: &Calibration) -> LensNumbers {
    let sd = |i: usize| fit.covariance[(i, i)].max(0.0).sqrt();
    LensNumbers {
        f_px: rounded(sd(zhang::LN_F) * fit.lens.lens.f_px, PIXEL),
        cx_px: rounded(sd(zhang::CX), PIXEL),
        cy_px: rounded(sd(zhang::CY), PIXEL),
        k1: rounded(sd(zhang::K1), UNITLESS),
        k2: rounded(sd(zhang::K2), UNITLESS),
    }
}

fn more_terms(all: &Calibration) -> MoreTerms {
    MoreTerms {
        lens: plain_numbers(&all.lens.lens),
        k3: rounded(all.lens.k3, UNITLESS),
        p1: rounded(all.lens.tangential[0], UNITLESS),
        p2: rounded(all.lens.tangential[1], UNITLESS),
        rms_px: rounded(all.overall_px, PIXEL),
    }
}
