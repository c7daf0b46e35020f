//! Kills at any moment, and pictures that were made of photos.

use super::program::{run, text};
use super::{files, folder, practice, records};
use serde_json::Value;
use std::fs;
use tempfile::TempDir;

/// A generator of numbers that anybody can repeat (xorshift, Marsaglia 2003).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, n: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % n
    }
}

/// How many kills: `BOSSMARK_KILLS`, or a few.
fn kills() -> u32 {
    let given = std::env::var("BOSSMARK_KILLS").ok();
    given.and_then(|n| n.parse().ok()).unwrap_or(40)
}

/// A kill at any moment, at random: every record that stands is whole and the one an undisturbed run makes, none
/// that was finished is lost, and the report is a whole one or none.
const PHOTOS: u32 = 3;

#[test]
fn kills_lose_no_record_and_leave_no_broken_file() {
    let photos = folder();
    practice(photos.path(), PHOTOS);
    let whole = folder();
    let started = std::time::Instant::now();
    let report = |out: &TempDir| out.path().join("report.html");
    let arguments = |out: &TempDir| -> Vec<String> {
        [
            "day",
            text(photos.path()),
            "--out",
            text(out.path()),
            "--report",
            text(&report(out)),
        ]
        .map(str::to_owned)
        .to_vec()
    };
    let run_whole = |out: &TempDir| {
        let list = arguments(out);
        run(&list.iter().map(String::as_str).collect::<Vec<_>>())
    };
    assert!(run_whole(&whole).status <= 1);
    let usual = u64::try_from(started.elapsed().as_micros())
        .expect("short")
        .max(1);
    let wanted = records(whole.path());
    let wanted_report = fs::read(report(&whole)).expect("report");
    let all = wanted.len();
    assert_eq!(all, 3);

    let out = folder();
    let mut numbers = Numbers(0x00b0_55ed);
    let (mut killed, mut seen_parts, mut leftovers) = (0, [0; 4], 0);
    while killed < kills() {
        let before = records(out.path());
        let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_bossmark"))
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .args(arguments(&out))
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .expect("the program runs");
        std::thread::sleep(std::time::Duration::from_micros(numbers.below(usual)));
        let ended = child.try_wait().expect("asked").is_some();
        // SIGKILL: nothing of the program runs any more after it
        child.kill().expect("killed or ended");
        child.wait().expect("ended");
        if !ended {
            killed += 1;
        }
        let after = records(out.path());
        for (name, bytes) in &after {
            assert!(*bytes == wanted[name], "{name} isn't whole");
        }
        assert!(
            before.keys().all(|n| after.contains_key(n)),
            "a record was lost"
        );
        if let Ok(page) = fs::read(report(&out)) {
            assert!(page == wanted_report || after.len() < all || page.ends_with(b"</html>\n"));
        }
        seen_parts[after.len()] += 1;
        leftovers += files(out.path())
            .keys()
            .filter(|n| n.starts_with(".bossmark-"))
            .count();
        // all done: begin again, at times from the middle
        if after.len() == all {
            let keep = usize::try_from(numbers.below(2)).expect("small");
            for name in after.keys().skip(keep) {
                fs::remove_file(out.path().join(name)).expect("removed");
            }
            let _ = fs::remove_file(report(&out));
        }
    }
    println!("records at each kill {seen_parts:?}, unfinished files seen {leftovers}");
    assert!(
        seen_parts.iter().filter(|n| **n > 0).count() >= 3,
        "the kills came while records were written: {seen_parts:?}"
    );
    assert!(run_whole(&out).status <= 1);
    assert_eq!(
        files(out.path()),
        files(whole.path()),
        "nothing is left over"
    );
}

#[test]
fn a_picture_made_of_a_photo_is_no_photo() {
    let folder = folder();
    practice(folder.path(), 1);
    let photo = folder.path().join("practice-0001.jpg");
    for name in ["look.jpg", "look.png"] {
        let look = folder.path().join(name);
        let (photo, look) = (text(&photo), text(&look));
        let ran = run(&[
            "measure", photo, "--face", "wa-40", "--marked", look, "--json",
        ]);
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        let again = run(&["measure", look, "--face", "wa-40"]);
        assert_ne!(again.status, 0);
        assert!(
            again.stderr.contains("name the photo itself"),
            "{}",
            again.stderr
        );
    }
    let day = run(&["day", text(folder.path()), "--json"]);
    assert_eq!(day.status, 0, "{}", day.stderr);
    for name in ["look.jpg", "look.png"] {
        assert!(
            day.stderr.contains(&format!(
                "{name}: a picture that bossmark made of a photo, left out"
            )),
            "{}",
            day.stderr
        );
    }
    assert_eq!(records(folder.path()).len(), 1);

    // nor on the page or without it, where the record of a photo is found under any name
    let renamed = folder.path().join("evening.end.json");
    fs::rename(folder.path().join("practice-0001.end.json"), &renamed).expect("renamed");
    let accepted = run(&["confirm", text(folder.path()), "--accept"]);
    assert_eq!(accepted.status, 0, "{}", accepted.stderr);
    let names: Vec<_> = records(folder.path()).into_keys().collect();
    assert_eq!(names, ["evening.end.json"]);
    let record: Value = serde_json::from_slice(&fs::read(renamed).expect("read")).expect("JSON");
    assert_eq!(record["entries"][0]["state"], "confirmed");
}
