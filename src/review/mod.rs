//! A person's edits → the record, by one pure function for the page and for scripts.
//!
//! Edits come as a document, `bossmark/edits/1`:
//!
//! ```json
//! {"schema": "bossmark/edits/1", "revision": 0, "record": "3fa1…",
//!  "edits": [{"do": "move", "id": 1, "x_mm": 12.0, "y_mm": -40.0},
//!            {"do": "move", "id": 2, "px": [2100.2, 1600.7]},
//!            {"do": "add", "kind": "bare", "x_mm": 210.0, "y_mm": 35.0},
//!            {"do": "remove", "id": 4},
//!            {"do": "tag", "id": 5, "kind": "fletched"},
//!            {"do": "arrow", "id": 5, "arrow": "7"},
//!            {"do": "missed", "kind": "bare", "note": "low left, off the boss"},
//!            {"do": "not-missed", "index": 1},
//!            {"do": "confirm", "id": 3},
//!            {"do": "accept"}]}
//! ```
//!
//! A position is given as `x_mm`, `y_mm` or, if the record has a camera, as `px`; the other is computed. `revision` (optional) is that
//! of the record that the person saw, and `record` (optional) the SHA-256 of its bytes: of its file, or of its line. If the record is another one, the edits are refused, so that two people can't undo each
//! other's work unseen. `accept` confirms every entry as it is. `session` changes the session field by field (RFC 7396: null
//! removes a field). Each edited entry becomes `confirmed`; `found_mm` keeps where the program found it; ids are never used
//! again. Edits apply in their order, all or none, and make one revision together.

mod apply;
mod edits;
mod ids;
mod position;
mod refit;
mod session;
mod to_check;
mod undo;

pub use apply::apply;
pub use edits::{Edit, Edits, ReviewError, SCHEMA};
pub use ids::with_ids_of;
pub use refit::refitted;
pub use to_check::ids_to_check;
pub use undo::restore;
