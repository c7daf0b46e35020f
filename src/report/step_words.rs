//! An advised step in words, for those who lay out text themselves.

use super::steps;
use crate::advice::Step;
use crate::record::Note;
use serde::Serialize;

/// A step in words.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StepWords {
    /// What to do.
    pub headline: String,
    /// What there is to know about it, each with its name.
    pub facts: Vec<(String, String)>,
    /// What to mind when doing it.
    pub cautions: Vec<Note>,
}

/// The step in words.
#[must_use]
pub fn step_words(step: &Step) -> StepWords {
    StepWords {
        headline: steps::headline(step),
        facts: steps::facts(step),
        cautions: step.cautions.clone(),
    }
}
