//! The options of an advice.

use crate::record::Setup;

/// What the archer asks for, and what is known beside the records.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct AdviceOptions {
    /// Allow a change on each axis at once.
    pub both: bool,
    /// Settings that were noted after the newest end, with their values now. Where one differs from that end's, an end with it comes
    /// before any other change.
    pub noted_since: Option<Setup>,
}
