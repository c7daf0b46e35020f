//! Records of one set-up → what the two groups say: the offset of the bare shafts and how sure it is.

mod document;

pub use document::{
    ArrowReading, Flier, Horizontal, HorizontalCall, LeanReading, MoreShots, Offset, Reading,
    SCHEMA, Scatter, Vertical, VerticalCall,
};
