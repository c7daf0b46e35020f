//! The reading as a document, `bossmark/reading/1`.

use super::about::{Caution, MoreShotsReason};
use crate::record::{ArrowKind, Hand};
use serde::{Deserialize, Serialize};

/// Schema name of the reading.
pub const SCHEMA: &str = "bossmark/reading/1";

/// What one or several ends of one set-up say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// The drawing hand, if given.
    pub hand: Option<Hand>,
    /// Distance shot, m.
    pub distance_m: Option<f64>,
    /// Ends pooled.
    pub ends: u32,
    /// Fletched shots used.
    pub fletched: u32,
    /// Bare shots used.
    pub bare: u32,
    /// Bare minus fletched; `None` with too few shots.
    pub offset: Option<Offset>,
    /// The same from the plain means of all shots that count, [x, y], mm: what the eye sees on the boss.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plain_mm: Option<[f64; 2]>,
    /// Left and right: what the arrow is.
    pub horizontal: Horizontal,
    /// High and low: what the nocking point is.
    pub vertical: Vertical,
    /// Tolerance on each axis at the distance shot, mm.
    pub tolerance_mm: Option<f64>,
    /// Both axes inside the tolerance with probability ≥ 0.9 together, at the full distance or more ([`super::Assumptions::full_distance_m`]).
    pub in_tune: bool,
    /// Scatter of the shots.
    pub scatter: Option<Scatter>,
    /// How large the groups are as shot, bad shots counted in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub groups: Option<Groups>,
    /// Shots that look like bad ones; never dropped.
    #[serde(rename = "fliers")]
    pub outliers: Vec<Outlier>,
    /// Numbered arrows with an offset of their own.
    pub arrows: Vec<ArrowReading>,
    /// Numbered arrows by where they land, the nearest to the middle of their kind first; only of a kind of which many were
    /// shot in several ends.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sorted: Vec<ArrowPlace>,
    /// How many more shots would probably decide.
    pub more_shots: Option<MoreShots>,
    /// Lean of the bare shafts minus that of the fletched.
    pub lean: Option<LeanReading>,
    /// What to keep in mind, each with a remedy.
    pub cautions: Vec<Caution>,
    /// Set when no reading could be made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failure: Option<Caution>,
}

/// Bare minus fletched at the distance shot, mm (x right, y up).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Offset {
    /// To the right, mm.
    pub x_mm: f64,
    /// Up, mm.
    pub y_mm: f64,
    /// Standard deviation of x, mm.
    pub sd_x_mm: f64,
    /// Standard deviation of y, mm.
    pub sd_y_mm: f64,
    /// Covariance, mm².
    pub cov_mm2: [[f64; 2]; 2],
}

/// The call on the horizontal axis.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Horizontal {
    /// The call.
    pub call: HorizontalCall,
    /// Probability of weak beyond the tolerance; `None` without hand or distance.
    pub p_weak: Option<f64>,
    /// Probability of stiff beyond the tolerance.
    pub p_stiff: Option<f64>,
    /// Probability of lying inside the tolerance.
    pub p_neutral: Option<f64>,
}

/// What the arrow is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HorizontalCall {
    /// Bends too much.
    Weak,
    /// Bends too little.
    Stiff,
    /// Inside the tolerance.
    Neutral,
    /// The shots don't say yet.
    Undecided,
}

/// The call on the vertical axis.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Vertical {
    /// The call.
    pub call: VerticalCall,
    /// Probability that the nocking point is too high beyond the tolerance (bare shafts low).
    #[serde(rename = "p_high")]
    pub p_nock_high: Option<f64>,
    /// Probability that the nocking point is too low beyond the tolerance (bare shafts high).
    #[serde(rename = "p_low")]
    pub p_nock_low: Option<f64>,
    /// Probability of lying inside the tolerance.
    pub p_neutral: Option<f64>,
}

/// What the nocking point is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VerticalCall {
    /// Too high: bare shafts low.
    NockHigh,
    /// Too low: bare shafts high.
    NockLow,
    /// Inside the tolerance.
    Neutral,
    /// The shots don't say yet.
    Undecided,
}

/// Standard deviation of the shots of each kind on each axis, mm.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Scatter {
    /// Fletched, [x, y].
    pub fletched_sd_mm: [f64; 2],
    /// Bare, [x, y].
    pub bare_sd_mm: [f64; 2],
}

/// Sizes of the two groups.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Groups {
    /// Of the fletched shots; `None` with fewer than two in every end.
    pub fletched: Option<Group>,
    /// Of the bare ones.
    pub bare: Option<Group>,
}

/// The size of one group about its own middle in each end, mm.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Group {
    /// Standard deviation, [x, y].
    pub sd_mm: [f64; 2],
    /// Standard error of that.
    pub sd_error_mm: [f64; 2],
    /// Mean distance of the shots from the middle.
    pub mean_radius_mm: f64,
    /// Standard error of that.
    pub mean_radius_error_mm: f64,
    /// Largest distance between two shots, mean over the ends.
    pub extreme_spread_mm: f64,
    /// Mean of that for round groups of this standard deviation and number of shots.
    pub extreme_spread_expected_mm: f64,
    /// Standard deviation of the same.
    pub extreme_spread_expected_sd_mm: f64,
}

/// A shot that looks like a bad one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outlier {
    /// The record's place among those read, from 1.
    pub end: u32,
    /// The entry's id.
    pub id: u64,
    /// Probability that it is an outlier.
    #[serde(rename = "p_flier")]
    pub p_outlier: f64,
}

/// A numbered arrow's own offset from the others of its kind, mm.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ArrowReading {
    /// Its mark.
    pub arrow: String,
    /// [x, y], mm.
    pub offset_mm: [f64; 2],
    /// Probability that the arrow is odd.
    pub p_odd: f64,
}

/// Where a numbered arrow lands beside the others of its kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ArrowPlace {
    /// Its mark.
    pub arrow: String,
    /// Its kind.
    pub kind: ArrowKind,
    /// Its shots that have another of its kind beside them.
    pub shots: u32,
    /// [x, y] from the middle of the others, mm at the distance shot.
    pub offset_mm: [f64; 2],
    /// Standard deviation of that on each axis, mm.
    pub sd_mm: f64,
    /// Probability that the arrow is odd.
    pub p_odd: f64,
}

/// What more shooting would bring.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MoreShots {
    /// More shots of each kind; `None` when shooting alone won't decide.
    pub pairs: Option<u32>,
    /// Why.
    pub why: MoreShotsReason,
}

/// Lean of the bare shafts minus that of the fletched, degrees.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LeanReading {
    /// To the right.
    pub right_deg: f64,
    /// Up.
    pub up_deg: f64,
    /// Standard deviation of each.
    pub sd_deg: f64,
}
