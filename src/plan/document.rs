//! The plan as a document, `bossmark/plan/1`.

use crate::advice;
use crate::record::{Hand, Remark, written};
use serde::{Deserialize, Serialize};

/// Schema name of the plan.
pub const SCHEMA: &str = "bossmark/plan/1";

/// What to shoot, and what it will show.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// Distance to shoot from, m.
    pub distance_m: f64,
    /// Fletched arrows in an end.
    pub fletched: u32,
    /// Bare shafts in an end.
    pub bare: u32,
    /// Ends before anything is changed: as many as an advice wants.
    pub ends: u32,
    /// How many shots the certainty wanted takes.
    #[serde(default)]
    pub needed: Needed,
    /// The hand that draws.
    #[serde(default)]
    pub hand: Option<Hand>,
    /// Order of an end: `fletched` and `bare` in turn, so that neither kind gets the tired shots.
    pub order: Vec<String>,
    /// Scatter that the precision rests on.
    pub scatter: PlannedScatter,
    /// Tolerance on each axis at this distance, mm.
    pub tolerance_mm: f64,
    /// What a number of pairs gives.
    pub precision: Vec<Precision>,
    /// Whether "in tune" can be shown from this distance.
    pub shows_in_tune: bool,
    /// What to note beside the shots.
    pub record: Vec<ToNote>,
    /// What to take care of.
    pub cautions: Vec<Caution>,
}

/// A caution of the plan.
pub type Caution = Remark<CautionKind>;

/// What a caution of the plan names.
#[derive(Clone, Debug, PartialEq)]
pub enum CautionKind {
    /// No distance is given: the one to start at, m.
    StartShort(f64),
    /// From here "in tune" doesn't show.
    ShortDistance,
    /// From here wind and form count for more than tune.
    LongDistance,
    /// What goes with every advice.
    Advice(advice::CautionKind),
    /// A sentence as it stood in a document.
    Written(String),
}

impl From<advice::CautionKind> for CautionKind {
    fn from(about: advice::CautionKind) -> Self {
        Self::Advice(about)
    }
}

/// What to note beside the shots.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(from = "String")]
pub enum ToNote {
    /// Hand, distance, face, date, number of the end.
    Shooting,
    /// Shots that missed.
    Missed,
    /// Draw weight and limb bolts.
    DrawWeight,
    /// Spine, length, point and nock end.
    Shafts,
    /// Limits.
    Limits,
    /// Plunger and heights.
    Heights,
    /// Marks and order of the arrows.
    Arrows,
    /// A sentence as it stood in a document.
    Written(String),
}

impl ToNote {
    /// All of it, in the order of worth.
    pub(super) const ALL: [Self; 7] = [
        Self::Shooting,
        Self::Missed,
        Self::DrawWeight,
        Self::Shafts,
        Self::Limits,
        Self::Heights,
        Self::Arrows,
    ];
}

written!(CautionKind, ToNote);

/// How many shots a certainty takes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Needed {
    /// Probability with which a call should come.
    pub certainty: f64,
    /// Shots of each kind after which both an offset of `far_mm` gets its side called and none at all is called neutral with
    /// that probability, on an axis; `None`: more than people shoot.
    pub pairs: Option<u32>,
    /// The same in ends as planned, at least as many as the plan's.
    #[serde(default)]
    pub ends: Option<u32>,
    /// The offset meant, mm.
    pub far_mm: f64,
    /// The smallest offset whose side the planned ends call with that probability, mm.
    pub tells_apart_mm: Option<f64>,
}

/// Scatter of the fletched arrows, as the plan assumes it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlannedScatter {
    /// Standard deviation per axis at this distance, mm.
    pub sd_mm: f64,
    /// Where it comes from.
    pub from: ScatterFrom,
}

/// Where a scatter comes from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ScatterFrom {
    /// The archer's own.
    #[serde(rename = "told")]
    Stated,
    /// The middle of what archers have; the figures are averages over them.
    #[default]
    Assumed,
}

/// What a number of shots of each kind gives.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Precision {
    /// Shots of each kind.
    pub pairs: u32,
    /// Standard deviation of the offset on each axis, mm.
    pub sd_mm: f64,
    /// What is called for offsets of some sizes.
    pub chances: Vec<CallProbability>,
}

/// What the reading will call on an axis for a true offset.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CallProbability {
    /// True offset on one axis, mm at this distance.
    pub offset_mm: f64,
    /// Probability that its side is called.
    pub p_side: f64,
    /// Probability that it is called neutral.
    pub p_neutral: f64,
}
