//! What `day` writes beside the records: reports, drawings, and the table of entries.

use super::args::Day;
use super::day::DayOutcome;
use super::status::CliError;
use super::terminal::Terminal;
use crate::advice::AdviceOptions;
use crate::record::history::sorted;
use crate::record::{Filed, Session};
use crate::report::svg::FacePlot;
use crate::report::{Embedding, charts, csv, html, png};
use crate::store;
use crate::text::Locale;
use crate::timeline::{BowStory, Problem, ReportInput, stories_of};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Room for the photos of a report, bytes of JPEG: a third more as text, and the rest of the page stays below 5 MB.
const PHOTOS_BYTES: usize = 3_300_000;
/// No photo of a report needs more.
const PHOTO_BYTES: usize = 330_000;

/// How advice is to be given.
#[must_use]
pub(super) const fn options(args: &Day) -> AdviceOptions {
    AdviceOptions { both: args.both }
}

/// Whether anything that is asked for shows the photos.
#[must_use]
pub(super) const fn shows_photos(args: &Day) -> bool {
    args.report.is_some() || args.reports.is_some()
}

/// How many bytes each of so many photos may take in a report.
#[must_use]
pub(super) fn bytes_a_photo(photos: usize) -> usize {
    (PHOTOS_BYTES / photos.max(1)).min(PHOTO_BYTES)
}

/// Writes all that is asked for.
pub(super) fn write(
    args: &Day,
    outcome: &DayOutcome,
    history: Vec<Filed>,
    terminal: &mut Terminal,
) -> Result<(), CliError> {
    let wanted = shows_photos(args) || args.svg.is_some() || args.png.is_some();
    if !wanted && args.csv.is_none() {
        return Ok(());
    }
    let told = sorted(outcome.filed.clone());
    let mut shown = Shown::new(told, history, outcome);
    if !args.names {
        shown.without_names();
    }
    if let Some(path) = &args.csv {
        let table = csv::entries(shown.told.iter().map(|f| (f.file.as_str(), &f.end)));
        store::save_document(path, table.as_bytes()).map_err(|e| CliError::from(e).about(path))?;
        said(args, terminal, "The table of entries", path);
    }
    if !wanted {
        return Ok(());
    }
    let problems = shown.problems.clone();
    let mut bows = shown.stories(&options(args));
    for run in bows.iter_mut().flat_map(|b| &mut b.runs) {
        let name = run.ends.iter().find_map(|e| e.end.face.as_ref());
        if let Some(look) = name.and_then(|face| outcome.looks.get(&face.name)) {
            run.face = Some(look.clone());
        }
    }
    for (folder, outlined) in [(&args.svg, false), (&args.png, true)] {
        if let Some(folder) = folder {
            drawings(args, &bows, folder, outlined)?;
            said(args, terminal, "The drawings are", folder);
        }
    }
    if let Some(path) = &args.report {
        report(args, bows.clone(), problems.clone(), path)?;
        said(args, terminal, "The report", path);
    }
    if let Some(folder) = &args.reports {
        store::make_folder(folder).map_err(|e| CliError::from(e).about(folder))?;
        let mut archers: Vec<(Option<String>, Vec<BowStory>)> = Vec::new();
        for bow in bows {
            let archer = archer_of(&bow);
            match archers.iter_mut().find(|(a, _)| *a == archer) {
                Some((_, list)) => list.push(bow),
                None => archers.push((archer, vec![bow])),
            }
        }
        let mut taken = BTreeSet::new();
        for (number, (archer, bows)) in (1_usize..).zip(archers) {
            let mut name = archer.map_or_else(String::new, |a| file_name(&a));
            if name.is_empty() || !taken.insert(name.clone()) {
                name = format!("archer-{number}");
                taken.insert(name.clone());
            }
            // what went wrong with files is the coach's to know
            report(args, bows, Vec::new(), &folder.join(format!("{name}.html")))?;
        }
        said(args, terminal, "The reports are", folder);
    }
    Ok(())
}

fn said(args: &Day, terminal: &mut Terminal, what: &str, path: &Path) {
    if !args.json {
        let is = if what.ends_with(" are") { "" } else { " is" };
        terminal.text(&format!("{what}{is} in {}.", path.display()));
    }
}

fn archer_of(bow: &BowStory) -> Option<String> {
    let end = bow.runs.last()?.ends.last()?;
    end.end.session.archer.clone()
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
    bows: Vec<BowStory>,
    problems: Vec<Problem>,
    path: &Path,
) -> Result<(), CliError> {
    let input = ReportInput {
        title: String::new(),
        bows,
        problems,
    };
    let page = html::report(&input, args.local.into());
    store::save_document(path, page.as_bytes()).map_err(|e| CliError::from(e).about(path))
}

/// Each set-up's face plot and how the offset moved, as SVG or PNG.
fn drawings(args: &Day, bows: &[BowStory], folder: &Path, pixels: bool) -> Result<(), CliError> {
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
            let ends: Vec<&crate::record::End> = run.ends.iter().map(|e| &e.end).collect();
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
                let picture = png::picture(&drawing).map_err(CliError::file)?;
                (picture, "png")
            } else {
                (drawing.into_bytes(), "svg")
            };
            let path = folder.join(format!("{prefix}{name}.{ending}"));
            store::save_document(&path, &bytes).map_err(|e| CliError::from(e).about(&path))?;
        }
    }
    Ok(())
}

/// What is shown to others.
struct Shown {
    /// The day's own, in order.
    told: Vec<Filed>,
    history: Vec<Filed>,
    problems: Vec<Problem>,
    marked: BTreeMap<String, Vec<u8>>,
}

impl Shown {
    fn new(told: Vec<Filed>, history: Vec<Filed>, outcome: &DayOutcome) -> Self {
        Self {
            told,
            history,
            problems: outcome.problems.clone(),
            marked: outcome.marked.clone(),
        }
    }

    /// Leaves out what may be private: archers' names, names of files, what a bow is called (any words, a person's name
    /// among them), and what somebody noted. Which record is whose stays the same, and so does their order.
    fn without_names(&mut self) {
        let mut archers: Vec<String> = Vec::new();
        for filed in self.told.iter().chain(&self.history) {
            let archer = filed.end.session.archer.as_ref();
            archers.extend(archer.filter(|a| !archers.contains(a)).cloned());
        }
        let alone = archers.len() < 2;
        let bow_of = |session: &Session| session.setup.as_ref().and_then(|s| s.bow.clone());
        let mut bows: Vec<String> = Vec::new();
        for filed in self.told.iter().chain(&self.history) {
            let bow = bow_of(&filed.end.session);
            bows.extend(bow.filter(|b| !bows.contains(b)));
        }
        let mut marked = BTreeMap::new();
        let mut number = 0_usize;
        for (list, word) in [(&mut self.told, "photo"), (&mut self.history, "earlier")] {
            for filed in list.iter_mut() {
                number += 1;
                let name = format!("{word} {number:02}");
                if let Some(picture) = self.marked.get(&filed.file) {
                    marked.insert(name.clone(), picture.clone());
                }
                filed.file = name;
                filed.line = 1;
                let end = &mut filed.end;
                if let Some(photo) = &mut end.photo {
                    photo.file.clear();
                }
                let session = &mut end.session;
                session.note = None;
                session.extra.clear();
                session.archer = session.archer.take().and_then(|archer| {
                    let at = archers.iter().position(|a| *a == archer)?;
                    (!alone).then(|| format!("Archer {}", at + 1))
                });
                let bow = bow_of(session).and_then(|bow| bows.iter().position(|b| *b == bow));
                if let Some(setup) = &mut session.setup {
                    setup.extra.clear();
                    // one alone needs no number; of several each keeps its own
                    setup.bow = bow
                        .filter(|_| bows.len() > 1)
                        .map(|at| format!("Bow {}", at + 1));
                }
                end.missed.iter_mut().for_each(|m| m.note = None);
                end.notes.clear();
            }
        }
        self.marked = marked;
        for (number, problem) in (1_usize..).zip(&mut self.problems) {
            problem.file = format!("File {number}");
        }
    }

    fn stories(self, options: &AdviceOptions) -> Vec<BowStory> {
        let told: BTreeSet<(String, usize)> =
            self.told.iter().map(|f| (f.file.clone(), f.line)).collect();
        let all = self.told.into_iter().chain(self.history).collect();
        let (mut bows, _) = stories_of(all, options, &|f: &Filed| {
            told.contains(&(f.file.clone(), f.line))
        });
        for end in bows
            .iter_mut()
            .flat_map(|b| &mut b.runs)
            .flat_map(|r| &mut r.ends)
        {
            end.marked_jpeg = self.marked.get(&end.file).cloned();
        }
        bows
    }
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
        assert_eq!(bytes_a_photo(7), PHOTO_BYTES);
        assert_eq!(bytes_a_photo(30), 110_000);
        assert_eq!(bytes_a_photo(0), PHOTO_BYTES);
    }
}
