//! Documents and pixels → what people look at: the marked photo, stage pictures, the face plot, text, and the report.
//!
//! One file per format; each takes finished documents and returns bytes or a `String`. Nothing here reads, writes or asks
//! the time: dates come from the records, and the same input gives the same bytes.

mod canvas;
pub mod debug;
mod font;
mod look;
pub mod marked;
mod story;

pub use look::{FaceLook, Ink, Zone};
pub use story::{BowStory, Effect, EndStory, Problem, ReportInput, RunStory, SettingChange};
