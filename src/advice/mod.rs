//! A history of records → the next change on this bow.
//!
//! Three layers stand behind an advice. *Physics* ([`physics`], [`exchange()`]): what each setting does to how stiff the arrow
//! acts, and so the exchange rates between settings. *Priors* (`calibration/advice.json`): how many millimetres of offset a
//! unit of each lever is worth before this bow has told anything. *Learning*: what its own history of changes says. On that
//! `advise` decides in the order of the trade, one change at a time, and goes only so far as the uncertainty allows.
//!
//! Horizontal offsets are u = x for a right-hander and −x for a left-hander (positive acts weak), vertical ones v = y
//! (positive is bare high); both in mm at 30 m.

mod about;
mod advise;
mod ahead;
mod cautions;
mod change;
mod choice;
mod choose;
mod contradictions;
mod document;
mod exchange;
mod explain;
mod knowledge;
mod learn;
mod made;
mod moves;
pub mod physics;
mod shaft_changes;
mod situation;
mod slopes;
mod steps;
mod trials;

pub(crate) use cautions::{bare_shafts, general};

pub use about::{About, Caution, Detail, DifferenceCause, LookUp, OffsetEstimate, Reason, Reasons};
pub use advise::{AdviceOptions, advise, advise_again, advise_with};
pub use change::{Change, VerifyWhen};
pub use contradictions::Contradiction;
pub use document::{Advice, Expect, Learned, SCHEMA, Step};
pub use exchange::{Exchange, exchange, missing};
pub use explain::{Obstacle, Size, Thought, explain};
pub use knowledge::{Axis, Knowledge};
pub use made::{NotMade, made, made_all};
pub use trials::Readings;
