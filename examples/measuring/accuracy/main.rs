//! Accuracy over photos with known truth: per photo, over all, and the time of each stage.
//!
//! ```text
//! cargo run --release --example accuracy -- DIR [--only TEXT] [--floors FILE] [--json|--markdown] [--camera] [--true-lens]
//! cargo run --release --example accuracy -- --real PHOTOS [TRUTH] [--only TEXT] [--floors FILE] [--json|--markdown]
//! ```
//!
//! Every `NAME.truth.json` in DIR (`photo-truth/1`, see `sample-photos/README.md`) with its `NAME.jpg` is measured and
//! compared. Photos with a face and arrows are *plain* or *unkind*; *negatives* hold no face or no arrows. Entries of confidence
//! ≥ 0.5 are matched with the true shafts one to one within 10 mm; for a face with one centre the best turn about
//! it is taken out first, since rings can't show it. Exit status 1 when a floor is undercut.
//!
//! `--camera` leaves the shafts out and prints the camera's figures of each photo; `--true-lens` tells the fit the true focal
//! length and radial terms: what is then left is the rings' and the paper's.
//!
//! `--real` takes photographs that a person annotated (`real-truth/1`, `NAME.json` in TRUTH); without TRUTH the confirmed records
//! beside the photos are what they are compared with. See [`real`].

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a program that prints its findings"
)]

mod camera;
mod real;
mod real_figures;
mod score;
mod table;

use anyhow::{Context, Result, bail};
use bossmark::face::{self, FaceError, FitOptions, spec};
use bossmark::measure::{self, MeasureOptions, Stage};
use bossmark::photo;
use bossmark::record::{End, Failure, Session};
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
    /// Photographs annotated by a person, and the folder of the annotations, if they have one of their own.
    real: bool,
    truth: Option<PathBuf>,
    only: String,
    floors: Option<PathBuf>,
    json: bool,
    markdown: bool,
    how: How,
}

/// What is measured of each photo.
#[derive(Clone, Copy, Default)]
struct How {
    only_camera: bool,
    true_lens: bool,
}

const USE: &str = "use: accuracy DIR [--only TEXT] [--floors FILE] [--json|--markdown] [--camera] [--true-lens], or: accuracy --real PHOTOS [TRUTH] [--only TEXT] [--floors FILE] [--json|--markdown]";

fn arguments() -> Result<Arguments> {
    let (mut dirs, mut only, mut floors, mut json) = (Vec::new(), String::new(), None, false);
    let (mut real, mut markdown) = (false, false);
    let mut how = How::default();
    let mut args = std::env::args().skip(1);
    while let Some(arg) = args.next() {
        match arg.as_str() {
            "--only" => only = args.next().context("--only needs a text")?,
            "--floors" => floors = Some(args.next().context("--floors needs a file")?.into()),
            "--json" => json = true,
            "--markdown" => markdown = true,
            "--camera" => how.only_camera = true,
            "--true-lens" => how.true_lens = true,
            "--real" => real = true,
            _ if !arg.starts_with('-') => dirs.push(PathBuf::from(arg)),
            _ => bail!("what is `{arg}`? {USE}"),
        }
    }
    let mut dirs = dirs.into_iter();
    let dir = dirs
        .next()
        .context("name a folder with NAME.jpg and NAME.truth.json")?;
    let truth = dirs.next();
    if dirs.next().is_some() || truth.is_some() && !real {
        bail!("too many folders; {USE}");
    }
    if real && (how.only_camera || how.true_lens) {
        bail!("a person's annotation holds no camera; {USE}");
    }
    Ok(Arguments {
        dir,
        real,
        truth,
        only,
        floors,
        json,
        markdown,
        how,
    })
}

fn run() -> Result<bool> {
    let a = arguments()?;
    if a.real {
        return run_real(&a);
    }
    let truths = truths(&a.dir, &a.only)?;
    let mut scores = Vec::new();
    for truth in &truths {
        scores.push(score_photo(&a.dir, truth, a.how)?);
        eprintln!("{}/{} {}", scores.len(), truths.len(), truth.photo);
    }
    let figures = table::figures(&scores);
    if a.json {
        println!("{}", serde_json::to_string_pretty(&figures)?);
    } else if a.markdown {
        println!("{}", table::markdown_totals(&figures));
    } else if a.how.only_camera {
        println!("{}", table::camera_table(&scores));
        println!("{}", table::camera_totals(&figures));
        println!("{}", table::upright_table(&scores));
        println!("{}", table::stage_table(&scores));
    } else {
        println!("{}", table::photo_table(&scores));
        println!("{}", table::totals_table(&figures));
        println!("{}", table::stage_table(&scores));
    }
    holds(&figures, a.floors.as_deref())
}

/// Photographs annotated by a person.
fn run_real(a: &Arguments) -> Result<bool> {
    let (mut cases, passed) = real::cases(&a.dir, a.truth.as_deref())?;
    cases.retain(|c| c.photo().contains(&a.only));
    let mut scores = Vec::new();
    for case in &cases {
        scores.push(case.score()?);
        eprintln!("{}/{} {}", scores.len(), cases.len(), case.photo());
    }
    let figures = real_figures::figures(&scores);
    if a.json {
        println!("{}", serde_json::to_string_pretty(&figures)?);
    } else if a.markdown {
        println!("{}", real_figures::markdown_totals(&figures));
    } else {
        println!("{}", real_figures::photo_table(&scores));
        println!("{}", real_figures::totals_table(&figures));
    }
    for sentence in passed {
        eprintln!("left out: {sentence}");
    }
    holds(&figures, a.floors.as_deref())
}

/// Whether the figures keep to the floors, if there are any; says which don't.
fn holds(figures: &table::Figures, floors: Option<&Path>) -> Result<bool> {
    let Some(floors) = floors else {
        return Ok(true);
    };
    let text = std::fs::read_to_string(floors).with_context(|| format!("{}", floors.display()))?;
    let short = table::undercut(figures, &text).map_err(anyhow::Error::msg)?;
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
fn score_photo(dir: &Path, truth: &Truth, how: How) -> Result<PhotoScore> {
    let path = dir.join(&truth.photo);
    let bytes = std::fs::read(&path).with_context(|| format!("{}", path.display()))?;
    let name = truth.face.as_ref().map_or(FACE_OF_NEGATIVES, |f| &f.name);
    let spec = spec::by_name(name).with_context(|| format!("unknown face {name}"))?;
    let options = FitOptions {
        lens: how.true_lens.then(|| camera::true_lens(truth)).flatten(),
        ..FitOptions::default()
    };
    if how.only_camera {
        return score_camera(&bytes, truth, spec, &options);
    }
    let start = Instant::now();
    let mut stages = Vec::new();
    let mut last = start;
    let measured = measure::measure(
        &bytes,
        &truth.photo,
        spec,
        Session::default(),
        &MeasureOptions {
            fit: options,
            ..MeasureOptions::default()
        },
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
    let (status, end, fit) = match measured {
        Ok(m) => (i32::from(m.end.failure.is_some()), m.end, m.fit),
        Err(e) => (3, failed("no-photo", e.to_string()), None),
    };
    Ok(PhotoScore {
        seconds,
        stages,
        camera: fit.and_then(|fit| camera::compare(truth, &fit)),
        ..compare(truth, status, &end)
    })
}

fn failed(code: &str, text: String) -> End {
    End {
        failure: Some(Failure {
            code: code.to_owned(),
            text,
        }),
        ..End::default()
    }
}

/// The camera stage alone.
fn score_camera(
    bytes: &[u8],
    truth: &Truth,
    spec: &spec::FaceSpec,
    options: &FitOptions,
) -> Result<PhotoScore> {
    let start = Instant::now();
    let photo = photo::open(bytes)?;
    let decoded = start.elapsed().as_secs_f64();
    let fit = face::fit(&photo, spec, options);
    let seconds = start.elapsed().as_secs_f64();
    let (status, end, fit) = match fit {
        Ok(fit) => (0, End::default(), Some(fit)),
        Err(e @ FaceError::NoFace { .. }) => (1, failed("no-face", e.to_string()), None),
        Err(e) => return Err(e.into()),
    };
    let camera = fit.and_then(|fit| camera::compare(truth, &fit));
    Ok(PhotoScore {
        seconds,
        stages: vec![("decode", decoded), ("camera", seconds - decoded)],
        face_found: status == 0,
        probe_rms_mm: camera.as_ref().map(|c| c.rms_mm),
        upright_deg: camera.as_ref().map(|c| c.upright_deg),
        camera,
        ..compare(truth, status, &end)
    })
}
