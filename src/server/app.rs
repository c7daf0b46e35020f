//! The server's entry: whether a request may go on, and which function answers it.

use super::assets;
use super::guard::{Access, Guard};
use super::handlers::{ends, photos, points, report, session};
use super::http::{Answer, Request, number};
use super::state::{InitialState, State};
#[cfg(not(target_family = "wasm"))]
use super::worker;
use crate::store::PhotoFile;
#[cfg(not(target_family = "wasm"))]
use crate::store::{self, IncomingFile};
use std::sync::Arc;

/// Where the code is exchanged for the session cookie.
const ENTER: &str = "/api/enter";

/// The server.
#[derive(Debug)]
pub struct App {
    state: Arc<State>,
}

impl App {
    /// A server for these ends.
    #[must_use]
    pub fn new(guard: Guard, opening: InitialState) -> Arc<Self> {
        Arc::new(Self {
            state: Arc::new(State::new(guard, opening)),
        })
    }

    /// The server's state.
    pub(super) fn state(&self) -> &State {
        &self.state
    }

    /// Notes the SHA-256 of photos whose bytes are not at hand.
    pub(super) fn note_photos(&self, photos: &[PhotoFile]) {
        for open in self.state.ends().iter_mut() {
            let own = photos
                .iter()
                .find(|(path, _)| open.start.photo.as_ref() == Some(path));
            if let Some((_, Some(sha256))) = own {
                open.set_photo_sha256(sha256.clone());
            }
        }
    }

    /// Starts measuring the photos that wait.
    ///
    /// # Errors
    /// When no thread can be started.
    #[cfg(not(target_family = "wasm"))]
    pub fn start(&self) -> std::io::Result<()> {
        let state = Arc::clone(&self.state);
        let worker = std::thread::Builder::new().name("measure".to_owned());
        worker.spawn(move || worker::work(&state)).map(|_| ())
    }

    /// Whether a request is allowed; decided before its body is read.
    ///
    /// # Errors
    /// The answer to a request that is refused.
    pub fn admit(&self, request: &Request) -> Result<(), Answer> {
        let access = self.state.guard.check(request)?;
        let open = request.path == ENTER
            || request.method == "GET" && self.sign_in_page(&request.path).is_some();
        if access == Access::Full || open {
            return Ok(());
        }
        Err(Answer::problem(
            401,
            "code-needed",
            "open the link, or scan the code, that the program shows",
        ))
    }

    /// A file for a photo that is about to arrive.
    ///
    /// # Errors
    /// The answer when the folder can't be written.
    #[cfg(not(target_family = "wasm"))]
    pub(super) fn incoming(&self) -> Result<IncomingFile, Answer> {
        let folder = &self.state.opening.folder;
        store::make_folder(folder)
            .and_then(|()| IncomingFile::new(folder))
            .map_err(|e| Answer::problem(500, "photo", &e.to_string()))
    }

    fn sign_in_page(&self, path: &str) -> Option<Answer> {
        let name = if path == "/" {
            "sign-in.html"
        } else {
            path.strip_prefix("/web/")?
        };
        assets::asset(name, self.state.opening.page_files.as_deref(), true)
    }

    /// Answers a request.
    pub fn answer(&self, request: &Request) -> Answer {
        if let Err(refused) = self.admit(request) {
            return refused;
        }
        let done = match self.state.guard.check(request) {
            Err(refused) => return refused,
            Ok(Access::SignInPage) if request.path != ENTER => self.sign_in_page(&request.path),
            Ok(_) => self.route(request),
        };
        let mut answer =
            done.unwrap_or_else(|| Answer::problem(404, "not-found", "there is no such page"));
        if request.method == "HEAD" {
            answer.body.clear();
        }
        answer
    }

    pub(super) fn route(&self, request: &Request) -> Option<Answer> {
        let state = &self.state;
        let parts: Vec<&str> = request.path.trim_start_matches('/').split('/').collect();
        let reads = matches!(request.method.as_str(), "GET" | "HEAD");
        let posts = request.method == "POST";
        let page_files = state.opening.page_files.as_deref();
        let done = match parts.as_slice() {
            [""] if reads => {
                photos::prepare_first(state);
                return assets::asset("index.html", page_files, false);
            }
            ["web", name] if reads => return assets::asset(name, page_files, false),
            ["api", "enter"] if posts => session::enter(state, request),
            ["api", "queue"] if reads => Ok(session::queue(state)),
            ["api", "photos"] if posts => photos::upload(state, request),
            ["api", "remember"] if posts => session::remember(state, request),
            ["api", "report"] if reads => report::report(state, request),
            ["api", "card"] if reads => report::card(state, request),
            ["api", "essentials"] if posts => session::essentials(state, request),
            ["api", "ends", id, what] => match (number(id)?, *what) {
                (id, "view") if reads => ends::view(state, id),
                (id, "reading") if reads => ends::reading(state, id, request),
                (id, "advice") if reads => ends::advice(state, id, request),
                (id, "edits") if posts => ends::edit(state, id, request),
                (id, "undo") if posts => ends::step(state, id, true, request),
                (id, "redo") if posts => ends::step(state, id, false, request),
                (id, "measure") if posts => points::measure(state, id, request),
                (id, "places") if reads => points::places(state, id),
                (id, "likely") if reads => points::likely(state, id),
                (id, "rings") if posts => points::rings(state, id, request),
                (id, "made") if posts => session::enter_change(state, id, request),
                _ => return None,
            },
            ["photo", id, part] if reads => photos::photo(state, number(id)?, part),
            _ => return None,
        };
        Some(done.unwrap_or_else(|refused| refused))
    }
}
