//! Applies edits to a record.

use super::edits::{Edit, Edits, ReviewError};
use super::position::{Position, nearest_spot, position};
use super::session::changed_session;
use crate::photo;
use crate::record::{ArrowKind, End, Entry, EntrySource, EntryState, Extra, Missed, canonical};

/// Standard deviation of a position set by a person, mm on each axis: with a fingertip or a cursor on a photo, or a tape on the face
/// (common practice: read to half a centimetre at worst).
const PERSON_SD_MM: f64 = 2.0;

/// Name of the further field of a record that holds the highest id ever used in it; present if that entry was removed.
pub(super) const LAST_ID_KEY: &str = "last_id";

impl Edits {
    /// Applies these edits to the record they were made on. `text`: the record as it stands in its file; empty where it is in none.
    ///
    /// # Errors
    /// As [`apply`](fn@apply), and when the record or its revision isn't the one that the edits name.
    pub fn apply(&self, end: &End, text: &[u8]) -> Result<End, ReviewError> {
        if let Some(seen) = &self.record {
            let own = canonical::to_bytes(end)?;
            let now = photo::fingerprint(&own);
            let text = text.trim_ascii();
            let forms = [&[text, b"\n"].concat(), &canonical::to_line(end)?];
            if *seen != now
                && *seen != photo::fingerprint(text)
                && forms.iter().all(|form| *seen != photo::fingerprint(form))
            {
                return Err(ReviewError::OtherRecord { now });
            }
        }
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
/// When an edit names an entry that doesn't exist, or a position that can't be used.
pub fn apply(end: &End, edits: &[Edit]) -> Result<End, ReviewError> {
    let mut end = end.clone();
    let mut last_id = last_id(&end);
    for (i, edit) in edits.iter().enumerate() {
        apply_one(&mut end, edit, i + 1, &mut last_id)?;
    }
    end.revision += 1;
    let highest = end.entries.iter().map(|e| e.id).max().unwrap_or(0);
    if last_id > highest {
        end.extra.insert(LAST_ID_KEY.to_owned(), last_id.into());
    } else {
        end.extra.remove(LAST_ID_KEY);
    }
    Ok(end)
}

/// The highest id that this record has ever used.
pub(super) fn last_id(end: &End) -> u64 {
    let written = end
        .extra
        .get(LAST_ID_KEY)
        .and_then(serde_json::Value::as_u64);
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
            let position = position(end.camera.as_ref(), *x_mm, *y_mm, *px, number)?;
            let spot = nearest_spot(end, position.mm);
            let moved = entry(end, *id)?;
            move_entry(moved, position);
            moved.spot = spot.or(moved.spot);
        }
        Edit::Add {
            kind,
            x_mm,
            y_mm,
            px,
            arrow,
        } => {
            let position = position(end.camera.as_ref(), *x_mm, *y_mm, *px, number)?;
            *last_id += 1;
            let mut new = added(*last_id, *kind, position, arrow.clone());
            new.spot = nearest_spot(end, position.mm);
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
            entry.kind_probability = (*kind != ArrowKind::Unknown).then_some(1.0);
            confirm(entry);
        }
        Edit::Arrow { id, arrow } => {
            let entry = entry(end, *id)?;
            entry.arrow = arrow.clone();
            // a person has said which arrow it is, or that it isn't known
            entry.arrow_proposed = None;
            confirm(entry);
        }
        Edit::Missed { kind, note } => end.missed.push(Missed {
            kind: *kind,
            note: note.clone(),
            direction: None,
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

fn move_entry(entry: &mut Entry, position: Position) {
    if entry.source == EntrySource::Found {
        entry.found_mm = Some([entry.x_mm, entry.y_mm]);
        entry.source = EntrySource::Moved;
    }
    entry.x_mm = position.mm.x;
    entry.y_mm = position.mm.y;
    entry.px = position.px.map(|p| [p.x, p.y]);
    entry.cov_mm2 = Some(person_cov());
    // lean and segment belong to the old position
    entry.lean = None;
    entry.segment_px = None;
    confirm(entry);
}

fn added(id: u64, kind: ArrowKind, position: Position, arrow: Option<String>) -> Entry {
    Entry {
        id,
        x_mm: position.mm.x,
        y_mm: position.mm.y,
        cov_mm2: Some(person_cov()),
        px: position.px.map(|p| [p.x, p.y]),
        kind,
        kind_probability: (kind != ArrowKind::Unknown).then_some(1.0),
        confidence: Some(1.0),
        arrow,
        state: EntryState::Confirmed,
        source: EntrySource::Added,
        ..Entry::default()
    }
}

pub(super) const fn person_cov() -> [[f64; 2]; 2] {
    let v = PERSON_SD_MM * PERSON_SD_MM;
    [[v, 0.0], [0.0, v]]
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
        let moved_again = apply(
            &end,
            &[Edit::Move {
                id: 1,
                x_mm: None,
                y_mm: None,
                px: Some(px),
            }],
        )
        .expect("applied");
        assert!(
            close(moved_again.entries[0].x_mm, 400.0) && close(moved_again.entries[0].y_mm, 200.0)
        );
        assert_eq!(
            moved_again.entries[0].found_mm,
            Some([0.0, 0.0]),
            "the first place found stays"
        );
        assert_eq!(moved_again.revision, 2);
        assert_eq!(moved_again.entries[0].extra.len(), 1);
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
                ArrowKind::Fletched,
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
        let far = json!([{"do": "move", "id": 1, "x_mm": 5000, "y_mm": 0}]);
        assert!(fault(far).contains("5 m from the face's middle"));
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
            stale.apply(&record(), b""),
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

    #[test]
    fn an_entry_on_a_face_with_several_spots_belongs_to_the_nearest() {
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
