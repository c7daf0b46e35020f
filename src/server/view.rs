//! An end, its reading and its advice as the page shows them.

use super::ends::{OpenEnd, Progress};
use super::pictures::{REDUCED_SIDE_PX, TILE_SIDE_PX};
use crate::advice::{self, Advice, AdviceOptions, Instruction, ReadingCache, ShootCause, Step};
use crate::measure::Stage;
use crate::photo::fingerprint;
use crate::reading::Reading;
use crate::record::history::is_confirmed;
use crate::record::{End, EntryState, Remark, Session, SessionFile, Setup, ShotCount, canonical};
use crate::report::face_plot::FacePlot;
use crate::report::{Embedding, RingOutline, outlines};
use crate::review::ids_to_check;
use crate::store;
use crate::text::{self, Locale, RemarkText, Sentence, StepText, answer, sentence, step_text};
use crate::timeline::{EndInHistory, FaceLook};
use serde::Serialize;

/// An end in the queue.
#[derive(Debug, Serialize)]
pub(super) struct QueueLine {
    id: u64,
    name: String,
    state: &'static str,
    text: String,
    /// Number of the end, if it is known.
    end: Option<u64>,
    entries: usize,
    /// Entries that a person should check.
    #[serde(rename = "look")]
    to_check: usize,
    proposed: usize,
    revision: u64,
    count: Option<CountView>,
    /// How the end stands, in words.
    standing: String,
}

/// The shots that a record accounts for, against those shot.
#[derive(Debug, Serialize)]
struct CountView {
    /// "5 of 6".
    words: String,
    /// "one fletched missing", where something differs.
    difference: Option<String>,
    /// Shots not accounted for; below zero where there are too many.
    fletched_short: i64,
    bare_short: i64,
}

fn count_view(end: &End) -> Option<CountView> {
    ShotCount::of(end).map(|count| CountView {
        words: text::record::count_of(&count),
        difference: text::record::count_difference(&count),
        fletched_short: count.fletched_short,
        bare_short: count.bare_short,
    })
}

/// A line of the queue; reads the record.
pub(super) fn line(open: &OpenEnd) -> QueueLine {
    let (state, mut text) = progress_state(&open.progress);
    let mut line = QueueLine {
        id: open.id,
        name: open.name(),
        state,
        text: String::new(),
        end: open.start.session.end,
        entries: 0,
        to_check: 0,
        proposed: 0,
        revision: 0,
        count: None,
        standing: String::new(),
    };
    if open.progress == Progress::Ready {
        match open.record() {
            Ok(Some(end)) => {
                line.state = record_state(&end);
                line.end = end.session.end;
                line.entries = end.entries.len();
                line.to_check = ids_to_check(&end).len();
                line.proposed = proposed(&end);
                line.revision = end.revision;
                line.count = count_view(&end);
                line.standing = text::record::standing(&end);
                text = end.failure.map_or(text, |f| f.text);
            }
            Ok(None) => (line.state, text) = ("trouble", "its record is gone".to_owned()),
            Err(error) => (line.state, text) = ("trouble", error.to_string()),
        }
    }
    line.text = text;
    line
}

/// Whether an end still needs a person.
pub(super) fn is_due(open: &OpenEnd) -> bool {
    let record = open.record().ok().flatten();
    record.is_none_or(|end| record_state(&end) != "confirmed")
}

fn proposed(end: &End) -> usize {
    let is = |e: &&crate::record::Entry| e.state == EntryState::Proposed;
    end.entries.iter().filter(is).count()
}

/// Whether a record is confirmed, open, or without a face.
fn record_state(end: &End) -> &'static str {
    if end.failure.is_some() && end.entries.is_empty() {
        "no-face"
    } else if is_confirmed(end) || (end.entries.is_empty() && end.revision > 0) {
        "confirmed"
    } else {
        "open"
    }
}

fn progress_state(progress: &Progress) -> (&'static str, String) {
    match progress {
        Progress::Waiting => ("waiting", "waits to be measured".to_owned()),
        Progress::Measuring(stage) => {
            let doing = match stage {
                None => "opening the photo",
                Some(Stage::Photo) => "looking for the face",
                Some(Stage::Camera) => "looking for shafts",
                Some(Stage::Shafts) => "saving",
            };
            ("measuring", doing.to_owned())
        }
        Progress::Ready => ("open", String::new()),
        Progress::NoFace => ("which-face", "say which target face this is".to_owned()),
        Progress::Failed(text) => ("trouble", text.clone()),
    }
}

/// An end as the page shows it.
#[derive(Debug, Serialize)]
pub(super) struct EndView {
    id: u64,
    name: String,
    state: &'static str,
    record: End,
    /// Ids of the entries to check first, in that order.
    #[serde(rename = "look")]
    to_check: Vec<u64>,
    rings: Vec<RingOutline>,
    photo: Option<PhotoView>,
    undo: usize,
    redo: usize,
    /// Why measuring it again failed.
    #[serde(rename = "trouble")]
    remeasure_failure: Option<String>,
    /// How the end stands, in words.
    standing: String,
    count: Option<CountView>,
    /// Facts that the reading needs and that nobody has given.
    needs: Vec<&'static str>,
    /// SHA-256 of the record's canonical bytes: edits made on it name it.
    fingerprint: Option<String>,
}

#[derive(Debug, Serialize)]
struct PhotoView {
    width: u32,
    height: u32,
    /// Longest side of the reduced photo, px.
    reduced: u32,
    /// Side of a tile, px.
    #[serde(rename = "part")]
    tile_side_px: u32,
}

/// The view of an end with this record.
pub(super) fn end_view(open: &OpenEnd, record: End) -> EndView {
    let look = record.face.as_ref().map(FaceLook::of_record);
    let rings = match (&record.camera, &look) {
        (Some(camera), Some(look)) => outlines(camera, look),
        _ => Vec::new(),
    };
    let photo = open.start.photo.as_ref().and(record.photo.as_ref());
    let (undo, redo) = open.depths(record.revision);
    EndView {
        id: open.id,
        name: open.name(),
        state: record_state(&record),
        to_check: ids_to_check(&record),
        rings,
        photo: photo.map(|p| PhotoView {
            width: p.width_px,
            height: p.height_px,
            reduced: REDUCED_SIDE_PX,
            tile_side_px: TILE_SIDE_PX,
        }),
        undo,
        redo,
        remeasure_failure: open.failure.clone(),
        standing: text::record::standing(&record),
        count: count_view(&record),
        needs: missing_facts(&record.session),
        fingerprint: canonical::to_bytes(&record)
            .ok()
            .map(|bytes| fingerprint(&bytes)),
        record,
    }
}

/// Facts of a session that the reading needs, and that it lacks.
fn missing_facts(session: &Session) -> Vec<&'static str> {
    [
        ("hand", session.hand.is_none()),
        ("distance_m", session.distance_m.is_none()),
        ("fletched", session.fletched.is_none()),
        ("bare", session.bare.is_none()),
    ]
    .into_iter()
    .filter_map(|(name, lacks)| lacks.then_some(name))
    .collect()
}

/// What the end's run says.
#[derive(Debug, Serialize)]
pub(super) struct ReadingView {
    /// The end's id, since answers may arrive in another order.
    id: u64,
    sentence: String,
    /// The same in one line.
    answer: String,
    reading: Option<Reading>,
    /// What to keep in mind about the shots.
    cautions: Vec<RemarkText>,
    /// Names of the ends that are read together.
    files: Vec<String>,
    /// The face plot, an SVG element.
    plot: String,
}

/// The reading of an end's run; where all ends of this bow show it in tune, with what they say.
pub(super) fn reading_view(
    id: u64,
    end: Option<&EndInHistory>,
    read: &mut ReadingCache,
    locale: Locale,
) -> ReadingView {
    let Some(s) = end else {
        return ReadingView {
            id,
            sentence: "This end doesn't count in a reading: nothing could be measured in it, or another photo shows the same end."
                .to_owned(),
            answer: "This end doesn't count".to_owned(),
            reading: None,
            cautions: Vec::new(),
            files: Vec::new(),
            plot: String::new(),
        };
    };
    let ends: Vec<&End> = s.ends.iter().collect();
    let advice = advice::advise_again(&s.history, &AdviceOptions::default(), read);
    let same = advice.reading.distance_m == s.reading.distance_m;
    let reading = if advice.done && same {
        &advice.reading
    } else {
        &s.reading
    };
    let plot = FacePlot::of_run(&ends, reading, None, "Where the shafts went");
    ReadingView {
        id,
        sentence: text::landing(reading, locale).unwrap_or_else(|| sentence(reading, locale)),
        answer: answer(reading),
        reading: Some(reading.clone()),
        cautions: in_words(&reading.cautions, locale),
        files: s.files.iter().map(|f| store::name_of(f.as_ref())).collect(),
        plot: plot.svg("plot", Embedding::Inline, locale),
    }
}

fn in_words<V: Sentence>(remarks: &[Remark<V>], locale: Locale) -> Vec<RemarkText> {
    let words = remarks.iter().map(|r| RemarkText::of(r, locale));
    words.collect()
}

/// What to do next.
#[derive(Debug, Serialize)]
pub(super) struct AdviceView {
    id: u64,
    advice: Option<Advice>,
    pub(super) next: Option<StepText>,
    also: Vec<StepText>,
    others: Vec<StepText>,
    /// What to mind about the advice as a whole.
    cautions: Vec<RemarkText>,
    /// Why there is none.
    failure: Option<String>,
    /// Whether this bow shot nothing later.
    pub(super) newest: bool,
    /// The settings after the step, where it can be entered into the next set-up.
    #[serde(rename = "made")]
    pub(super) settings_after: Option<Setup>,
    /// The note of a change after the newest end, until an end is shot with it.
    noted: Option<String>,
}

/// The advice after an end's run; `session_file` has the changes noted since.
pub(super) fn advice_view(
    id: u64,
    end: Option<&EndInHistory>,
    read: &mut ReadingCache,
    session_file: &SessionFile,
    locale: Locale,
) -> AdviceView {
    let Some(s) = end else {
        return AdviceView {
            id,
            advice: None,
            next: None,
            also: Vec::new(),
            others: Vec::new(),
            cautions: Vec::new(),
            failure: None,
            newest: false,
            settings_after: None,
            noted: None,
        };
    };
    let noted_since = session_file.changed_after_last_photo();
    let options = AdviceOptions {
        noted_since: noted_since.filter(|_| s.newest),
        ..AdviceOptions::default()
    };
    let advice = advice::advise_again(&s.history, &options, read);
    let text = |step: &advice::Step| step_text(step, locale);
    AdviceView {
        id,
        next: advice.next.as_ref().map(text),
        also: advice.also.iter().map(text).collect(),
        others: advice.others.iter().map(text).collect(),
        cautions: in_words(&advice.cautions, locale),
        failure: advice.failure.as_ref().map(|f| f.text(locale)),
        newest: s.newest,
        settings_after: settings_after(s, &advice),
        noted: advice
            .next
            .as_ref()
            .filter(|step| comes_after_change(step))
            .map(|_| noted_last(session_file)),
        advice: Some(advice),
    }
}

/// Whether a step asks for an end with a change that was noted after the newest end.
fn comes_after_change(step: &Step) -> bool {
    matches!(
        step.detail,
        Instruction::Shoot {
            cause: ShootCause::Changed(_),
            ..
        }
    )
}

/// What was noted with the last change of the session file.
fn noted_last(file: &SessionFile) -> String {
    let last = file.ends.as_ref().and_then(|ends| ends.last());
    let note = last.and_then(|change| change.session.note.clone());
    note.unwrap_or_else(|| "a change of the set-up".to_owned())
}

/// The settings that the advised step changes, with their new values.
fn settings_after(s: &EndInHistory, advice: &Advice) -> Option<Setup> {
    let now = s.history.newest().map(|r| r.setup.clone())?;
    advice::setup_after(&now, advice).ok()
}
