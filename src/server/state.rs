//! What the server knows: the ends on the page, and what was worked out for them.

use super::ends::{EndSource, OpenEnd};
use super::guard::Guard;
use super::http::Answer;
use super::pictures::Pictures;
use super::session_file::StoredSessionFile;
use crate::advice::ReadingCache;
use crate::face::spec::{self, FaceSpec};
use crate::measure::{MeasureOptions, Measurement};
use crate::record::{RecordFile, Session};
use crate::store::RecordCache;
use crate::timeline::EndInHistory;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

/// What the page starts with.
#[derive(Debug, Default)]
pub struct InitialState {
    /// The ends, in their order.
    pub ends: Vec<EndSource>,
    /// Where new photos go.
    pub folder: PathBuf,
    /// Where the records of new photos go; beside them if `None`.
    pub records: Option<PathBuf>,
    /// The session file that applies to new photos.
    pub session_file: PathBuf,
    /// What flags say about all photos.
    pub flags: Session,
    /// A face given by a flag.
    pub face: Option<FaceSpec>,
    /// How new photos are measured.
    pub measuring: MeasureOptions,
    /// A folder to read the page's files from instead of those built in.
    pub page_files: Option<PathBuf>,
}

/// The server's state.
#[derive(Debug)]
pub(super) struct State {
    pub(super) guard: Guard,
    pub(super) opening: InitialState,
    pub(super) pictures: Pictures,
    ends: Mutex<Vec<OpenEnd>>,
    /// Records as they were last read.
    pub(super) cache: Arc<RecordCache>,
    /// Signalled when an end waits to be measured.
    ends_changed: Condvar,
    /// The end that the page shows.
    shown_id: AtomicU64,
    session_file: Mutex<StoredSessionFile>,
    history: Mutex<CachedHistory>,
    reading_cache: Mutex<ReadingCache>,
    likely: Mutex<BTreeMap<u64, Vec<LikelyPlace>>>,
}

/// A place of a photo where a shaft may enter, whether or not it was taken for one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct LikelyPlace {
    /// The entry, px.
    px: [f64; 2],
    /// Probability that it is the entry of a shaft.
    p: f64,
}

/// Less likely places are not offered: a tap there means the place itself.
const MIN_PROBABILITY: f64 = 0.02;

impl LikelyPlace {
    /// Those of a photo that was measured.
    pub(super) fn all(measured: &Measurement) -> Vec<Self> {
        let camera = measured.fit.as_ref().map(|fit| &fit.camera);
        let candidates = measured.shafts.iter().flat_map(|s| &s.candidates);
        candidates
            .filter(|c| c.probability >= MIN_PROBABILITY)
            .filter_map(|c| {
                let px = camera?.image_from_face(c.entry)?;
                Some(Self {
                    px: [px.x, px.y],
                    p: c.probability,
                })
            })
            .collect()
    }
}

/// An end in its history, with the records from which that was computed.
#[derive(Debug, Default)]
pub(super) struct CachedHistory {
    /// File and number of the end's record.
    pub(super) own: (String, usize),
    pub(super) records: Vec<RecordFile>,
    pub(super) end: Option<Arc<EndInHistory>>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl State {
    pub(super) fn new(guard: Guard, mut opening: InitialState) -> Self {
        let starts = std::mem::take(&mut opening.ends);
        let cache: Arc<RecordCache> = Arc::default();
        let open = |(id, start)| OpenEnd::new(id, start, Arc::clone(&cache));
        let ends = cache.with_stable_files(|| (1..).zip(starts).map(open).collect());
        Self {
            guard,
            pictures: Pictures::default(),
            ends: Mutex::new(ends),
            cache,
            ends_changed: Condvar::new(),
            shown_id: AtomicU64::new(0),
            session_file: Mutex::new(StoredSessionFile {
                path: opening.session_file.clone(),
            }),
            history: Mutex::default(),
            reading_cache: Mutex::default(),
            likely: Mutex::default(),
            opening,
        }
    }

    pub(super) fn ends(&self) -> MutexGuard<'_, Vec<OpenEnd>> {
        locked(&self.ends)
    }

    /// Waits until an end has been added or is to be measured anew.
    #[cfg(not(target_family = "wasm"))]
    pub(super) fn wait<'a>(
        &self,
        ends: MutexGuard<'a, Vec<OpenEnd>>,
    ) -> MutexGuard<'a, Vec<OpenEnd>> {
        let ends = self.ends_changed.wait(ends);
        ends.unwrap_or_else(PoisonError::into_inner)
    }

    /// Wakes the thread that waits for an end to measure.
    pub(super) fn notify(&self) {
        self.ends_changed.notify_all();
    }

    pub(super) fn with_end(&self, id: u64, change: impl FnOnce(&mut OpenEnd)) {
        if let Some(end) = self.ends().iter_mut().find(|e| e.id == id) {
            change(end);
        }
    }

    /// Calls `then` with the end of this id.
    pub(super) fn find<T>(
        &self,
        id: u64,
        then: impl FnOnce(&mut OpenEnd) -> Result<T, Answer>,
    ) -> Result<T, Answer> {
        let mut ends = self.ends();
        match ends.iter_mut().find(|e| e.id == id) {
            Some(end) => then(end),
            None => Err(Answer::problem(
                404,
                "no-end",
                "this end is not on the page: reload it",
            )),
        }
    }

    /// The end that the page shows.
    pub(super) fn shown_id(&self) -> u64 {
        self.shown_id.load(Ordering::Relaxed)
    }

    /// Notes which end the page shows, and returns which it showed before.
    pub(super) fn set_shown_id(&self, id: u64) -> u64 {
        self.shown_id.swap(id, Ordering::Relaxed)
    }

    /// The session file; it is changed by one request at a time.
    pub(super) fn session_file(&self) -> MutexGuard<'_, StoredSessionFile> {
        locked(&self.session_file)
    }

    pub(super) fn cached_history(&self) -> MutexGuard<'_, CachedHistory> {
        locked(&self.history)
    }

    /// The readings made so far, kept for the next advice.
    pub(super) fn reading_cache(&self) -> MutexGuard<'_, ReadingCache> {
        locked(&self.reading_cache)
    }

    /// Keeps the places where shafts may enter in an end's photo.
    pub(super) fn keep_likely(&self, id: u64, places: Vec<LikelyPlace>) {
        locked(&self.likely).insert(id, places);
    }

    /// The places where shafts may enter in this end's photo, if it was measured since the start.
    pub(super) fn likely(&self, id: u64) -> Option<Vec<LikelyPlace>> {
        locked(&self.likely).get(&id).cloned()
    }

    /// The face of this name: the one given by a flag, or a built-in one.
    pub(super) fn face_named(&self, name: &str) -> Option<&FaceSpec> {
        let given = self.opening.face.as_ref().filter(|f| f.name == name);
        given.or_else(|| spec::by_name(name))
    }
}
