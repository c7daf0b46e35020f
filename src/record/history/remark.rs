//! What there is to say of the records as a whole, as values.

use super::Bow;
use crate::record::{Remark, written};

/// A remark on the records as a whole.
pub type HistoryRemark = Remark<HistoryRemarkKind>;

/// What a remark on the records as a whole names.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HistoryRemarkKind {
    /// Records of other bows are left out.
    OtherBow {
        /// The bow that it is about.
        bow: Bow,
        /// Records left out.
        records: usize,
        /// The other bows.
        others: Vec<Bow>,
    },
    /// Files that show one end: only the last counts.
    SameEnd {
        /// Those that don't count.
        left_out: Vec<String>,
        /// The one that counts.
        counts: String,
    },
    /// Settings known in some records only: of one set-up, or before and after a change.
    Incomplete {
        /// The settings.
        settings: Vec<&'static str>,
        /// Within one set-up.
        within_setup: bool,
    },
    /// A sentence as it stood in a document.
    Written(String),
}

written!(HistoryRemarkKind);
