//! What `day` writes beside the records: reports, drawings, and the table of entries.

use super::outcome::DayOutcome;
use crate::advice::AdviceOptions;
use crate::cli::args::Day;
use crate::cli::outputs;
use crate::cli::status::CliError;
use crate::cli::terminal::Terminal;
use crate::record::{End, RecordFile};
use crate::report::face_plot::FacePlot;
use crate::report::{Embedding, charts, csv, html};
use crate::store::{self, OutputKind, StoreError};
use crate::text::Locale;
use crate::timeline::{BowReport, Problem, ReportInput, ReportRecords};
use std::collections::BTreeSet;
use std::path::Path;

/// Limit of all photos in a report, bytes of JPEG. As text they take a third more, so that the page stays below 5 MB.
const MAX_REPORT_PHOTOS_BYTES: usize = 3_300_000;
/// Limit of one photo in a report, bytes: more adds nothing that can be seen.
const MAX_SHOWN_PHOTO_BYTES: usize = 330_000;

/// The options of the advice.
#[must_use]
pub(super) fn options(args: &Day) -> AdviceOptions {
    AdviceOptions {
        both: args.both,
        ..AdviceOptions::default()
    }
}

/// Whether any report is asked for, which shows the photos.
#[must_use]
pub(super) const fn shows_photos(args: &Day) -> bool {
    args.report.is_some() || args.reports.is_some()
}

/// How many bytes each of `photos` photos may take in a report.
#[must_use]
pub(super) fn bytes_per_photo(photos: usize) -> usize {
    (MAX_REPORT_PHOTOS_BYTES / photos.max(1)).min(MAX_SHOWN_PHOTO_BYTES)
}

/// Refuses `--png` in a program that was built without it, and outputs to files that may not be written.
///
/// # Errors
/// Wrong use, with the feature to build with or the way out.
pub(super) fn check(args: &Day) -> Result<(), CliError> {
    if args.png.is_some() && !cfg!(feature = "png") {
        return Err(CliError::usage(PNG_MISSING));
    }
    let folders = [&args.out, &args.reports, &args.svg, &args.png];
    if let Some(file) = folders.into_iter().flatten().find(|path| path.is_file()) {
        return Err(CliError::usage(StoreError::NoFolder).about(file));
    }
    outputs::check(
        &[
            (args.report.as_ref(), OutputKind::Page),
            (args.csv.as_ref(), OutputKind::Table),
        ],
        &[],
    )
}

const PNG_MISSING: &str = "this program was built without `--png`: write the drawings with --svg, or build it with `--features png`";

#[cfg(feature = "png")]
fn png_bytes(drawing: &str) -> Result<Vec<u8>, CliError> {
    crate::report::png::picture(drawing).map_err(CliError::file)
}

#[cfg(not(feature = "png"))]
fn png_bytes(_drawing: &str) -> Result<Vec<u8>, CliError> {
    Err(CliError::usage(PNG_MISSING))
}

/// Writes the reports, drawings and tables that the flags ask for.
pub(super) fn write(
    args: &Day,
    outcome: &DayOutcome,
    history: Vec<RecordFile>,
    terminal: &mut Terminal,
) {
    let wanted = shows_photos(args) || args.svg.is_some() || args.png.is_some();
    if !wanted && args.csv.is_none() {
        return;
    }
    let mut shown = ReportRecords::new(
        outcome.records.clone(),
        history,
        outcome.problems.clone(),
        outcome.marked.clone(),
    )
    .with_noted_settings(outcome.noted.clone());
    let hidden_names = if args.names {
        Vec::new()
    } else {
        shown.remove_names()
    };
    if let Some(path) = &args.csv {
        let table = csv::entries(shown.of_day.iter().map(|f| (f.file.as_str(), &f.end)));
        let saved = store::save_output(path, table.as_bytes());
        let saved = saved.map_err(|e| CliError::from(e).about(path));
        tell_path(args, terminal, "The table of entries", path, saved);
    }
    if !wanted {
        return;
    }
    let problems = shown.problems.clone();
    let mut bows = shown.bow_reports(&options(args));
    in_archers_order(&mut bows, &outcome.records, &hidden_names);
    for run in bows.iter_mut().flat_map(|b| &mut b.runs) {
        let name = run.ends.iter().find_map(|e| e.end.face.as_ref());
        if let Some(look) = name.and_then(|face| outcome.looks.get(&face.name)) {
            run.face = Some(look.clone());
        }
    }
    for (folder, outlined) in [(&args.svg, false), (&args.png, true)] {
        if let Some(folder) = folder {
            let saved = drawings(args, &bows, folder, outlined);
            tell_path(args, terminal, "The drawings are", folder, saved);
        }
    }
    if let Some(path) = &args.report {
        let saved = report(args, bows.clone(), problems.clone(), path);
        tell_path(args, terminal, "The report", path, saved);
    }
    if let Some(folder) = &args.reports {
        let saved = reports_of_archers(args, bows, &hidden_names, folder);
        tell_path(args, terminal, "The reports are", folder, saved);
    }
}

/// A report for each archer.
fn reports_of_archers(
    args: &Day,
    bows: Vec<BowReport>,
    hidden_names: &[String],
    folder: &Path,
) -> Result<(), CliError> {
    store::make_folder(folder).map_err(|e| CliError::from(e).about(folder))?;
    let mut archers: Vec<(Option<String>, Vec<BowReport>)> = Vec::new();
    for bow in bows {
        let archer = archer_of(&bow);
        match archers.iter_mut().find(|(a, _)| *a == archer) {
            Some((_, list)) => list.push(bow),
            None => archers.push((archer, vec![bow])),
        }
    }
    let mut taken = BTreeSet::new();
    for (number, (archer, bows)) in (1_usize..).zip(archers) {
        // the file is named after the archer, also where the report isn't
        let named = archer.map(|a| named_archer(&a, hidden_names));
        let mut name = named.map_or_else(String::new, |a| file_name(&a));
        if name.is_empty() || !taken.insert(name.clone()) {
            name = format!("archer-{number}");
            taken.insert(name.clone());
        }
        // problems with files concern the coach, not the archers
        report(args, bows, Vec::new(), &folder.join(format!("{name}.html")))?;
    }
    Ok(())
}

/// Tells where something was written, or why not: what else is asked for is written all the same.
fn tell_path(
    args: &Day,
    terminal: &mut Terminal,
    what: &str,
    path: &Path,
    saved: Result<(), CliError>,
) {
    if let Err(error) = saved {
        terminal.error(&error);
    } else if !args.json {
        let is = if what.ends_with(" are") { "" } else { " is" };
        terminal.text(&format!("{what}{is} in {}.", path.display()));
    }
}

fn archer_of(bow: &BowReport) -> Option<String> {
    let end = bow.runs.last()?.ends.last()?;
    end.end.session.archer.clone()
}

/// The bows in the order in which their archers' records come: that of their folders. `hidden`: the names of those whom the
/// reports call by numbers.
pub(super) fn in_archers_order(bows: &mut [BowReport], records: &[RecordFile], hidden: &[String]) {
    bows.sort_by_key(|bow| {
        let own = archer_of(bow).map(|a| named_archer(&a, hidden));
        records.iter().position(|f| f.end.session.archer == own)
    });
}

/// The name of an archer whom the reports call "Archer 1", "Archer 2", …
fn named_archer(called: &str, archers: &[String]) -> String {
    let number = called.strip_prefix("Archer ");
    let number = number.and_then(|n| n.parse::<usize>().ok());
    let name = number.and_then(|n| archers.get(n.checked_sub(1)?));
    name.cloned().unwrap_or_else(|| called.to_owned())
}

/// A label as the name of a file.
fn file_name(label: &str) -> String {
    let mut name = String::new();
    for c in label.chars() {
        if c.is_alphanumeric() {
            name.extend(c.to_lowercase());
        } else if !name.ends_with('-') {
            name.push('-');
        }
    }
    name.trim_matches('-').to_owned()
}

fn report(
    args: &Day,
    bows: Vec<BowReport>,
    problems: Vec<Problem>,
    path: &Path,
) -> Result<(), CliError> {
    let input = ReportInput {
        title: String::new(),
        bows,
        problems,
        full: args.full,
    };
    let page = html::report(&input, args.local.into());
    store::save_output(path, page.as_bytes()).map_err(|e| CliError::from(e).about(path))
}

/// Each set-up's face plot and how the offset moved, as SVG or PNG.
fn drawings(args: &Day, bows: &[BowReport], folder: &Path, pixels: bool) -> Result<(), CliError> {
    store::make_folder(folder).map_err(|e| CliError::from(e).about(folder))?;
    let embedding = if pixels {
        Embedding::Outlined
    } else {
        Embedding::Standalone
    };
    let locale = Locale::from(args.local);
    for (number, bow) in (1_usize..).zip(bows) {
        let prefix = if bows.len() > 1 {
            format!("bow-{number}-")
        } else {
            String::new()
        };
        let mut all: Vec<(String, String)> = Vec::new();
        for run in &bow.runs {
            let ends: Vec<&End> = run.ends.iter().map(|e| &e.end).collect();
            let title = format!("Both groups, set-up {}", run.number);
            let plot = FacePlot::of_run(&ends, &run.reading, run.face.as_ref(), &title);
            let mut name = format!("setup-{}", run.number);
            if all.iter().any(|(n, _)| *n == name) {
                // the same set-up from another distance
                let metres = run.reading.distance_m.unwrap_or(0.0);
                name = format!("{name}-{metres}m");
            }
            all.push((name, plot.svg("p", embedding, locale)));
        }
        all.push((
            "offset".to_owned(),
            charts::timeline(&bow.runs, "t", embedding, locale),
        ));
        all.push((
            "trend".to_owned(),
            charts::trend(&bow.trend, "h", embedding, locale),
        ));
        for (name, drawing) in all.into_iter().filter(|(_, d)| !d.is_empty()) {
            let (bytes, ending) = if pixels {
                (png_bytes(&drawing)?, "png")
            } else {
                (drawing.into_bytes(), "svg")
            };
            let path = folder.join(format!("{prefix}{name}.{ending}"));
            store::save_output(&path, &bytes).map_err(|e| CliError::from(e).about(&path))?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_become_names_of_files() {
        assert_eq!(file_name("Mara K., club riser"), "mara-k-club-riser");
        assert_eq!(file_name("../../etc"), "etc");
        assert_eq!(file_name("!!"), "");
    }

    #[test]
    fn thirty_photos_share_the_room_and_seven_have_enough() {
        assert_eq!(bytes_per_photo(7), MAX_SHOWN_PHOTO_BYTES);
        assert_eq!(bytes_per_photo(30), 110_000);
        assert_eq!(bytes_per_photo(0), MAX_SHOWN_PHOTO_BYTES);
    }
}
