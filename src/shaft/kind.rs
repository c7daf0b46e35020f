//! With vanes or without.

use serde::{Deserialize, Serialize};

/// Kinds of arrow.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ArrowKind {
    /// With vanes.
    Fletched,
    /// Without vanes.
    Bare,
    /// Not known: nobody said, or the tail is hidden or outside the picture.
    #[default]
    Unknown,
}
