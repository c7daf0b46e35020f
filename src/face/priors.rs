//! What is known of a phone's camera before the rings are looked at: data of `calibration/camera-priors.json`.

use super::fit::LensPrior;
use crate::photo::{DIAGONAL_35MM, Photo};
use serde::Deserialize;
use std::sync::LazyLock;

#[derive(Clone, Copy, Debug, Deserialize)]
pub(super) struct Focal {
    /// 35 mm equivalents that a lens can have with which a face is photographed, mm; what EXIF says beside them is an error.
    plausible_35mm: (f64, f64),
    /// Those of nearly all photos, mm; where EXIF states another, the face is fitted without it as well.
    usual_35mm: (f64, f64),
    pub(super) exif_ln_sd: f64,
    pub(super) without_exif_35mm: f64,
    pub(super) without_exif_ln_sd: f64,
}

#[derive(Clone, Copy, Debug, Deserialize)]
pub(super) struct Terms {
    pub(super) k1: f64,
    pub(super) k1_sd: f64,
    pub(super) k2: f64,
    pub(super) k2_sd: f64,
}

#[derive(Clone, Copy, Debug, Deserialize)]
pub(super) struct Radial {
    pub(super) wide_up_to_35mm: f64,
    pub(super) wide: Terms,
    pub(super) other: Terms,
}

#[derive(Clone, Copy, Debug, Deserialize)]
pub(super) struct PrincipalPoint {
    pub(super) sd_of_width: f64,
    pub(super) cropped_sd_of_width: f64,
}

#[derive(Clone, Copy, Debug, Deserialize)]
pub(super) struct UprightPriors {
    pub(super) lean_back_deg: f64,
    pub(super) lean_back_sd_deg: f64,
    pub(super) hand_held_sd_deg: f64,
    pub(super) layout_sd_deg: f64,
    pub(super) paper_sd_deg: f64,
    pub(super) centre_mark_sd_deg: f64,
    pub(super) boss_sd_deg: f64,
    pub(super) marked_sd_px: f64,
    pub(super) marked_sd_deg: f64,
}

#[derive(Clone, Copy, Debug, Deserialize)]
pub(super) struct Priors {
    pub(super) focal: Focal,
    pub(super) radial: Radial,
    pub(super) principal_point: PrincipalPoint,
    pub(super) upright: UprightPriors,
}

static PRIORS: LazyLock<Option<Priors>> = LazyLock::new(|| {
    serde_json::from_str(include_str!("../../calibration/camera-priors.json")).ok()
});

/// The priors; the built-in file always parses (tested), `None` stands for a broken build.
pub(super) fn priors() -> Option<&'static Priors> {
    PRIORS.as_ref()
}

fn diagonal(photo: &Photo) -> f64 {
    f64::from(photo.width).hypot(f64::from(photo.height))
}

/// 35 mm equivalent of a focal length in pixels of this photo, mm.
pub(super) fn equivalent_mm(photo: &Photo, f_px: f64) -> f64 {
    f_px * DIAGONAL_35MM / diagonal(photo)
}

/// The radial terms to expect of a lens with that 35 mm equivalent.
pub(super) fn radial(priors: &Priors, equivalent_mm: f64) -> Terms {
    if equivalent_mm <= priors.radial.wide_up_to_35mm {
        priors.radial.wide
    } else {
        priors.radial.other
    }
}

/// The focal length that EXIF states, px, unless no lens has it.
pub(super) fn stated_focal_px(priors: &Priors, photo: &Photo) -> Option<f64> {
    let (least, most) = priors.focal.plausible_35mm;
    photo
        .focal_from_exif_px()
        .filter(|f| (least..=most).contains(&equivalent_mm(photo, *f)))
}

/// Whether a focal length, px, is one that nearly all photos have.
pub(super) fn is_usual(priors: &Priors, photo: &Photo, f_px: f64) -> bool {
    let (least, most) = priors.focal.usual_35mm;
    (least..=most).contains(&equivalent_mm(photo, f_px))
}

/// What is known of this photo's lens from EXIF, or without.
pub(super) fn lens_prior(priors: &Priors, photo: &Photo) -> LensPrior {
    lens_prior_given(priors, photo, stated_focal_px(priors, photo))
}

/// What is known of this photo's lens where its focal length, px, is stated, or isn't.
pub(super) fn lens_prior_given(priors: &Priors, photo: &Photo, known: Option<f64>) -> LensPrior {
    let f_px = known.unwrap_or(priors.focal.without_exif_35mm * diagonal(photo) / DIAGONAL_35MM);
    let ln_f_sd = if known.is_some() {
        priors.focal.exif_ln_sd
    } else {
        priors.focal.without_exif_ln_sd
    };
    let terms = radial(priors, equivalent_mm(photo, f_px));
    LensPrior {
        f_px,
        ln_f_sd,
        cx_px: 0.5 * (f64::from(photo.width) - 1.0),
        cy_px: 0.5 * (f64::from(photo.height) - 1.0),
        c_sd_px: priors.principal_point.sd_of_width * f64::from(photo.width.max(photo.height)),
        k1: terms.k1,
        k1_sd: terms.k1_sd,
        k2: terms.k2,
        k2_sd: terms.k2_sd,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_built_in_priors_parse() {
        let p = priors().unwrap();
        assert!(p.focal.exif_ln_sd > 0.0 && p.upright.hand_held_sd_deg > p.upright.paper_sd_deg);
        assert!(radial(p, 13.0).k1 < radial(p, 26.0).k1);
    }
}
