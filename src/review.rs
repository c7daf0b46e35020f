//! A person's edits → the record: one pure function for the page and for scripts.
//!
//! Edits come as a document, `bossmark/edits/1`:
//!
//! ```json
//! {"schema": "bossmark/edits/1", "revision": 0,
//!  "edits": [{"do": "move", "id": 1, "x_mm": 12.0, "y_mm": -40.0},
//!            {"do": "move", "id": 2, "px": [2100.2, 1600.7]},
//!            {"do": "add", "kind": "bare", "x_mm": 210.0, "y_mm": 35.0},
//!            {"do": "remove", "id": 4},
//!            {"do": "tag", "id": 5, "kind": "fletched"},
//!            {"do": "arrow", "id": 5, "arrow": "7"},
//!            {"do": "missed", "kind": "bare", "note": "low left, off the boss"},
//!            {"do": "not-missed", "index": 1},
//!            {"do": "confirm", "id": 3},
//!            {"do": "accept"}]}
//! ```
//!
//! A place is given in `x_mm`, `y_mm` or, where the record has a camera, in `px`; the other follows. `revision` (optional) is
//! that of the record the person saw: another one is refused, so that two people can't undo each other unseen. `accept` takes
//! every entry as it stands. `session` changes what was told of the end, field by field (RFC 7396: null takes a field away).
//! Each edited entry becomes `confirmed`; `found_mm` keeps where the program had it; ids are never
//! used again. Edits apply in their order, all or none, and count one revision together.

mod look;
mod refit;
mod undo;

pub use look::wants_a_look;
pub use refit::refitted;
pub use undo::restore;

use crate::geometry::{FacePoint, ImagePoint};
use crate::record::check::{SessionFault, check_session};
use crate::record::{
    CameraRecord, End, Entry, EntryKind, EntrySource, EntryState, Extra, Missed, RecordError,
    Session,
};
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// Schema name of a list of edits.
pub const SCHEMA: &str = "bossmark/edits/1";

/// Standard deviation of a place that a person set, mm on each axis, where the entry had no smaller one before: a fingertip
/// or a cursor on a photo, or a tape on the face (common practice: read to half a centimetre at worst).
const PERSON_SD_MM: f64 = 2.0;

/// Name, among a record's further fields, of the highest id ever used in it: kept where that entry was removed.
const LAST_ID: &str = "last_id";

/// A list of edits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Edits {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// Revision of the record that the edits were made on; `None` applies to any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub revision: Option<u64>,
    /// The edits, in order.
    pub edits: Vec<Edit>,
}

/// One edit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Edit {
    /// The entry is elsewhere.
    Move {
        /// Its id.
        id: u64,
        /// Where, mm to the right.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        x_mm: Option<f64>,
        /// Where, mm up.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        y_mm: Option<f64>,
        /// Where in the picture, px.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        px: Option<[f64; 2]>,
    },
    /// A shaft that the program didn't find.
    Add {
        /// Its kind.
        kind: EntryKind,
        /// Where, mm to the right.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        x_mm: Option<f64>,
        /// Where, mm up.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        y_mm: Option<f64>,
        /// Where in the picture, px.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        px: Option<[f64; 2]>,
        /// The arrow's own mark.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        arrow: Option<String>,
    },
    /// There is no shaft.
    Remove {
        /// The entry's id.
        id: u64,
    },
    /// The entry's kind.
    Tag {
        /// The entry's id.
        id: u64,
        /// The kind.
        kind: EntryKind,
    },
    /// The arrow's own mark.
    Arrow {
        /// The entry's id.
        id: u64,
        /// The mark; `None` takes it away.
        arrow: Option<String>,
    },
    /// A shot that left no entry.
    Missed {
        /// Its kind.
        kind: EntryKind,
        /// Where it went.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        note: Option<String>,
    },
    /// Takes a missed shot back.
    NotMissed {
        /// Its place in `missed`, from 1.
        index: usize,
    },
    /// What was told of the end: who, from where, with which set-up.
    Session {
        /// The fields that change, as in a record's `session`; null takes one away (RFC 7396).
        set: Value,
    },
    /// One entry is right as it stands.
    Confirm {
        /// Its id.
        id: u64,
    },
    /// Every entry is right as it stands.
    Accept,
}

/// Why edits can't be applied. Each message is one sentence: what is wrong, and what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ReviewError {
    /// Not a list of edits.
    #[error(transparent)]
    Document(#[from] RecordError),
    /// An edit that can't be understood.
    #[error(
        "the edits can't be understood ({detail}): correct them as the documentation of {SCHEMA} says"
    )]
    Shape {
        /// What the parser says.
        detail: String,
    },
    /// No such entry.
    #[error("there is no entry {id} in this record: its entries are {known}")]
    NoEntry {
        /// The id.
        id: u64,
        /// The ids that there are.
        known: String,
    },
    /// No such missed shot.
    #[error("there is no missed shot number {index} in this record: it has {count}")]
    NoMissed {
        /// The number, from 1.
        index: usize,
        /// How many there are.
        count: usize,
    },
    /// No place, or half of one, or two.
    #[error("edit {edit} needs a place: give both `x_mm` and `y_mm`, or `px`")]
    Place {
        /// The edit's number, from 1.
        edit: usize,
    },
    /// A place in the picture without a camera to turn it into millimetres, or outside what the camera can see.
    #[error(
        "edit {edit} gives `px`, which this record's camera can't turn into millimetres: give `x_mm` and `y_mm`"
    )]
    NoCamera {
        /// The edit's number, from 1.
        edit: usize,
    },
    /// A session that can't be understood.
    #[error("edit {edit} makes a session that can't be understood ({detail}): correct it")]
    Session {
        /// The edit's number, from 1.
        edit: usize,
        /// What the parser says.
        detail: String,
    },
    /// A session with a misspelt name, a number in another unit, or limits that contradict.
    #[error(transparent)]
    Fault(#[from] SessionFault),
    /// The record has changed since.
    #[error(
        "the edits were made on revision {seen}, the record is at {now}: look at it again and redo them"
    )]
    Revision {
        /// The revision that the edits name.
        seen: u64,
        /// That of the record.
        now: u64,
    },
}

impl Edits {
    /// Reads a list of edits.
    ///
    /// # Errors
    /// When it isn't JSON, has another schema, or an edit that isn't known.
    pub fn parse(bytes: &[u8]) -> Result<Self, ReviewError> {
        let value = crate::record::document(bytes, SCHEMA)?;
        serde_json::from_value(value).map_err(|e| ReviewError::Shape {
            detail: e.to_string(),
        })
    }

    /// Applies these edits to the record they were made on.
    ///
    /// # Errors
    /// As [`apply`], and when the record has another revision than the one that the edits name.
    pub fn apply(&self, end: &End) -> Result<End, ReviewError> {
        match self.revision {
            Some(seen) if seen != end.revision => Err(ReviewError::Revision {
                seen,
                now: end.revision,
            }),
            _ => apply(end, &self.edits),
        }
    }
}

/// Applies edits in their order, all or none. The result's revision is one more than the record's.
///
/// # Errors
/// When an edit names an entry that isn't there, or a place that can't be used.
pub fn apply(end: &End, edits: &[Edit]) -> Result<End, ReviewError> {
    let mut end = end.clone();
    let mut last_id = last_id(&end);
    for (i, edit) in edits.iter().enumerate() {
        apply_one(&mut end, edit, i + 1, &mut last_id)?;
    }
    end.revision += 1;
    let highest = end.entries.iter().map(|e| e.id).max().unwrap_or(0);
    if last_id > highest {
        end.extra.insert(LAST_ID.to_owned(), last_id.into());
    } else {
        end.extra.remove(LAST_ID);
    }
    Ok(end)
}

/// The highest id that this record has ever used.
fn last_id(end: &End) -> u64 {
    let written = end.extra.get(LAST_ID).and_then(serde_json::Value::as_u64);
    let present = end.entries.iter().map(|e| e.id).max();
    written.unwrap_or(0).max(present.unwrap_or(0))
}

fn apply_one(
    end: &mut End,
    edit: &Edit,
    number: usize,
    last_id: &mut u64,
) -> Result<(), ReviewError> {
    match edit {
        Edit::Move { id, x_mm, y_mm, px } => {
            let place = place(end.camera.as_ref(), *x_mm, *y_mm, *px, number)?;
            let spot = nearest_spot(end, place.mm);
            let moved = entry(end, *id)?;
            move_entry(moved, place);
            moved.spot = spot.or(moved.spot);
        }
        Edit::Add {
            kind,
            x_mm,
            y_mm,
            px,
            arrow,
        } => {
            let place = place(end.camera.as_ref(), *x_mm, *y_mm, *px, number)?;
            *last_id += 1;
            let mut new = added(*last_id, *kind, place, arrow.clone());
            new.spot = nearest_spot(end, place.mm);
            end.entries.push(new);
        }
        Edit::Remove { id } => {
            entry(end, *id)?;
            end.entries.retain(|e| e.id != *id);
            if let Some(order) = &mut end.session.shot_order {
                order.retain(|i| i != id);
            }
        }
        Edit::Tag { id, kind } => {
            let entry = entry(end, *id)?;
            entry.kind = *kind;
            entry.kind_probability = (*kind != EntryKind::Unknown).then_some(1.0);
            confirm(entry);
        }
        Edit::Arrow { id, arrow } => {
            let entry = entry(end, *id)?;
            entry.arrow = arrow.clone();
            // a person has said which it is, or that it is not known
            entry.arrow_proposed = None;
            confirm(entry);
        }
        Edit::Missed { kind, note } => end.missed.push(Missed {
            kind: *kind,
            note: note.clone(),
            extra: Extra::new(),
        }),
        Edit::NotMissed { index } => {
            let count = end.missed.len();
            if *index == 0 || *index > count {
                return Err(ReviewError::NoMissed {
                    index: *index,
                    count,
                });
            }
            end.missed.remove(index - 1);
        }
        Edit::Session { set } => end.session = changed_session(&end.session, set, number)?,
        Edit::Confirm { id } => confirm(entry(end, *id)?),
        Edit::Accept => end.entries.iter_mut().for_each(confirm),
    }
    Ok(())
}

/// The session with the fields of `set` in it; order shot and numbers are checked by the reading, units and names here.
fn changed_session(session: &Session, set: &Value, edit: usize) -> Result<Session, ReviewError> {
    let shape = |e: serde_json::Error| ReviewError::Session {
        edit,
        detail: e.to_string(),
    };
    let mut value = serde_json::to_value(session).map_err(shape)?;
    merge(&mut value, set);
    let session: Session = serde_json::from_value(value).map_err(shape)?;
    match check_session(&session, "session").into_iter().next() {
        Some(fault) => Err(fault.into()),
        None => Ok(session),
    }
}

/// RFC 7396, section 2: objects are merged name by name, null removes, everything else replaces.
fn merge(target: &mut Value, patch: &Value) {
    let Value::Object(patch) = patch else {
        *target = patch.clone();
        return;
    };
    if !target.is_object() {
        *target = Value::Object(serde_json::Map::new());
    }
    let Value::Object(target) = target else {
        return;
    };
    for (name, value) in patch {
        if value.is_null() {
            target.remove(name);
        } else {
            merge(target.entry(name.clone()).or_insert(Value::Null), value);
        }
    }
}

fn entry(end: &mut End, id: u64) -> Result<&mut Entry, ReviewError> {
    let ids: Vec<String> = end.entries.iter().map(|e| e.id.to_string()).collect();
    end.entries
        .iter_mut()
        .find(|e| e.id == id)
        .ok_or_else(|| ReviewError::NoEntry {
            id,
            known: if ids.is_empty() {
                "none".to_owned()
            } else {
                ids.join(", ")
            },
        })
}

fn confirm(entry: &mut Entry) {
    entry.state = EntryState::Confirmed;
}

/// A place on the face, and in the picture where there is one.
#[derive(Clone, Copy)]
struct Place {
    mm: FacePoint,
    px: Option<ImagePoint>,
}

fn place(
    camera: Option<&CameraRecord>,
    x_mm: Option<f64>,
    y_mm: Option<f64>,
    px: Option<[f64; 2]>,
    edit: usize,
) -> Result<Place, ReviewError> {
    match (x_mm, y_mm, px) {
        (Some(x), Some(y), None) => {
            let mm = FacePoint::new(x, y);
            Ok(Place {
                mm,
                px: camera.and_then(|c| c.image_from_face(mm)),
            })
        }
        (None, None, Some([x, y])) => {
            let px = ImagePoint::new(x, y);
            let mm = camera
                .and_then(|c| c.face_from_image(px))
                .ok_or(ReviewError::NoCamera { edit })?;
            Ok(Place { mm, px: Some(px) })
        }
        _ => Err(ReviewError::Place { edit }),
    }
}

fn move_entry(entry: &mut Entry, place: Place) {
    if entry.source == EntrySource::Found {
        entry.found_mm = Some([entry.x_mm, entry.y_mm]);
        entry.source = EntrySource::Moved;
    }
    entry.x_mm = place.mm.x;
    entry.y_mm = place.mm.y;
    entry.px = place.px.map(|p| [p.x, p.y]);
    entry.cov_mm2 = Some(person_cov());
    // lean and segment were those of the place left
    entry.lean = None;
    entry.segment_px = None;
    confirm(entry);
}

fn added(id: u64, kind: EntryKind, place: Place, arrow: Option<String>) -> Entry {
    Entry {
        id,
        x_mm: place.mm.x,
        y_mm: place.mm.y,
        cov_mm2: Some(person_cov()),
        px: place.px.map(|p| [p.x, p.y]),
        kind,
        kind_probability: (kind != EntryKind::Unknown).then_some(1.0),
        confidence: Some(1.0),
        arrow,
        arrow_proposed: None,
        state: EntryState::Confirmed,
        source: EntrySource::Added,
        lean: None,
        spot: None,
        thickness_mm: None,
        segment_px: None,
        found_mm: None,
        extra: Extra::new(),
    }
}

const fn person_cov() -> [[f64; 2]; 2] {
    let v = PERSON_SD_MM * PERSON_SD_MM;
    [[v, 0.0], [0.0, v]]
}

/// The spot nearest to a place, on faces with several.
fn nearest_spot(end: &End, at: FacePoint) -> Option<u32> {
    let spots = end.face.as_ref()?.spot_centres_mm.as_ref()?;
    let nearest = spots
        .iter()
        .enumerate()
        .min_by(|(_, a), (_, b)| {
            let distance = |s: &[f64; 2]| at.distance(FacePoint::new(s[0], s[1]));
            distance(a).total_cmp(&distance(b))
        })
        .map(|(i, _)| i)?;
    u32::try_from(nearest + 1).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn record() -> End {
        serde_json::from_value(json!({
            "schema": "bossmark/end/1",
            "camera": {"fx_px": 1000.0, "fy_px": 1000.0, "cx_px": 500.0, "cy_px": 400.0, "k1": 0.05, "k2": 0.0,
                "face_to_camera": {"rotation": [[1,0,0],[0,-1,0],[0,0,-1]], "translation_mm": [0, 0, 2000]},
                "image_to_face": [[2,0,-1000],[0,-2,800],[0,0,1]], "tilt_deg": 0, "distance_mm": 2000, "fit_rms_px": 0.3,
                "upright": {"from": "camera", "sd_deg": 1.0}, "focal_from": "exif"},
            "entries": [{"id": 1, "x_mm": 0, "y_mm": 0, "px": [500, 400], "kind": "bare", "kind_probability": 0.7, "nock": "red"},
                        {"id": 2, "x_mm": 10, "y_mm": 0, "kind": "unknown"}],
            "session": {"shot_order": [2, 1]}
        })).expect("record")
    }

    fn edits(list: serde_json::Value) -> Vec<Edit> {
        serde_json::from_value(list).expect("edits")
    }

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() < 1e-6
    }

    #[test]
    fn a_move_keeps_what_was_found_and_px_and_mm_agree() {
        let end = apply(
            &record(),
            &edits(json!([{"do": "move", "id": 1, "x_mm": 400.0, "y_mm": 200.0}])),
        )
        .expect("applied");
        let e = &end.entries[0];
        assert_eq!(
            (e.found_mm, e.source, e.state),
            (Some([0.0, 0.0]), EntrySource::Moved, EntryState::Confirmed)
        );
        // u = (0.2, −0.1), r² = 0.05: distorted by 1 + 0.05 · 0.05 = 1.0025
        let px = e.px.expect("px");
        assert!(
            close(px[0], 500.0 + 200.5) && close(px[1], 400.0 - 100.25),
            "{px:?}"
        );
        let again = apply(
            &end,
            &[Edit::Move {
                id: 1,
                x_mm: None,
                y_mm: None,
                px: Some(px),
            }],
        )
        .expect("applied");
        assert!(close(again.entries[0].x_mm, 400.0) && close(again.entries[0].y_mm, 200.0));
        assert_eq!(
            again.entries[0].found_mm,
            Some([0.0, 0.0]),
            "the first place found stays"
        );
        assert_eq!(again.revision, 2);
        assert_eq!(again.entries[0].extra.len(), 1);
    }

    #[test]
    fn ids_are_never_used_again() {
        let one = apply(&record(), &edits(json!([{"do": "remove", "id": 2}]))).expect("applied");
        assert_eq!(one.session.shot_order, Some(vec![1]));
        let two = apply(
            &one,
            &edits(json!([{"do": "add", "kind": "bare", "x_mm": 1, "y_mm": 2, "arrow": "7"}])),
        )
        .expect("applied");
        let new = &two.entries[1];
        assert_eq!(
            (new.id, new.source, new.arrow.as_deref()),
            (3, EntrySource::Added, Some("7"))
        );
        assert!(new.px.is_some());
    }

    #[test]
    fn tags_marks_and_missed_shots() {
        let end = apply(&record(), &edits(json!([
            {"do": "tag", "id": 2, "kind": "fletched"}, {"do": "arrow", "id": 2, "arrow": "4"},
            {"do": "missed", "kind": "bare", "note": "over"}, {"do": "missed", "kind": "fletched"}, {"do": "not-missed", "index": 2}
        ]))).expect("applied");
        let e = &end.entries[1];
        assert_eq!(
            (e.kind, e.kind_probability, e.arrow.as_deref(), e.state),
            (
                EntryKind::Fletched,
                Some(1.0),
                Some("4"),
                EntryState::Confirmed
            )
        );
        assert_eq!(end.missed.len(), 1);
        assert_eq!(end.entries[0].state, EntryState::Proposed);
        let all = apply(&end, &[Edit::Accept]).expect("applied");
        assert!(crate::record::history::is_confirmed(&all));
    }

    #[test]
    fn faults_leave_the_record_alone_and_say_what_to_do() {
        let fault = |list| {
            apply(&record(), &edits(list))
                .expect_err("fault")
                .to_string()
        };
        assert!(fault(json!([{"do": "remove", "id": 9}])).contains("its entries are 1, 2"));
        assert!(
            fault(json!([{"do": "move", "id": 1, "x_mm": 1}])).contains("edit 1 needs a place")
        );
        assert!(
            fault(json!([{"do": "accept"}, {"do": "not-missed", "index": 1}])).contains("it has 0")
        );
        let tape = End {
            camera: None,
            ..record()
        };
        let error = apply(
            &tape,
            &edits(json!([{"do": "add", "kind": "bare", "px": [1, 2]}])),
        )
        .expect_err("fault");
        assert_eq!(error, ReviewError::NoCamera { edit: 1 });
        let stale = Edits::parse(br#"{"schema": "bossmark/edits/1", "revision": 4, "edits": []}"#)
            .expect("edits");
        assert_eq!(
            stale.apply(&record()),
            Err(ReviewError::Revision { seen: 4, now: 0 })
        );
        for bad in [
            r#"{"schema": "bossmark/edits/1", "edits": [{"do": "shoot"}]}"#,
            r#"{"schema": "bossmark/edits/2", "edits": []}"#,
            r#"{"schema": "bossmark/edits/1", "edits": [{"do": "tag", "id": 1, "kind": "bare", "sure": true}]}"#,
            "",
        ] {
            assert!(Edits::parse(bad.as_bytes()).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_session_is_changed_field_by_field() {
        let set = |list| apply(&record(), &edits(list));
        let end = set(json!([
            {"do": "session", "set": {"distance_m": 30, "hand": "left", "setup": {"plunger_clicks": 2, "point_gr": 90}}},
            {"do": "session", "set": {"distance_m": 18, "shot_order": null, "setup": {"point_gr": null}}}
        ]))
        .expect("applied");
        let session = &end.session;
        assert_eq!(
            (session.distance_m, &session.shot_order),
            (Some(18.0), &None)
        );
        let setup = session.setup.as_ref().expect("set-up");
        assert_eq!((setup.plunger_clicks, setup.point_gr), (Some(2.0), None));
        assert_eq!(end.entries[0].state, EntryState::Proposed);
        for (wrong, says) in [
            (json!({"distance_m": "far"}), "edit 1"),
            (json!({"distence_m": 30}), "did you mean `distance_m`"),
            (json!({"distance_m": 30000}), "distance_m"),
            (json!(7), "edit 1"),
        ] {
            let error = set(json!([{"do": "session", "set": wrong}])).expect_err("fault");
            assert!(error.to_string().contains(says), "{error}");
        }
    }

    /// The example of RFC 7396, section 3.
    #[test]
    fn the_merge_is_that_of_the_standard() {
        let mut target = json!({"title": "Goodbye!", "author": {"givenName": "John", "familyName": "Doe"},
            "tags": ["example", "sample"], "content": "This will be unchanged"});
        merge(
            &mut target,
            &json!({"title": "Hello!", "phoneNumber": "+01-123-456-7890", "author": {"familyName": null}, "tags": ["example"]}),
        );
        let wanted = json!({"title": "Hello!", "author": {"givenName": "John"}, "tags": ["example"],
            "content": "This will be unchanged", "phoneNumber": "+01-123-456-7890"});
        assert_eq!(target, wanted);
    }

    #[test]
    fn a_place_on_a_many_spot_face_belongs_to_the_nearest_spot() {
        let mut end = record();
        end.face = Some(crate::record::FaceRecord {
            spot_centres_mm: Some(vec![[0.0, 220.0], [0.0, 0.0], [0.0, -220.0]]),
            ..Default::default()
        });
        let end = apply(
            &end,
            &edits(json!([{"do": "add", "kind": "bare", "x_mm": 5, "y_mm": -150}])),
        )
        .expect("applied");
        assert_eq!(end.entries[2].spot, Some(3));
        let moved = edits(json!([{"do": "move", "id": 3, "x_mm": 5, "y_mm": 200}]));
        let end = apply(&end, &moved).expect("applied");
        assert_eq!(end.entries[2].spot, Some(1), "moved to another spot");
    }
}
