//! How well a person marks points: data of `calibration/manual-points.json`.

use serde::Deserialize;
use std::sync::LazyLock;

#[derive(Clone, Copy, Debug, Deserialize)]
pub(super) struct Assumptions {
    /// Standard deviation of a mark in the picture, px.
    pub(super) tap_sd_px: f64,
    /// Standard deviation of the direction from the middle in which a place of a ring is taken, degrees.
    pub(super) direction_sd_deg: f64,
}

static ASSUMPTIONS: LazyLock<Option<Assumptions>> = LazyLock::new(|| {
    serde_json::from_str(include_str!("../../calibration/manual-points.json")).ok()
});

/// The assumptions; the built-in file always parses (tested), `None` stands for a broken build.
pub(super) fn assumptions() -> Option<&'static Assumptions> {
    ASSUMPTIONS.as_ref()
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_built_in_assumptions_parse() {
        assert!(super::assumptions().unwrap().tap_sd_px > 0.0);
    }
}
