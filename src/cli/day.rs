//! `bossmark day`: a folder of photos → records, what needs a person, readings, advice, and a report.

use super::args::Day;
use super::context::Context;
use super::input;
use super::measure::{Task, in_order, look_of};
use super::progress::Progress;
use super::screen::Screen;
use super::status::{Status, Trouble};
use crate::advice::AdviceOptions;
use crate::evening::{readings, stories};
use crate::face::spec::FaceSpec;
use crate::photo::{self, Photo};
use crate::reading::sentence;
use crate::record::{End, Filed, Session, canonical, parse_records};
use crate::report::{BowStory, Problem, ReportInput, html, marked, text};
use crate::road::MeasureOptions;
use crate::store;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// A photo of the folder, and all that is needed to deal with it.
struct Item {
    photo: PathBuf,
    place: PathBuf,
    session: Session,
    face: Result<FaceSpec, Trouble>,
    options: MeasureOptions,
}

/// What came of a photo.
struct Dealt {
    end: End,
    /// What the record's file says of it.
    how: How,
    marked: Option<Vec<u8>>,
    messages: Vec<String>,
    trouble: Option<Trouble>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum How {
    Measured,
    Kept,
}

/// All that came of the folder.
#[derive(Default)]
struct Evening {
    filed: Vec<Filed>,
    how: Vec<How>,
    marked: BTreeMap<String, Vec<u8>>,
    problems: Vec<Problem>,
}

/// Runs the command.
pub(super) fn run(args: &Day, screen: &mut Screen) -> Result<(), Trouble> {
    let folder = &args.folder;
    let photos = store::photos(folder).map_err(|e| Trouble::from(e).about(folder))?;
    let mut context =
        Context::new(&args.session, args.face.as_deref())?.with_lens(args.lens.as_deref())?;
    if let Some(out) = &args.out {
        store::make_folder(out).map_err(|e| Trouble::from(e).about(out))?;
    }
    let places = store::record_places(&photos, args.out.as_deref());
    let items = items(&photos, &places, &mut context)?;
    // no face is one fault of the call, not one of each photo
    if let Some(Err(trouble)) = items.first().map(|i| &i.face)
        && items.iter().all(|i| i.face.as_ref().err() == Some(trouble))
        && items.iter().any(|i| !i.place.exists())
    {
        return Err(trouble.clone());
    }
    for name in context.missing_photos(folder, &photos)? {
        screen.tell(&format!(
            "{name}: named in the session file, but not in {}",
            folder.display()
        ));
    }
    for message in context.messages() {
        screen.tell(&message);
    }
    let mut evening = Evening::default();
    photographed(args, &items, screen, &mut evening);
    alone(args, &places, &context, screen, &mut evening);
    if evening.filed.is_empty() && evening.problems.is_empty() {
        return Err(Trouble::not_possible("there is no photo (JPEG or PNG) and no record in this folder: name the one that holds them").about(folder));
    }
    tell(args, &evening, screen)
}

fn items(
    photos: &[PathBuf],
    places: &[PathBuf],
    context: &mut Context,
) -> Result<Vec<Item>, Trouble> {
    let pairs = photos.iter().zip(places);
    pairs
        .map(|(photo, place)| {
            Ok(Item {
                photo: photo.clone(),
                place: place.clone(),
                session: context.session(photo)?,
                face: context.face(photo),
                options: context.options(photo)?,
            })
        })
        .collect()
}

/// Measures the photos that have no record yet, and saves each record as soon as its handful is done.
fn photographed(args: &Day, items: &[Item], screen: &mut Screen, evening: &mut Evening) {
    let progress = Progress::new(items.len());
    in_order(
        items,
        |item| deal(item, args.report.is_some(), &progress),
        |item, dealt| {
            progress.done();
            match dealt {
                Ok(dealt) => keep(item, dealt, screen, evening),
                Err(trouble) => problem(&trouble.about(&item.photo), screen, evening),
            }
        },
    );
    progress.finish();
}

fn keep(item: &Item, dealt: Dealt, screen: &mut Screen, evening: &mut Evening) {
    let name = store::name_of(&item.photo);
    for message in dealt.messages {
        screen.tell(&format!("{}: {message}", item.photo.display()));
    }
    if dealt.how == How::Measured
        && let Err(error) = store::save_proposal(&item.place, &dealt.end)
    {
        problem(&Trouble::from(error).about(&item.place), screen, evening);
    }
    if let Some(trouble) = dealt.trouble {
        problem(&trouble.about(&item.photo), screen, evening);
    }
    if let Some(failure) = &dealt.end.failure {
        screen.raise(Status::NotPossible);
        evening.problems.push(Problem {
            file: name.clone(),
            text: failure.text.clone(),
        });
        if dealt.end.entries.is_empty() {
            return;
        }
    }
    if let Some(marked) = dealt.marked {
        evening.marked.insert(name.clone(), marked);
    }
    evening.how.push(dealt.how);
    evening.filed.push(Filed {
        file: name,
        line: 1,
        end: dealt.end,
    });
}

fn problem(trouble: &Trouble, screen: &mut Screen, evening: &mut Evening) {
    screen.trouble(trouble);
    evening.problems.push(Problem {
        file: trouble
            .file
            .as_deref()
            .map_or_else(String::new, |f| store::name_of(Path::new(f))),
        text: trouble.text.clone(),
    });
}

fn deal(item: &Item, draw: bool, progress: &Progress) -> Result<Dealt, Trouble> {
    let bytes = input::bytes(&item.photo)?;
    let there = store::record_at(&item.place).map_err(|e| Trouble::from(e).about(&item.place))?;
    if let Some(end) = there
        && let Some(dealt) = kept(item, end, &bytes, draw)
    {
        return Ok(dealt);
    }
    let task = Task {
        path: item.photo.clone(),
        face: item.face.clone()?,
        session: item.session.clone(),
        options: item.options.clone(),
    };
    let measured = task.run(&bytes, progress)?;
    let marked = draw
        .then(|| draw_marked(&measured.photo, &measured.end))
        .flatten();
    Ok(Dealt {
        end: measured.end,
        how: How::Measured,
        marked,
        messages: Vec::new(),
        trouble: None,
    })
}

/// A record that is there already and stays: a person's, or a proposal for this very photo and face. `None`: measure.
fn kept(item: &Item, mut end: End, bytes: &[u8], draw: bool) -> Option<Dealt> {
    let touched = store::is_touched(&end);
    let same_photo = end
        .photo
        .as_ref()
        .is_some_and(|p| p.sha256 == photo::fingerprint(bytes));
    let same_face = match (&item.face, &end.face) {
        (Ok(face), Some(there)) => face.name == there.name,
        _ => true,
    };
    if !touched && (!same_photo || !same_face || end.failure.is_some()) {
        return None;
    }
    let mut messages = Vec::new();
    let own = end.session.or(&item.session);
    if own != item.session.or(&end.session) {
        messages.push(format!(
            "its record says something else than the session file or the flags, and counts: edit or remove {} if it is wrong",
            item.place.display()
        ));
    }
    end.session = own;
    if !same_photo {
        messages.push(
            "the photo is another one than its confirmed record was made from; the record is kept"
                .to_owned(),
        );
    }
    let (mut marked, mut trouble) = (None, None);
    if draw && same_photo {
        match photo::open(bytes) {
            Ok(photo) => marked = draw_marked(&photo, &end),
            Err(error) => trouble = Some(Trouble::from(error)),
        }
    }
    Some(Dealt {
        end,
        how: How::Kept,
        marked,
        messages,
        trouble,
    })
}

fn draw_marked(photo: &Photo, end: &End) -> Option<Vec<u8>> {
    marked::for_report(&photo.pixels, end, &look_of(end)).ok()
}

/// Records of the folder without a photo: ends measured with a tape, or whose photo is gone.
fn alone(
    args: &Day,
    places: &[PathBuf],
    context: &Context,
    screen: &mut Screen,
    evening: &mut Evening,
) {
    let mut folders = vec![args.folder.as_path()];
    folders.extend(args.out.as_deref());
    for folder in folders {
        let Ok(records) = store::records(folder) else {
            continue; // the folder of the photos could be listed before, the other was made
        };
        for path in records.iter().filter(|r| !places.contains(r)) {
            let parsed = store::read(path)
                .map_err(Trouble::from)
                .and_then(|bytes| Ok(parse_records(&bytes)?));
            let parsed = match parsed {
                Ok(parsed) => parsed,
                Err(trouble) => {
                    problem(&trouble.about(path), screen, evening);
                    continue;
                }
            };
            for record in parsed {
                let mut end = record.end;
                end.session = end.session.or(context.flags());
                evening.how.push(How::Kept);
                evening.filed.push(Filed {
                    file: store::name_of(path),
                    line: record.line,
                    end,
                });
            }
        }
    }
}

fn tell(args: &Day, evening: &Evening, screen: &mut Screen) -> Result<(), Trouble> {
    let options = AdviceOptions { both: args.both };
    let (mut bows, _) = stories(evening.filed.clone(), &options);
    if args.json {
        screen.answer(&canonical::line(&document(evening, &bows))?);
    } else {
        let ends: Vec<(&str, &End)> = evening
            .filed
            .iter()
            .map(|f| (f.file.as_str(), &f.end))
            .collect();
        screen.text(&text::day(&ends, &evening.problems));
        bows.iter()
            .for_each(|bow| screen.text(&format!("\n{}", bow_in_words(bow, bows.len() > 1))));
    }
    let Some(path) = &args.report else {
        return Ok(());
    };
    for end in bows
        .iter_mut()
        .flat_map(|b| &mut b.runs)
        .flat_map(|r| &mut r.ends)
    {
        end.marked_jpeg = evening.marked.get(&end.file).cloned();
    }
    let page = html::report(&ReportInput {
        title: String::new(),
        bows,
        problems: evening.problems.clone(),
    });
    store::save_document(path, page.as_bytes()).map_err(|e| Trouble::from(e).about(path))?;
    if !args.json {
        screen.text(&format!(
            "\nThe report is in {}: open it in a browser.",
            path.display()
        ));
    }
    Ok(())
}

fn bow_in_words(bow: &BowStory, several: bool) -> String {
    let mut said = String::new();
    if several {
        said.push_str(&format!("{}\n\n", bow.label));
    }
    if bow.runs.len() > 1 {
        for (number, run) in (1..).zip(&bow.runs) {
            let files: Vec<&str> = run.ends.iter().map(|e| e.file.as_str()).collect();
            said.push_str(&format!(
                "Set-up {number} ({}): {}\n",
                files.join(", "),
                sentence(&run.reading)
            ));
        }
        said.push('\n');
    }
    said + &text::advice(&bow.advice_now)
}

/// What came of the folder, for machines.
fn document(evening: &Evening, bows: &[BowStory]) -> Value {
    let records: Vec<Value> = evening
        .filed
        .iter()
        .zip(&evening.how)
        .map(|(filed, how)| {
            json!({
                "file": filed.file,
                "how": if *how == How::Kept { "kept" } else { "measured" },
                "entries": filed.end.entries.len(),
                "unconfirmed": filed.end.entries.iter().filter(|e| e.state == crate::record::EntryState::Proposed).count(),
            })
        })
        .collect();
    let read: Vec<Value> = readings(evening.filed.clone())
        .0
        .iter()
        .map(|r| json!({"files": r.files, "reading": r.reading}))
        .collect();
    let advice: Vec<Value> = bows
        .iter()
        .map(|b| json!({"bow": b.label, "advice": b.advice_now}))
        .collect();
    let problems: Vec<Value> = evening
        .problems
        .iter()
        .map(|p| json!({"file": p.file, "text": p.text}))
        .collect();
    json!({"schema": "bossmark/day/1", "records": records, "readings": read, "advice": advice, "problems": problems})
}
