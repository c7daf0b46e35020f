//! What the page's workers call in a browser: the handlers of the page over files in memory, and measuring.
//!
//! Every file comes in before it is needed and goes out after it was changed; the workers keep them.

use crate::measure::Stage;
use crate::photo;
use crate::server::{Answer, LocalPage, MeasureTask, Request, measure_task};
use crate::store::{self, PhotoFile};
use std::path::{Path, PathBuf};
use wasm_bindgen::prelude::wasm_bindgen;

#[wasm_bindgen]
extern "C" {
    /// What is called at the end of each stage of measuring.
    pub type Progress;
    #[wasm_bindgen(method)]
    fn ended(this: &Progress, stage: &str);
}

/// Puts a file in as it is kept outside; `bytes` absent: they are not needed now.
#[wasm_bindgen(js_name = putFile)]
pub fn put_file(path: &str, bytes: Option<Vec<u8>>) {
    store::put(PathBuf::from(path), bytes);
}

/// Forgets the bytes of a file that is kept outside.
#[wasm_bindgen(js_name = putAway)]
pub fn put_away(path: &str) {
    store::put_away(Path::new(path));
}

/// A file that a call has changed.
#[wasm_bindgen(getter_with_clone)]
pub struct ChangedFile {
    /// Its path.
    pub path: String,
    /// Its bytes; absent where it is gone.
    pub bytes: Option<Vec<u8>>,
}

/// The files that were changed since the last call.
#[wasm_bindgen(js_name = takeChanges)]
pub fn take_changes() -> Vec<ChangedFile> {
    let changed = store::take_changes().into_iter();
    changed
        .map(|(path, bytes)| ChangedFile {
            path: path.to_string_lossy().into_owned(),
            bytes,
        })
        .collect()
}

/// SHA-256 of these bytes, as records name photos by it.
#[wasm_bindgen]
pub fn fingerprint(bytes: &[u8]) -> String {
    photo::fingerprint(bytes)
}

/// An answer of the page.
#[wasm_bindgen(getter_with_clone)]
pub struct PageAnswer {
    /// As of HTTP.
    pub status: u16,
    /// Media type of the body.
    pub kind: String,
    /// The body.
    pub body: Vec<u8>,
}

impl From<Answer> for PageAnswer {
    fn from(answer: Answer) -> Self {
        Self {
            status: answer.status,
            kind: answer.kind.to_owned(),
            body: answer.body,
        }
    }
}

/// The page of a folder.
#[wasm_bindgen]
pub struct Page(LocalPage);

#[wasm_bindgen]
impl Page {
    /// The page of a folder, with the paths and the SHA-256 of its photos.
    #[wasm_bindgen(constructor)]
    pub fn new(folder: &str, photos: Vec<String>, prints: Vec<String>) -> Result<Self, String> {
        let files: Vec<PhotoFile> = photos
            .into_iter()
            .map(PathBuf::from)
            .zip(prints.into_iter().map(Some))
            .collect();
        LocalPage::open(Path::new(folder), &files).map(Self)
    }

    /// Answers a request of the page.
    pub fn answer(&self, method: &str, path: &str, locale: &str, body: Vec<u8>) -> PageAnswer {
        let request = Request {
            method: method.to_owned(),
            path: path.to_owned(),
            headers: [("bossmark-locale".to_owned(), locale.to_owned())].into(),
            body,
            ..Request::default()
        };
        self.0.answer(&request).into()
    }

    /// Paths of the photos whose bytes a request needs.
    #[wasm_bindgen(js_name = photosFor)]
    pub fn photos_for(&self, path: &str) -> Vec<String> {
        let paths = self.0.photos_for(path).into_iter();
        paths.map(|p| p.to_string_lossy().into_owned()).collect()
    }

    /// The photo to measure next, a document for [`measure`]; `undefined` where none waits.
    #[wasm_bindgen(js_name = nextTask)]
    pub fn next_task(&self) -> Option<String> {
        serde_json::to_string(&self.0.next_task()?).ok()
    }

    /// Notes that a stage of measuring has ended.
    #[wasm_bindgen(js_name = stageEnded)]
    pub fn stage_ended(&self, id: u32, stage: &str) {
        let stage = match stage {
            "photo" => Stage::Photo,
            "camera" => Stage::Camera,
            _ => Stage::Shafts,
        };
        self.0.stage_ended(id.into(), stage);
    }

    /// Saves what [`measure`] returned.
    pub fn keep(&self, id: u32, measured: &[u8]) {
        self.0.keep(id.into(), Ok(measured));
    }

    /// Notes why an end could not be measured.
    #[wasm_bindgen(js_name = giveUp)]
    pub fn give_up(&self, id: u32, why: String) {
        self.0.keep(id.into(), Err(why));
    }
}

/// Measures a photo: the task of [`Page::next_task`], and the photo's bytes.
#[wasm_bindgen]
pub fn measure(task: &str, bytes: &[u8], progress: &Progress) -> Result<Vec<u8>, String> {
    let task: MeasureTask = serde_json::from_str(task).map_err(|e| e.to_string())?;
    measure_task(&task, bytes, &mut |stage| {
        progress.ended(match stage {
            Stage::Photo => "photo",
            Stage::Camera => "camera",
            Stage::Shafts => "shafts",
        });
    })
}
