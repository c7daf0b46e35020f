//! How long one photo takes on one thread, stage by stage, beside decoding alone with the same decoder.
//!
//! ```text
//! cargo run --release --example photo_bench
//! cargo run --release --example photo_bench -- wa-80=IMG_0101.jpg wa-122=IMG_0102.jpg [--runs 5]
//! ```
//! Without photos it draws practice photos: faces of 80 and 122 cm at 12 megapixels, one without a face (in squares of another order), then
//! tables over 1 to 48 megapixels and 2 to 24 shafts. Every figure is the least of several runs, in seconds; `ratio` is all of it over
//! decoding alone; `MB` is the peak memory of a process that measures the photo once (Linux: `VmHWM`).

use anyhow::{Context, Result, bail};
use bossmark::face::spec::{self, FaceSpec};
use bossmark::measure::{MeasureOptions, Stage, measure};
use bossmark::record::Session;
use bossmark::rehearse::{self, Options};
use image::codecs::jpeg::JpegEncoder;
use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

/// The 12 megapixels of common phones.
const SIZE: (u32, u32) = (4032, 3024);
const SIZES: [(u32, u32); 7] = [
    (1152, 864),
    (1632, 1224),
    (2304, 1728),
    (3264, 2448),
    SIZE,
    (5664, 4248),
    (8000, 6000),
];
const SHAFTS: [usize; 6] = [2, 4, 6, 12, 18, 24];
/// Practice photos are drawn from this.
const SEED: u64 = 7;
/// JPEG quality of a photo that was changed.
const QUALITY: u8 = 90;

fn main() -> Result<()> {
    let mut runs = 5;
    let mut photos = Vec::new();
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        if argument == "--runs" {
            runs = arguments.next().context("how many runs?")?.parse()?;
        } else if argument == "--once" {
            return once(&arguments.next().context("which photo?")?);
        } else {
            photos.push(argument);
        }
    }
    let threads = rayon::ThreadPoolBuilder::new().num_threads(1).build()?;
    threads.install(|| {
        if photos.is_empty() {
            practice(runs)
        } else {
            heading("photo");
            photos.iter().try_for_each(|named| {
                let (face, bytes) = read(named)?;
                let name = Path::new(named).file_stem().unwrap_or_default();
                line(&name.to_string_lossy(), face, &bytes, runs)
            })
        }
    })
}

/// Practice photos: one after another.
fn practice(runs: usize) -> Result<()> {
    heading("12 megapixels");
    for (name, label) in [("wa-80", "80 cm"), ("wa-122", "122 cm")] {
        let face = face(name)?;
        line(label, face, &drawn(face, SIZE, 6)?, runs)?;
    }
    let wa_80 = face("wa-80")?;
    line(
        "no face",
        wa_80,
        &without_face(&drawn(wa_80, SIZE, 6)?)?,
        runs,
    )?;
    heading("80 cm, 6 shafts");
    for (width, height) in SIZES {
        let label = format!("{:.1} MP", f64::from(width) * f64::from(height) / 1e6);
        line(&label, wa_80, &drawn(wa_80, (width, height), 6)?, runs)?;
    }
    heading("80 cm, 12 MP");
    for shafts in SHAFTS {
        line(
            &format!("{shafts} shafts"),
            wa_80,
            &drawn(wa_80, SIZE, shafts)?,
            runs,
        )?;
    }
    Ok(())
}

fn face(name: &str) -> Result<&'static FaceSpec> {
    spec::by_name(name).with_context(|| format!("no face is called {name}"))
}

fn read(named: &str) -> Result<(&'static FaceSpec, Vec<u8>)> {
    let (name, path) = named.split_once('=').context("say FACE=PHOTO")?;
    Ok((
        face(name)?,
        fs::read(path).with_context(|| path.to_owned())?,
    ))
}

fn drawn(face: &FaceSpec, size: (u32, u32), shafts: usize) -> Result<Vec<u8>> {
    let options = Options {
        fletched: shafts / 2,
        bare: shafts - shafts / 2,
        scatter_mm: Some(80.0),
        size: Some(size),
        ..Options::new(face, SEED)
    };
    Ok(rehearse::rehearse(&options, "practice.jpg")?.jpeg)
}

/// The same picture in squares of this many pixels a side, in another order: all that it shows, and no face.
const SQUARE: u32 = 96;

fn without_face(jpeg: &[u8]) -> Result<Vec<u8>> {
    let pixels = image::load_from_memory(jpeg)?.into_rgb8();
    let (across, down) = (pixels.width() / SQUARE, pixels.height() / SQUARE);
    let mut shuffled = pixels.clone();
    for square in 0..across * down {
        // a step without a common factor with their number visits every square once
        let from = square * 389 % (across * down);
        let corner = |k: u32| (k % across * SQUARE, k / across * SQUARE);
        let ((x, y), (to_x, to_y)) = (corner(from), corner(square));
        let part = image::imageops::crop_imm(&pixels, x, y, SQUARE, SQUARE).to_image();
        image::imageops::replace(&mut shuffled, &part, to_x.into(), to_y.into());
    }
    let mut out = Vec::new();
    shuffled.write_with_encoder(JpegEncoder::new_with_quality(&mut out, QUALITY))?;
    Ok(out)
}

fn say(line: &str) {
    // where stdout is gone there is nowhere to say so
    let _ = writeln!(std::io::stdout(), "{line}");
}

fn heading(what: &str) {
    say(&format!(
        "\n| {what} | decoding alone | photo | camera | shafts | rest | all | ratio | MB | entries |\n|---|---|---|---|---|---|---|---|---|---|"
    ));
}

/// Seconds that the stages take, and the entries found.
struct Times {
    stages: [f64; 4],
    entries: usize,
}

fn stages(face: &FaceSpec, bytes: &[u8]) -> Result<Times> {
    let started = Instant::now();
    let mut ends = [0.0; 3];
    let measured = measure(
        bytes,
        "photo.jpg",
        face,
        Session::default(),
        &MeasureOptions::default(),
        &mut |stage| {
            let k = match stage {
                Stage::Photo => 0,
                Stage::Camera => 1,
                Stage::Shafts => 2,
            };
            ends[k..].fill(started.elapsed().as_secs_f64());
        },
    )?;
    let all = started.elapsed().as_secs_f64();
    let [photo, camera, shafts] = ends;
    Ok(Times {
        stages: [photo, camera - photo, shafts - camera, all - shafts],
        entries: measured.end.entries.len(),
    })
}

fn line(label: &str, face: &FaceSpec, bytes: &[u8], runs: usize) -> Result<()> {
    let mut decoding = f64::INFINITY;
    let mut best = [f64::INFINITY; 4];
    let mut least = f64::INFINITY;
    let mut entries = 0;
    for _ in 0..runs.max(1) {
        let started = Instant::now();
        let picture = image::load_from_memory(bytes)?;
        decoding = started.elapsed().as_secs_f64().min(decoding);
        drop(picture);
        let times = stages(face, bytes)?;
        entries = times.entries;
        let all = times.stages.iter().sum();
        if all < least {
            (least, best) = (all, times.stages);
        }
    }
    let [photo, camera, shafts, rest] = best;
    say(&format!(
        "| {label} | {decoding:.3} | {photo:.3} | {camera:.3} | {shafts:.3} | {rest:.3} | {least:.3} | {:.1} | {} | {entries} |",
        least / decoding,
        peak_mb(face, bytes)?
    ));
    Ok(())
}

/// Peak memory of a process of its own that measures the photo once.
fn peak_mb(face: &FaceSpec, bytes: &[u8]) -> Result<String> {
    let folder = tempfile::tempdir()?;
    let photo = folder.path().join("photo.jpg");
    fs::write(&photo, bytes)?;
    let output = Command::new(std::env::current_exe()?)
        .arg("--once")
        .arg(format!("{}={}", face.name, photo.display()))
        .output()?;
    if !output.status.success() {
        bail!("{}", String::from_utf8_lossy(&output.stderr));
    }
    Ok(String::from_utf8_lossy(&output.stdout).trim().to_owned())
}

fn once(named: &str) -> Result<()> {
    let (face, bytes) = read(named)?;
    let threads = rayon::ThreadPoolBuilder::new().num_threads(1).build()?;
    threads.install(|| stages(face, &bytes))?;
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status.lines().find_map(|l| l.strip_prefix("VmHWM:"));
    let kib: Option<f64> = peak.and_then(|l| l.trim().trim_end_matches(" kB").parse().ok());
    say(&kib.map_or_else(
        || "?".to_owned(),
        |kib| format!("{:.0}", kib * 1024.0 / 1e6),
    ));
    Ok(())
}
