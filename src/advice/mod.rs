//! A history of records → the next change on this bow.
//!
//! Three layers stand behind an advice. *Physics* ([`physics`], [`sensitivities()`]): what each setting does to how stiff the arrow
//! acts, and so the exchange rates between settings. *Priors* (`calibration/advice.json`): how many millimetres of offset a
//! unit of each lever is worth before this bow has a history. *Learning*: what its own history of changes says. On that
//! `advise` decides in the order of the trade, one change at a time, and goes only so far as the uncertainty allows.
//!
//! *Signed offsets*: horizontal ones are x for a right-hander and −x for a left-hander (positive acts weak), vertical ones y (positive is
//! bare high); both in mm at 30 m.

mod about;
mod action;
mod adjustments;
mod advise;
mod apply;
mod bow_state;
mod candidate;
mod cautions;
mod choose;
mod contradictions;
mod document;
mod ends_after_step;
mod ends_to_in_tune;
mod explain;
mod findings;
mod interventions;
mod kind;
mod knowledge;
mod learn;
mod newest_run;
mod options;
pub mod physics;
mod policy;
mod sensitivities;
mod shaft_changes;
mod slopes;
mod steps;
mod swapped_tags;

pub(crate) use cautions::{bare_shafts, general};

pub use about::{
    Caution, CautionKind, CheckCause, DifferenceCause, Instruction, LookUp, OffsetEstimate,
    PutBackCause, Reason, Reasons, ShootCause,
};
pub use action::{Action, VerifyWhen};
pub use advise::{advise, advise_again, advise_with, levers};
pub use apply::{ApplyError, settings_after, setup_after};
pub use contradictions::Contradiction;
pub use document::{Advice, Expect, Learned, SCHEMA, Step};
pub use explain::{ExplanationItem, LeverObstacle, StepSize, explain};
pub use findings::{BestSetup, MissedBare};
pub use interventions::ReadingCache;
pub use kind::{Check, Gate, GateCode, GateValue, StepKind};
pub use knowledge::{Axis, Knowledge};
pub use options::AdviceOptions;
pub use sensitivities::{Sensitivities, missing, sensitivities};
