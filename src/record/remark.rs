//! A remark whose sentence isn't made yet: a code to rely on, and the values that the sentence names.

use super::Note;
use serde::{Deserialize, Deserializer};

/// A code with its values. In a document it stands as a [`Note`] (or a [`super::Failure`]): `text/` makes the sentence when
/// it is written. One that was read from a document holds that sentence as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Remark<V> {
    /// Stable code.
    pub code: String,
    /// What the sentence names.
    pub values: V,
}

impl<V> Remark<V> {
    /// A remark of this code with these values.
    #[must_use]
    pub fn new(code: &str, values: impl Into<V>) -> Self {
        Self {
            code: code.to_owned(),
            values: values.into(),
        }
    }

    /// The same remark among those of another document.
    #[must_use]
    pub fn among<W: From<V>>(self) -> Remark<W> {
        Remark {
            code: self.code,
            values: self.values.into(),
        }
    }
}

impl<'de, V: From<String>> Deserialize<'de> for Remark<V> {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let Note { code, text } = Note::deserialize(from)?;
        Ok(Self {
            code,
            values: text.into(),
        })
    }
}

/// Makes values of a text from a document: `Written`.
macro_rules! written {
    ($($values:ty),+) => {
        $(
            impl From<String> for $values {
                fn from(text: String) -> Self {
                    Self::Written(text)
                }
            }

            impl From<&str> for $values {
                fn from(text: &str) -> Self {
                    Self::Written(text.to_owned())
                }
            }
        )+
    };
}
pub(crate) use written;
