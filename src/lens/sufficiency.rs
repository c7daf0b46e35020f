//! Whether photos of the board suffice to calibrate a lens, and what would improve the calibration.

use super::assumptions::Sufficient;
use super::zhang::{CX, CY, Calibration, K1, K2, LN_F, Pair};
use crate::geometry::ImagePoint;
use crate::math::{count, median};
use crate::record::{Failure, Note};
use nalgebra::{Vector2, Vector3};

/// The photos used, and the corners seen in each.
pub(super) struct BoardViews<'a> {
    pub(super) files: &'a [&'a str],
    pub(super) views: &'a [Vec<Pair>],
    /// Width and height of the stored picture, px.
    pub(super) size: [f64; 2],
}

/// Largest residual of the corners (in the median photo), as a share of the diagonal. Above it the board was bent or the lens
/// changed. (2.5 px of 12 megapixels; sharp photos stay below a tenth of it.)
const MOST_SCATTER_OF_DIAGONAL: f64 = 0.0005;
/// A photo whose residual is this many times that of the median photo is named.
const OUTLIER_RATIO: f64 = 3.0;

/// Why there are too few photos to try, if so.
pub(super) fn too_few(n: usize, s: &Sufficient) -> Option<Failure> {
    let text = match n {
        0 => "no chessboard was seen in any photo: print the sheet (`bossmark lens sheet`), tape it flat, and photograph it sharp and well lit".to_owned(),
        n if n < s.least_photos => format!(
            "the board was seen in {n} photo(s), and a lens needs {} at least, better {} or more: take more, each from another side",
            s.least_photos, s.good_photos
        ),
        _ => return None,
    };
    let code = if n == 0 { "no-board" } else { "too-few" };
    Some(failure(code, text))
}

fn failure(code: &str, text: String) -> Failure {
    Failure {
        code: code.to_owned(),
        text,
    }
}

/// The calibration couldn't be computed at all.
pub(super) fn no_fit() -> Failure {
    failure(
        "no-fit",
        "the boards seen fit no lens: photograph one flat, printed board, with the same lens and zoom in every photo".to_owned(),
    )
}

/// Why the lens is not to be used, if so.
pub(super) fn refusal(fit: &Calibration, seen: &BoardViews, s: &Sufficient) -> Option<Failure> {
    let angle = widest_angle_deg(fit);
    if angle < s.least_angle_deg {
        return Some(failure(
            "all-alike",
            format!(
                "all photos look at the board from nearly the same side (they differ by {angle:.0}° at most), which doesn't tell the focal length: take more, from the left, right, above and below, 20 to 45° off the middle"
            ),
        ));
    }
    let diagonal = seen.size[0].hypot(seen.size[1]);
    if median(&mut fit.rms_px.clone()) > MOST_SCATTER_OF_DIAGONAL * diagonal {
        return Some(failure(
            "does-not-fit",
            format!(
                "the corners miss the fit by {:.1} px, far more than corners in a sharp photo do: the sheet must lie flat, and lens, zoom and picture size must be the same in all photos",
                fit.overall_px
            ),
        ));
    }
    let sd = |i: usize| fit.covariance[(i, i)].max(0.0).sqrt();
    let width = seen.size[0].max(seen.size[1]);
    if sd(LN_F) > s.most_ln_f_sd
        || sd(CX).max(sd(CY)) > s.most_principal_point_sd_of_width * width
        || corner_sd_px(fit, seen.size) > s.most_corner_sd_of_width * width
    {
        return Some(failure(
            "too-unsure",
            format!(
                "these photos leave the focal length open by {:.1} %, the lens's middle by {:.0} px and the picture's corners by {:.1} px: take more, tilted more, with the board filling the picture and coming into all its corners",
                100.0 * sd(LN_F),
                sd(CX).max(sd(CY)),
                corner_sd_px(fit, seen.size)
            ),
        ));
    }
    None
}

/// Remarks on a lens that may be used.
/// `all` is the fit with all terms.
pub(super) fn notes(
    fit: &Calibration,
    all: Option<&Calibration>,
    seen: &BoardViews,
    s: &Sufficient,
) -> Vec<Note> {
    let mut out = Vec::new();
    if seen.files.len() < s.good_photos {
        out.push(Note::new(
            "few-photos",
            format!(
                "{} photos were used: {} or more make the lens surer",
                seen.files.len(),
                s.good_photos
            ),
        ));
    }
    let angle = widest_angle_deg(fit);
    if angle < s.good_angle_deg {
        out.push(Note::new(
            "little-tilt",
            format!(
                "the photos look at the board from sides that differ by {angle:.0}° at most: add some from further to the side"
            ),
        ));
    }
    let empty = empty_corners(seen, s.good_reach);
    if !empty.is_empty() {
        out.push(Note::new(
            "corners-empty",
            format!(
                "no square comes near the picture's {} corner(s) (as the camera stores it), so the lens is a guess there: the squares reach out to {:.0} px from its middle{}; add photos with the board in the picture's corners",
                empty.join(", "),
                reach_px(fit, seen),
                all.map_or_else(String::new, |all| format!(
                    ", and in the corners lenses that fit them alike differ by up to {:.0} px",
                    apart_px(fit, all, seen.size)
                ))
            ),
        ));
    }
    let middle = median(&mut fit.rms_px.clone());
    for (file, rms) in seen.files.iter().zip(&fit.rms_px) {
        if *rms > OUTLIER_RATIO * middle {
            out.push(Note::new(
                "photo-fits-badly",
                format!(
                    "{file}: its corners miss the fit by {rms:.2} px, those of the others by {middle:.2} px: shaken, out of focus, or the sheet was bent; leave it out or take it again"
                ),
            ));
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

/// Names of the picture's corners that no corner of the board comes near. `reach`: the part of the way from the picture's middle
/// to its corner that a corner of the board must have.
fn empty_corners(seen: &BoardViews, reach: f64) -> Vec<&'static str> {
    let half = Vector2::new(0.5 * seen.size[0], 0.5 * seen.size[1]);
    let names = [
        ("upper left", -1.0, -1.0),
        ("upper right", 1.0, -1.0),
        ("lower right", 1.0, 1.0),
        ("lower left", -1.0, 1.0),
    ];
    names
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
        .map(|(name, _, _)| name)
        .collect()
}

/// Whether the terms beyond k1 and k2 are supported by the data: the Bayesian information criterion (Schwarz 1978) with three more
/// parameters.
pub(super) fn more_help(plain: &Calibration, all: &Calibration, corners: usize) -> bool {
    plain.deviance - all.deviance > 3.0 * (2.0 * count(corners.max(1))).ln()
        && all.overall_px < plain.overall_px
}
