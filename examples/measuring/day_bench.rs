//! How fast a day's folder is worked through, and how fast months of records are read.
//!
//! ```text
//! cargo build --release && cargo run --release --example day_bench -- photos [--photos 100] [--threads 2]
//! cargo build --release && cargo run --release --example day_bench -- records [--records 10000]
//! ```
//! `photos` makes copies of the sample evening's photos at 12 megapixels, each with bytes of its own, works through them with
//! the program beside this one, and prints photos per minute, processor time and its peak memory (Linux: `VmHWM`). `records` writes records of
//! several bows over a season into folders by day, and times `advise` and `history` on them in a new process.

use anyhow::{Context, Result, bail};
use bossmark::photo;
use image::codecs::jpeg::JpegEncoder;
use image::imageops::{self, FilterType};
use serde_json::{Value, json};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Size of the copies, px: the 12 megapixels of common phones.
const SIZE: (u32, u32) = (4032, 3024);
/// JPEG quality of the copies: files of about the size that phones write.
const QUALITY: u8 = 90;

fn main() -> Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |name: &str, usual: usize| -> Result<usize> {
        match arguments.iter().position(|a| a == name) {
            None => Ok(usual),
            Some(at) => Ok(arguments
                .get(at + 1)
                .context("a number is missing")?
                .parse()?),
        }
    };
    match arguments.first().map(String::as_str) {
        Some("photos") => photos(number("--photos", 100)?, number("--threads", 2)?),
        Some("records") => records(number("--records", 10_000)?),
        _ => bail!("say `photos` or `records`"),
    }
}

fn program() -> Result<PathBuf> {
    let own = std::env::current_exe()?;
    let folder = own.parent().and_then(Path::parent).context("no folder")?;
    let path = folder.join("bossmark");
    if !path.exists() {
        bail!(
            "{} isn't there: `cargo build --release` first",
            path.display()
        );
    }
    Ok(path)
}

fn say(line: &str) {
    use std::io::Write;
    // nobody can be told that stdout is gone
    let _ = writeln!(std::io::stdout(), "{line}");
}

fn photos(count: usize, threads: usize) -> Result<()> {
    let folder = tempfile::tempdir()?;
    let originals = originals()?;
    for (number, bytes) in originals.iter().cycle().take(count).enumerate() {
        // bytes behind the picture's end make another photo of it
        let own = [bytes.as_slice(), &number.to_le_bytes()].concat();
        fs::write(folder.path().join(format!("photo-{number:03}.jpg")), own)?;
    }
    let report = folder.path().join("report.html");
    let started = Instant::now();
    let mut child = Command::new(program()?)
        .arg("day")
        .arg(folder.path())
        .args(["--face", "wa-80", "--hand", "right", "--distance", "30"])
        .args(["--threads", &threads.to_string()])
        .arg("--report")
        .arg(&report)
        .stdout(Stdio::null())
        .spawn()?;
    let mut peak_kib = 0;
    let cpu_before = cpu_of_children();
    let status = loop {
        if let Some(status) = child.try_wait()? {
            break status;
        }
        peak_kib = peak_kib.max(memory_kib(child.id()));
        std::thread::sleep(Duration::from_millis(20));
    };
    let seconds = started.elapsed().as_secs_f64();
    let cpu = cpu_of_children() - cpu_before;
    let records = fs::read_dir(folder.path())?
        .flatten()
        .filter(|f| f.file_name().to_string_lossy().ends_with(".end.json"))
        .count();
    #[expect(clippy::cast_precision_loss, reason = "counts of photos and kilobytes")]
    let (per_minute, peak_mb) = (
        60.0 * count as f64 / seconds,
        peak_kib as f64 * 1024.0 / 1e6,
    );
    say(&format!(
        "{count} photos of {}x{} with {threads} threads: {seconds:.1} s ({cpu:.1} s of processor time), {per_minute:.0} photos per minute, peak memory {peak_mb:.0} MB, \
         {records} records, report {:.1} MB, {status}",
        SIZE.0,
        SIZE.1,
        fs::metadata(&report).map_or(0.0, |m| {
            #[expect(clippy::cast_precision_loss, reason = "bytes of a file")]
            let bytes = m.len() as f64;
            bytes / 1e6
        })
    ));
    if let Ok(load) = fs::read_to_string("/proc/loadavg") {
        say(&format!("load of the machine at the end: {}", load.trim()));
    }
    Ok(())
}

/// The sample evening's photos at the bench's size.
fn originals() -> Result<Vec<Vec<u8>>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos/evening");
    let mut all = Vec::new();
    for number in 1..=7 {
        let bytes = fs::read(folder.join(format!("evening-{number}.jpg")))?;
        let upright = photo::open(&bytes)?.pixels;
        let (w, h) = if upright.width() < upright.height() {
            (SIZE.1, SIZE.0)
        } else {
            SIZE
        };
        let large = imageops::resize(&upright, w, h, FilterType::CatmullRom);
        let mut out = Vec::new();
        large.write_with_encoder(JpegEncoder::new_with_quality(&mut out, QUALITY))?;
        all.push(out);
    }
    Ok(all)
}

/// The most memory that a process has held so far, KiB; 0 where the system doesn't say.
fn memory_kib(id: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{id}/status")).unwrap_or_default();
    status
        .lines()
        .find_map(|l| l.strip_prefix("VmHWM:"))
        .and_then(|l| l.trim().trim_end_matches(" kB").parse().ok())
        .unwrap_or(0)
}

/// Processor time of all programs started so far that have ended, s (Linux: `cutime` and `cstime` of /proc/self/stat, in
/// hundredths as everywhere nowadays); 0 where the system doesn't say.
fn cpu_of_children() -> f64 {
    let stat = fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let behind_name = stat.rsplit(')').next().unwrap_or_default();
    behind_name
        .split_whitespace()
        .skip(13)
        .take(2)
        .filter_map(|ticks| ticks.parse::<f64>().ok())
        .sum::<f64>()
        / 100.0
}

fn records(count: usize) -> Result<()> {
    let folder = tempfile::tempdir()?;
    let template = template()?;
    for number in 0..count {
        let (day, record) = record(&template, number);
        let day = folder.path().join(day);
        fs::create_dir_all(&day)?;
        fs::write(day.join(format!("{number}.end.json")), record.to_string())?;
    }
    // where the system lets us, what it holds of these files in memory is dropped, so that they come from the disk
    let dropped =
        Command::new("sync").status().is_ok() && fs::write("/proc/sys/vm/drop_caches", "3").is_ok();
    say(&format!(
        "{count} records of {} KB; file cache {}",
        template.to_string().len() / 1000,
        if dropped {
            "dropped before the first command"
        } else {
            "not dropped"
        }
    ));
    for arguments in [["advise", "--json"], ["history", "--json"]] {
        let (started, cpu_before) = (Instant::now(), cpu_of_children());
        let output = Command::new(program()?)
            .args(arguments)
            .arg(folder.path())
            .output()?;
        say(&format!(
            "{}: {:.2} s ({:.2} s of processor time), {} ({} bytes of answer)",
            arguments[0],
            started.elapsed().as_secs_f64(),
            cpu_of_children() - cpu_before,
            output.status,
            output.stdout.len()
        ));
    }
    Ok(())
}

/// A real record: the sample evening's first end, measured by the program.
fn template() -> Result<Value> {
    let photo = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos/evening/evening-1.jpg");
    let output = Command::new(program()?)
        .arg("measure")
        .arg(photo)
        .args(["--face", "wa-80", "--json"])
        .output()?;
    Ok(serde_json::from_slice(&output.stdout)?)
}

/// A club's seasons: forty archers in turn, six ends an evening, a change of the plunger every second evening.
fn record(template: &Value, number: usize) -> (String, Value) {
    const ARCHERS: usize = 40;
    const ENDS: usize = 6;
    let evening = number / (ARCHERS * ENDS);
    let archer = number / ENDS % ARCHERS;
    let day = format!(
        "{}-{:02}-{:02}",
        2026 + evening / 336,
        evening / 28 % 12 + 1,
        evening % 28 + 1
    );
    let mut record = template.clone();
    record["photo"]["sha256"] = json!(format!("{number:064x}"));
    record["session"] = json!({"archer": format!("archer {archer}"), "hand": "right", "distance_m": 30.0, "date": day,
        "end": number % ENDS + 1, "setup": {"bow": "own", "draw_weight_lb": 36.0, "plunger_clicks": evening / 2 % 7}});
    (format!("{}/{day}", &day[..7]), record)
}
