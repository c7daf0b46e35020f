//! The text fields of documents: how the values behind them are written.

use super::{Locale, Sentence};
use crate::advice::{GateValue, Instruction, Reasons};
use crate::lens;
use crate::plan::ToNote;
use crate::reading::MoreShotsReason;
use crate::record::{Note, Remark};
use serde::{Serialize, Serializer};

impl<V: Sentence> Serialize for Remark<V> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        Note::new(&self.code, self.text(Locale::default())).serialize(to)
    }
}

macro_rules! as_text {
    ($($values:ty),+) => {
        $(
            impl Serialize for $values {
                fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
                    to.serialize_str(&self.text(Locale::default()))
                }
            }
        )+
    };
}
as_text!(
    MoreShotsReason,
    Instruction,
    Reasons,
    GateValue,
    ToNote,
    lens::NoteKind
);
