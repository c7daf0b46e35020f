//! The target face in the photo: which face it is, where it is, and the camera that its rings give.

pub mod spec;
