//! Assumptions about lenses and photos of the board, read from `calibration/lens.json`.

use serde::Deserialize;
use std::sync::LazyLock;

/// How a lens changes between the photos of the board and that of the face, beyond the error of its calibration: standard
/// deviations.
#[derive(Clone, Copy, Debug, Deserialize)]
pub struct RangeLensChange {
    /// Of the logarithm of the focal length: focusing.
    pub ln_f_sd: f64,
    /// Of the principal point, as a share of the picture's longer side: stabiliser.
    pub principal_point_sd_of_width: f64,
    /// Of k1.
    pub k1_sd: f64,
    /// Of k2.
    pub k2_sd: f64,
}

/// What photos of the board must show to suffice.
#[derive(Clone, Copy, Debug, Deserialize)]
pub(super) struct SufficiencyLimits {
    pub(super) least_photos: usize,
    pub(super) good_photos: usize,
    pub(super) least_angle_deg: f64,
    pub(super) good_angle_deg: f64,
    pub(super) good_reach: f64,
    pub(super) most_ln_f_sd: f64,
    pub(super) most_principal_point_sd_of_width: f64,
    pub(super) most_corner_sd_of_width: f64,
}

/// All assumptions.
#[derive(Clone, Copy, Debug, Deserialize)]
pub struct Assumptions {
    /// Changes between the board and the face.
    pub at_the_range: RangeLensChange,
    pub(super) sufficient: SufficiencyLimits,
}

static ASSUMPTIONS: LazyLock<Option<Assumptions>> =
    LazyLock::new(|| serde_json::from_str(include_str!("../../calibration/lens.json")).ok());

/// The assumptions; the built-in file always parses (tested), `None` stands for a broken build.
#[must_use]
pub fn assumptions() -> Option<&'static Assumptions> {
    ASSUMPTIONS.as_ref()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_built_in_assumptions_parse() {
        let a = assumptions().unwrap();
        assert!(
            a.sufficient.least_photos < a.sufficient.good_photos && a.at_the_range.ln_f_sd > 0.0
        );
    }
}
