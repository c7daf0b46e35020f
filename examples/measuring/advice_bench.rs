//! How well the advice tunes a bow: hidden bows played end by end through the public advice, beside the rule of thumb.
//!
//! ```sh
//! cargo run --release --example advice_bench                  # 200 bows of each of two seeds, all variants
//! cargo run --release --example advice_bench -- --bows 1000
//! cargo run --release --example advice_bench -- --bows 50 --seed 31 --only "one change"
//! ```
//! Simulated, never real shots. Columns: bows in tune and said so within 40, 20, 10 ends (%); falsely said so, and of those
//! beyond one and a half tolerances (% of those said to be in tune); ends to a true "in tune" (median, 90 %); eighths of an inch
//! cut a bow, cuts a bow that went past zero by more than the tolerance; changes that moved an axis that was out further out
//! (%); true shifts inside one and two sd of what was to be expected (%); changes a bow, bows at their limits (%), ends a bow
//! whose advice named a contradiction, steps that can't be undone made before their gates. `--calibration FILE` tries other
//! figures than those of `calibration/advice.json`; `--list yes` prints each bow's evening, end by end; `--why yes` how the bows ended that aren't
//! rightly in tune, what would have helped from there, and what the ends were spent on.
#![allow(clippy::print_stdout, reason = "a table is what it is for")]
#![allow(
    clippy::cast_possible_truncation,
    clippy::expect_used,
    reason = "counts of bows and ends are small; a bench may fail on the spot"
)]

#[path = "advice_bench/bows.rs"]
mod bows;
#[path = "advice_bench/play.rs"]
mod play;
#[allow(dead_code, reason = "the reading's own sessions are drawn there too")]
#[path = "reading_bench/population.rs"]
mod population;
#[path = "advice_bench/table.rs"]
mod table;
#[path = "advice_bench/thumb.rs"]
mod thumb;
#[path = "advice_bench/why.rs"]
mod why;

use bossmark::advice::{AdviceOptions, Knowledge};
use bows::{Bow, Draw, Trouble};
use play::Played;
use rayon::prelude::*;
use table::{Figures, HEAD};

/// Two sets of bows that have nothing in common.
const SEEDS: [u64; 2] = [31, 32];

/// What is played.
struct Variant {
    name: &'static str,
    draw: Draw,
    both: bool,
    /// By the rule of thumb, with so many ends in a row, instead of by the advice.
    thumb: Option<usize>,
}

fn variants() -> Vec<Variant> {
    let plain = |name, draw| Variant {
        name,
        draw,
        both: false,
        thumb: None,
    };
    let usual = Draw::default();
    let steady = Draw {
        sigma: [15.0, 25.0],
        ..usual
    };
    let six = Draw { shots: 6, ..usual };
    let times = |slopes| Draw { slopes, ..usual };
    let trouble = |trouble| Draw { trouble, ..usual };
    let thumb = |name, draw, in_a_row| Variant {
        thumb: Some(in_a_row),
        ..plain(name, draw)
    };
    vec![
        plain("one change at a time", usual),
        Variant {
            both: true,
            ..plain("both axes at once", usual)
        },
        plain("scatter 15 to 25 mm", steady),
        plain("6 + 6 an end", six),
        plain("slopes halved", times(0.5)),
        plain("slopes doubled", times(2.0)),
        plain("bolts that do nothing", trouble(Trouble::Bolts)),
        plain("groups double", trouble(Trouble::Groups)),
        plain("two bare shafts", trouble(Trouble::TwoBare)),
        plain("every other end at 18 m", trouble(Trouble::Near)),
        plain("one tag in ten wrong", trouble(Trouble::Tags)),
        thumb("rule of thumb, one end", usual, 1),
        thumb("rule of thumb, two ends in a row", usual, 2),
        thumb("rule of thumb, scatter 15 to 25 mm", steady, 1),
        thumb("rule of thumb, 6 + 6 an end", six, 1),
    ]
}

fn main() {
    let mut bows = 200;
    let mut seeds: Vec<u64> = SEEDS.to_vec();
    let mut only: Option<String> = None;
    let mut bow: Option<usize> = None;
    let mut list = false;
    let mut why = false;
    let mut knowledge = Knowledge::embedded().clone();
    let mut arguments = std::env::args().skip(1);
    while let (Some(flag), Some(value)) = (arguments.next(), arguments.next()) {
        match flag.as_str() {
            "--bows" => bows = value.parse().expect("a number of bows"),
            "--seed" => {
                seeds = value
                    .split(',')
                    .map(|s| s.parse().expect("a seed"))
                    .collect()
            }
            "--bow" => bow = value.parse().ok(),
            "--only" => only = Some(value),
            "--list" => list = value == "yes",
            "--why" => why = value == "yes",
            "--calibration" => {
                let text = std::fs::read_to_string(&value).expect("a file");
                knowledge = Knowledge::from_json(&text).expect("a calibration");
            }
            _ => panic!(
                "--bows N, --bow N, --seed N[,N…], --only NAME, --list yes, --why yes or --calibration FILE"
            ),
        }
    }
    for seed in seeds {
        println!("seed {seed}, {bows} bows\n{HEAD}");
        for variant in variants() {
            if only
                .as_ref()
                .is_some_and(|only| !variant.name.contains(only.as_str()))
            {
                continue;
            }
            let all: Vec<Played> = bow
                .map_or(0..bows, |at| at..at + 1)
                .into_par_iter()
                .map(|at| {
                    let bow = Bow::new(seed, at, variant.draw);
                    match variant.thumb {
                        Some(in_a_row) => thumb::play(bow, in_a_row),
                        None => play::play(
                            bow,
                            &AdviceOptions {
                                both: variant.both,
                                ..AdviceOptions::default()
                            },
                            &knowledge,
                        ),
                    }
                })
                .collect();
            if list {
                for (at, played) in (bow.unwrap_or(0)..).zip(&all) {
                    println!("{at}: {}", played.story());
                    played.log.iter().for_each(|line| println!("{line}"));
                }
            }
            println!("{}", Figures::of(&all).line(variant.name));
            if why {
                why::print(&all);
            }
        }
    }
}
