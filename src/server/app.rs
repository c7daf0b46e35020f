//! Which request is answered by what.

use super::ends::{EditError, OpenEnd, Progress, Start};
use super::guard::{Guard, Pass};
use super::http::{Answer, Request};
use super::pictures::{Pictures, Shown};
use super::plan::Plan;
use super::{UPLOAD, assets, view, worker};
use crate::advice::Readings;
use crate::face::spec;
use crate::geometry::ImagePoint;
use crate::manual_points::{self, Points};
use crate::measure::{self, MeasureOptions};
use crate::photo;
use crate::record::{End, Filed, Session};
use crate::report::{FaceLook, outlines};
use crate::review::Edits;
use crate::store::{self, RecordLocation};
use crate::timeline::{Standing, standing};
use serde::Deserialize;
use serde_json::{Value, json};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

/// Photos that one run of the page takes: a slip in a chooser must not fill the disk.
const MOST_PHOTOS: usize = 500;
/// Names tried for a new photo.
const MOST_NAMES: u64 = 100_000;

/// What the page begins with.
#[derive(Debug, Default)]
pub struct Opening {
    /// The ends, in their order.
    pub ends: Vec<Start>,
    /// Where new photos go.
    pub folder: PathBuf,
    /// Where their records go; beside them if `None`.
    pub records: Option<PathBuf>,
    /// The session file that new photos are told by.
    pub session_file: PathBuf,
    /// What flags say of all photos.
    pub flags: Session,
    /// A face told by a flag.
    pub face: Option<spec::FaceSpec>,
    /// How new photos are measured.
    pub measuring: MeasureOptions,
    /// A folder to read the page's files from instead of those built in.
    pub page_files: Option<PathBuf>,
}

/// The server's state.
#[derive(Debug)]
pub struct App {
    guard: Guard,
    ends: Mutex<Vec<OpenEnd>>,
    changed: Condvar,
    looked_at: AtomicU64,
    /// Changes to the session file, one at a time.
    plan: Mutex<Plan>,
    pub(super) pictures: Pictures,
    /// How things stood when it was asked last.
    asked: Mutex<Asked>,
    /// Runs that were read for an advice.
    read: Mutex<Readings>,
    opening: Opening,
}

/// How things stood with an end, and all records that it hangs on.
#[derive(Debug, Default)]
struct Asked {
    own: (String, usize),
    records: Vec<Filed>,
    standing: Option<Arc<Standing>>,
}

impl App {
    /// A server for these ends.
    #[must_use]
    pub fn new(guard: Guard, mut opening: Opening) -> Arc<Self> {
        let starts = std::mem::take(&mut opening.ends);
        let ends = (1..).zip(starts).map(|(id, s)| OpenEnd::new(id, s));
        Arc::new(Self {
            guard,
            ends: Mutex::new(ends.collect()),
            changed: Condvar::new(),
            looked_at: AtomicU64::new(0),
            plan: Mutex::new(Plan {
                path: opening.session_file.clone(),
            }),
            pictures: Pictures::default(),
            asked: Mutex::default(),
            read: Mutex::default(),
            opening,
        })
    }

    /// Starts measuring what waits.
    ///
    /// # Errors
    /// When no thread can be had.
    pub fn start(self: &Arc<Self>) -> std::io::Result<()> {
        let app = Arc::clone(self);
        let worker = std::thread::Builder::new().name("measure".to_owned());
        worker.spawn(move || worker::work(&app)).map(|_| ())
    }

    pub(super) fn ends(&self) -> MutexGuard<'_, Vec<OpenEnd>> {
        self.ends.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn wait<'a>(
        &self,
        ends: MutexGuard<'a, Vec<OpenEnd>>,
    ) -> MutexGuard<'a, Vec<OpenEnd>> {
        self.changed
            .wait(ends)
            .unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn with_end(&self, id: u64, change: impl FnOnce(&mut OpenEnd)) {
        if let Some(end) = self.ends().iter_mut().find(|e| e.id == id) {
            change(end);
        }
    }

    pub(super) fn looked_at(&self) -> u64 {
        self.looked_at.load(Ordering::Relaxed)
    }

    /// Whether a request may go on, decided before its body is read.
    ///
    /// # Errors
    /// The answer to one that may not.
    pub fn admit(&self, request: &Request) -> Result<(), Answer> {
        let pass = self.guard.check(request)?;
        let open = request.path == ENTER
            || request.method == "GET" && self.at_the_door(&request.path).is_some();
        if pass == Pass::In || open {
            return Ok(());
        }
        Err(Answer::problem(
            401,
            "code-needed",
            "open the link, or scan the code, that the program shows",
        ))
    }

    fn at_the_door(&self, path: &str) -> Option<Answer> {
        let name = if path == "/" {
            "door.html"
        } else {
            path.strip_prefix("/web/")?
        };
        assets::asset(name, self.opening.page_files.as_deref(), true)
    }

    /// Answers a request.
    pub fn answer(self: &Arc<Self>, request: &Request) -> Answer {
        if let Err(refused) = self.admit(request) {
            return refused;
        }
        let done = match self.guard.check(request) {
            Err(refused) => return refused,
            Ok(Pass::Door) if request.path != ENTER => self.at_the_door(&request.path),
            Ok(_) => self.route(request),
        };
        let mut answer =
            done.unwrap_or_else(|| Answer::problem(404, "not-found", "there is no such page"));
        if request.method == "HEAD" {
            answer.body.clear();
        }
        answer
    }

    fn route(self: &Arc<Self>, request: &Request) -> Option<Answer> {
        let parts: Vec<&str> = request.path.trim_start_matches('/').split('/').collect();
        let reads = matches!(request.method.as_str(), "GET" | "HEAD");
        let posts = request.method == "POST";
        let done = match parts.as_slice() {
            [""] if reads => {
                self.prepare(self.first_shown().into_iter().collect());
                return assets::asset("index.html", self.opening.page_files.as_deref(), false);
            }
            ["web", name] if reads => {
                return assets::asset(name, self.opening.page_files.as_deref(), false);
            }
            ["api", "enter"] if posts => self.enter(request),
            ["api", "queue"] if reads => Ok(self.queue()),
            ["api", "photos"] if posts => self.upload(request),
            ["api", "remember"] if posts => self.remember(request),
            ["api", "ends", id, what] => match (number(id)?, *what) {
                (id, "view") if reads => self.view(id),
                (id, "reading") if reads => self.reading(id),
                (id, "advice") if reads => self.advice(id),
                (id, "edits") if posts => self.edit(id, request),
                (id, "undo") if posts => self.step(id, true, request),
                (id, "redo") if posts => self.step(id, false, request),
                (id, "measure") if posts => self.measure(id, request),
                (id, "places") if reads => self.places(id),
                (id, "rings") if posts => self.rings(id, request),
                (id, "made") if posts => self.made(id),
                _ => return None,
            },
            ["photo", id, which] if reads => self.photo(number(id)?, which),
            _ => return None,
        };
        Some(done.unwrap_or_else(|refused| refused))
    }

    fn enter(&self, request: &Request) -> Result<Answer, Answer> {
        #[derive(Deserialize)]
        struct Code {
            code: String,
        }
        Ok(self.guard.enter(&request.json::<Code>()?.code))
    }

    /// The face of this name: the one that a flag told, or one that is built in.
    fn face_named(&self, name: &str) -> Option<&spec::FaceSpec> {
        let told = self.opening.face.as_ref().filter(|f| f.name == name);
        told.or_else(|| spec::by_name(name))
    }

    fn queue(&self) -> Answer {
        let lines: Vec<view::Line> = self.ends().iter().map(view::line).collect();
        let own = self.opening.face.iter();
        let own = own.filter(|f| spec::by_name(&f.name).is_none());
        let faces: Vec<Value> = spec::known()
            .iter()
            .chain(own)
            .map(|f| json!({"name": f.name, "title": f.words, "diameter_mm": f.diameter_mm}))
            .collect();
        let plan = self
            .plan
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .read();
        let told = plan.unwrap_or_default();
        let mut session = told.session.clone();
        session.fletched = session.fletched.or(told.fletched);
        session.bare = session.bare.or(told.bare);
        // the set-up as it stands after all changes that were planned
        let changes = told
            .ends
            .iter()
            .flatten()
            .filter_map(|e| e.session.setup.clone());
        session.setup = changes.fold(session.setup, |now, new| {
            Some(now.map_or_else(|| new.clone(), |now| new.or(&now)))
        });
        let face = self
            .opening
            .face
            .as_ref()
            .map(|f| f.name.clone())
            .or(told.face);
        Answer::json(&json!({
            "folder": self.opening.folder.display().to_string(),
            "session_file": store::name_of(&self.opening.session_file),
            "ends": lines,
            "faces": faces,
            "next": {"face": face, "session": self.opening.flags.or(&session)},
        }))
    }

    /// The end of this id, to do something with.
    fn find<T>(
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

    fn view(self: &Arc<Self>, id: u64) -> Result<Answer, Answer> {
        if self.looked_at.swap(id, Ordering::Relaxed) != id {
            let next = self.ends().iter().map(|e| e.id).find(|i| *i > id);
            self.prepare([Some(id), next].into_iter().flatten().collect());
        }
        self.find(id, |open| {
            let ready = open.progress == Progress::Ready;
            match open.record() {
                Ok(Some(record)) if ready => Ok(Answer::json(&view::end_view(open, record))),
                Ok(_) => Ok(Answer::json(&view::line(open))),
                Err(error) => Err(Answer::problem(500, "record", &error.to_string())),
            }
        })
    }

    fn edit(&self, id: u64, request: &Request) -> Result<Answer, Answer> {
        let edits = Edits::parse(&request.body)
            .map_err(|e| Answer::problem(422, "edit", &e.to_string()))?;
        if edits.revision.is_none() {
            return Err(Answer::problem(
                422,
                "edit",
                "say on which `revision` the edits were made",
            ));
        }
        self.find(id, |open| {
            let done = open.edit(&edits);
            edited(open, done)
        })
    }

    fn step(&self, id: u64, back: bool, request: &Request) -> Result<Answer, Answer> {
        #[derive(Deserialize)]
        struct Seen {
            revision: u64,
        }
        let seen: Seen = request.json()?;
        self.find(id, |open| {
            let done = open.step(back, seen.revision);
            edited(open, done)
        })
    }

    /// How things stand with an end. An edit is followed by two questions, for its reading and for the advice, and both need
    /// this: what was found out last is kept for the second.
    fn standing(&self, id: u64) -> Result<Option<Arc<Standing>>, Answer> {
        let places: Vec<(u64, RecordLocation, Session)> = self
            .ends()
            .iter()
            .filter(|e| e.progress == Progress::Ready)
            .map(|e| (e.id, e.start.record.clone(), e.start.session.clone()))
            .collect();
        let named = |place: &RecordLocation| (place.file.display().to_string(), place.number());
        let Some(own) = places
            .iter()
            .find(|(i, ..)| *i == id)
            .map(|(_, place, _)| named(place))
        else {
            return Err(Answer::problem(404, "no-end", "this end has no record yet"));
        };
        let records: Vec<Filed> = places
            .iter()
            .filter_map(|(_, place, session)| {
                let mut end: End = place.record().ok().flatten()?;
                end.session = end.session.or(session);
                let (file, line) = named(place);
                Some(Filed { file, line, end })
            })
            .collect();
        // whoever asks at the same time waits for the answer instead of working it out beside
        let mut asked = self.asked.lock().unwrap_or_else(PoisonError::into_inner);
        if asked.own != own || asked.records != records {
            asked.standing = standing(records.clone(), (&own.0, own.1)).map(Arc::new);
            (asked.own, asked.records) = (own, records);
        }
        Ok(asked.standing.clone())
    }

    fn reading(&self, id: u64) -> Result<Answer, Answer> {
        let standing = self.standing(id)?;
        Ok(Answer::json(&view::reading_view(id, standing.as_deref())))
    }

    fn advised(&self, id: u64) -> Result<view::AdviceView, Answer> {
        let standing = self.standing(id)?;
        let mut read = self.read.lock().unwrap_or_else(PoisonError::into_inner);
        Ok(view::advice_view(id, standing.as_deref(), &mut read))
    }

    fn advice(&self, id: u64) -> Result<Answer, Answer> {
        Ok(Answer::json(&self.advised(id)?))
    }

    /// Decodes the photos of these ends beside everything else, so that they are there when they are asked for.
    fn prepare(self: &Arc<Self>, ids: Vec<u64>) {
        let wanted: Vec<(u64, PathBuf)> = self
            .ends()
            .iter()
            .filter(|e| ids.contains(&e.id) && e.progress == Progress::Ready)
            .filter_map(|e| Some((e.id, e.start.photo.clone()?)))
            .collect();
        let app = Arc::clone(self);
        // where no thread can be had they are decoded when asked for; so they are where this fails
        let _ = std::thread::Builder::new()
            .name("prepare".to_owned())
            .spawn(move || {
                for id in ids {
                    if let Some((_, path)) = wanted.iter().find(|(i, _)| *i == id) {
                        let _ = app.pictures.of(id, path);
                    }
                }
            });
    }

    /// The end that the page shows first, if it isn't asked for another.
    fn first_shown(&self) -> Option<u64> {
        let ends = self.ends();
        let due = ends.iter().find(|e| view::is_due(e)).or(ends.first());
        due.map(|e| e.id)
    }

    fn photo(&self, id: u64, which: &str) -> Result<Answer, Answer> {
        const NONE: &str = "there is no photo here";
        let none = || Answer::problem(404, "photo", NONE);
        let (path, record) = self.find(id, |open| {
            let record = open.record().ok().flatten();
            Ok((open.start.photo.clone().ok_or_else(none)?, record))
        })?;
        let shown: Arc<Shown> = self
            .pictures
            .of(id, &path)
            .map_err(|text| Answer::problem(404, "photo", &text))?;
        // places in one picture are not places in another
        let of_record = record.and_then(|r| r.photo).map(|p| p.sha256);
        if of_record.is_some_and(|sha| !sha.is_empty() && sha != shown.photo.sha256) {
            return Err(Answer::problem(
                404,
                "other-photo",
                "the file of this name is another photo than the record was made from",
            ));
        }
        let bytes = if which == "whole" {
            Some(shown.reduced())
        } else {
            which
                .split_once('-')
                .and_then(|(c, r)| Some((number(c)?, number(r)?)))
                .and_then(|(c, r)| shown.part(u32::try_from(c).ok()?, u32::try_from(r).ok()?))
        };
        bytes
            .map(|b| Answer::bytes("image/jpeg", b))
            .ok_or_else(none)
    }

    /// Measures a photo, for the first time or anew: another face, another of several faces, another upright.
    fn measure(&self, id: u64, request: &Request) -> Result<Answer, Answer> {
        #[derive(Deserialize)]
        struct How {
            face: Option<String>,
            /// A point on the face that is meant, px.
            near: Option<[f64; 2]>,
            /// Two points on a line that is vertical on the face, the lower first, px.
            vertical: Option<[[f64; 2]; 2]>,
            /// Points marked by hand, as in a points file; without them the rings are looked for.
            points: Option<Value>,
        }
        let how: How = request.json()?;
        let face = match &how.face {
            Some(name) => Some(self.face_named(name).cloned().ok_or_else(|| {
                Answer::problem(
                    422,
                    "face",
                    "this face is not known: choose one of the list",
                )
            })?),
            None => None,
        };
        let answer = self.find(id, |open| {
            if matches!(open.progress, Progress::Waiting | Progress::Measuring(_)) {
                return Err(Answer::problem(
                    409,
                    "busy",
                    "this photo is being measured: wait a moment",
                ));
            }
            if open.start.photo.is_none() {
                return Err(Answer::problem(
                    422,
                    "photo",
                    "there is no photo to measure",
                ));
            }
            open.start.face = face.or_else(|| open.face());
            open.start.measuring.points = match (&how.points, &open.start.face) {
                (Some(list), Some(face)) => Some(points(list, face)?),
                _ => None,
            };
            let point = |[x, y]: [f64; 2]| ImagePoint::new(x, y);
            let fit = &mut open.start.measuring.fit;
            fit.near = how.near.map(point).or(fit.near);
            fit.vertical = how.vertical.map(|v| v.map(point)).or(fit.vertical);
            open.progress = if open.start.face.is_some() {
                Progress::Waiting
            } else {
                Progress::NoFace
            };
            Ok(Answer::json(&view::line(open)))
        });
        self.changed.notify_all();
        answer
    }

    /// Places on the face that are easy to mark in a photo.
    fn places(&self, id: u64) -> Result<Answer, Answer> {
        let face = self.find(id, |open| open.face().ok_or_else(unknown_face))?;
        let list: Vec<Value> = manual_points::easy_places(&face)
            .into_iter()
            .map(|(at, mm)| json!({"at": at, "mm": [mm.x, mm.y]}))
            .collect();
        Ok(Answer::json(
            &json!({"places": list, "reach_mm": face.reach_mm()}),
        ))
    }

    /// What the rings would be through points marked by hand; nothing is saved.
    fn rings(&self, id: u64, request: &Request) -> Result<Answer, Answer> {
        #[derive(Deserialize)]
        struct Marked {
            points: Value,
        }
        let marked: Marked = request.json()?;
        let (path, face, options) = self.find(id, |open| {
            let face = open.face().ok_or_else(unknown_face)?;
            let Some(path) = open.start.photo.clone() else {
                return Err(Answer::problem(
                    422,
                    "photo",
                    "there is no photo to measure",
                ));
            };
            let marks = points(&marked.points, &face)?;
            let options = MeasureOptions {
                points: Some(marks),
                ..open.start.measuring.clone()
            };
            Ok((path, face, options))
        })?;
        let refused = |code: &str, text: &str| Answer::problem(422, code, text);
        let shown = self
            .pictures
            .of(id, &path)
            .map_err(|text| refused("photo", &text))?;
        let (camera, notes) = measure::camera(&shown.photo, &face, &options)
            .map_err(|failure| refused(&failure.code, &failure.text))?;
        let rings = outlines(&camera, &FaceLook::from(&face));
        Ok(Answer::json(
            &json!({"rings": rings, "camera": camera, "notes": notes}),
        ))
    }

    /// The advised step was made: the photos that follow are told so.
    fn made(&self, id: u64) -> Result<Answer, Answer> {
        let view = self.advised(id)?;
        let (Some(setup), true) = (view.made, view.newest) else {
            return Err(Answer::problem(
                409,
                "no-step",
                "the step can't be carried into the next set-up: the present value is not known, or something was shot since",
            ));
        };
        let words = view.next.map(|n| n.headline).unwrap_or_default();
        let so_far: Vec<String> = self
            .ends()
            .iter()
            .filter(|e| e.start.photo.is_some())
            .map(OpenEnd::name)
            .collect();
        let plan = self.plan.lock().unwrap_or_else(PoisonError::into_inner);
        plan.change(&so_far, setup.clone(), &words)?;
        Ok(Answer::json(&json!({"setup": setup, "words": words})))
    }

    /// What photos that follow are told.
    fn remember(&self, request: &Request) -> Result<Answer, Answer> {
        #[derive(Deserialize)]
        struct Told {
            face: Option<String>,
            session: Session,
        }
        let told: Told = request.json()?;
        if told
            .face
            .as_deref()
            .is_some_and(|f| self.face_named(f).is_none())
        {
            return Err(Answer::problem(
                422,
                "face",
                "this face is not known: choose one of the list",
            ));
        }
        let faults = crate::record::check::check_session(&told.session, "session");
        if let Some(fault) = faults.first() {
            return Err(Answer::problem(422, "session", &fault.to_string()));
        }
        let plan = self.plan.lock().unwrap_or_else(PoisonError::into_inner);
        // a face of one's own is named by a flag; a session file would need its path
        let face = told.face.filter(|f| spec::by_name(f).is_some());
        plan.remember(face.as_deref(), &told.session)?;
        Ok(Answer::json(&json!({})))
    }

    /// A new photo: into the folder under a name of the program's own, and among those that wait.
    fn upload(&self, request: &Request) -> Result<Answer, Answer> {
        debug_assert_eq!(request.path, UPLOAD);
        let refused = |status, text: &str| Err(Answer::problem(status, "photo", text));
        // what it is, by its bytes; decoding comes later, one at a time
        if let Err(error) = photo::facts(&request.body) {
            return refused(422, &error.to_string());
        }
        let ending = if request.body.starts_with(b"\x89PNG") {
            "png"
        } else {
            "jpg"
        };
        let plan = self.plan.lock().unwrap_or_else(PoisonError::into_inner);
        if self.ends().len() >= MOST_PHOTOS {
            return refused(
                409,
                "there are too many photos on this page: start the program anew for the next ones",
            );
        }
        let sha256 = photo::fingerprint(&request.body);
        let same = |e: &OpenEnd| {
            let record = e.record().ok().flatten();
            record
                .and_then(|r| r.photo)
                .is_some_and(|p| p.sha256 == sha256)
        };
        if let Some(there) = self.ends().iter().find(|e| same(e)) {
            return Ok(Answer::json(&json!({"id": there.id, "known": true})));
        }
        let told = plan.read()?;
        let path = self.free_name(ending)?;
        store::make_folder(&self.opening.folder)
            .and_then(|()| store::write(&path, &request.body))
            .map_err(|e| Answer::problem(500, "photo", &e.to_string()))?;
        let number = self.next_end();
        let session = plan.add_photo(&store::name_of(&path), number)?;
        let named = told.face.as_deref().and_then(spec::by_name).cloned();
        let places =
            store::record_paths(std::slice::from_ref(&path), self.opening.records.as_deref());
        let start = Start {
            record: places.into_iter().next().unwrap_or_default().into(),
            photo: Some(path),
            session: self.opening.flags.or(&session),
            face: self.opening.face.clone().or(named),
            measuring: self.opening.measuring.clone(),
        };
        let mut ends = self.ends();
        let id = ends.iter().map(|e| e.id).max().unwrap_or(0) + 1;
        ends.push(OpenEnd::new(id, start));
        drop(ends);
        self.changed.notify_all();
        Ok(Answer::json(&json!({"id": id})))
    }

    /// The number after the highest of the ends.
    fn next_end(&self) -> u64 {
        let ends = self.ends();
        let number = |e: &OpenEnd| {
            let record = e.record().ok().flatten();
            record.and_then(|r| r.session.end).or(e.start.session.end)
        };
        let told = ends.iter().filter_map(number).max().unwrap_or(0);
        told.max(
            ends.iter()
                .filter(|e| e.start.photo.is_some())
                .map(|_| 1)
                .sum(),
        ) + 1
    }

    fn free_name(&self, ending: &str) -> Result<PathBuf, Answer> {
        let taken = |n: u64| {
            let stem = self.opening.folder.join(format!("photo-{n}"));
            ["jpg", "png", "end.json"]
                .iter()
                .any(|e| stem.with_extension(e).exists())
        };
        (1..MOST_NAMES)
            .find(|n| !taken(*n))
            .map(|n| self.opening.folder.join(format!("photo-{n}.{ending}")))
            .ok_or_else(|| {
                Answer::problem(
                    409,
                    "photo",
                    "the folder is full: start the page in another one",
                )
            })
    }
}

/// Where the code is traded for the pass.
const ENTER: &str = "/api/enter";

fn unknown_face() -> Answer {
    Answer::problem(
        422,
        "face",
        "it is not known which target face this is: choose one of the list and measure anew",
    )
}

/// Points as the page sends them: a list like that of a points file.
fn points(list: &Value, face: &spec::FaceSpec) -> Result<Points, Answer> {
    let file = json!({"schema": manual_points::SCHEMA, "points": list});
    Points::parse(file.to_string().as_bytes(), face)
        .map_err(|e| Answer::problem(422, "points", &e.to_string()))
}

/// A plain number, nothing else: no sign, no space, no path.
fn number(text: &str) -> Option<u64> {
    let plain = !text.is_empty() && text.len() < 10 && text.bytes().all(|b| b.is_ascii_digit());
    plain.then(|| text.parse().ok()).flatten()
}

fn edited(open: &OpenEnd, done: Result<End, EditError>) -> Result<Answer, Answer> {
    match done {
        Ok(record) => Ok(Answer::json(&view::end_view(open, record))),
        Err(EditError::Changed(now)) => {
            let view = view::end_view(open, *now);
            Err(Answer::problem_with(
                409,
                "changed",
                "somebody else has changed this end since: look at both",
                json!({"end": view}),
            ))
        }
        Err(EditError::Review(error)) => Err(Answer::problem(422, "edit", &error.to_string())),
        Err(EditError::Store(error)) => Err(Answer::problem(500, "record", &error.to_string())),
        Err(EditError::NothingToUndo) => Err(Answer::problem(
            409,
            "no-step",
            "there is nothing to take back or make again",
        )),
    }
}
