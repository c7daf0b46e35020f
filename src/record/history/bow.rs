//! Which records belong to the same bow.

use crate::record::{End, Hand};

impl End {
    /// Whether both were shot with the same bow: archer, hand and bow are equal, or absent in both.
    #[must_use]
    pub fn same_bow(&self, other: &Self) -> bool {
        Bow::of(self) == Bow::of(other)
    }
}

/// Archer, hand and bow. Records that agree in them, or lack the same of them, belong to the same bow.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Bow {
    archer: Option<String>,
    hand: Option<Hand>,
    bow: Option<String>,
}

impl Bow {
    pub(super) fn of(end: &End) -> Self {
        Self {
            archer: end.session.archer.clone(),
            hand: end.session.hand,
            bow: end.session.setup.as_ref().and_then(|s| s.bow.clone()),
        }
    }

    pub(super) fn in_words(&self) -> String {
        let hand = match self.hand {
            Some(Hand::Right) => "right-handed",
            Some(Hand::Left) => "left-handed",
            None => "hand not told",
        };
        format!(
            "{} ({}, {hand})",
            self.bow.as_deref().unwrap_or("a bow without a name"),
            self.archer.as_deref().unwrap_or("archer not told"),
        )
    }
}
