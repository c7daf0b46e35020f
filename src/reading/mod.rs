//! Records of one set-up → what the two groups say: the offset of the bare shafts and how sure it is.
//!
//! [`gather`] takes the shots out of the records, `posterior` sums over which of them are outliers and how wide the archer
//! scatters, `arrows` over which arrow is odd, and `read` turns that into calls,
//! cautions and a forecast: numbers and codes, of which `text::reading` makes sentences.

mod about;
mod arrows;
mod assumptions;
mod axis_likelihood;
mod calls;
mod cautions;
mod conditions;
mod distance;
mod document;
mod em;
mod groups;
mod lean;
mod marginal_likelihood;
mod mixture;
mod more_shots;
mod odd_arrow_test;
mod posterior;
mod read;
mod region;
mod sets;
mod shots;
mod sorting;
mod thresholds;

pub use about::{
    Caution, CautionKind, CountDiffers, EntryName, MoreShotsReason, NamedOutlier, OddArrow,
    TwoMoreEnds,
};
pub use assumptions::{Assumptions, AssumptionsError, ScatterGrid};
pub use conditions::Conditions;
pub use distance::{REFERENCE_DISTANCE_M, at_30m, plausible_distance};
pub use document::{
    ArrowPlace, ArrowReading, Group, Groups, Horizontal, HorizontalCall, LeanReading, MoreShots,
    Offset, Outlier, Reading, SCHEMA, Scatter, Vertical, VerticalCall,
};
pub use posterior::{
    AxisPosterior, MeanAndVariance, Posterior, ln_weights, posterior, posterior_over,
};
pub use read::{Analysis, analyse, analyse_with, read};
pub use region::Region;
pub use shots::{EntryExclusion, ExcludedEntry, GatheredShots, MissedShots, Shot, gather};
pub(crate) use thresholds::Thresholds;
