//! Under which conditions ends were shot, as far as the reading needs them.

use super::{Assumptions, distance};
use crate::record::End;

/// What goes with the shots into the sums.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conditions {
    /// Distance over the reference distance: lengths of the assumptions are multiplied by it.
    pub distance_ratio: f64,
    /// Standard deviation of the roll that the photos together leave in the offset, rad.
    pub roll_sd_rad: f64,
}

impl Conditions {
    /// At this distance in metres (`None`, or no distance anyone shoots: as at the reference distance), no roll.
    #[must_use]
    pub fn at(distance_m: Option<f64>, assumptions: &Assumptions) -> Self {
        Self {
            distance_ratio: distance::plausible_distance(distance_m)
                .map_or(1.0, |distance| distance / assumptions.reference_distance_m),
            roll_sd_rad: 0.0,
        }
    }
}

/// The archer's own tolerance at 30 m, mm: that of the newest end alone.
pub(super) fn own_tolerance_of(ends: &[&End]) -> Option<f64> {
    ends.last()?.session.setup.as_ref()?.tolerance_30m_mm
}
