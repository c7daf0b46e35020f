//! A history of records → the next change on this bow.

mod document;
mod exchange;
mod knowledge;
pub mod physics;

pub use document::{Advice, Change, Expect, Learned, SCHEMA, Step, VerifyWhen};
pub use exchange::{Exchange, exchange};
