//! Who shot what, from where, with which set-up.

use super::{ArrowKind, Extra};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The hand that draws the string.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Hand {
    /// Right-handed: the bow in the left hand.
    Right,
    /// Left-handed.
    Left,
}

/// What the photo can't show. Every field is optional; absent means unknown, never a default.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Session {
    /// The archer: any label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub archer: Option<String>,
    /// The drawing hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hand: Option<Hand>,
    /// Shooting distance, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance_m: Option<f64>,
    /// RFC 3339 time, or a date alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
    /// Number of the end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end: Option<u64>,
    /// Entry ids in the order shot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shot_order: Option<Vec<u64>>,
    /// How many fletched shafts were shot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fletched: Option<u32>,
    /// How many bare shafts were shot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bare: Option<u32>,
    /// A remark on this end, as the archer wrote it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// The bow and the arrows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub setup: Option<Setup>,
    /// Codes of what was looked at before this end, with nothing found (see the advice's `checks`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub checked: Option<Vec<String>>,
    /// Fields that this version doesn't know.
    #[serde(flatten)]
    pub extra: Extra,
}

/// Bow and arrows as shot, and what may be changed. Units and signs as in the field names and docs.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Setup {
    /// The bow: any label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bow: Option<String>,
    /// Weight on the fingers at the archer's full draw, pounds-force.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub draw_weight_lb: Option<f64>,
    /// Turns of each limb bolt out from the maker's fully-in position; larger = less weight.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bolt_turns_out: Option<f64>,
    /// What a turn of both bolts changes, lb.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bolt_lb_per_turn: Option<f64>,
    /// The shafts: any label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shafts: Option<String>,
    /// Static spine: deflection in 1/1000 in over 28 in under 1.94 lb; larger = weaker.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shaft_spine: Option<f64>,
    /// Weight of the bare tube, grains per inch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shaft_gr_per_in: Option<f64>,
    /// Outer diameter, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shaft_diameter_mm: Option<f64>,
    /// Nock groove to the front end of the tube, without the point, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shaft_length_mm: Option<f64>,
    /// Point with insert and pin weights, grains.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point_gr: Option<f64>,
    /// Nock, pin, wrap and vanes on a fletched arrow, grains.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rear_gr: Option<f64>,
    /// Nock, pin, wrap and tape on a bare shaft, grains.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bare_rear_gr: Option<f64>,
    /// Clicks from the archer's mark, + = stiffer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plunger_clicks: Option<f64>,
    /// Clicks in one turn of the plunger.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plunger_clicks_per_turn: Option<f64>,
    /// Underside of the nock above square, mm, + = higher.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nocking_point_mm: Option<f64>,
    /// Rest height from the archer's mark, mm, + = higher.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rest_height_mm: Option<f64>,
    /// String to the grip's deepest point at rest, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub brace_height_mm: Option<f64>,
    /// String to the grip's deepest point at full draw, nothing added, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub draw_length_mm: Option<f64>,
    /// The archer's own tolerance at 30 m, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tolerance_30m_mm: Option<f64>,
    /// Names of changes that the archer won't make.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub keep: Option<Vec<String>>,
    /// Limits of the settings, keyed by the setting's name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limits: Option<BTreeMap<String, Limit>>,
    /// The arrows by their own marks, and what they look like from behind.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arrows: Option<Vec<NamedArrow>>,
    /// The archer still grows: nothing is cut unless asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub growing: Option<bool>,
    /// What the bow is tuned for, such as "indoor 18 m".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub goal: Option<String>,
    /// What was seen to on this bow before its first change: codes of `plan`'s checklist.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub checklist: Option<Vec<String>>,
    /// Fields that this version doesn't know.
    #[serde(flatten)]
    pub extra: Extra,
}

/// One arrow, and the colours by which it can be recognised.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct NamedArrow {
    /// Its own mark: any text.
    pub arrow: String,
    /// Fletched or bare.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<ArrowKind>,
    /// Colour of the nock: a name that [`crate::colours::names`] lists.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nock: Option<String>,
    /// Colours of the vanes, likewise; the index vane's first where it is another.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vanes: Option<Vec<String>>,
    /// Fields that this version doesn't know.
    #[serde(flatten)]
    pub extra: Extra,
}

/// The values that one setting may take.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Limit {
    /// Smallest value allowed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub min: Option<f64>,
    /// Largest value allowed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max: Option<f64>,
    /// Step from the present value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step: Option<f64>,
    /// Values that the archer owns.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub owned: Option<Vec<f64>>,
    /// Values that can be bought.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub obtainable: Option<Vec<f64>>,
    /// Where the setting normally stands on the archer's bows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub usual: Option<f64>,
    /// Fields that this version doesn't know.
    #[serde(flatten)]
    pub extra: Extra,
}
