//! End records → shots: which entries count, where they lie relative to the spot they were aimed at, and how well that
//! is known.

use super::Assumptions;
use crate::record::{ArrowKind, End, Entry, EntryState};

/// Largest coordinate of an entry, mm: no wall of bosses is larger, so beyond it a number is a slip.
const MAX_COORDINATE_MM: f64 = 10_000.0;
/// Largest variance taken as given, mm²: a metre either way says nothing any more.
const MAX_VARIANCE_MM2: f64 = 1e6;
/// Largest roll taken as given, degrees; more is no upright at all.
const MAX_ROLL_DEG: f64 = 45.0;
/// An entry lies between spots when the second nearest is less than this many times as far as the nearest.
const BETWEEN_RATIO: f64 = 1.25;

/// One shot of a known kind.
#[derive(Clone, Debug, PartialEq)]
pub struct Shot {
    /// Place of its end among those read, from 0.
    pub end: usize,
    /// The entry's id in its record.
    pub id: u64,
    /// Fletched or bare; a shot of unknown kind takes no part.
    pub kind: ArrowKind,
    /// [right, up] of the centre of its spot, mm.
    pub place_mm: [f64; 2],
    /// Variance of measuring on each axis, mm².
    pub variance_mm2: [f64; 2],
    /// The arrow's own mark.
    pub arrow: Option<String>,
}

/// Why an entry takes no part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EntryExclusion {
    /// Proposed with too little confidence (or none given), and nobody has confirmed it.
    Unconfirmed,
    /// Neither fletched nor bare.
    UnknownKind,
    /// Its place is no number or farther off than any boss reaches.
    NoPlace,
    /// On one of several spots whose centres the record doesn't give.
    NoSpot,
}

/// An entry that takes no part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ExcludedEntry {
    /// Place of its end among those read, from 0.
    pub end: usize,
    /// The entry's id.
    pub id: u64,
    /// Why.
    pub reason: EntryExclusion,
}

/// Shots given as missed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MissedShots {
    /// Fletched.
    pub fletched: usize,
    /// Bare.
    pub bare: usize,
    /// Kind not given.
    pub unknown: usize,
}

/// What was taken out of some ends.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct GatheredShots {
    /// The shots that count, end by end, by the entries' numbers.
    pub shots: Vec<Shot>,
    /// Entries that don't.
    pub left_out: Vec<ExcludedEntry>,
    /// (end, id) of entries that lie between two spots.
    pub between_spots: Vec<(usize, u64)>,
    /// Number of the shots that no person has confirmed.
    pub unchecked: usize,
    /// Shots that left no entry.
    pub missed: MissedShots,
    /// Standard deviation of the roll that all photos together leave in the offset, rad.
    pub roll_sd_rad: f64,
}

/// Takes the shots out of ends of one set-up and distance, in order.
#[must_use]
pub fn gather(ends: &[&End], assumptions: &Assumptions) -> GatheredShots {
    let mut gathered = GatheredShots::default();
    for (place, end) in ends.iter().enumerate() {
        gather_end(place, end, assumptions, &mut gathered);
    }
    gathered.roll_sd_rad = pooled_roll(ends, &gathered.shots);
    gathered
}

fn gather_end(place: usize, end: &End, assumptions: &Assumptions, gathered: &mut GatheredShots) {
    for missed in &end.missed {
        match missed.kind {
            ArrowKind::Fletched => gathered.missed.fletched += 1,
            ArrowKind::Bare => gathered.missed.bare += 1,
            ArrowKind::Unknown => gathered.missed.unknown += 1,
        }
    }
    let spots = Spots::of(end);
    // by number, so that the order in which a record lists its entries means nothing
    let mut entries: Vec<&Entry> = end.entries.iter().collect();
    entries.sort_by_key(|entry| entry.id);
    for entry in entries {
        let centre = spots.centre(entry);
        let reason = if !usable_place(entry) {
            Some(EntryExclusion::NoPlace)
        } else if entry.state == EntryState::Proposed
            && !entry
                .confidence
                .is_some_and(|c| c >= assumptions.least_confidence)
        {
            Some(EntryExclusion::Unconfirmed)
        } else if entry.kind == ArrowKind::Unknown {
            Some(EntryExclusion::UnknownKind)
        } else if centre.is_none() {
            Some(EntryExclusion::NoSpot)
        } else {
            None
        };
        if let Some(reason) = reason {
            gathered.left_out.push(ExcludedEntry {
                end: place,
                id: entry.id,
                reason,
            });
            continue;
        }
        let Some((centre, between)) = centre else {
            continue;
        };
        if between {
            gathered.between_spots.push((place, entry.id));
        }
        if entry.state == EntryState::Proposed {
            gathered.unchecked += 1;
        }
        gathered.shots.push(Shot {
            end: place,
            id: entry.id,
            kind: entry.kind,
            place_mm: [entry.x_mm - centre[0], entry.y_mm - centre[1]],
            variance_mm2: variance(entry, assumptions),
            arrow: entry
                .arrow
                .as_deref()
                .map(str::trim)
                .filter(|mark| !mark.is_empty())
                .map(str::to_owned),
        });
    }
}

fn usable_place(entry: &Entry) -> bool {
    [entry.x_mm, entry.y_mm]
        .into_iter()
        .all(|value| value.abs() <= MAX_COORDINATE_MM)
}

fn variance(entry: &Entry, assumptions: &Assumptions) -> [f64; 2] {
    let assumed = assumptions.entry_sd_mm * assumptions.entry_sd_mm;
    let stated = entry.cov_mm2.map(|cov| [cov[0][0], cov[1][1]]);
    [0, 1].map(|axis| match stated {
        Some(stated) if stated[axis] >= 0.0 => stated[axis].min(MAX_VARIANCE_MM2),
        _ => assumed,
    })
}

/// The centres that the entries of one end are measured from.
struct Spots {
    centres: Vec<[f64; 2]>,
    /// Entries whose spot follows from the order shot: (id, spot from 0).
    by_order: Vec<(u64, usize)>,
    /// Without centres: the one spot that all entries share, if they do.
    shared: Option<Option<u32>>,
}

impl Spots {
    fn of(end: &End) -> Self {
        let centres = end
            .face
            .as_ref()
            .and_then(|face| face.spot_centres_mm.clone())
            .filter(|centres| centres.len() > 1)
            .unwrap_or_default();
        let mut stated = end.entries.iter().map(|entry| entry.spot);
        let first = stated.next().flatten();
        let shared = stated.all(|spot| spot == first).then_some(first);
        let mut spots = Self {
            centres,
            by_order: Vec::new(),
            shared,
        };
        spots.by_order = spots.follow_order(end);
        spots
    }

    /// The centre an entry was aimed at, and whether that is a guess between two; `None` if it isn't known.
    fn centre(&self, entry: &Entry) -> Option<([f64; 2], bool)> {
        if self.centres.is_empty() {
            // one centre for all, or a record without a face: any common origin does
            return self.shared.map(|_| ([0.0, 0.0], false));
        }
        if let Some(centre) = entry.spot.and_then(|spot| self.numbered(spot)) {
            return Some((centre, false));
        }
        let (nearest, between) = self.nearest(entry)?;
        if !between {
            return self.centres.get(nearest).map(|&centre| (centre, false));
        }
        let ordered = self.by_order.iter().find(|(id, _)| *id == entry.id);
        let spot = ordered.map_or(nearest, |&(_, spot)| spot);
        self.centres.get(spot).map(|&centre| (centre, true))
    }

    fn numbered(&self, spot: u32) -> Option<[f64; 2]> {
        let index = usize::try_from(spot).ok()?.checked_sub(1)?;
        self.centres.get(index).copied()
    }

    /// The nearest spot and whether the second nearest is about as near.
    fn nearest(&self, entry: &Entry) -> Option<(usize, bool)> {
        let mut distances: Vec<(f64, usize)> = self
            .centres
            .iter()
            .enumerate()
            .map(|(spot, centre)| ((entry.x_mm - centre[0]).hypot(entry.y_mm - centre[1]), spot))
            .collect();
        distances.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let (first, second) = (distances.first()?, distances.get(1)?);
        Some((first.1, second.0 < BETWEEN_RATIO * first.0))
    }

    /// If the order is known and every clear entry shows that the spots were shot in turn, the spots of the others.
    fn follow_order(&self, end: &End) -> Vec<(u64, usize)> {
        let Some(order) = &end.session.shot_order else {
            return Vec::new();
        };
        if self.centres.is_empty() {
            return Vec::new();
        }
        let turn = |id: u64| {
            order
                .iter()
                .position(|&shot| shot == id)
                .map(|at| at % self.centres.len())
        };
        let mut clear = 0;
        for entry in &end.entries {
            let spot = match entry.spot.and_then(|spot| spot.checked_sub(1)) {
                Some(spot) => usize::try_from(spot).ok(),
                None => self
                    .nearest(entry)
                    .and_then(|(spot, between)| (!between).then_some(spot)),
            };
            if let (Some(spot), Some(expected)) = (spot, turn(entry.id)) {
                if spot != expected {
                    return Vec::new();
                }
                clear += 1;
            }
        }
        if clear < 2 {
            return Vec::new();
        }
        end.entries
            .iter()
            .filter_map(|entry| turn(entry.id).map(|spot| (entry.id, spot)))
            .collect()
    }
}

/// The roll's sd that stays in the offset: each photo is turned as a whole, photos apart from each other, and each end
/// weighs as many pairs as it has (n_F n_B/(n_F + n_B)).
fn pooled_roll(ends: &[&End], shots: &[Shot]) -> f64 {
    let mut pairs = vec![[0.0f64; 2]; ends.len()];
    for shot in shots {
        let kind = usize::from(shot.kind == ArrowKind::Bare);
        if let Some(pair) = pairs.get_mut(shot.end) {
            pair[kind] += 1.0;
        }
    }
    let weight = |pair: &[f64; 2]| {
        let both = pair[0] + pair[1];
        if both > 0.0 {
            pair[0] * pair[1] / both
        } else {
            0.0
        }
    };
    let total: f64 = pairs.iter().map(weight).sum();
    if total <= 0.0 {
        return 0.0;
    }
    let variance: f64 = ends
        .iter()
        .zip(&pairs)
        .map(|(end, pair)| {
            let roll = end
                .camera
                .as_ref()
                .map_or(0.0, |camera| camera.upright.sd_deg);
            let roll = if roll.is_finite() {
                roll.clamp(0.0, MAX_ROLL_DEG).to_radians()
            } else {
                MAX_ROLL_DEG.to_radians()
            };
            (weight(pair) / total * roll).powi(2)
        })
        .sum();
    variance.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a record counts as a shot is what is read.
    #[test]
    fn entries_are_read_from_the_confidence_from_which_they_count() {
        let least = Assumptions::embedded().unwrap().least_confidence;
        assert!((least - crate::record::MIN_COUNTED_CONFIDENCE).abs() < f64::EPSILON);
    }
    use crate::record::{EntrySource, FaceRecord, Missed};

    fn entry(id: u64, x: f64, y: f64, kind: ArrowKind) -> Entry {
        Entry {
            id,
            x_mm: x,
            y_mm: y,
            cov_mm2: Some([[4.0, 0.0], [0.0, 9.0]]),
            px: None,
            kind,
            kind_probability: None,
            confidence: None,
            arrow: None,
            arrow_proposed: None,
            state: EntryState::Confirmed,
            source: EntrySource::Tape,
            lean: None,
            spot: None,
            thickness_mm: None,
            segment_px: None,
            found_mm: None,
            extra: Default::default(),
        }
    }

    fn assert_close(got: [f64; 2], expected: [f64; 2]) {
        let apart = (got[0] - expected[0]).hypot(got[1] - expected[1]);
        assert!(apart < 1e-9, "{got:?}, expected {expected:?}");
    }

    fn three_spots() -> FaceRecord {
        FaceRecord {
            name: "wa-40-3spot".into(),
            diameter_mm: 400.0,
            spot_centres_mm: Some(vec![[0.0, 220.0], [0.0, 0.0], [0.0, -220.0]]),
            ..FaceRecord::default()
        }
    }

    #[test]
    fn what_counts_and_what_does_not() {
        let assumptions = Assumptions::embedded().unwrap();
        let mut unsure = entry(2, 1.0, 1.0, ArrowKind::Bare);
        unsure.state = EntryState::Proposed;
        unsure.confidence = Some(0.49);
        let mut sure = unsure.clone();
        sure.id = 3;
        sure.confidence = Some(0.5);
        let mut assumed = entry(5, 1.0, 2.0, ArrowKind::Fletched);
        assumed.cov_mm2 = None;
        let end = End {
            entries: vec![
                entry(1, 10.0, 20.0, ArrowKind::Fletched),
                unsure,
                sure,
                entry(4, 0.0, 0.0, ArrowKind::Unknown),
                assumed,
                entry(6, f64::NAN, 0.0, ArrowKind::Bare),
            ],
            missed: vec![Missed {
                kind: ArrowKind::Bare,
                ..Missed::default()
            }],
            ..End::default()
        };
        let gathered = gather(&[&end], &assumptions);
        let used: Vec<u64> = gathered.shots.iter().map(|shot| shot.id).collect();
        assert_eq!(used, [1, 3, 5]);
        let reasons: Vec<(u64, EntryExclusion)> =
            gathered.left_out.iter().map(|l| (l.id, l.reason)).collect();
        assert_eq!(
            reasons,
            [
                (2, EntryExclusion::Unconfirmed),
                (4, EntryExclusion::UnknownKind),
                (6, EntryExclusion::NoPlace)
            ]
        );
        assert_eq!(gathered.missed.bare, 1);
        assert_eq!(gathered.unchecked, 1);
        assert_close(gathered.shots[0].variance_mm2, [4.0, 9.0]);
        assert_close(gathered.shots[2].variance_mm2, [9.0, 9.0]);
    }

    #[test]
    fn each_shot_is_measured_from_its_own_spot() {
        let assumptions = Assumptions::embedded().unwrap();
        let mut stated = entry(1, 5.0, 10.0, ArrowKind::Bare);
        stated.spot = Some(1);
        let end = End {
            face: Some(three_spots()),
            entries: vec![
                stated,
                entry(2, 5.0, -200.0, ArrowKind::Fletched),
                entry(3, 0.0, 111.0, ArrowKind::Fletched),
            ],
            ..End::default()
        };
        let gathered = gather(&[&end], &assumptions);
        assert_close(gathered.shots[0].place_mm, [5.0, -210.0]);
        assert_close(gathered.shots[1].place_mm, [5.0, 20.0]);
        // between the top and the middle spot: the nearer one, and marked
        assert_close(gathered.shots[2].place_mm, [0.0, -109.0]);
        assert_eq!(gathered.between_spots, [(0, 3)]);
    }

    #[test]
    fn an_entry_between_spots_goes_by_the_order_shot() {
        let assumptions = Assumptions::embedded().unwrap();
        let mut end = End {
            face: Some(three_spots()),
            entries: vec![
                entry(1, 0.0, 230.0, ArrowKind::Bare),
                entry(2, 0.0, 111.0, ArrowKind::Fletched),
                entry(3, 0.0, -215.0, ArrowKind::Fletched),
            ],
            ..End::default()
        };
        end.session.shot_order = Some(vec![1, 2, 3]);
        let gathered = gather(&[&end], &assumptions);
        assert_close(gathered.shots[1].place_mm, [0.0, 111.0]);
        assert_eq!(gathered.between_spots, [(0, 2)]);
    }

    #[test]
    fn spots_without_centres_cannot_be_compared() {
        let assumptions = Assumptions::embedded().unwrap();
        let mut one = entry(1, 0.0, 0.0, ArrowKind::Bare);
        one.spot = Some(1);
        let mut two = entry(2, 0.0, 0.0, ArrowKind::Fletched);
        two.spot = Some(2);
        let end = End {
            entries: vec![one.clone(), two.clone()],
            ..End::default()
        };
        let gathered = gather(&[&end], &assumptions);
        assert!(gathered.shots.is_empty());
        two.spot = Some(1);
        let end = End {
            entries: vec![one, two],
            ..End::default()
        };
        assert_eq!(gather(&[&end], &assumptions).shots.len(), 2);
    }
}
