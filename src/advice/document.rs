//! The advice as a document, `bossmark/advice/1`.

use super::about::{Caution, Detail, Why};
use crate::reading::Reading;
use serde::{Deserialize, Serialize};

/// Schema name of the advice.
pub const SCHEMA: &str = "bossmark/advice/1";

/// One reading of the newest set-up and the ranked next changes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Advice {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// The newest set-up's reading.
    pub reading: Reading,
    /// The next change; `None` only with a failure.
    pub next: Option<Step>,
    /// To be done together with `next`: empty unless asked for or needed at a limit.
    pub also: Vec<Step>,
    /// Ranked alternatives to `next`.
    pub others: Vec<Step>,
    /// What this bow's history has taught.
    pub learned: Vec<Learned>,
    /// Both axes neutral at 30 m or more.
    pub done: bool,
    /// What to keep in mind.
    pub cautions: Vec<Caution>,
    /// Set when no advice could be given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failure: Option<Caution>,
}

/// What can be changed, or done instead of a change.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// Limb bolts; unit lb.
    DrawWeight,
    /// Cut the shafts (or longer new ones); unit mm.
    ShaftLength,
    /// Unit gr.
    PointWeight,
    /// Unit gr, both kinds of shaft alike.
    RearWeight,
    /// Unit clicks.
    Plunger,
    /// Unit mm.
    NockingPoint,
    /// Unit mm.
    RestHeight,
    /// New shafts; unit spine.
    ShaftSpine,
    /// Nothing changed: shoot more pairs.
    ShootMore,
    /// Nothing changed: check again.
    Verify,
    /// Nothing.
    None,
}

impl Change {
    /// Whether it changes anything on bow or arrows.
    #[must_use]
    pub const fn moves_a_setting(self) -> bool {
        !matches!(self, Self::ShootMore | Self::Verify | Self::None)
    }

    /// Its name in JSON and in a set-up's `keep`.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::DrawWeight => "draw-weight",
            Self::ShaftLength => "shaft-length",
            Self::PointWeight => "point-weight",
            Self::RearWeight => "rear-weight",
            Self::Plunger => "plunger",
            Self::NockingPoint => "nocking-point",
            Self::RestHeight => "rest-height",
            Self::ShaftSpine => "shaft-spine",
            Self::ShootMore => "shoot-more",
            Self::Verify => "verify",
            Self::None => "none",
        }
    }
}

/// One step: what to change, from where to where, and what to expect of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// What.
    pub change: Change,
    /// By how much, signed: more weight, longer, heavier, stiffer plunger, higher are positive.
    pub amount: Option<f64>,
    /// Unit of `amount`.
    pub unit: Option<String>,
    /// The set-up field that moves.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub setting: Option<String>,
    /// Its value now.
    pub from: Option<f64>,
    /// Its value afterwards.
    pub to: Option<f64>,
    /// Quarter turns of each limb bolt, + = in = more weight.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bolt_quarter_turns: Option<i64>,
    /// More shots of each kind (`shoot-more`, `verify`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pairs: Option<u32>,
    /// Distance to shoot from, m (`verify`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance_m: Option<f64>,
    /// When (`verify`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub when: Option<VerifyWhen>,
    /// What to do.
    pub detail: Detail,
    /// Shift of the offset to expect at the distance shot.
    pub expect: Option<Expect>,
    /// Whether it can be taken back.
    pub reversible: bool,
    /// Why this step.
    pub why: Why,
    /// Cautions that belong to this step.
    pub cautions: Vec<Caution>,
}

/// When to verify.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VerifyWhen {
    /// Now.
    Now,
    /// On another day.
    AnotherDay,
}

/// Expected shift of the offset at the distance shot, mm; x isn't mirrored by hand.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Expect {
    /// To the right.
    pub x_mm: f64,
    /// Up.
    pub y_mm: f64,
    /// Standard deviation of x.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sd_x_mm: Option<f64>,
    /// Standard deviation of y.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sd_y_mm: Option<f64>,
}

/// How far one unit of a change moves the offset at 30 m on this bow.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Learned {
    /// The change.
    pub change: Change,
    /// Its unit.
    pub unit: String,
    /// Millimetres at 30 m per unit, as learned.
    pub mm_per_unit: f64,
    /// Its standard deviation.
    pub sd: f64,
    /// Changes of this bow that told.
    pub from_changes: u32,
    /// The same before any of them.
    pub prior_mm_per_unit: f64,
}
