//! The page of `bossmark confirm`: a small server on this machine for a browser.
//!
//! The page only shows and asks: the library measures, applies edits, reads and advises. Every request reads the records from
//! disk, and every edit is saved before it is answered.
//!
//! ```text
//! listen       the socket: limits on size, time and number (`clients`, `timed_stream`)
//! guard        who may ask: own host names, own origin, the code of a shared page
//! app          whether a request is allowed, and which handler answers it
//! handlers     the answers, by subject: ends, photos, points, session
//! state        what the server knows: ends, pictures, the session file, cached results
//! ends         the ends on the page: their records, edits, undo
//! worker       the thread that measures waiting photos
//! measured     what measuring gave, and what becomes of it
//! local        the same page without a server, in a browser
//! view         an end, its reading and its advice as the page shows them
//! pictures     the upright photo, reduced and in parts
//! session_file the session file that applies to new photos
//! assets       the page's own files, built in
//! qr           the link as a QR code for a terminal
//! ```

mod app;
mod assets;
#[cfg(not(target_family = "wasm"))]
mod clients;
mod ends;
mod guard;
mod handlers;
mod http;
#[cfg(not(target_family = "wasm"))]
mod listen;
mod local;
mod measure_request;
mod measured;
mod pictures;
#[cfg(not(target_family = "wasm"))]
mod qr;
mod session_file;
mod state;
#[cfg(not(target_family = "wasm"))]
mod timed_stream;
mod undo_journal;
mod view;
#[cfg(not(target_family = "wasm"))]
mod worker;

pub use app::App;
pub use ends::EndSource;
pub use guard::{Guard, Secret};
pub use http::{Answer, Request};
#[cfg(not(target_family = "wasm"))]
pub use listen::{Listener, MAX_REQUEST_BYTES, MAX_UPLOAD_BYTES, listen, own_address, serve};
pub use local::{LocalPage, MeasureTask, measure_task};
#[cfg(not(target_family = "wasm"))]
pub use qr::qr;
pub use state::InitialState;

/// Path to which new photos are uploaded.
pub(crate) const UPLOAD: &str = "/api/photos";
/// The port tried first; if it is taken, the next ones are. As far as is known, it is not registered with IANA.
pub const FIRST_PORT: u16 = 4117;

/// Why the page can't be served. Each message says in one sentence what is wrong and what to do.
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
