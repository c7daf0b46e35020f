//! Where measuring breaks: practice photos over distance of the camera, tilt, number of shafts, light and noise.
//!
//! ```text
//! cargo run --release --example sweep -- [--photos N] [--only TEXT] [--threads N] [--size WxH] [--counts] [--markdown]
//! ```
//!
//! Each row changes one thing and leaves the rest to the seeds, which are the same in all rows. The photos are drawn
//! (`bossmark rehearse`), not real: the table shows where the program begins to fail, not how good it is on a range. Faces take
//! turns. `--counts` says how many shafts of each kind were shot; `--markdown` prints the table of `docs/accuracy/sweep.md`.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a program that prints its findings"
)]

#[allow(dead_code, reason = "the table of photos needs it")]
#[path = "accuracy/camera.rs"]
mod camera;
#[allow(dead_code, reason = "the table of photos needs more of it")]
#[path = "accuracy/score.rs"]
mod score;

use anyhow::{Context, Result, bail};
use bossmark::face::spec;
use bossmark::measure::{self, MeasureOptions};
use bossmark::record::Session;
use bossmark::rehearse::{LightKind, Options, rehearse};
use rayon::prelude::*;
use score::{PhotoScore, Truth, compare};
use std::process::ExitCode;

/// Faces in turn.
const FACES: [&str; 4] = ["wa-80", "wa-122", "wa-40", "wa-60"];
/// Photos of a row if none is given.
const PHOTOS: u64 = 6;
/// Size of the pictures if none is given, px: what messengers send.
const SIZE: (u32, u32) = (2048, 1536);
/// First seed: none that the documents' examples use.
const FIRST_SEED: u64 = 5001;

type Change = fn(&mut Options);

/// What is changed, to what, and how.
struct Row {
    group: &'static str,
    value: &'static str,
    change: Change,
}

const fn row(group: &'static str, value: &'static str, change: Change) -> Row {
    Row {
        group,
        value,
        change,
    }
}

/// What is not changed is drawn: the distance so that the face fills 40 to 80 % of the picture, tilt 6 to 32°, sun, cloud or hall.
const ROWS: [Row; 26] = [
    row("usual", "as drawn", |_| {}),
    row("camera at", "1 m", |o| o.camera_mm = Some(1000.0)),
    row("camera at", "1.5 m", |o| o.camera_mm = Some(1500.0)),
    row("camera at", "2.5 m", |o| o.camera_mm = Some(2500.0)),
    row("camera at", "4 m", |o| o.camera_mm = Some(4000.0)),
    row("camera at", "6 m", |o| o.camera_mm = Some(6000.0)),
    row("camera at", "9 m", |o| o.camera_mm = Some(9000.0)),
    row("tilt", "2°", |o| o.tilt_rad = Some(2f64.to_radians())),
    row("tilt", "6°", |o| o.tilt_rad = Some(6f64.to_radians())),
    row("tilt", "12°", |o| o.tilt_rad = Some(12f64.to_radians())),
    row("tilt", "25°", |o| o.tilt_rad = Some(25f64.to_radians())),
    row("tilt", "40°", |o| o.tilt_rad = Some(40f64.to_radians())),
    row("tilt", "55°", |o| o.tilt_rad = Some(55f64.to_radians())),
    row("shafts", "1 + 1", |o| (o.fletched, o.bare) = (1, 1)),
    row("shafts", "5 + 5", |o| (o.fletched, o.bare) = (5, 5)),
    row("shafts", "9 + 5", |o| (o.fletched, o.bare) = (9, 5)),
    row("light", "sun", |o| o.light = Some(LightKind::Sun)),
    row("light", "low sun", |o| o.light = Some(LightKind::LowSun)),
    row("light", "person's shadow", |o| {
        o.light = Some(LightKind::Person);
    }),
    row("light", "overcast", |o| o.light = Some(LightKind::Overcast)),
    row("light", "hall", |o| o.light = Some(LightKind::Hall)),
    row("noise", "none", |o| o.noise = Some(0.0)),
    row("noise", "× 10", |o| o.noise = Some(10.0)),
    row("noise", "× 40", |o| o.noise = Some(40.0)),
    row("noise", "× 160", |o| o.noise = Some(160.0)),
    row("wear", "much", |o| o.wear = Some(1.0)),
];

struct Arguments {
    photos: u64,
    only: String,
    size: (u32, u32),
    counts: bool,
    markdown: bool,
}

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("sweep: {error:#}");
            ExitCode::from(2)
        }
    }
}

fn arguments() -> Result<Arguments> {
    let mut a = Arguments {
        photos: PHOTOS,
        only: String::new(),
        size: SIZE,
        counts: false,
        markdown: false,
    };
    let mut args = std::env::args().skip(1);
    while let Some(arg) = args.next() {
        let mut value = || args.next().with_context(|| format!("{arg} needs a value"));
        match arg.as_str() {
            "--photos" => a.photos = value()?.parse().context("--photos")?,
            "--only" => a.only = value()?,
            "--threads" => rayon::ThreadPoolBuilder::new()
                .num_threads(value()?.parse().context("--threads")?)
                .build_global()?,
            "--size" => {
                let text = value()?;
                let (w, h) = text.split_once('x').context("--size is like 2048x1536")?;
                a.size = (w.parse().context("--size")?, h.parse().context("--size")?);
            }
            "--counts" => a.counts = true,
            "--markdown" => a.markdown = true,
            _ => bail!("what is `{arg}`?"),
        }
    }
    Ok(a)
}

fn run() -> Result<()> {
    let a = arguments()?;
    let rows: Vec<&Row> = ROWS
        .iter()
        .filter(|r| format!("{} {}", r.group, r.value).contains(&a.only))
        .collect();
    heading(a.markdown);
    for row in rows {
        let scores: Vec<PhotoScore> = (0..a.photos)
            .into_par_iter()
            .map(|k| photo(row, k, &a))
            .collect::<Result<_>>()?;
        print_row(row, &scores, a.markdown);
    }
    Ok(())
}

/// Draws one photo and measures it.
fn photo(row: &Row, k: u64, a: &Arguments) -> Result<PhotoScore> {
    let name = FACES[usize::try_from(k)? % FACES.len()];
    let face = spec::by_name(name).context("face")?;
    let mut options = Options::new(face, FIRST_SEED + k);
    options.size = Some(a.size);
    (row.change)(&mut options);
    let made = rehearse(&options, "practice.jpg")?;
    let truth: Truth = serde_json::from_value(serde_json::to_value(&made.truth)?)?;
    let mut session = Session::default();
    if a.counts {
        session.fletched = u32::try_from(options.fletched).ok();
        session.bare = u32::try_from(options.bare).ok();
    }
    let options = MeasureOptions::default();
    let measured = measure::measure(
        &made.jpeg,
        "practice.jpg",
        face,
        session,
        &options,
        &mut |_| {},
    )?;
    let status = i32::from(measured.end.failure.is_some());
    Ok(compare(&truth, status, &measured.end))
}

fn heading(markdown: bool) {
    let columns = [
        "",
        "",
        "face",
        "rings mm",
        "found",
        "true",
        "entry mm",
        "tags",
        "sure right",
    ];
    if markdown {
        println!(
            "| | | face found | rings, mm | shafts found | entries true | entry, mm | tags right | of the sure, right |"
        );
        println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    } else {
        println!("{}", cells(&columns.map(str::to_owned), false));
    }
}

fn cells(values: &[String; 9], markdown: bool) -> String {
    if markdown {
        return format!("| {} |", values.join(" | "));
    }
    values
        .iter()
        .enumerate()
        .map(|(k, v)| {
            if k < 2 {
                format!("{v:<16}")
            } else {
                format!("{v:>11}")
            }
        })
        .collect()
}

fn share(of: usize, all: usize) -> String {
    if all == 0 {
        return "–".to_owned();
    }
    let (of, all) = (
        u32::try_from(of).unwrap_or(0),
        u32::try_from(all).unwrap_or(1),
    );
    format!("{:.0} %", 100.0 * f64::from(of) / f64::from(all))
}

fn median(mut values: Vec<f64>) -> String {
    if values.is_empty() {
        return "–".to_owned();
    }
    format!("{:.2}", bossmark::math::median(&mut values))
}

fn print_row(row: &Row, scores: &[PhotoScore], markdown: bool) {
    let sum = |of: fn(&PhotoScore) -> usize| scores.iter().map(of).sum::<usize>();
    let found = sum(PhotoScore::found);
    let faces = scores.iter().filter(|s| s.face_found).count();
    let errors = scores
        .iter()
        .flat_map(|s| s.matches.iter().filter(|m| m.must).map(|m| m.error_mm));
    let values = [
        row.group.to_owned(),
        row.value.to_owned(),
        format!("{faces} of {}", scores.len()),
        median(scores.iter().filter_map(|s| s.probe_rms_mm).collect()),
        share(found, sum(|s| s.shafts)),
        share(found, found + sum(|s| s.falses)),
        median(errors.collect()),
        share(sum(PhotoScore::tags_right), found),
        share(sum(|s| s.confident_right), sum(|s| s.confident)),
    ];
    println!("{}", cells(&values, markdown));
}
