//! Accuracy over photos with known truth: per photo, over all, and the time of each stage.
//!
//! ```text
//! cargo run --release --example accuracy -- DIR [--only TEXT] [--floors FILE] [--json]
//! ```
//!
//! Every `NAME.truth.json` in DIR (`photo-truth/1`, see `sample-photos/README.md`) with its `NAME.jpg` is measured and
//! compared. Photos with a face and arrows are *plain* or *unkind*; *negatives* hold no face or no arrows. Entries of confidence
//! ≥ 0.5 are matched with the true shafts one to one within 10 mm; for a face with one centre the best turn about
//! it is taken out first, since rings can't show it. Exit status 1 when a floor is undercut.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a program that prints its findings"
)]

mod score;
mod table;

use anyhow::{Context, Result, bail};
use bossmark::face::spec;
use bossmark::record::{End, Failure, Session};
use bossmark::road::{self, MeasureOptions, Stage};
use score::{PhotoScore, Truth, compare};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Instant;

/// Negatives without a face are asked for this one.
const FACE_OF_NEGATIVES: &str = "wa-80";

fn main() -> ExitCode {
    match run() {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        Err(error) => {
            eprintln!("accuracy: {error:#}");
            ExitCode::from(2)
        }
    }
}

struct Arguments {
    dir: PathBuf,
    only: String,
    floors: Option<PathBuf>,
    json: bool,
}

fn arguments() -> Result<Arguments> {
    let (mut dir, mut only, mut floors, mut json) = (None, String::new(), None, false);
    let mut args = std::env::args().skip(1);
    while let Some(arg) = args.next() {
        match arg.as_str() {
            "--only" => only = args.next().context("--only needs a text")?,
            "--floors" => floors = Some(args.next().context("--floors needs a file")?.into()),
            "--json" => json = true,
            _ if dir.is_none() && !arg.starts_with('-') => dir = Some(PathBuf::from(arg)),
            _ => bail!("what is `{arg}`? use: accuracy DIR [--only TEXT] [--floors FILE] [--json]"),
        }
    }
    let dir = dir.context("name a folder with NAME.jpg and NAME.truth.json")?;
    Ok(Arguments {
        dir,
        only,
        floors,
        json,
    })
}

fn run() -> Result<bool> {
    let a = arguments()?;
    let truths = truths(&a.dir, &a.only)?;
    let mut scores = Vec::new();
    for truth in &truths {
        scores.push(score_photo(&a.dir, truth)?);
        eprintln!("{}/{} {}", scores.len(), truths.len(), truth.photo);
    }
    let figures = table::figures(&scores);
    if a.json {
        println!("{}", serde_json::to_string_pretty(&figures)?);
    } else {
        println!("{}", table::photo_table(&scores));
        println!("{}", table::totals_table(&figures));
        println!("{}", table::stage_table(&scores));
    }
    let Some(floors) = a.floors else {
        return Ok(true);
    };
    let text = std::fs::read_to_string(&floors).with_context(|| format!("{}", floors.display()))?;
    let short = table::undercut(&figures, &text).map_err(anyhow::Error::msg)?;
    for line in &short {
        eprintln!("undercut: {line}");
    }
    if short.is_empty() {
        eprintln!("every floor of {} holds", floors.display());
    }
    Ok(short.is_empty())
}

fn truths(dir: &Path, only: &str) -> Result<Vec<Truth>> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(dir)
        .with_context(|| format!("{}", dir.display()))?
        .collect::<std::io::Result<Vec<_>>>()?
        .into_iter()
        .map(|e| e.path())
        .filter(|p| {
            p.file_name()
                .is_some_and(|n| n.to_string_lossy().ends_with(".truth.json"))
        })
        .filter(|p| p.to_string_lossy().contains(only))
        .collect();
    files.sort();
    if files.is_empty() {
        bail!("no NAME.truth.json in {}", dir.display());
    }
    files
        .iter()
        .map(|p| {
            let text = std::fs::read_to_string(p).with_context(|| format!("{}", p.display()))?;
            serde_json::from_str(&text).with_context(|| format!("{}", p.display()))
        })
        .collect()
}

/// Measures one photo, with the time of each stage.
fn score_photo(dir: &Path, truth: &Truth) -> Result<PhotoScore> {
    let path = dir.join(&truth.photo);
    let bytes = std::fs::read(&path).with_context(|| format!("{}", path.display()))?;
    let name = truth.face.as_ref().map_or(FACE_OF_NEGATIVES, |f| &f.name);
    let spec = spec::by_name(name).with_context(|| format!("unknown face {name}"))?;
    let start = Instant::now();
    let mut stages = Vec::new();
    let mut last = start;
    let measured = road::measure(
        &bytes,
        &truth.photo,
        spec,
        Session::default(),
        &MeasureOptions::default(),
        &mut |stage| {
            let what = match stage {
                Stage::Photo => "decode",
                Stage::Camera => "camera",
                Stage::Shafts => "shafts",
            };
            stages.push((what, last.elapsed().as_secs_f64()));
            last = Instant::now();
        },
    );
    let seconds = start.elapsed().as_secs_f64();
    let (status, end) = match measured {
        Ok(m) => (i32::from(m.end.failure.is_some()), m.end),
        Err(e) => {
            let failure = Some(Failure {
                code: "no-photo".to_owned(),
                text: e.to_string(),
            });
            (
                3,
                End {
                    failure,
                    ..End::default()
                },
            )
        }
    };
    Ok(PhotoScore {
        seconds,
        stages,
        ..compare(truth, status, &end)
    })
}
