//! The kinds of step, and the gates of a step that can't be undone.

use super::Action;
use crate::record::written;
use serde::{Deserialize, Serialize};

/// The kind of a step. Heading, sentences and documents all follow it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StepKind {
    /// Nothing changed, more shots: from the same distance or nearer.
    #[default]
    Shoot,
    /// Something contradicts and is looked at first.
    Check,
    /// The last change is undone.
    PutBack,
    /// A change that can be undone.
    Reversible,
    /// A cut, or new shafts.
    Irreversible,
    /// In tune.
    Done,
}

impl StepKind {
    /// Of a change of the bow or the arrows.
    #[must_use]
    pub const fn of(change: Action) -> Self {
        match change {
            Action::ShaftLength | Action::ShaftSpine => Self::Irreversible,
            Action::ShootMore | Action::Verify => Self::Shoot,
            Action::Check | Action::None => Self::Check,
            Action::DrawWeight
            | Action::PointWeight
            | Action::RearWeight
            | Action::Plunger
            | Action::NockingPoint
            | Action::RestHeight => Self::Reversible,
        }
    }
}

/// Something to look at before going on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Check {
    /// The draw weight, with a scale.
    Scale,
    /// Whether a limb bolt stands at its stop.
    BoltStop,
    /// Contact with rest, plate or arm.
    Contact,
    /// Which shaft is bare and which fletched in the records.
    Tags,
    /// What bare and fletched shafts weigh.
    Mass,
    /// The brace height.
    BraceHeight,
    /// Whether the arrow stands in the middle of the bow.
    CentreShot,
    /// Whether the plunger moves, and where it stands.
    Plunger,
    /// The archer's form.
    Form,
}

impl Check {
    /// Its code, as documents and `session.checked` write it.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::Scale => "scale",
            Self::BoltStop => "bolt-stop",
            Self::Contact => "contact",
            Self::Tags => "tags",
            Self::Mass => "mass",
            Self::BraceHeight => "brace-height",
            Self::CentreShot => "centre-shot",
            Self::Plunger => "plunger",
            Self::Form => "form",
        }
    }
}

/// What a cut or new shafts still need.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gate {
    /// Which condition.
    pub code: GateCode,
    /// What is asked for.
    pub needed: GateValue,
    /// What stands.
    pub have: GateValue,
}

/// The conditions of a step that can't be undone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GateCode {
    /// Left and right are decided.
    Decided,
    /// Shots of each kind, and ends, of this set-up.
    Pairs,
    /// Where they were shot from.
    Distance,
    /// A person has confirmed the entries.
    Confirmed,
    /// Both groups are of plausible size.
    Groups,
    /// Bare and fletched shafts weigh the same.
    Mass,
    /// No change that did what it should not have.
    Contradiction,
    /// The shafts don't lean against what the offset says.
    Lean,
    /// The archer doesn't grow any more, or it was asked for.
    Growing,
}

/// A value of a gate.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(from = "String")]
pub enum GateValue {
    /// Shots in ends.
    Shots {
        /// Fletched.
        fletched: u32,
        /// Bare.
        bare: u32,
        /// Ends.
        ends: usize,
    },
    /// So many shots of each kind in so many ends.
    OfEach {
        /// Of each kind.
        shots: u32,
        /// Ends.
        ends: usize,
    },
    /// A distance, m.
    Metres(f64),
    /// Distances from and to, m.
    MetresBetween([f64; 2]),
    /// Scatter of a group per axis at 30 m, mm.
    ScatterMm(f64),
    /// Difference of mass, gr.
    Grains(f64),
    /// At most so much difference of mass, gr.
    GrainsAtMost(f64),
    /// So many entries nobody has confirmed.
    Unconfirmed(usize),
    /// Probability of the side.
    Probability(f64),
    /// At least that probability of the side, and a call.
    ProbabilityAtLeast(f64),
    /// Not known.
    NotKnown,
    /// None.
    Absent,
    /// One stands open.
    Open,
    /// The archer's wish.
    Wish,
    /// A sentence as it stood in a document.
    Written(String),
}

written!(GateValue);
