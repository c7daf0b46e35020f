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
pub struct Bow {
    /// The archer's name.
    pub archer: Option<String>,
    /// The hand that draws the string.
    pub hand: Option<Hand>,
    /// The bow's label.
    pub bow: Option<String>,
}

impl Bow {
    pub(super) fn of(end: &End) -> Self {
        Self {
            archer: end.session.archer.clone(),
            hand: end.session.hand,
            bow: end.session.setup.as_ref().and_then(|s| s.bow.clone()),
        }
    }
}
