//! What is known of a phone's camera before the rings are looked at: data of `calibration/camera-priors.json`.

use super::fit::LensPrior;
use crate::photo::{DIAGONAL_35MM, Photo};
use serde::Deserialize;
use std::sync::LazyLock;

#[derive(Clone, Debug, Deserialize)]
pub(super) struct Focal {
    /// 35 mm equivalents that a lens can have with which a face is photographed, mm; what EXIF says beside them is an error.
    plausible_35mm: (f64, f64),
    /// Those of nearly all photos, mm; where EXIF states another, the face is fitted without it as well.
    usual_35mm: (f64, f64),
    pub(super) exif_ln_sd: f64,
    pub(super) without_exif_35mm: f64,
    pub(super) without_exif_ln_sd: f64,
    /// What the focal length itself says where EXIF states no equivalent.
    phone_lenses: Vec<PhoneLens>,
}

/// Lenses of phones with a focal length in a range that few other cameras have.
#[derive(Clone, Copy, Debug, Deserialize)]
struct PhoneLens {
    focal_mm: (f64, f64),
    equivalent_mm: f64,
    ln_sd: f64,
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

#[derive(Clone, Debug, Deserialize)]
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

/// 35 mm equivalent of a focal length in pixels of this photo, mm.
pub(super) fn equivalent_mm(photo: &Photo, f_px: f64) -> f64 {
    f_px * DIAGONAL_35MM / photo.taken().diagonal_px()
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
    if let Some(f_px) = stated_focal_px(priors, photo) {
        let ln_f_sd = priors.focal.exif_ln_sd.hypot(photo.taken().ln_sd);
        return lens_of(priors, photo, f_px, ln_f_sd);
    }
    let focal = &priors.focal;
    let of_phone = photo.exif.focal_mm.and_then(|mm| {
        let mut lenses = focal.phone_lenses.iter();
        lenses.find(|l| (l.focal_mm.0..=l.focal_mm.1).contains(&mm))
    });
    match of_phone {
        Some(l) => lens_of_equivalent(priors, photo, l.equivalent_mm, l.ln_sd),
        None => lens_prior_unstated(priors, photo),
    }
}

/// What is known of this photo's lens where EXIF is set aside.
pub(super) fn lens_prior_unstated(priors: &Priors, photo: &Photo) -> LensPrior {
    let focal = &priors.focal;
    lens_of_equivalent(
        priors,
        photo,
        focal.without_exif_35mm,
        focal.without_exif_ln_sd,
    )
}

fn lens_of_equivalent(priors: &Priors, photo: &Photo, equivalent_mm: f64, ln_sd: f64) -> LensPrior {
    let taken = photo.taken();
    let f_px = equivalent_mm * taken.diagonal_px() / DIAGONAL_35MM;
    lens_of(priors, photo, f_px, ln_sd.hypot(taken.ln_sd))
}

fn lens_of(priors: &Priors, photo: &Photo, f_px: f64, ln_f_sd: f64) -> LensPrior {
    let terms = radial(priors, equivalent_mm(photo, f_px));
    let taken = photo.taken();
    let (w, h) = (f64::from(photo.width), f64::from(photo.height));
    // a part may lie anywhere in the whole: variance of a uniform distribution, mean of both directions
    let cut_px2 = ((taken.width_px - w).powi(2) + (taken.height_px - h).powi(2)) / 24.0;
    LensPrior {
        f_px,
        ln_f_sd,
        cx_px: 0.5 * (w - 1.0),
        cy_px: 0.5 * (h - 1.0),
        c_sd_px: (priors.principal_point.sd_of_width * w.max(h)).hypot(cut_px2.sqrt()),
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
