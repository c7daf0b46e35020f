//! Whether photos of the board suffice to calibrate a lens, and what would improve the calibration: codes and values, of which
//! `text::lens` makes sentences.

use super::assumptions::SufficiencyLimits;
use super::zhang::{CX, CY, Calibration, K1, K2, LN_F, Pair};
use crate::geometry::ImagePoint;
use crate::math::{count, median};
use crate::record::{Remark, written};
use nalgebra::{Vector2, Vector3};
use serde::Deserialize;

/// What a remark about a calibration, or about one of its photos, names.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(from = "String")]
pub enum NoteKind {
    /// No photo shows a chessboard.
    NoBoard,
    /// Photos that show the board, those needed at least, and those that are better.
    TooFew {
        /// Photos that show it.
        seen: usize,
        /// At least so many are needed.
        least: usize,
        /// So many are better.
        good: usize,
    },
    /// The calibration can't be computed.
    NoFit,
    /// All photos were taken from nearly the same side.
    AllAlike {
        /// Largest angle between the boards of two photos, degrees.
        angle_deg: f64,
    },
    /// The corners lie off any lens's picture of a flat board.
    DoesNotFit {
        /// Root mean square distance from the fit, px.
        rms_px: f64,
    },
    /// The photos leave the lens open.
    TooUnsure {
        /// Standard deviation of the focal length's natural logarithm.
        ln_f_sd: f64,
        /// Standard deviation of the principal point, px.
        principal_point_sd_px: f64,
        /// Standard deviation of the distortion at the picture's corners, px.
        corner_sd_px: f64,
    },
    /// More photos make it surer.
    FewPhotos {
        /// Photos used.
        used: usize,
        /// So many are better.
        good: usize,
    },
    /// The photos were taken from much the same side.
    LittleTilt {
        /// Largest angle between the boards of two photos, degrees.
        angle_deg: f64,
    },
    /// Corners of the picture that the board never comes near.
    CornersEmpty {
        /// Which, as the camera stores the picture.
        corners: Vec<PictureCorner>,
        /// Distance of the outermost corner of the board from the principal point, px.
        reach_px: f64,
        /// Largest difference in the picture's corners from the fit with all terms, px.
        apart_px: Option<f64>,
    },
    /// A photo lies farther off the fit than the others.
    PhotoFitsBadly {
        /// Its file.
        file: String,
        /// Root mean square distance of its corners from the fit, px.
        rms_px: f64,
        /// Median of all photos, px.
        median_px: f64,
    },
    /// Further terms would lower the residuals.
    MoreTermsHelp {
        /// Root mean square distance with k1 and k2, px.
        plain_px: f64,
        /// With all terms, px.
        all_px: f64,
    },
    /// Why a photo isn't used: another camera, lens, zoom or size.
    AnotherCamera,
    /// Why a photo isn't used: no board is seen.
    BoardNotSeen,
    /// Why a photo isn't used: a board of another size, inner corners.
    AnotherBoard {
        /// The one seen.
        seen: [u32; 2],
        /// The one asked for.
        expected: [u32; 2],
    },
    /// As it stands in a document.
    Written(String),
}
written!(NoteKind);

/// A corner of the picture as the camera stores it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PictureCorner {
    /// Upper left.
    UpperLeft,
    /// Upper right.
    UpperRight,
    /// Lower right.
    LowerRight,
    /// Lower left.
    LowerLeft,
}

/// The photos used, and the corners seen in each.
pub(super) struct BoardViews<'a> {
    pub(super) files: &'a [&'a str],
    pub(super) views: &'a [Vec<Pair>],
    /// Width and height of the stored picture, px.
    pub(super) size: [f64; 2],
}

/// Largest residual of the corners (in the median photo), as a share of the diagonal. Above it the board was bent or the lens
/// changed. (2.5 px of 12 megapixels; sharp photos stay below a tenth of it.)
const MAX_SCATTER_OF_DIAGONAL: f64 = 0.0005;
/// A photo whose residual is this many times that of the median photo is named.
const OUTLIER_RATIO: f64 = 3.0;

/// Why there are too few photos to try, if so.
pub(super) fn too_few(n: usize, s: &SufficiencyLimits) -> Option<Remark<NoteKind>> {
    let about = NoteKind::TooFew {
        seen: n,
        least: s.least_photos,
        good: s.good_photos,
    };
    match n {
        0 => Some(Remark::new("no-board", NoteKind::NoBoard)),
        n if n < s.least_photos => Some(Remark::new("too-few", about)),
        _ => None,
    }
}

/// The calibration couldn't be computed at all.
pub(super) fn no_fit() -> Remark<NoteKind> {
    Remark::new("no-fit", NoteKind::NoFit)
}

/// Why the lens is not to be used, if so.
pub(super) fn refusal(
    fit: &Calibration,
    seen: &BoardViews,
    s: &SufficiencyLimits,
) -> Option<Remark<NoteKind>> {
    let angle_deg = widest_angle_deg(fit);
    if angle_deg < s.least_angle_deg {
        return Some(Remark::new("all-alike", NoteKind::AllAlike { angle_deg }));
    }
    let diagonal = seen.size[0].hypot(seen.size[1]);
    if median(&mut fit.rms_px.clone()) > MAX_SCATTER_OF_DIAGONAL * diagonal {
        let rms_px = fit.overall_px;
        return Some(Remark::new("does-not-fit", NoteKind::DoesNotFit { rms_px }));
    }
    let sd = |i: usize| fit.covariance[(i, i)].max(0.0).sqrt();
    let width = seen.size[0].max(seen.size[1]);
    let (ln_f_sd, principal_point_sd_px) = (sd(LN_F), sd(CX).max(sd(CY)));
    let corner_sd_px = corner_sd_px(fit, seen.size);
    let about = NoteKind::TooUnsure {
        ln_f_sd,
        principal_point_sd_px,
        corner_sd_px,
    };
    let unsure = ln_f_sd > s.most_ln_f_sd
        || principal_point_sd_px > s.most_principal_point_sd_of_width * width
        || corner_sd_px > s.most_corner_sd_of_width * width;
    unsure.then(|| Remark::new("too-unsure", about))
}

/// Remarks on a lens that may be used.
/// `all` is the fit with all terms.
pub(super) fn notes(
    fit: &Calibration,
    all: Option<&Calibration>,
    seen: &BoardViews,
    s: &SufficiencyLimits,
) -> Vec<Remark<NoteKind>> {
    let mut out = Vec::new();
    let used = seen.files.len();
    if used < s.good_photos {
        let good = s.good_photos;
        out.push(Remark::new(
            "few-photos",
            NoteKind::FewPhotos { used, good },
        ));
    }
    let angle_deg = widest_angle_deg(fit);
    if angle_deg < s.good_angle_deg {
        out.push(Remark::new(
            "little-tilt",
            NoteKind::LittleTilt { angle_deg },
        ));
    }
    let corners = empty_corners(seen, s.good_reach);
    if !corners.is_empty() {
        let about = NoteKind::CornersEmpty {
            corners,
            reach_px: reach_px(fit, seen),
            apart_px: all.map(|all| apart_px(fit, all, seen.size)),
        };
        out.push(Remark::new("corners-empty", about));
    }
    let median_px = median(&mut fit.rms_px.clone());
    for (file, rms_px) in seen.files.iter().zip(&fit.rms_px) {
        if *rms_px > OUTLIER_RATIO * median_px {
            let about = NoteKind::PhotoFitsBadly {
                file: (*file).to_owned(),
                rms_px: *rms_px,
                median_px,
            };
            out.push(Remark::new("photo-fits-badly", about));
        }
    }
    out
}

/// Largest angle between the boards' planes of two photos, degrees.
fn widest_angle_deg(fit: &Calibration) -> f64 {
    let normals: Vec<Vector3<f64>> = fit
        .poses
        .iter()
        .map(|p| {
            let n = p.rotation.column(2).into_owned();
            if n.z < 0.0 { -n } else { n }
        })
        .collect();
    let mut widest: f64 = 0.0;
    for (i, a) in normals.iter().enumerate() {
        for b in &normals[..i] {
            widest = widest.max(a.dot(b).clamp(-1.0, 1.0).acos());
        }
    }
    widest.to_degrees()
}

/// Distance of the outermost corner of the board from the principal point, px.
pub(super) fn reach_px(fit: &Calibration, seen: &BoardViews) -> f64 {
    let l = &fit.lens.lens;
    let middle = Vector2::new(l.cx_px, l.cy_px);
    let corners = seen.views.iter().flatten();
    corners
        .map(|(_, p)| (p - middle).norm())
        .fold(0.0, f64::max)
}

/// Largest difference of two fits in the picture's corners, px.
fn apart_px(a: &Calibration, b: &Calibration, size: [f64; 2]) -> f64 {
    let corners = [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)];
    corners
        .into_iter()
        .filter_map(|(x, y)| {
            let at = ImagePoint::new(x * (size[0] - 1.0), y * (size[1] - 1.0));
            let u = a.lens.lens.normalised_from_pixel(at)?;
            Some((b.lens.pixel(u) - Vector2::new(at.x, at.y)).norm())
        })
        .fold(0.0, f64::max)
}

/// Standard deviation of the distortion at the picture's corners, px, from the radial terms.
fn corner_sd_px(fit: &Calibration, size: [f64; 2]) -> f64 {
    let l = &fit.lens.lens;
    let r = 0.5 * size[0].hypot(size[1]) / l.f_px;
    let slope = Vector2::new(l.f_px * r.powi(3), l.f_px * r.powi(5));
    let c = &fit.covariance;
    let of = nalgebra::Matrix2::new(c[(K1, K1)], c[(K1, K2)], c[(K2, K1)], c[(K2, K2)]);
    slope.dot(&(of * slope)).max(0.0).sqrt()
}

/// The picture's corners that no corner of the board comes near. `reach`: the part of the way from the picture's middle
/// to its corner that a corner of the board must have.
fn empty_corners(seen: &BoardViews, reach: f64) -> Vec<PictureCorner> {
    let half = Vector2::new(0.5 * seen.size[0], 0.5 * seen.size[1]);
    let corners = [
        (PictureCorner::UpperLeft, -1.0, -1.0),
        (PictureCorner::UpperRight, 1.0, -1.0),
        (PictureCorner::LowerRight, 1.0, 1.0),
        (PictureCorner::LowerLeft, -1.0, 1.0),
    ];
    corners
        .into_iter()
        .filter(|(_, sx, sy)| {
            let corner = Vector2::new(sx * half.x, sy * half.y);
            let nearest = seen
                .views
                .iter()
                .flatten()
                .map(|(_, p)| (p - half - corner).norm())
                .fold(f64::INFINITY, f64::min);
            nearest > (1.0 - reach) * half.norm()
        })
        .map(|(corner, _, _)| corner)
        .collect()
}

/// Whether the terms beyond k1 and k2 are supported by the data: the Bayesian information criterion (Schwarz 1978) with three more
/// parameters.
pub(super) fn more_help(plain: &Calibration, all: &Calibration, corners: usize) -> bool {
    plain.deviance - all.deviance > 3.0 * (2.0 * count(corners.max(1))).ln()
        && all.overall_px < plain.overall_px
}
