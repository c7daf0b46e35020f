//! How good the reading is: simulated sessions with known truth, many of them, against the figures it has to reach.
//!
//! ```sh
//! cargo run --release --example reading_bench            # the whole table, two sets of seeds: some minutes on two cores
//! cargo run --release --example reading_bench -- --share 0.1
//! ```
//! Simulated, never real shots. Beside the reading stands what the same ends give without it: the difference of the plain
//! means with Welch's t, called by the same rule.
#![allow(clippy::print_stdout, reason = "a table is what it is for")]
#![allow(
    clippy::cast_possible_truncation,
    reason = "counts of shots, ends and sessions are small"
)]

#[path = "reading_bench/population.rs"]
mod population;
#[path = "reading_bench/score.rs"]
mod score;
#[path = "reading_bench/welch.rs"]
mod welch;

use bossmark::reading::{Assumptions, analyse_with};
use population::{Random, Session, draw};
use rayon::prelude::*;
use score::{SessionScore, Table};
use std::time::Instant;

/// Sessions of one, two and four ends.
const SESSIONS: [(usize, usize); 3] = [(1, 12_000), (2, 4_000), (4, 2_000)];
/// Shots of each kind in an end: a third of the sessions each.
const SHOTS: [usize; 3] = [3, 4, 6];
/// Two sets of sessions that have nothing in common.
const SEEDS: [u64; 2] = [2026, 2027];

fn main() {
    let mut assumptions = Assumptions::embedded().expect("the assumptions");
    let mut share = 1.0;
    let mut seeds: Vec<u64> = SEEDS.to_vec();
    let mut only: Option<usize> = None;
    let mut arguments = std::env::args().skip(1);
    while let (Some(flag), Some(value)) = (arguments.next(), arguments.next()) {
        match flag.as_str() {
            "--share" => share = value.parse().expect("a share of the sessions"),
            "--seed" => seeds = vec![value.parse().expect("a seed")],
            "--assumptions" => {
                let text = std::fs::read_to_string(&value).expect("a file");
                assumptions = Assumptions::from_json(&text).expect("assumptions");
            }
            "--ends" => only = Some(value.parse().expect("a number of ends")),
            _ => panic!("--share PART, --seed N, --ends N or --assumptions FILE"),
        }
    }
    for seed in seeds {
        println!("seed {seed}");
        let mut tables = Vec::new();
        for (ends, sessions) in SESSIONS {
            if only.is_some_and(|only| only != ends) {
                continue;
            }
            let sessions = (sessions as f64 * share).round() as usize;
            tables.push((ends, run(seed, ends, sessions, &assumptions)));
        }
        score::print(&tables);
    }
    timing(&assumptions);
}

/// All sessions of so many ends, by number of shots. Each session has a seed of its own, so that threads don't matter.
fn run(seed: u64, ends: usize, sessions: usize, assumptions: &Assumptions) -> Table {
    let started = Instant::now();
    let scores: Vec<(usize, SessionScore)> = (0..sessions)
        .into_par_iter()
        .map(|at| {
            let n = SHOTS[at % SHOTS.len()];
            let session = draw(&mut Random::for_session(seed, ends, at), ends, n);
            (n, score_of(&session, assumptions))
        })
        .collect();
    Table::of(&scores, started.elapsed().as_secs_f64())
}

fn score_of(session: &Session, assumptions: &Assumptions) -> SessionScore {
    let ends: Vec<&bossmark::record::End> = session.ends.iter().collect();
    let analysis = analyse_with(&ends, assumptions);
    SessionScore::of(session, &analysis, &welch::compare(session), assumptions)
}

/// Best of several; time on the processor where the system tells it, so that a busy machine matters less.
fn timing(assumptions: &Assumptions) {
    for (ends, n, limit) in [(1, 6, 20.0), (10, 3, 200.0)] {
        let mut slowest: f64 = 0.0;
        for at in 0..8 {
            let session = draw(&mut Random::for_session(7, ends, at), ends, n);
            let ends: Vec<&bossmark::record::End> = session.ends.iter().collect();
            let best = (0..5)
                .map(|_| {
                    let (started, on_processor) = (Instant::now(), processor_ms());
                    std::hint::black_box(analyse_with(&ends, assumptions));
                    match (on_processor, processor_ms()) {
                        (Some(before), Some(after)) if after > before => after - before,
                        _ => started.elapsed().as_secs_f64() * 1e3,
                    }
                })
                .fold(f64::INFINITY, f64::min);
            slowest = slowest.max(best);
        }
        println!(
            "one reading of {} shots in {ends} ends: {slowest:.1} ms (limit {limit} ms; slowest of 8 sessions)",
            2 * n * ends
        );
    }
}

/// What this thread has spent on a processor, ms (Linux).
fn processor_ms() -> Option<f64> {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    let nanoseconds: f64 = told.split_whitespace().next()?.parse().ok()?;
    Some(nanoseconds / 1e6)
}
