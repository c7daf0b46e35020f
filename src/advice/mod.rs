//! A history of records → the next change on this bow.

mod document;

pub use document::{Advice, Change, Expect, Learned, SCHEMA, Step, VerifyWhen};
