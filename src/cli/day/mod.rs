//! `bossmark day`: folders of photos → records, what needs a person, readings, advice, and reports.

mod folders;
mod history;
mod lone_records;
mod measuring;
mod outcome;
mod outputs;
mod photos;
mod summary;

use super::args::Day;
use super::context::{Context, SESSION_FILE};
use super::status::CliError;
use super::terminal::Terminal;
use crate::store;
use crate::timeline::FaceLook;
use outcome::DayOutcome;
use std::collections::BTreeSet;
use std::path::Path;

/// Runs the command.
pub(super) fn run(args: &Day, terminal: &mut Terminal) -> Result<(), CliError> {
    outputs::check(args)?;
    if let Some(threads) = args.threads {
        // fails only if the threads are running already, and nothing has started them
        let _ = rayon::ThreadPoolBuilder::new()
            .num_threads(usize::from(threads))
            .build_global();
    }
    let mut context = Context::new(&args.session, args.face.as_deref())?
        .with_lens(args.lens.as_deref())?
        .numbering_ends();
    let folders = folders::find_folders(args, terminal)?;
    folders::refuse_conflicts(&folders, &mut context)?;
    let mut photos = Vec::new();
    let mut used = BTreeSet::new();
    for day_folder in &folders {
        folders::prepare(day_folder)?;
        let folder = &day_folder.folder;
        let files = store::photos(folder).map_err(|e| CliError::from(e).about(folder))?;
        for path in store::pictures_in_other_formats(folder).unwrap_or_default() {
            terminal.message(&format!(
                "{}: no JPEG or PNG, left out: export it as JPEG if it shows an end",
                path.display()
            ));
        }
        let pictures = photos::separate_drawn_pictures(files.clone());
        for path in &pictures.drawn_on {
            terminal.message(&format!(
                "{}: a picture that bossmark made of a photo, left out",
                path.display()
            ));
        }
        let found = photos::find_photos(day_folder, pictures.photos, &mut context)?;
        for item in &found {
            used.insert(item.record.path.clone());
            if let Some(message) = item.record.message() {
                terminal.message(&format!("{}: {message}", item.photo.display()));
            }
        }
        photos.extend(found);
        for name in context.missing_photos(folder, &files)? {
            terminal.message(&format!(
                "{name}: named in the session file, but not in {}",
                folder.display()
            ));
        }
        for message in context.messages() {
            terminal.message(&message);
        }
    }
    // a face that is missing for all photos is one error of the command, not one of each photo
    if let Some(Err(error)) = photos.first().map(|p| &p.face)
        && photos.iter().all(|p| p.face.as_ref().err() == Some(error))
        && photos.iter().any(|p| !p.record.exists)
    {
        return Err(error.clone());
    }
    let mut outcome = DayOutcome::default();
    for face in photos.iter().flat_map(|p| &p.face) {
        outcome
            .looks
            .insert(face.name.clone(), FaceLook::from(face));
    }
    let lone_records = lone_records::find_lone_records(&folders, &used);
    photos::select_shard_and_mark_duplicates(&mut photos, args.shard);
    measuring::measure_photos(args, &photos, terminal, &mut outcome);
    if args.shard.is_none() {
        lone_records::add_lone_records(args, lone_records, &context, terminal, &mut outcome);
        if outcome.records.is_empty() && outcome.problems.is_empty() {
            let folder = folders.first().map_or(Path::new("."), |f| &f.folder);
            return Err(CliError::not_possible("there is no photo (JPEG or PNG) and no record in this folder: name the one that holds them").about(folder));
        }
    }
    for folder in &folders {
        let noted = context.changed_after_last_photo(&folder.folder.join(SESSION_FILE))?;
        let records = outcome.records.iter().filter(|r| folder.holds(r));
        let noted = records.filter_map(|r| Some((r.file.clone(), noted.clone()?)));
        outcome.noted.extend(noted);
    }
    summary::report_day(args, &outcome, &folders, terminal);
    Ok(())
}
