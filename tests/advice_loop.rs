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

use bossmark::advice::{AdviceOptions, Knowledge, Readings, advise, advise_with};
use bossmark::record::{History, RecordFile};
use bows::{Bow, Draw};
use play::Played;
use table::{Figures, HEAD};

#[test]
fn most_bows_get_in_tune_and_few_are_told_so_falsely() {
    let play = |at, both| {
        let bow = Bow::new(1, at, Draw::default());
        play::play(bow, &AdviceOptions { both }, Knowledge::embedded())
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

/// What was read before changes no answer: neither when a run goes on, nor after a change, nor for another history.
#[test]
fn kept_readings_change_no_answer() {
    let options = AdviceOptions::default();
    let knowledge = Knowledge::embedded();
    let mut kept = Readings::default();
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
