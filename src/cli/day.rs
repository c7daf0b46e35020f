//! `bossmark day`: folders of photos → records, what needs a person, readings, advice, and reports.

use super::args::Day;
use super::context::Context;
use super::parallel::map_in_order;
use super::photo_task::{PhotoTask, unreadable_record};
use super::progress::Progress;
use super::status::{CliError, Status};
use super::terminal::Terminal;
use super::{input, outputs};
use crate::face::spec::FaceSpec;
use crate::measure::MeasureOptions;
use crate::photo::{self, Photo};
use crate::reading::sentence;
use crate::record::{End, Filed, Session, canonical, parse_records};
use crate::report::{BowStory, FaceLook, Problem, marked, text};
use crate::store;
use crate::timeline::stories_of;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// A folder that is worked through, and where its records are.
struct Place {
    folder: PathBuf,
    /// Folder of the records, where it is another one.
    out: Option<PathBuf>,
    /// How an archer is called whom nobody names: only where there are several folders.
    archer: Option<String>,
}

/// A photo, and all that is needed to deal with it.
struct Item {
    photo: PathBuf,
    /// How it is called in what is told.
    name: String,
    place: PathBuf,
    session: Session,
    face: Result<FaceSpec, CliError>,
    options: MeasureOptions,
    /// Name of the photo before it with the same content.
    twin: Option<String>,
}

/// What came of a photo.
struct Dealt {
    end: End,
    /// What the record's file says of it.
    how: How,
    marked: Option<Vec<u8>>,
    messages: Vec<String>,
    error: Option<CliError>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum How {
    Measured,
    Kept,
}

/// All that came of the folders.
#[derive(Default)]
pub(super) struct DayOutcome {
    pub(super) filed: Vec<Filed>,
    pub(super) marked: BTreeMap<String, Vec<u8>>,
    pub(super) problems: Vec<Problem>,
    /// Faces as they are drawn, by name: the user's own are known only here.
    pub(super) looks: BTreeMap<String, FaceLook>,
    measured: usize,
    kept: usize,
    again: usize,
}

/// Runs the command.
pub(super) fn run(args: &Day, terminal: &mut Terminal) -> Result<(), CliError> {
    if let Some(threads) = args.threads {
        // fails only where the threads run already, which nothing has started yet
        let _ = rayon::ThreadPoolBuilder::new()
            .num_threads(usize::from(threads))
            .build_global();
    }
    let mut context = Context::new(&args.session, args.face.as_deref())?
        .with_lens(args.lens.as_deref())?
        .numbering_ends();
    let places = places(args)?;
    let mut items = Vec::new();
    let mut used = BTreeSet::new();
    for place in &places {
        prepare(place)?;
        let photos =
            store::photos(&place.folder).map_err(|e| CliError::from(e).about(&place.folder))?;
        let records = store::record_paths(&photos, place.out.as_deref());
        used.extend(records.iter().cloned());
        items.extend(self::items(place, &photos, &records, &mut context)?);
        for name in context.missing_photos(&place.folder, &photos)? {
            terminal.tell(&format!(
                "{name}: named in the session file, but not in {}",
                place.folder.display()
            ));
        }
        for message in context.messages() {
            terminal.tell(&message);
        }
    }
    // no face is one fault of the call, not one of each photo
    if let Some(Err(error)) = items.first().map(|i| &i.face)
        && items.iter().all(|i| i.face.as_ref().err() == Some(error))
        && items.iter().any(|i| !i.place.exists())
    {
        return Err(error.clone());
    }
    let mut outcome = DayOutcome::default();
    for face in items.iter().flat_map(|i| &i.face) {
        outcome
            .looks
            .insert(face.name.clone(), FaceLook::from(face));
    }
    let alone = alone(&places, &used);
    for path in by_content(&mut items, &alone, args.shard, &mut used) {
        terminal.tell(&format!(
            "{}: a picture that bossmark made of a photo, left out",
            path.display()
        ));
    }
    photographed(args, &items, terminal, &mut outcome);
    if args.shard.is_none() {
        without_photo(args, alone, &used, &context, terminal, &mut outcome);
        if outcome.filed.is_empty() && outcome.problems.is_empty() {
            let folder = places.first().map_or(Path::new("."), |p| &p.folder);
            return Err(CliError::not_possible("there is no photo (JPEG or PNG) and no record in this folder: name the one that holds them").about(folder));
        }
    }
    tell(args, &outcome, &places, terminal)
}

/// The folders that are meant: those named, and for one without photos of its own those in it that hold some.
fn places(args: &Day) -> Result<Vec<Place>, CliError> {
    let mut folders = Vec::new();
    for folder in &args.folders {
        let about = |e| CliError::from(e).about(folder);
        let inner = if store::photos(folder).map_err(about)?.is_empty()
            && store::records(folder).map_err(about)?.is_empty()
        {
            store::folders_with_photos(folder).map_err(about)?
        } else {
            Vec::new()
        };
        if inner.is_empty() {
            folders.push(folder.clone());
        } else {
            folders.extend(inner);
        }
    }
    let several = folders.len() > 1;
    Ok(folders
        .into_iter()
        .map(|folder| {
            let name = several.then(|| store::name_of(&folder));
            Place {
                out: args.out.as_ref().map(|out| match &name {
                    Some(name) => out.join(name),
                    None => out.clone(),
                }),
                archer: name,
                folder,
            }
        })
        .collect())
}

/// Makes the folder of the records, and clears away what a killed process left half written.
fn prepare(place: &Place) -> Result<(), CliError> {
    if let Some(out) = &place.out {
        store::make_folder(out).map_err(|e| CliError::from(e).about(out))?;
        store::clear_unfinished(out);
    }
    store::clear_unfinished(&place.folder);
    Ok(())
}

fn items(
    place: &Place,
    photos: &[PathBuf],
    records: &[PathBuf],
    context: &mut Context,
) -> Result<Vec<Item>, CliError> {
    let pairs = photos.iter().zip(records);
    pairs
        .map(|(photo, record)| {
            let mut session = context.session(photo)?;
            session.archer = session.archer.or_else(|| place.archer.clone());
            Ok(Item {
                photo: photo.clone(),
                name: name_in(place, photo),
                place: record.clone(),
                session,
                face: context.face(photo),
                options: context.options(photo)?,
                twin: None,
            })
        })
        .collect()
}

/// How a file is called: with its folder where there are several.
fn name_in(place: &Place, file: &Path) -> String {
    let name = store::name_of(file);
    match &place.archer {
        Some(folder) => format!("{folder}/{name}"),
        None => name,
    }
}

/// Sorts out by content: photos of another share go, a photo that is there twice counts once, and one that was renamed finds
/// the record that was made of it. Pictures that were made of photos go too, and are returned.
fn by_content(
    items: &mut Vec<Item>,
    alone: &[Alone],
    shard: Option<(u64, u64)>,
    used: &mut BTreeSet<PathBuf>,
) -> Vec<PathBuf> {
    let read: Vec<(Option<String>, bool)> = items
        .par_iter()
        .map(|item| {
            let Ok(bytes) = store::read(&item.photo) else {
                return (None, false);
            };
            (Some(photo::fingerprint(&bytes)), photo::is_drawn_on(&bytes))
        })
        .collect();
    let (mut prints, mut drawn_on) = (Vec::new(), Vec::new());
    for (item, (print, drawn)) in std::mem::take(items).into_iter().zip(read) {
        if drawn {
            drawn_on.push(item.photo);
        } else {
            items.push(item);
            prints.push(print);
        }
    }
    let mut records: BTreeMap<(&Path, &str), &Path> = BTreeMap::new();
    for one in alone {
        if let Ok([record]) = one.records.as_deref()
            && let Some(photo) = &record.end.photo
        {
            records.insert((one.folder(), photo.sha256.as_str()), &one.path);
        }
    }
    let folder_of = |item: &Item| item.photo.parent().unwrap_or(Path::new("")).to_owned();
    // of those there twice the one with a record counts, else the first
    let mut counts: BTreeMap<(PathBuf, String), (bool, String)> = BTreeMap::new();
    for (item, print) in items.iter().zip(&prints) {
        let Some(print) = print else { continue };
        let has_record = item.place.exists();
        let one = (has_record, item.name.clone());
        counts
            .entry((folder_of(item), print.clone()))
            .and_modify(|there| {
                if has_record && !there.0 {
                    *there = one.clone();
                }
            })
            .or_insert(one);
    }
    let mut kept = Vec::new();
    for (mut item, print) in std::mem::take(items).into_iter().zip(prints) {
        // what can't be read is everybody's to tell; the first share does
        let share = print.as_deref().map_or(0, number_of);
        if shard.is_some_and(|(k, n)| share % n != k - 1) {
            continue;
        }
        if let Some(print) = print {
            let name = counts.get(&(folder_of(&item), print.clone()));
            item.twin = name.map(|(_, n)| n).filter(|n| **n != item.name).cloned();
            let records_folder = item.place.parent().unwrap_or(Path::new(""));
            if !item.place.exists()
                && item.twin.is_none()
                && let Some(there) = records.get(&(records_folder, print.as_str()))
            {
                item.place = (*there).to_owned();
                used.insert(item.place.clone());
            }
        }
        kept.push(item);
    }
    *items = kept;
    drawn_on
}

/// The first 60 bits of a fingerprint.
fn number_of(print: &str) -> u64 {
    let digits = print.get(..15).unwrap_or_default();
    u64::from_str_radix(digits, 16).unwrap_or(0)
}

/// Measures the photos that have no record yet. Each record is saved as soon as it is made.
fn photographed(args: &Day, items: &[Item], terminal: &mut Terminal, outcome: &mut DayOutcome) {
    let progress = Progress::new(items.len());
    let most_bytes = outputs::shows_photos(args).then(|| outputs::bytes_a_photo(items.len()));
    map_in_order(
        items,
        |item| {
            if item.twin.is_some() {
                progress.done(0);
                return Ok(None);
            }
            let dealt = deal(item, args.again, most_bytes, &progress);
            progress.done(dealt.as_ref().map_or(0, |d| d.end.entries.len()));
            dealt.map(Some)
        },
        |item, dealt| progress.suspended(|| came(args, item, dealt, terminal, outcome)),
    );
    progress.finish();
}

/// What came of a photo is told and kept; `None`: it is there twice.
fn came(
    args: &Day,
    item: &Item,
    dealt: Result<Option<Dealt>, CliError>,
    terminal: &mut Terminal,
    outcome: &mut DayOutcome,
) {
    match dealt {
        Ok(Some(dealt)) => keep(args, item, dealt, terminal, outcome),
        Ok(None) => {
            outcome.again += 1;
            terminal.tell(&format!(
                "{}: the same photo as {}, it counts once",
                item.photo.display(),
                item.twin.as_deref().unwrap_or_default()
            ));
        }
        Err(error) => {
            let error = error.about(&item.photo);
            if args.json {
                line(&unreadable_record(&error), terminal);
            }
            problem(&error, &item.name, terminal, outcome);
        }
    }
}

/// An end's record as a line of JSON.
fn line(end: &End, terminal: &mut Terminal) {
    match canonical::to_line(end) {
        Ok(line) => terminal.answer(&line),
        Err(error) => terminal.error(&CliError::from(error)),
    }
}

fn keep(args: &Day, item: &Item, dealt: Dealt, terminal: &mut Terminal, outcome: &mut DayOutcome) {
    for message in dealt.messages {
        terminal.tell(&format!("{}: {message}", item.photo.display()));
    }
    if args.json {
        line(&dealt.end, terminal);
    }
    if let Some(error) = dealt.error {
        problem(&error.about(&item.photo), &item.name, terminal, outcome);
    }
    if let Some(failure) = &dealt.end.failure {
        terminal.raise(Status::NotPossible);
        outcome.problems.push(Problem {
            file: item.name.clone(),
            text: failure.text.clone(),
        });
        if dealt.end.entries.is_empty() {
            return;
        }
    }
    if let Some(marked) = dealt.marked {
        outcome.marked.insert(item.name.clone(), marked);
    }
    match dealt.how {
        How::Measured => outcome.measured += 1,
        How::Kept => outcome.kept += 1,
    }
    outcome.filed.push(Filed {
        file: item.name.clone(),
        line: 1,
        end: dealt.end,
    });
}

fn problem(error: &CliError, name: &str, terminal: &mut Terminal, outcome: &mut DayOutcome) {
    terminal.error(error);
    outcome.problems.push(Problem {
        file: name.to_owned(),
        text: error.text.clone(),
    });
}

fn deal(
    item: &Item,
    again: bool,
    most_bytes: Option<usize>,
    progress: &Progress,
) -> Result<Dealt, CliError> {
    let bytes = input::bytes(&item.photo)?;
    let there = store::record_at(&item.place).map_err(|e| CliError::from(e).about(&item.place))?;
    if let Some(end) = there
        && (!again || store::is_touched(&end))
        && let Some(dealt) = kept(item, end, &bytes, most_bytes)
    {
        return Ok(dealt);
    }
    let task = PhotoTask {
        path: item.photo.clone(),
        face: item.face.clone()?,
        session: item.session.clone(),
        options: item.options.clone(),
    };
    let measured = task.run(&bytes, progress)?;
    let saved = store::save_proposal(&item.place, &measured.end);
    Ok(Dealt {
        marked: draw_marked(item, &measured.photo, &measured.end, most_bytes),
        end: measured.end,
        how: How::Measured,
        messages: Vec::new(),
        error: saved.err().map(|e| CliError::from(e).about(&item.place)),
    })
}

/// A record that is there already and stays: a person's, or a proposal for this very photo and face. `None`: measure.
fn kept(item: &Item, mut end: End, bytes: &[u8], most_bytes: Option<usize>) -> Option<Dealt> {
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
    let (mut marked, mut failure) = (None, None);
    if most_bytes.is_some() && same_photo {
        match photo::open(bytes) {
            Ok(photo) => marked = draw_marked(item, &photo, &end, most_bytes),
            Err(error) => failure = Some(CliError::from(error)),
        }
    }
    Some(Dealt {
        end,
        how: How::Kept,
        marked,
        messages,
        error: failure,
    })
}

fn draw_marked(
    item: &Item,
    photo: &Photo,
    end: &End,
    most_bytes: Option<usize>,
) -> Option<Vec<u8>> {
    let known = item.face.as_ref().ok().map(FaceLook::from);
    let look = known
        .or_else(|| end.face.as_ref().map(FaceLook::of_record))
        .unwrap_or_else(|| FaceLook::plain(0.0));
    marked::for_report(&photo.pixels, end, &look, most_bytes?).ok()
}

/// A record file that stands at no photo's place.
struct Alone {
    /// How it is called in what is told.
    name: String,
    path: PathBuf,
    archer: Option<String>,
    records: Result<Vec<crate::record::ParsedRecord>, CliError>,
}

impl Alone {
    fn folder(&self) -> &Path {
        self.path.parent().unwrap_or(Path::new(""))
    }
}

/// Records without a photo of their name: ends measured with a tape, or whose photo is gone or was renamed.
fn alone(places: &[Place], used: &BTreeSet<PathBuf>) -> Vec<Alone> {
    let mut found = Vec::new();
    for place in places {
        let mut folders = vec![place.folder.as_path()];
        folders.extend(place.out.as_deref());
        for folder in folders {
            // the folder of the photos could be listed before, the other was made
            let records = store::records(folder).unwrap_or_default();
            for path in records.into_iter().filter(|r| !used.contains(r)) {
                let records = store::read(&path)
                    .map_err(CliError::from)
                    .and_then(|bytes| Ok(parse_records(&bytes)?));
                found.push(Alone {
                    name: name_in(place, &path),
                    archer: place.archer.clone(),
                    path,
                    records,
                });
            }
        }
    }
    found
}

fn without_photo(
    args: &Day,
    alone: Vec<Alone>,
    used: &BTreeSet<PathBuf>,
    context: &Context,
    terminal: &mut Terminal,
    outcome: &mut DayOutcome,
) {
    for one in alone.into_iter().filter(|a| !used.contains(&a.path)) {
        let records = match one.records {
            Ok(records) => records,
            Err(error) => {
                problem(&error.about(&one.path), &one.name, terminal, outcome);
                continue;
            }
        };
        for record in records {
            let mut end = record.end;
            end.session = end.session.or(context.flags());
            end.session.archer = end.session.archer.or_else(|| one.archer.clone());
            if args.json {
                line(&end, terminal);
            }
            outcome.kept += 1;
            outcome.filed.push(Filed {
                file: one.name.clone(),
                line: record.line,
                end,
            });
        }
    }
}

fn tell(
    args: &Day,
    outcome: &DayOutcome,
    places: &[Place],
    terminal: &mut Terminal,
) -> Result<(), CliError> {
    let history = history(args, outcome, places, terminal);
    if !args.json {
        let short = text::DayInShort {
            ends: outcome
                .filed
                .iter()
                .map(|f| (f.file.as_str(), &f.end))
                .collect(),
            problems: &outcome.problems,
            measured: outcome.measured,
            kept: outcome.kept,
            again: outcome.again,
            confirm: confirming(outcome, places),
        };
        terminal.text(&args.local.text(text::day(&short)));
        if args.shard.is_none() {
            let told: BTreeSet<(String, usize)> = outcome
                .filed
                .iter()
                .map(|f| (f.file.clone(), f.line))
                .collect();
            let all = outcome.filed.iter().chain(&history).cloned().collect();
            let (bows, _) = stories_of(all, &outputs::options(args), &|f: &Filed| {
                told.contains(&(f.file.clone(), f.line))
            });
            for bow in &bows {
                let said = bow_in_words(bow, bows.len() > 1);
                terminal.text(&args.local.text(format!("\n{said}")));
            }
        }
    }
    outputs::write(args, outcome, history, terminal)
}

/// The commands with which a person looks at what waits, one for each folder where something does.
fn confirming(outcome: &DayOutcome, places: &[Place]) -> Vec<String> {
    let waits = |place: &Place| {
        outcome.filed.iter().any(|f| {
            let here = match &place.archer {
                Some(folder) => f.file.starts_with(&format!("{folder}/")),
                None => true,
            };
            here && !crate::record::history::is_confirmed(&f.end) && !f.end.entries.is_empty()
        })
    };
    let commands = places.iter().filter(|p| waits(p)).map(|place| {
        let out = place
            .out
            .as_deref()
            .map_or_else(String::new, |out| format!(" --out {}", quoted(out)));
        format!("bossmark confirm {}{out}", quoted(&place.folder))
    });
    commands.collect()
}

/// A path as it has to be typed.
fn quoted(path: &Path) -> String {
    let text = path.display().to_string();
    let plain = |c: char| c.is_alphanumeric() || "/._-+,:@%".contains(c);
    if !text.is_empty() && text.chars().all(plain) {
        text
    } else {
        format!("'{}'", text.replace('\'', "'\\''"))
    }
}

/// Earlier records: those below the history's folder that aren't this day's own.
fn history(
    args: &Day,
    outcome: &DayOutcome,
    places: &[Place],
    terminal: &mut Terminal,
) -> Vec<Filed> {
    let Some(folder) = &args.history else {
        return Vec::new();
    };
    let same = |a: &Path, b: &Path| match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => a == b,
    };
    let own: Vec<&Path> = places
        .iter()
        .flat_map(|p| [Some(p.folder.as_path()), p.out.as_deref()])
        .flatten()
        .collect();
    let photos: BTreeSet<&str> = outcome
        .filed
        .iter()
        .filter_map(|f| f.end.photo.as_ref().map(|p| p.sha256.as_str()))
        .collect();
    let mut found = input::records(terminal, &[folder], &Session::default());
    // by folder first: to ask the system once for each
    let mut theirs: BTreeMap<PathBuf, bool> = BTreeMap::new();
    found.retain(|filed| {
        let folder = Path::new(&filed.file).parent().unwrap_or(Path::new(""));
        let own = *theirs
            .entry(folder.to_owned())
            .or_insert_with(|| own.iter().any(|o| same(o, folder)));
        let photo = filed.end.photo.as_ref();
        !own && !photo.is_some_and(|p| photos.contains(p.sha256.as_str()))
    });
    found
}

fn bow_in_words(bow: &BowStory, several: bool) -> String {
    let mut said = String::new();
    if several {
        said.push_str(&format!("{}\n\n", bow.label));
    }
    if bow.runs.len() > 1 {
        let now = sentence(&bow.advice_now.reading);
        for (left, run) in (0..bow.runs.len()).rev().zip(&bow.runs) {
            let files: Vec<&str> = run
                .ends
                .iter()
                .filter(|e| !e.earlier)
                .map(|e| e.file.as_str())
                .collect();
            let read = sentence(&run.reading);
            // the set-up of now is read in full below
            let words = if left == 0 && read == now {
                "the one of now, read below."
            } else {
                &read
            };
            let set_up = format!("Set-up {} ({}): ", run.number, files.join(", "));
            said.push_str(&text::wrapped(&set_up, words));
        }
        said.push('\n');
    }
    said + &text::advice(&bow.advice_now)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn commands_can_be_typed_as_they_stand() {
        assert_eq!(quoted(Path::new("a/b-1.jpg")), "a/b-1.jpg");
        assert_eq!(quoted(Path::new("my night")), "'my night'");
        assert_eq!(quoted(Path::new("it's")), r"'it'\''s'");
    }

    #[test]
    fn shares_go_by_content_and_cover_everything() {
        let prints: Vec<String> = (0_u8..60).map(|i| photo::fingerprint(&[i])).collect();
        let mut sizes = [0_u32; 4];
        for print in &prints {
            let k = usize::try_from(number_of(print) % 4).expect("small");
            sizes[k] += 1;
        }
        assert_eq!(sizes.iter().sum::<u32>(), 60);
        assert!(sizes.iter().all(|n| *n > 5), "{sizes:?}");
    }
}
