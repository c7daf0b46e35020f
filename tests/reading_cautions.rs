//! Every caution of the reading: an end that brings it up, and its nearest neighbour that doesn't.

mod reading_support;

use bossmark::reading::{Reading, read};
use bossmark::record::{ArrowKind, End, EntryState, FaceRecord, Lean, Missed, Setup};
use bossmark::text::{Locale, Sentence};
use reading_support::{camera, end, entry};
use std::collections::BTreeSet;

/// Where the cautions are written.
const SOURCES: [&str; 3] = [
    include_str!("../src/reading/cautions/mod.rs"),
    include_str!("../src/reading/cautions/offset.rs"),
    include_str!("../src/reading/cautions/shots.rs"),
];

const GROUP: [(f64, f64); 3] = [(-12.0, 8.0), (5.0, -3.0), (9.0, 14.0)];

/// Three close fletched shots and three close bare ones this far away.
fn at(x: f64, y: f64) -> End {
    wide(x, y, 1.0)
}

/// The same, so many times as wide.
fn wide(x: f64, y: f64, times: f64) -> End {
    let spread = |x: f64, y: f64| GROUP.map(|p| (times * p.0 + x, times * p.1 + y));
    end(&spread(0.0, 0.0), &spread(x, -y))
}

/// One caution: its code, what the remedy must speak of, ends that bring it up, and ends that don't.
struct Case {
    code: &'static str,
    remedy: &'static str,
    with: Vec<End>,
    without: Vec<End>,
}

fn case(code: &'static str, remedy: &'static str, with: End, without: End) -> Case {
    Case {
        code,
        remedy,
        with: vec![with],
        without: vec![without],
    }
}

/// `end` with something done to it.
fn but(mut end: End, change: impl FnOnce(&mut End)) -> End {
    change(&mut end);
    end
}

/// A vertical three-spot face of 40 cm: centres 220 mm apart, shots at each.
fn three_spots(last_y: f64) -> End {
    let mut end = End {
        face: Some(FaceRecord {
            name: "wa-40-3spot".to_owned(),
            diameter_mm: 200.0,
            spot_centres_mm: Some(vec![[0.0, 220.0], [0.0, 0.0], [0.0, -220.0]]),
            pattern: None,
            seen: None,
            zones: None,
            extra: Default::default(),
        }),
        entries: [(5.0, 226.0), (-4.0, 3.0), (6.0, -215.0)]
            .iter()
            .zip(1..)
            .map(|(p, id)| entry(id, ArrowKind::Fletched, p.0, p.1))
            .chain(
                [(45.0, 222.0), (38.0, -6.0), (41.0, last_y)]
                    .iter()
                    .zip(4..)
                    .map(|(p, id)| entry(id, ArrowKind::Bare, p.0, p.1)),
            )
            .collect(),
        ..End::default()
    };
    end.session = at(0.0, 0.0).session;
    end
}

/// Entries marked "spot 1" and "spot 2" of a face whose spots the record doesn't tell.
fn untold_spots(second: u32) -> End {
    but(at(40.0, 0.0), |end| {
        for entry in &mut end.entries {
            entry.spot = Some(1);
        }
        end.entries[2].spot = Some(second);
    })
}

/// Ends with numbered arrows, the sixth of them (of `kinds` fletched and bare ones) off by `away`.
fn numbered(bare: usize, away: f64) -> Vec<End> {
    let wobble = [11.0, -17.0, 5.0, -3.0, 19.0, -9.0, 14.0];
    (0..4usize)
        .map(|k| {
            let place = |arrow: usize| {
                let at = (3 * k + 5 * arrow) % wobble.len();
                (wobble[at], wobble[(at + 3) % wobble.len()])
            };
            let fletched: Vec<(f64, f64)> = (0..3).map(place).collect();
            let mut shafts: Vec<(f64, f64)> = (3..3 + bare).map(place).collect();
            shafts[bare - 1].0 += away;
            but(end(&fletched, &shafts), |end| {
                for entry in &mut end.entries {
                    entry.arrow = Some(entry.id.to_string());
                }
            })
        })
        .collect()
}

fn leaning(right_deg: f64) -> End {
    but(at(200.0, 0.0), |end| {
        for entry in &mut end.entries {
            let bare = entry.kind == ArrowKind::Bare;
            entry.lean = Some(Lean {
                right_deg: if bare { right_deg } else { 0.0 },
                up_deg: 0.0,
                sd_deg: 0.6,
            });
        }
    })
}

fn shot_in(order: [u64; 6]) -> End {
    but(at(40.0, 0.0), |end| {
        end.session.shot_order = Some(order.to_vec());
    })
}

fn told(setup: Setup) -> End {
    but(at(40.0, 0.0), |end| end.session.setup = Some(setup))
}

fn rear_weights(bare_rear_gr: f64) -> End {
    told(Setup {
        rear_gr: Some(17.0),
        bare_rear_gr: Some(bare_rear_gr),
        ..Setup::default()
    })
}

fn own_tolerance(mm: f64) -> End {
    told(Setup {
        tolerance_30m_mm: Some(mm),
        ..Setup::default()
    })
}

fn shot_at(distance_m: f64, x: f64) -> End {
    but(at(x, 0.0), |end| end.session.distance_m = Some(distance_m))
}

fn proposed(confidence: f64) -> End {
    but(at(40.0, 0.0), |end| {
        end.entries[1].state = EntryState::Proposed;
        end.entries[1].confidence = Some(confidence);
    })
}

/// A fourth bare shot this far out.
fn one_out(x: f64) -> End {
    let shafts = [(28.0, -8.0), (45.0, 3.0), (49.0, -14.0), (40.0 + x, 5.0)];
    end(&GROUP, &shafts)
}

/// The usual end, with this number of bare shafts told.
fn bare_told(bare: u32) -> End {
    but(at(40.0, 0.0), |end| {
        end.session.fletched = Some(3);
        end.session.bare = Some(bare);
    })
}

/// All that can be said about the ends as such and how they were shot.
fn cases_of_ends() -> Vec<Case> {
    let usual = || at(40.0, 0.0);
    vec![
        case(
            "count-differs",
            "4 bare given, 3 counted",
            bare_told(4),
            bare_told(3),
        ),
        case(
            "no-distance",
            "--distance",
            but(usual(), |end| end.session.distance_m = None),
            usual(),
        ),
        case(
            "no-hand",
            "--hand",
            but(usual(), |end| end.session.hand = None),
            usual(),
        ),
        case(
            "few-shots",
            "at least 3 of each",
            but(usual(), |end| end.entries.truncate(5)),
            usual(),
        ),
        case(
            "unconfirmed",
            "bossmark confirm",
            proposed(0.49),
            proposed(0.5),
        ),
        case(
            "unconfirmed",
            "bossmark confirm",
            but(usual(), |end| end.entries[1].kind = ArrowKind::Unknown),
            usual(),
        ),
        case("not-checked", "bossmark confirm", proposed(0.9), usual()),
        case(
            "no-place",
            "x_mm",
            but(usual(), |end| end.entries[1].x_mm = 1e6),
            usual(),
        ),
        case(
            "missed-shots",
            "shoot the end again",
            but(usual(), |end| {
                end.missed.push(Missed {
                    kind: ArrowKind::Bare,
                    ..Missed::default()
                });
            }),
            usual(),
        ),
        case(
            "between-spots",
            "spot",
            three_spots(-112.0),
            three_spots(-221.0),
        ),
        case("no-spots", "right face", untold_spots(2), untold_spots(1)),
        case(
            "short-distance",
            "30 m",
            shot_at(24.9, 40.0),
            shot_at(25.0, 40.0),
        ),
        case(
            "long-distance",
            "30 m",
            shot_at(36.0, 40.0),
            shot_at(35.0, 40.0),
        ),
        case(
            "tolerance-range",
            "from 20 to 100",
            own_tolerance(5.0),
            own_tolerance(20.0),
        ),
        case(
            "not-alternate",
            "in turn",
            shot_in([1, 2, 3, 4, 5, 6]),
            shot_in([1, 4, 2, 5, 3, 6]),
        ),
        case(
            "different-mass",
            "tape",
            rear_weights(8.0),
            rear_weights(16.0),
        ),
        case(
            "mixed-arrows",
            "marks",
            but(usual(), |end| {
                end.entries[0].arrow = Some("7".to_owned());
                end.entries[1].arrow = Some("7".to_owned());
            }),
            but(usual(), |end| {
                end.entries[0].arrow = Some("7".to_owned());
                end.entries[1].arrow = Some("8".to_owned());
            }),
        ),
    ]
}

/// What the offset and single shots bring up.
fn cases_of_the_offset() -> Vec<Case> {
    let sides = |last: f64| end(&GROUP, &[(-90.0, 10.0), (last, 5.0)]);
    vec![
        case("either-side", "at least", sides(95.0), sides(-80.0)),
        case(
            "wrong-spine",
            "other shafts",
            shot_at(18.0, 700.0),
            shot_at(18.0, 400.0),
        ),
        case(
            "wide-scatter",
            "closer groups",
            wide(5.0, 0.0, 12.0),
            wide(5.0, 0.0, 1.0),
        ),
        case(
            "roll",
            "upright",
            but(at(0.0, 400.0), |end| end.camera = Some(camera(6.0))),
            but(at(0.0, 400.0), |end| end.camera = Some(camera(0.2))),
        ),
        case("lean", "contact", leaning(5.0), leaning(-5.0)),
        case(
            "flier",
            "stays in the reading",
            one_out(400.0),
            one_out(10.0),
        ),
        case(
            "possible-flier",
            "Another end",
            one_out(POSSIBLE_MM),
            one_out(10.0),
        ),
        Case {
            code: "odd-arrow",
            remedy: "nock",
            with: numbered(4, 170.0),
            without: numbered(4, 0.0),
        },
        Case {
            code: "odd-arrow",
            remedy: "shoot a third",
            with: numbered(2, 200.0),
            without: numbered(2, 0.0),
        },
    ]
}

/// How far out a fourth shot may or may not be a bad one, beside three within some 10 mm.
const POSSIBLE_MM: f64 = 70.0;

fn reading_of(ends: &[End]) -> Reading {
    read(&ends.iter().collect::<Vec<_>>())
}

#[test]
fn each_caution_comes_up_and_only_then() {
    for case in cases_of_ends().into_iter().chain(cases_of_the_offset()) {
        let code = case.code;
        let with = reading_of(&case.with);
        let note = with.cautions.iter().find(|note| note.code == code);
        let note = note.unwrap_or_else(|| panic!("no {code}: {with:#?}"));
        assert!(
            note.text(Locale::default()).contains(case.remedy),
            "{code}: {} should speak of {}",
            note.text(Locale::default()),
            case.remedy
        );
        let without = reading_of(&case.without);
        assert!(
            without.cautions.iter().all(|note| note.code != code),
            "{code} without cause: {:#?}",
            without.cautions
        );
    }
}

/// A caution that is written has a row above.
#[test]
fn no_caution_goes_untested() {
    let written: BTreeSet<&str> = SOURCES
        .iter()
        .flat_map(|source| source.split("Caution::new(").skip(1))
        .filter_map(|after| after.split('"').nth(1))
        .collect();
    let tested: BTreeSet<&str> = cases_of_ends()
        .iter()
        .chain(&cases_of_the_offset())
        .map(|case| case.code)
        .collect();
    assert!(written.len() > 15, "{written:?}");
    assert_eq!(written, tested);
}

/// The shots of a three-spot face are read about their own spots: as if all had been shot at one.
#[test]
fn three_spots_read_like_one() {
    let spots = three_spots(-221.0);
    let mut one = spots.clone();
    one.face = None;
    for entry in &mut one.entries {
        entry.y_mm -= 220.0 * (entry.y_mm / 220.0).round();
    }
    let (spots, one) = (reading_of(&[spots]), reading_of(&[one]));
    assert_eq!(spots.offset, one.offset);
    assert_eq!(spots.horizontal, one.horizontal);
    let offset = spots.offset.unwrap();
    assert!((offset.x_mm - 39.0).abs() < 8.0, "{offset:?}");
}
