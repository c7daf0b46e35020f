//! The answers to requests, by subject. Each is a function of the server's state, of the end's id where there is one, and of the
//! request.

pub(super) mod ends;
pub(super) mod photos;
pub(super) mod points;
pub(super) mod report;
pub(super) mod session;
