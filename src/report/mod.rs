//! Documents and pixels → what people look at: the marked photo, stage pictures, the face plot, charts, and the report.
//!
//! One file per format; each takes finished documents and returns bytes or a `String`. Nothing here reads, writes or asks
//! the time: dates come from the records, and the same input gives the same bytes.

mod canvas;
pub mod charts;
pub mod csv;
pub mod debug;
mod encode;
pub mod face_plot;
mod font;
pub mod html;
mod jpeg;
pub mod marked;
mod outline;
#[cfg(feature = "png")]
pub mod png;
mod svg_kit;
mod view;

pub use outline::{RingOutline, outlines};
pub use svg_kit::Embedding;

/// Style of the drawings, for a page that holds them [`Embedding::Inline`].
pub const PLOT_STYLE: &str = svg_kit::STYLE;

/// Text made safe for HTML and SVG, in elements and quoted attributes. Characters that no XML document may hold become
/// spaces.
#[must_use]
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(c),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push(' '),
            c => out.push(c),
        }
    }
    out
}
