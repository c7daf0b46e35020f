//! The order of records, and the runs of ends that one set-up shot.
//!
//! Order: the day as written, then the instant (a date alone is the day's start; no date at all comes before all dates), then
//! the number of the end, then the file name's bytes, then the line. The order in which records are given means nothing.
//! A record given twice counts once; of two photos of one end one counts, and a note says so.
//!
//! A *run* is a stretch of consecutive records of one bow whose set-ups aren't known to differ. Going back to old settings
//! starts a new run.

use super::{Comparison, End, EntryState, Hand, Remark, Setup, When, compare, written};
use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};

/// A remark on the records as a whole.
pub type HistoryCaution = Remark<HistoryAbout>;

/// What a remark on the records as a whole names.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HistoryAbout {
    /// Records of other bows are left out.
    OtherBow {
        /// The bow that it is about.
        bow: Bow,
        /// Records left out.
        records: usize,
        /// The other bows.
        others: Vec<Bow>,
    },
    /// Files that show one end: only the last counts.
    SameEnd {
        /// Those that don't count.
        left_out: Vec<String>,
        /// The one that counts.
        counts: String,
    },
    /// Settings known in some records only: of one set-up, or before and after a change.
    Incomplete {
        /// The settings.
        settings: Vec<&'static str>,
        /// Within one set-up.
        within_setup: bool,
    },
    /// A sentence as it stood in a document.
    Written(String),
}

written!(HistoryAbout);

/// A record and where it came from.
#[derive(Clone, Debug, PartialEq)]
pub struct Filed {
    /// The file, as it is to be named to a person (`-` for a stream).
    pub file: String,
    /// Line within the file, from 1.
    pub line: usize,
    /// The record.
    pub end: End,
}

/// Why a record isn't part of a history.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LeftOutWhy {
    /// The same end was given before: equal photo, or equal document.
    SameRecord,
    /// Another photo of the same end counts instead.
    SameEnd,
    /// The record says that its photo could not be measured, and holds no entries.
    Failed,
    /// Another bow (or archer, or hand) than the newest record's.
    OtherBow,
}

/// A record that doesn't count, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct LeftOut {
    /// The record.
    pub filed: Filed,
    /// Why.
    pub why: LeftOutWhy,
}

/// Consecutive ends of one bow with one set-up, oldest first.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    /// The ends, oldest first; never empty.
    pub ends: Vec<Filed>,
    /// The set-up: the newest record's of the run, with gaps filled from the ones before it. Limits, `keep` and tolerance
    /// are the newest's alone.
    pub setup: Setup,
    /// What differs from the run before it of this bow; empty for the first.
    pub changed: Comparison,
    /// Settings that some of its records give and others don't, by name.
    pub incomplete: BTreeSet<&'static str>,
    /// What to tell about this run alone (`same-end`, `setup-incomplete` within the run); also the cautions of its reading.
    pub notes: Vec<HistoryCaution>,
}

impl Run {
    /// The records alone, oldest first.
    #[must_use]
    pub fn records(&self) -> Vec<&End> {
        self.ends.iter().map(|f| &f.end).collect()
    }

    /// Ends at different distances are read apart: the run's ends grouped by distance (told to the millimetre; not told is a
    /// group of its own), groups in the order of their first end.
    #[must_use]
    pub fn by_distance(&self) -> Vec<Vec<&Filed>> {
        let mut groups: Vec<(Option<i64>, Vec<&Filed>)> = Vec::new();
        for filed in &self.ends {
            let key = filed
                .end
                .session
                .distance_m
                .map(|d| crate::math::round_i64(d * 1000.0));
            match groups.iter_mut().find(|(k, _)| *k == key) {
                Some((_, group)) => group.push(filed),
                None => groups.push((key, vec![filed])),
            }
        }
        groups.into_iter().map(|(_, group)| group).collect()
    }
}

/// The newest record's bow, run by run, and what was left out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct History {
    /// Runs of this bow, oldest first; the last holds the newest record. Empty if no record can be used.
    pub runs: Vec<Run>,
    /// Records that don't count, in their order, and why.
    pub left_out: Vec<LeftOut>,
    /// What to tell about the history as a whole (`other-bow`, `setup-incomplete` between runs). What concerns one run stands
    /// in [`Run::notes`] and isn't repeated here.
    pub notes: Vec<HistoryCaution>,
}

impl History {
    /// Builds the history of the newest record's bow from records in any order.
    #[must_use]
    pub fn new(records: Vec<Filed>) -> Self {
        let (cuts, mut left_out) = cut(records);
        let newest = cuts.iter().max_by_key(|c| c.last).map(|c| c.bow.clone());
        let Some(bow) = newest else {
            return Self {
                left_out,
                ..Self::default()
            };
        };
        let (own, others): (Vec<Cut>, Vec<Cut>) = cuts.into_iter().partition(|c| c.bow == bow);
        let runs: Vec<Run> = own.into_iter().map(|c| c.run).collect();
        let mut notes = Vec::new();
        if !others.is_empty() {
            notes.push(other_bow(&bow, &others));
        }
        notes.extend(incomplete_between(&runs));
        left_out.extend(
            others
                .into_iter()
                .flat_map(|c| c.run.ends)
                .map(|filed| LeftOut {
                    filed,
                    why: LeftOutWhy::OtherBow,
                }),
        );
        Self {
            runs,
            left_out,
            notes,
        }
    }

    /// The history of each bow of some records, the bow shot last first, and the records that don't count.
    #[must_use]
    pub fn of_each_bow(records: Vec<Filed>) -> (Vec<Self>, Vec<LeftOut>) {
        let (cuts, left_out) = cut(records);
        let mut bows: Vec<(Bow, usize, Vec<Run>)> = Vec::new();
        for one in cuts {
            match bows.iter_mut().find(|(bow, ..)| *bow == one.bow) {
                Some((_, last, runs)) => {
                    *last = one.last.max(*last);
                    runs.push(one.run);
                }
                None => bows.push((one.bow, one.last, vec![one.run])),
            }
        }
        bows.sort_by_key(|(_, last, _)| std::cmp::Reverse(*last));
        let histories = bows.into_iter().map(|(_, _, runs)| Self {
            notes: incomplete_between(&runs).into_iter().collect(),
            runs,
            left_out: Vec::new(),
        });
        (histories.collect(), left_out)
    }

    /// The newest set-up's run.
    #[must_use]
    pub fn newest(&self) -> Option<&Run> {
        self.runs.last()
    }
}

/// The runs of all bows, oldest first by their first end.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Runs {
    /// The runs.
    pub runs: Vec<Run>,
    /// Records that don't count, in their order, and why.
    pub left_out: Vec<LeftOut>,
}

impl Runs {
    /// Orders records, drops what is there twice, and cuts every bow's records into runs.
    #[must_use]
    pub fn new(records: Vec<Filed>) -> Self {
        let (cuts, left_out) = cut(records);
        Self {
            runs: cuts.into_iter().map(|c| c.run).collect(),
            left_out,
        }
    }
}

/// A run with its bow and the places of its first and last end in the order of all records.
struct Cut {
    bow: Bow,
    first: usize,
    last: usize,
    run: Run,
}

/// Orders records, drops what doesn't count, and cuts every bow's records into runs, oldest first by their first end.
fn cut(records: Vec<Filed>) -> (Vec<Cut>, Vec<LeftOut>) {
    let Counted { records, left_out } = count_once(sorted(records));
    let mut bows: Vec<(Bow, Vec<(usize, Kept)>)> = Vec::new();
    for (place, kept) in records.into_iter().enumerate() {
        let bow = Bow::of(&kept.filed.end);
        match bows.iter_mut().find(|(b, _)| *b == bow) {
            Some((_, list)) => list.push((place, kept)),
            None => bows.push((bow, vec![(place, kept)])),
        }
    }
    let mut cuts: Vec<Cut> = bows
        .into_iter()
        .flat_map(|(bow, list)| runs_of_one_bow(&bow, list))
        .collect();
    cuts.sort_by_key(|c| c.first);
    (cuts, left_out)
}

/// Records in their order, whatever the order they came in.
#[must_use]
pub fn sorted(mut records: Vec<Filed>) -> Vec<Filed> {
    let order = Order::of(records.iter());
    order.sort(&mut records, |filed| filed);
    records
}

/// The order for a set of records. Where a day holds times without a zone, its times are compared as written; where all have
/// a zone, as instants: one rule a day keeps the order free of contradictions.
struct Order {
    zoneless: BTreeSet<jiff::civil::Date>,
}

impl Order {
    fn of<'a>(records: impl Iterator<Item = &'a Filed>) -> Self {
        let zoneless = records
            .filter_map(|f| When::of(&f.end))
            .filter(|w| w.time.is_some() && w.instant.is_none())
            .map(|w| w.day)
            .collect();
        Self { zoneless }
    }

    /// Sorts things that hold a record each; every date is read once.
    fn sort<T>(&self, all: &mut Vec<T>, filed: impl Fn(&T) -> &Filed) {
        let mut dated: Vec<(Option<When>, T)> = std::mem::take(all)
            .into_iter()
            .map(|one| (When::of(&filed(&one).end), one))
            .collect();
        dated.sort_by(|(t, a), (u, b)| {
            let (a, b) = (filed(a), filed(b));
            self.moments(t.as_ref(), u.as_ref())
                .then_with(|| a.end.session.end.cmp(&b.end.session.end))
                .then_with(|| base_name(&a.file).cmp(base_name(&b.file)))
                .then_with(|| a.line.cmp(&b.line))
                .then_with(|| a.file.as_bytes().cmp(b.file.as_bytes()))
        });
        all.extend(dated.into_iter().map(|(_, one)| one));
    }

    fn moments(&self, a: Option<&When>, b: Option<&When>) -> Ordering {
        match (a, b) {
            (Some(a), Some(b)) => a.day.cmp(&b.day).then_with(|| {
                if self.zoneless.contains(&a.day) {
                    a.time.cmp(&b.time)
                } else {
                    a.instant.cmp(&b.instant)
                }
            }),
            _ => a.is_some().cmp(&b.is_some()),
        }
    }
}

/// The last component of a path, as bytes.
fn base_name(file: &str) -> &[u8] {
    file.rsplit(['/', '\\']).next().unwrap_or(file).as_bytes()
}

impl End {
    /// Whether both were shot with one bow: archer, hand and bow equal (absent on both sides is equal).
    #[must_use]
    pub fn same_bow(&self, other: &Self) -> bool {
        Bow::of(self) == Bow::of(other)
    }
}

/// Archer, hand and bow: equal (absent on both sides is equal) means the same bow.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bow {
    /// The archer's name.
    pub archer: Option<String>,
    /// The hand that draws.
    pub hand: Option<Hand>,
    /// The bow's label.
    pub bow: Option<String>,
}

impl Bow {
    fn of(end: &End) -> Self {
        Self {
            archer: end.session.archer.clone(),
            hand: end.session.hand,
            bow: end.session.setup.as_ref().and_then(|s| s.bow.clone()),
        }
    }
}

fn other_bow(bow: &Bow, others: &[Cut]) -> HistoryCaution {
    let mut names: Vec<Bow> = Vec::new();
    for other in others {
        if !names.contains(&other.bow) {
            names.push(other.bow.clone());
        }
    }
    let about = HistoryAbout::OtherBow {
        bow: bow.clone(),
        records: others.iter().map(|c| c.run.ends.len()).sum(),
        others: names,
    };
    Remark::new("other-bow", about)
}

/// A record that counts, with the files of other photos of the same end that don't.
struct Kept {
    filed: Filed,
    same_end: Vec<String>,
}

struct Counted {
    records: Vec<Kept>,
    left_out: Vec<LeftOut>,
}

/// Drops failed records, records given twice, and second photos of one end. Expects sorted records.
fn count_once(records: Vec<Filed>) -> Counted {
    let mut kept: Vec<Kept> = Vec::new();
    let mut left_out = Vec::new();
    // where twins can be at all: without it every record would be compared with every other
    let mut places: BTreeMap<Sign, Vec<usize>> = BTreeMap::new();
    for filed in records {
        if filed.end.failure.is_some() && filed.end.entries.is_empty() {
            left_out.push(LeftOut {
                filed,
                why: LeftOutWhy::Failed,
            });
            continue;
        }
        let signs = Sign::of(&filed.end);
        let near: BTreeSet<usize> = signs
            .iter()
            .flat_map(|s| places.get(s).into_iter().flatten().copied())
            .collect();
        let twin = near.into_iter().find_map(|place| {
            let k = kept.get(place)?;
            twin(&k.filed.end, &filed.end).map(|why| (place, why))
        });
        let place = twin.map_or(kept.len(), |(place, _)| place);
        for sign in signs {
            places.entry(sign).or_default().push(place);
        }
        let Some((twin, why)) = twin.and_then(|(place, why)| Some((kept.get_mut(place)?, why)))
        else {
            kept.push(Kept {
                filed,
                same_end: Vec::new(),
            });
            continue;
        };
        // the confirmed one counts, then the newer: later photo, more revisions, later in the order
        let filed = if weight(&filed.end).cmp(&weight(&twin.filed.end)).is_ge() {
            std::mem::replace(&mut twin.filed, filed)
        } else {
            filed
        };
        if why == LeftOutWhy::SameEnd {
            twin.same_end.push(filed.file.clone());
        }
        left_out.push(LeftOut { filed, why });
    }
    // a twin that took the place of an earlier one may belong further on
    let order = Order::of(kept.iter().map(|k| &k.filed));
    order.sort(&mut kept, |k| &k.filed);
    Counted {
        records: kept,
        left_out,
    }
}

/// What two records of the same end have in common: one of these at least.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Sign {
    /// The photo.
    Photo(String),
    /// Day and number of the end.
    Day(jiff::civil::Date, u64),
    /// The places of the entries, bit by bit, for records without a photo.
    Places(Vec<[u64; 2]>),
}

impl Sign {
    fn of(end: &End) -> Vec<Self> {
        let mut signs = Vec::new();
        match &end.photo {
            Some(photo) if !photo.sha256.is_empty() => {
                signs.push(Self::Photo(photo.sha256.clone()));
            }
            _ => {
                // equal records have equal places; adding zero makes both zeros one
                let places = end.entries.iter();
                signs.push(Self::Places(
                    places
                        .map(|e| [(e.x_mm + 0.0).to_bits(), (e.y_mm + 0.0).to_bits()])
                        .collect(),
                ));
            }
        }
        if let (Some(number), Some(when)) = (end.session.end, When::of(end)) {
            signs.push(Self::Day(when.day, number));
        }
        signs
    }
}

/// Whether two records are of the same end, and how that shows.
fn twin(a: &End, b: &End) -> Option<LeftOutWhy> {
    let same_photo = match (&a.photo, &b.photo) {
        (Some(p), Some(q)) => !p.sha256.is_empty() && p.sha256 == q.sha256,
        _ => false,
    };
    if same_photo || a == b {
        return Some(LeftOutWhy::SameRecord);
    }
    // without a day or a number nobody can tell that it is the same end
    let day = |e: &End| When::of(e).map(|w| w.day);
    let same = a.session.end.is_some()
        && a.session.end == b.session.end
        && day(a).is_some()
        && day(a) == day(b)
        && Bow::of(a) == Bow::of(b);
    same.then_some(LeftOutWhy::SameEnd)
}

fn weight(end: &End) -> impl Ord + use<> {
    let photo = When::of_photo(end).map(|w| (w.day, w.time));
    (is_confirmed(end), photo, end.revision)
}

/// Whether a person has confirmed this record: every entry confirmed, or looked at and found empty.
#[must_use]
pub fn is_confirmed(end: &End) -> bool {
    end.entries.iter().all(|e| e.state == EntryState::Confirmed)
        && (!end.entries.is_empty() || end.revision > 0)
}

/// Cuts one bow's records (with their places in the order of all) into runs, oldest first.
fn runs_of_one_bow(bow: &Bow, list: Vec<(usize, Kept)>) -> Vec<Cut> {
    // From the newest record back: a record joins the run while it isn't known to differ from anything known of the run.
    let mut cuts: Vec<Cut> = Vec::new();
    for (place, kept) in list.into_iter().rev() {
        let setup = kept.filed.end.session.setup.clone().unwrap_or_default();
        if let Some(newer) = cuts.last_mut() {
            let comparison = compare(&setup, &newer.run.setup);
            if comparison.is_same() {
                newer.first = place;
                newer.run.incomplete.extend(comparison.incomplete);
                newer.run.setup = fill(&newer.run.setup, &setup);
                add_end(&mut newer.run, kept);
                continue;
            }
            newer.run.changed = comparison;
        }
        let mut run = Run {
            ends: Vec::new(),
            setup,
            changed: Comparison::default(),
            incomplete: BTreeSet::new(),
            notes: Vec::new(),
        };
        add_end(&mut run, kept);
        cuts.push(Cut {
            bow: bow.clone(),
            first: place,
            last: place,
            run,
        });
    }
    cuts.reverse();
    for i in 1..cuts.len() {
        // gaps of the older run are filled by now: compare again, so that a change shows all its settings
        let full = compare(&cuts[i - 1].run.setup, &cuts[i].run.setup);
        if !full.is_same() {
            cuts[i].run.changed = full;
        }
    }
    for Cut { run, .. } in &mut cuts {
        run.ends.reverse();
        if !run.incomplete.is_empty() {
            run.notes.push(incomplete(&run.incomplete, true));
        }
    }
    cuts
}

fn add_end(run: &mut Run, kept: Kept) {
    if !kept.same_end.is_empty() {
        let about = HistoryAbout::SameEnd {
            left_out: kept.same_end,
            counts: kept.filed.file.clone(),
        };
        run.notes.push(Remark::new("same-end", about));
    }
    run.ends.push(kept.filed);
}

/// Settings known before a change of set-up and not after it, or the other way round, over the whole history.
fn incomplete_between(runs: &[Run]) -> Option<HistoryCaution> {
    let settings: BTreeSet<&'static str> = runs
        .iter()
        .flat_map(|r| r.changed.incomplete.iter().copied())
        .collect();
    (!settings.is_empty()).then(|| incomplete(&settings, false))
}

fn incomplete(settings: &BTreeSet<&'static str>, within_setup: bool) -> HistoryCaution {
    let about = HistoryAbout::Incomplete {
        settings: settings.iter().copied().collect(),
        within_setup,
    };
    Remark::new("setup-incomplete", about)
}

/// The newer set-up with its gaps filled; what isn't a setting stays the newer one's alone.
fn fill(newer: &Setup, older: &Setup) -> Setup {
    Setup {
        tolerance_30m_mm: newer.tolerance_30m_mm,
        keep: newer.keep.clone(),
        limits: newer.limits.clone(),
        extra: newer.extra.clone(),
        ..newer.or(older)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Entry, Failure, Session};
    use serde_json::json;

    fn filed(file: &str, session: serde_json::Value) -> Filed {
        Filed {
            file: file.to_owned(),
            line: 1,
            end: End {
                session: serde_json::from_value::<Session>(session).expect("session"),
                ..End::default()
            },
        }
    }

    fn with_photo(mut filed: Filed, sha: &str, taken: Option<&str>, local: Option<&str>) -> Filed {
        filed.end.photo = Some(crate::record::PhotoRecord {
            file: filed.file.clone(),
            sha256: sha.to_owned(),
            taken: taken.map(str::to_owned),
            taken_local: local.map(str::to_owned),
            ..Default::default()
        });
        filed
    }

    fn files<'a>(ends: impl IntoIterator<Item = &'a Filed>) -> Vec<&'a str> {
        ends.into_iter().map(|f| f.file.as_str()).collect()
    }

    #[test]
    fn order_is_day_then_instant_then_end_then_name() {
        let mut records = vec![
            filed("z-undated", json!({})),
            filed("date-alone", json!({"date": "2026-05-03", "end": 9})),
            // later as an instant, although its clock shows less
            filed("late", json!({"date": "2026-05-03T09:00:00-05:00"})),
            filed("early", json!({"date": "2026-05-03T10:00:00+02:00"})),
            filed("b", json!({"date": "2026-05-04", "end": 2})),
            filed("dir2/a", json!({"date": "2026-05-04", "end": 2})),
            filed("first", json!({"date": "2026-05-04", "end": 1})),
            filed("unnumbered", json!({"date": "2026-05-04"})),
        ];
        let wanted = [
            "z-undated",
            "date-alone",
            "early",
            "late",
            "unnumbered",
            "first",
            "dir2/a",
            "b",
        ];
        assert_eq!(files(&sorted(records.clone())), wanted);
        records.reverse();
        assert_eq!(files(&sorted(records)), wanted);
    }

    #[test]
    fn a_day_with_zoneless_times_goes_by_the_clock_as_written() {
        let records = vec![
            with_photo(
                filed("c", json!({})),
                "3",
                Some("2026-05-03T12:00:00+02:00"),
                None,
            ),
            with_photo(
                filed("b", json!({})),
                "2",
                None,
                Some("2026-05-03T11:00:00"),
            ),
            with_photo(
                filed("a", json!({})),
                "1",
                Some("2026-05-03T10:00:00-05:00"),
                None,
            ),
        ];
        assert_eq!(files(&sorted(records)), ["a", "b", "c"]);
    }

    #[test]
    fn the_same_end_counts_once() {
        let one = with_photo(
            filed("a.json", json!({"date": "2026-05-03", "end": 1})),
            "aa",
            None,
            None,
        );
        let mut copy = one.clone();
        copy.file = "copy.json".into();
        let History {
            runs,
            left_out,
            notes,
        } = History::new(vec![one.clone(), copy]);
        assert_eq!(runs[0].ends.len(), 1);
        assert_eq!(left_out[0].why, LeftOutWhy::SameRecord);
        assert!(
            notes.is_empty() && runs[0].notes.is_empty(),
            "given twice is no caution"
        );

        let other = with_photo(
            filed("b.json", json!({"date": "2026-05-03", "end": 1})),
            "bb",
            None,
            None,
        );
        let mut confirmed = one;
        confirmed.end.entries = vec![entry(EntryState::Confirmed)];
        let history = History::new(vec![other, confirmed]);
        assert_eq!(
            files(&history.runs[0].ends),
            ["a.json"],
            "the confirmed one counts"
        );
        assert_eq!(history.left_out[0].why, LeftOutWhy::SameEnd);
        assert_eq!(history.runs[0].notes[0].code, "same-end");
    }

    #[test]
    fn of_two_unconfirmed_photos_of_one_end_the_newer_counts() {
        let session = json!({"date": "2026-05-03", "end": 1});
        let old = with_photo(
            filed("z", session.clone()),
            "1",
            Some("2026-05-03T10:00:00Z"),
            None,
        );
        let new = with_photo(filed("a", session), "2", Some("2026-05-03T10:05:00Z"), None);
        let history = History::new(vec![old, new]);
        assert_eq!(files(&history.runs[0].ends), ["a"]);
    }

    fn entry(state: EntryState) -> Entry {
        serde_json::from_value::<Entry>(json!({"id": 1, "x_mm": 0.0, "y_mm": 0.0, "kind": "bare"}))
            .map(|e| Entry { state, ..e })
            .expect("entry")
    }

    #[test]
    fn without_number_or_day_two_records_are_two_ends() {
        let history = History::new(vec![
            filed("a", json!({"end": 1, "note": "x"})),
            filed("b", json!({"end": 1})),
            filed("c", json!({"date": "2026-05-03"})),
            filed("d", json!({"date": "2026-05-03", "note": "x"})),
        ]);
        assert_eq!(history.runs[0].ends.len(), 4);
    }

    fn night(end: u64, setup: &serde_json::Value) -> Filed {
        filed(
            &format!("{end}.json"),
            json!({"date": "2026-05-03", "end": end, "setup": setup}),
        )
    }

    #[test]
    fn runs_are_consecutive_and_going_back_starts_a_new_one() {
        let (a, b) = (json!({"plunger_clicks": 0}), json!({"plunger_clicks": 2}));
        let history = History::new(vec![night(4, &a), night(1, &a), night(3, &b), night(2, &a)]);
        let ends: Vec<Vec<&str>> = history.runs.iter().map(|r| files(&r.ends)).collect();
        assert_eq!(
            ends,
            [vec!["1.json", "2.json"], vec!["3.json"], vec!["4.json"]]
        );
        assert!(history.runs[0].changed.is_same());
        let change = |i: usize| {
            history.runs[i]
                .changed
                .only()
                .and_then(|c| c.amount("plunger_clicks"))
        };
        assert_eq!((change(1), change(2)), (Some(2.0), Some(-2.0)));
    }

    #[test]
    fn an_unknown_setting_bridges_no_known_difference() {
        // 1 and 3 differ, 2 says nothing: 2 goes with the newer one, 1 stays apart
        let history = History::new(vec![
            night(1, &json!({"point_gr": 90, "plunger_clicks": 1})),
            night(2, &json!({"plunger_clicks": 1})),
            night(3, &json!({"point_gr": 100})),
        ]);
        let ends: Vec<Vec<&str>> = history.runs.iter().map(|r| files(&r.ends)).collect();
        assert_eq!(ends, [vec!["1.json"], vec!["2.json", "3.json"]]);
        let newest = history.newest().expect("run");
        assert_eq!(newest.setup.plunger_clicks, Some(1.0), "gaps are filled");
        assert_eq!(newest.notes.len(), 1);
        assert_eq!(newest.notes[0].code, "setup-incomplete");
        let about = &newest.notes[0].values;
        assert!(
            matches!(about, HistoryAbout::Incomplete { settings, .. } if settings == &["plunger_clicks", "point_gr"]),
            "{about:?}"
        );
    }

    #[test]
    fn limits_of_the_newest_record_hold() {
        let history = History::new(vec![
            night(
                1,
                &json!({"limits": {"point_gr": {"max": 90}}, "keep": ["plunger"]}),
            ),
            night(2, &json!({"keep": []})),
        ]);
        let newest = history.newest().expect("run");
        assert_eq!(newest.setup.keep.as_deref(), Some([].as_slice()));
        assert_eq!(newest.setup.limits, None);
    }

    #[test]
    fn other_bows_and_failures_are_left_out() {
        let mut failed = filed("failed", json!({"date": "2026-05-09"}));
        failed.end.failure = Some(Failure::default());
        let history = History::new(vec![
            filed("other", json!({"date": "2026-05-01", "archer": "B"})),
            filed("mine", json!({"date": "2026-05-02", "archer": "A"})),
            failed,
        ]);
        assert_eq!(files(&history.runs[0].ends), ["mine"]);
        let why: Vec<LeftOutWhy> = history.left_out.iter().map(|l| l.why).collect();
        assert_eq!(why, [LeftOutWhy::Failed, LeftOutWhy::OtherBow]);
        assert_eq!(history.notes[0].code, "other-bow");
        assert_eq!(History::new(Vec::new()), History::default());
    }

    #[test]
    fn runs_of_all_bows_come_oldest_first_and_distances_apart() {
        let runs = Runs::new(vec![
            filed(
                "1",
                json!({"date": "2026-05-01", "archer": "B", "distance_m": 18}),
            ),
            filed(
                "2",
                json!({"date": "2026-05-02", "archer": "A", "distance_m": 18}),
            ),
            filed(
                "3",
                json!({"date": "2026-05-03", "archer": "B", "distance_m": 30}),
            ),
            filed(
                "4",
                json!({"date": "2026-05-04", "archer": "B", "distance_m": 18.0}),
            ),
        ])
        .runs;
        let ends: Vec<Vec<&str>> = runs.iter().map(|r| files(&r.ends)).collect();
        assert_eq!(ends, [vec!["1", "3", "4"], vec!["2"]]);
        let apart: Vec<Vec<&str>> = runs[0].by_distance().into_iter().map(files).collect();
        assert_eq!(apart, [vec!["1", "4"], vec!["3"]]);
    }
}
