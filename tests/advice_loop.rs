//! The loop as an archer plays it, on made-up bows that are wider than what the advice assumes. `examples/measuring/advice_bench` plays
//! many more of them; here a few stand, with floors that only a real fault undercuts. No step may leave its limits: the bow
//! itself asserts that.

#![allow(clippy::unwrap_used, reason = "a test may fail on the spot")]
#![allow(
    clippy::cast_possible_truncation,
    reason = "counts of bows and ends are small"
)]

#[path = "../examples/measuring/advice_bench/bows.rs"]
mod bows;
#[path = "../examples/measuring/advice_bench/play.rs"]
mod play;
#[allow(dead_code, reason = "the reading's own sessions are drawn there too")]
#[path = "../examples/measuring/reading_bench/population.rs"]
mod population;
#[path = "../examples/measuring/advice_bench/table.rs"]
mod table;

use bossmark::advice::{AdviceOptions, Knowledge, ReadingCache, StepKind, advise, advise_with};
use bossmark::reading::{HorizontalCall, VerticalCall, read};
use bossmark::record::{History, RecordFile};
use bows::{Bow, Draw};
use play::Played;
use table::{Figures, HEAD};

#[test]
fn most_bows_get_in_tune_and_few_are_told_so_falsely() {
    let play = |at, both| {
        let bow = Bow::new(1, at, Draw::default());
        play::play(
            bow,
            &AdviceOptions {
                both,
                ..AdviceOptions::default()
            },
            Knowledge::embedded(),
        )
    };
    for both in [false, true] {
        let all: Vec<Played> = (0..8).map(|at| play(at, both)).collect();
        let figures = Figures::of(&all);
        all.iter().for_each(|played| println!("{}", played.story()));
        println!("{HEAD}");
        println!("{}", figures.line(if both { "both" } else { "one" }));
        assert!(figures.in_tune() >= 65.0, "too few bows got in tune");
        assert!(
            figures.false_share() <= 8.0,
            "too many were falsely called in tune"
        );
        assert!(figures.wrong_share() <= 8.0, "too many went the wrong way");
    }
}

/// Where ends with earlier settings show the bow in tune that the newest leave open, the answer says
/// so, and the document agrees with itself.
#[test]
fn ends_with_earlier_settings_can_show_a_bow_in_tune() {
    let mut by_earlier_ends = 0;
    // four bows whose archers scatter by 47 to 72 mm
    for at in [11, 13, 16, 36] {
        let mut bow = Bow::new(31, at, Draw::default());
        let (mut records, mut readings) = (Vec::new(), ReadingCache::default());
        for number in 1..=play::MAX_ENDS {
            let end = bow.shoot(number);
            let file = format!("{number}.json");
            records.push(RecordFile { file, line: 1, end });
            let history = History::new(records.clone());
            let options = AdviceOptions::default();
            let advice = advise_with(&history, &options, Knowledge::embedded(), &mut readings);
            let next = advice.next.as_ref().unwrap();
            if advice.done {
                let r = &advice.reading;
                assert!(r.in_tune && r.more_shots.is_none());
                assert_eq!(r.horizontal.call, HorizontalCall::Neutral);
                assert_eq!(r.vertical.call, VerticalCall::Neutral);
                let inside = r.horizontal.p_neutral.unwrap() * r.vertical.p_neutral.unwrap();
                let says = |code: &str| advice.cautions.iter().any(|c| c.code == code);
                if says("by-earlier-ends") {
                    by_earlier_ends += 1;
                    assert!((inside - next.probability_right.unwrap()).abs() < 0.002);
                    let last = records.iter().rev().take(3).map(|f| &f.end);
                    let alone = read(&last.collect::<Vec<_>>());
                    assert!(!alone.in_tune, "the last three ends alone leave it open");
                }
                break;
            }
            if next.kind == StepKind::Check {
                let codes = next.checks.iter().map(|c| c.code().to_owned());
                bow.checked.extend(codes);
            } else if let Some(turn) = Bow::turn(next) {
                bow.make(turn);
            }
        }
    }
    assert!(by_earlier_ends >= 1, "no bow was found in tune that way");
}

/// What was read before changes no answer: neither when a run goes on, nor after a change, nor for another history.
#[test]
fn kept_readings_change_no_answer() {
    let options = AdviceOptions::default();
    let knowledge = Knowledge::embedded();
    let mut kept = ReadingCache::default();
    for at in 0..2 {
        let mut bow = Bow::new(2, at, Draw::default());
        let mut records = Vec::new();
        for number in 1..=5 {
            records.push(RecordFile {
                file: format!("{number}.json"),
                line: 1,
                end: bow.shoot(number),
            });
            let history = History::new(records.clone());
            let advice = advise_with(&history, &options, knowledge, &mut kept);
            assert_eq!(advice, advise(&history, &options));
            if let Some(turn) = advice.next.as_ref().and_then(Bow::turn) {
                bow.make(turn);
            }
        }
    }
}
