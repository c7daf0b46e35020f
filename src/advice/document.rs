//! The advice as a document, `bossmark/advice/1`.

use super::about::{Caution, Instruction, Reasons};
use super::action::{Action, VerifyWhen};
use super::findings::BestSetup;
use super::kind::{Check, Gate, StepKind};
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
    /// Both axes shown neutral: by ends from the full distance or more ([`crate::reading::Assumptions::full_distance_m`]).
    pub done: bool,
    /// The set-up nearest to tune so far.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub best: Option<BestSetup>,
    /// What to keep in mind.
    pub cautions: Vec<Caution>,
    /// Set when no advice could be given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failure: Option<Caution>,
}

/// One step: what to change, from where to where, and what to expect of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// What kind of step it is, as far as the findings permit.
    #[serde(default)]
    pub kind: StepKind,
    /// What.
    pub change: Action,
    /// By how much, signed: more weight, longer, heavier, stiffer plunger, higher are positive.
    pub amount: Option<f64>,
    /// Unit of `amount`.
    pub unit: Option<String>,
    /// The set-up field that is adjusted.
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
    /// What to look at (`check`).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub checks: Vec<Check>,
    /// Probability that the step goes the right way; `None` where nothing is claimed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub probability_right: Option<f64>,
    /// What a cut or new shafts would still need.
    #[serde(default)]
    pub gates: Vec<Gate>,
    /// What to do.
    pub detail: Instruction,
    /// Shift of the offset to expect at the distance shot.
    pub expect: Option<Expect>,
    /// Whether it can be taken back.
    pub reversible: bool,
    /// Why this step.
    pub why: Reasons,
    /// Cautions that belong to this step.
    pub cautions: Vec<Caution>,
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

/// How far one unit of a lever shifts the offset at 30 m on this bow.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Learned {
    /// The change.
    pub change: Action,
    /// Its unit.
    pub unit: String,
    /// Millimetres at 30 m per unit, as learned.
    pub mm_per_unit: f64,
    /// Its standard deviation.
    pub sd: f64,
    /// Changes of this bow that count.
    pub from_changes: u32,
    /// The same before any of them.
    pub prior_mm_per_unit: f64,
}
