//! The records as reports show them: with or without names and notes.

use super::{BowReport, NotedSettings, Problem, bow_reports};
use crate::advice::AdviceOptions;
use crate::record::history::sorted;
use crate::record::{RecordFile, Session};
use std::collections::{BTreeMap, BTreeSet};

/// What reports, drawings and tables show.
#[derive(Clone, Debug)]
pub struct ReportRecords {
    /// The day's own records, in order.
    pub of_day: Vec<RecordFile>,
    history: Vec<RecordFile>,
    /// The archers, in the order in which their records were given.
    archers: Vec<String>,
    /// Files that could not be used.
    pub problems: Vec<Problem>,
    /// JPEGs of marked photos, by the name of the record's file.
    marked: BTreeMap<String, Vec<u8>>,
    noted: NotedSettings,
}

impl ReportRecords {
    /// The records of the day, those before it, files that could not be used, and JPEGs of the marked photos by the names of
    /// their records' files.
    #[must_use]
    pub fn new(
        of_day: Vec<RecordFile>,
        history: Vec<RecordFile>,
        problems: Vec<Problem>,
        marked: BTreeMap<String, Vec<u8>>,
    ) -> Self {
        let mut archers: Vec<String> = Vec::new();
        for filed in of_day.iter().chain(&history) {
            let archer = filed.end.session.archer.as_ref();
            archers.extend(archer.filter(|a| !archers.contains(a)).cloned());
        }
        Self {
            of_day: sorted(of_day),
            history,
            archers,
            problems,
            marked,
            noted: NotedSettings::new(),
        }
    }

    /// With the settings that were noted after the newest ends.
    #[must_use]
    pub fn with_noted_settings(self, noted: NotedSettings) -> Self {
        Self { noted, ..self }
    }

    /// Leaves out what may be private: names of archers, files and bows (a bow's name may hold a person's), and notes. Records of
    /// one archer or bow still belong together, and their order stays. Returns the names of several archers, for "Archer 1",
    /// "Archer 2", …
    pub fn remove_names(&mut self) -> Vec<String> {
        let archers = self.archers.clone();
        let one_archer = archers.len() < 2;
        let bow_of = |session: &Session| session.setup.as_ref().and_then(|s| s.bow.clone());
        let mut bows: Vec<String> = Vec::new();
        for filed in self.of_day.iter().chain(&self.history) {
            let bow = bow_of(&filed.end.session);
            bows.extend(bow.filter(|b| !bows.contains(b)));
        }
        let (mut marked, mut noted) = (BTreeMap::new(), NotedSettings::new());
        let mut number = 0_usize;
        for (list, word) in [(&mut self.of_day, "photo"), (&mut self.history, "earlier")] {
            for filed in list.iter_mut() {
                number += 1;
                let name = format!("{word} {number:02}");
                if let Some(picture) = self.marked.get(&filed.file) {
                    marked.insert(name.clone(), picture.clone());
                }
                if let Some(settings) = self.noted.get(&filed.file) {
                    noted.insert(name.clone(), settings.clone());
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
                    (!one_archer).then(|| format!("Archer {}", at + 1))
                });
                let bow = bow_of(session).and_then(|bow| bows.iter().position(|b| *b == bow));
                if let Some(setup) = &mut session.setup {
                    setup.extra.clear();
                    // several bows are numbered, one needs no name
                    setup.bow = bow
                        .filter(|_| bows.len() > 1)
                        .map(|at| format!("Bow {}", at + 1));
                }
                end.missed.iter_mut().for_each(|m| m.note = None);
                end.notes.clear();
            }
        }
        self.marked = marked;
        self.noted = noted;
        for (number, problem) in (1_usize..).zip(&mut self.problems) {
            problem.file = format!("File {number}");
        }
        archers
    }

    /// The reports on the bows that shot on the day.
    #[must_use]
    pub fn bow_reports(self, options: &AdviceOptions) -> Vec<BowReport> {
        let of_day: BTreeSet<(String, usize)> = self
            .of_day
            .iter()
            .map(|f| (f.file.clone(), f.line))
            .collect();
        let all = self.of_day.into_iter().chain(self.history).collect();
        let (mut bows, _) = bow_reports(all, options, &self.noted, &|f: &RecordFile| {
            of_day.contains(&(f.file.clone(), f.line))
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
