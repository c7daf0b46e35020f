//! Values → words: the only place where sentences are made, for terminal, page, report and the text fields of documents.
//!
//! One file a document: `reading` (with `reading_cautions`, and `answer` for a single line), `advice` (with `advice_cautions`, `step`, `short_step` and `explain`), `plan`, `lens`,
//! `notes` and `record`, `settings` (of a bow), `plain` (all of them in 80 columns). Below them stand `terms` (names of
//! sides, levers and settings), `numbers`, and `locale` (unit of lengths, order of dates, whether commands are named).
//!
//! The modules before this one return codes and numbers and know nothing of it. Their documents carry text fields
//! nevertheless: `json` implements [`serde::Serialize`] for the values behind those fields, always in the documents' own
//! locale ([`Locale::default`]).

mod advice;
mod advice_cautions;
mod answer;
mod before_change;
mod brief;
mod card;
mod explain;
mod json;
mod layout;
mod lens;
mod lists;
mod locale;
pub(crate) mod notes;
pub(crate) mod numbers;
pub mod plain;
mod plan;
mod reading;
mod reading_cautions;
pub(crate) mod record;
pub(crate) mod settings;
mod short_step;
mod step;
mod student;

pub(crate) mod terms;

pub use advice::{changes, expectation, step_sentence};
pub use answer::answer;
pub use brief::brief;
pub use card::{card, history_summary};
pub use lens::lens;
pub use locale::{Commands, DateOrder, LengthUnit, Locale};
pub use plan::plan;
pub use reading::sentence;
pub use settings::change;
pub use step::{RemarkText, StepText, step_text};
pub use student::note_for_student;

pub(crate) use answer::landing;
pub(crate) use brief::next_heading;
pub(crate) use reading::{
    at_side, calls, group_size, more_shots, offset, plain_means, sentence_with_ranges, verdict,
};
pub(crate) use step::{facts, headline, likely_shift, shift};

use crate::record::Remark;

/// Values of which a text is made.
pub trait Sentence {
    /// The text, in this locale.
    fn text(&self, locale: Locale) -> String;
}

impl<V: Sentence> Sentence for Remark<V> {
    fn text(&self, locale: Locale) -> String {
        self.values.text(locale)
    }
}
