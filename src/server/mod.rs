//! The page of `bossmark confirm`: a small server at this machine, and what it hands to a browser.
//!
//! The page does nothing but show and ask: measuring, applying edits, reading and advising are the library's own functions.
//! Records on disk are the only truth; every request reads them anew, every edit is saved before it is answered.
//!
//! ```text
//! listen   the socket: limits on size, time and number
//! guard    who may ask: own names, own origin, the code of a shared page
//! app      which request is answered by what
//! ends     the ends on the page: their records, edits, undo
//! worker   photos that wait to be measured
//! view     an end, its reading and its advice as the page shows them
//! pictures the upright photo, reduced and in parts
//! plan     the session file that new photos are told by
//! assets   the page's own files, built in
//! qr       the link as a QR code for a terminal
//! ```

mod app;
mod assets;
mod ends;
mod guard;
mod http;
mod listen;
mod pictures;
mod plan;
mod qr;
mod undo_journal;
mod view;
mod worker;

pub use app::{App, Opening};
pub use ends::Start;
pub use guard::{Guard, Secret};
pub use http::{Answer, Request};
pub use listen::{LARGEST_PHOTO, LARGEST_REQUEST, Listening, listen, own_address, serve};
pub use qr::qr;

/// Where new photos go.
pub(crate) const UPLOAD: &str = "/api/photos";
/// The port tried first; the next ones follow where it is taken. Not registered with IANA for anything (looked up from
/// memory; nothing depends on it).
pub const FIRST_PORT: u16 = 4117;

/// Why the page can't be served. Each message is one sentence: what is wrong, and what to do.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// No free port.
    #[error("no port from {first} to {last} is free ({detail}): name another with --port")]
    Ports {
        /// The first tried.
        first: u16,
        /// The last tried.
        last: u16,
        /// What the system says.
        detail: String,
    },
    /// Anything else about the socket.
    #[error("the page can't be served ({0}): try another port with --port")]
    Socket(std::io::Error),
}
