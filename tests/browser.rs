//! The page in a real browser: the whole journey by mouse, by keyboard alone and by finger, a queue, what is shared, what
//! shuts people out. Skipped, and said so, where there is no browser; `BOSSMARK_BROWSER=required` makes that a failure.
//! `BOSSMARK_PAGE_FILES` names a folder of which the page is read instead of what is built in (`confirm --page-files`).

#[path = "browser/access.rs"]
mod access;
#[path = "browser/fit.rs"]
mod fit;
#[path = "browser/guided.rs"]
mod guided;
#[path = "browser/journeys.rs"]
mod journeys;
#[path = "browser/keeping.rs"]
mod keeping;
#[path = "browser/pictures.rs"]
mod pictures;
#[path = "browser/print.rs"]
mod print;
#[path = "browser/speed.rs"]
mod speed;
mod webdriver;

use access::serious;
use bossmark::face::spec;
use bossmark::measure;
use bossmark::record::{Entry, Session, canonical};
use journeys::tab_to;
use serde_json::{Value, json};
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use webdriver::{Browser, Screen};

const LAPTOP: Screen = Screen {
    width: 1366,
    height: 860,
    touch: false,
    dark: false,
};
const PHONE: Screen = Screen {
    width: 390,
    height: 844,
    touch: true,
    dark: false,
};

/// The program with its page, as a person starts it.
struct Program {
    process: Child,
    link: String,
    folder: PathBuf,
    _keep: tempfile::TempDir,
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// The flag by which the page's files come from a folder, while they are being worked on.
fn page_files() -> Vec<PathBuf> {
    let folder = std::env::var_os("BOSSMARK_PAGE_FILES").map(PathBuf::from);
    folder.map_or_else(Vec::new, |folder| {
        vec![PathBuf::from("--page-files"), folder]
    })
}

/// With the page of a folder, or of the file in it that `more` begins with.
fn start(folder: &Path, more: &[&str], port: &str) -> (Child, String) {
    let (what, more) = match more.split_first() {
        Some((file, more)) if !file.starts_with('-') => (folder.join(file), more),
        _ => (folder.to_owned(), more),
    };
    let mut process = Command::new(env!("CARGO_BIN_EXE_bossmark"))
        .arg("confirm")
        .arg(what)
        .args(["--no-open", "--port", port])
        .args(more)
        .args(page_files())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut said = BufReader::new(process.stderr.take().expect("stderr"));
    let mut line = String::new();
    let link = loop {
        line.clear();
        assert!(said.read_line(&mut line).expect("a line") > 0, "it ended");
        if let Some(rest) = line.split("The page is at ").nth(1) {
            break rest.split_whitespace().next().expect("a link").to_owned();
        }
    };
    std::thread::spawn(move || std::io::copy(&mut said, &mut std::io::sink()));
    (process, link)
}

impl Program {
    /// In a folder of its own that `fill` has filled.
    fn with(fill: impl FnOnce(&Path), more: &[&str]) -> Self {
        let keep = tempfile::tempdir().expect("folder");
        let folder = keep.path().to_owned();
        fill(&folder);
        // any free port: another test must not take it while the program is started again
        let (process, link) = start(&folder, more, "0");
        Self {
            process,
            link,
            folder,
            _keep: keep,
        }
    }

    fn record(&self, name: &str) -> Value {
        let bytes = fs::read(self.folder.join(format!("{name}.end.json"))).expect("record");
        serde_json::from_slice(&bytes).expect("JSON")
    }

    /// Ends it and starts it again at the same port, as after a crash.
    fn again(&mut self) {
        let port = self
            .link
            .trim_end_matches('/')
            .rsplit(':')
            .next()
            .expect("port")
            .to_owned();
        let _ = self.process.kill();
        let _ = self.process.wait();
        let (process, link) = start(&self.folder, &[], &port);
        assert_eq!(link, self.link, "the same port");
        self.process = process;
    }
}

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-photos")
        .join(name)
}

/// The record of the first photo of the sample evening, measured once.
fn measured() -> &'static Value {
    static RECORD: OnceLock<Value> = OnceLock::new();
    RECORD.get_or_init(|| {
        let bytes = fs::read(sample("evening/evening-1.jpg")).expect("photo");
        let session: Session = serde_json::from_value(json!({"hand": "right", "distance_m": 30, "end": 1,
            "setup": {"nocking_point_mm": 9.0, "rest_height_mm": 0.0, "limits": {"rest_height_mm": {"min": -2, "max": 2}}}}))
        .expect("session");
        let face = spec::by_name("wa-80").expect("face");
        let measured = measure::measure(&bytes, "end.jpg", face, session, &measure::MeasureOptions::default(), &mut |_| ()).expect("measured");
        serde_json::from_slice(&canonical::to_bytes(&measured.end).expect("bytes")).expect("JSON")
    })
}

/// What the journeys have to put right, and where the truth is.
struct Faults {
    record: Value,
    /// Wrongly tagged: its id, and the right kind.
    wrong: (u64, String),
    /// 40 px off: its id, and where it belongs, px.
    off: (u64, [f64; 2]),
    /// Not found: where it belongs, px, and its kind.
    missing: ([f64; 2], String),
    /// No shaft.
    false_one: u64,
}

fn pair(v: &Value) -> [f64; 2] {
    [v[0].as_f64().expect("x"), v[1].as_f64().expect("y")]
}

/// The measured record with one fault of each sort.
fn faults() -> Faults {
    let mut record = measured().clone();
    let entries = record["entries"].as_array_mut().expect("entries");
    assert!(entries.len() >= 5, "enough shafts for all faults");
    // apart from the others, so that a finger finds it
    let kind = entries[0]["kind"].as_str().expect("kind").to_owned();
    entries[0]["kind"] = json!(if kind == "bare" { "fletched" } else { "bare" });
    entries[0]["confidence"] = json!(0.4);
    let wrong = (entries[0]["id"].as_u64().expect("id"), kind);
    let at = pair(&entries[3]["px"]);
    let off = (entries[3]["id"].as_u64().expect("id"), at);
    entries[3]["px"] = json!([at[0] - 40.0, at[1] + 30.0]);
    entries[3]["x_mm"] = json!(entries[3]["x_mm"].as_f64().expect("x") - 25.0);
    entries[3]["y_mm"] = json!(entries[3]["y_mm"].as_f64().expect("y") - 20.0);
    entries[3]["confidence"] = json!(0.6);
    let gone = entries.remove(4);
    let missing = (
        pair(&gone["px"]),
        gone["kind"].as_str().expect("kind").to_owned(),
    );
    let mut more = entries[1].clone();
    let false_one = 40;
    more["id"] = json!(false_one);
    more["px"] = json!([2420.0, 1860.0]);
    more["x_mm"] = json!(244.0);
    more["y_mm"] = json!(-210.0);
    more["confidence"] = json!(0.3);
    more["segment_px"] = Value::Null;
    entries.push(more);
    Faults {
        record,
        wrong,
        off,
        missing,
        false_one,
    }
}

fn put(folder: &Path, name: &str, record: &Value) {
    fs::copy(
        sample("evening/evening-1.jpg"),
        folder.join(format!("{name}.jpg")),
    )
    .expect("photo");
    fs::write(folder.join(format!("{name}.end.json")), record.to_string()).expect("record");
}

/// Opens the page and waits until photo, marks and reading are there.
fn opened(screen: Screen, program: &Program) -> Option<Browser> {
    let browser = Browser::start(screen)?;
    browser.open(&program.link);
    ready(&browser);
    Some(browser)
}

fn ready(browser: &Browser) {
    browser.wait("window.bossmark?.photo.whole && document.querySelectorAll('.mark').length > 0 && document.querySelector('#plot svg')");
}

/// Where a place of the photo is on the screen.
fn on_screen(browser: &Browser, px: [f64; 2]) -> (f64, f64) {
    let at = browser.js(&format!(
        "const b = document.getElementById('frame').getBoundingClientRect(); const p = bossmark.photo.frame.toScreen({}, {});
         return [b.left + p.x, b.top + p.y]",
        px[0], px[1]
    ));
    (at[0].as_f64().expect("x"), at[1].as_f64().expect("y"))
}

fn mark(browser: &Browser, id: u64) -> (f64, f64) {
    let at = browser.js(&format!("const e = bossmark.end.entries.find((e) => e.id === {id}); const p = bossmark.marks.at(e); return [p.x, p.y]"));
    on_screen(browser, pair(&at))
}

/// Brings a place of the photo to the middle of its frame, by a means that every user has: the buttons.
fn centre(browser: &Browser, px: [f64; 2], scale: f64) {
    browser.js(&format!("window.scrollTo(0, 0); bossmark.photo.frame.scale = {scale}; bossmark.photo.frame.centre({}, {}); bossmark.photo.redraw(); return 1", px[0], px[1]));
    browser.wait("!bossmark.photo.waiting");
}

fn settled(browser: &Browser) {
    browser
        .wait("bossmark.end.working === 0 && !document.querySelector('.stale, [aria-busy=true]')");
}

/// What the record must be after the journey: the truth that was disturbed, confirmed.
fn assert_right(program: &Program, f: &Faults, within_px: f64) {
    let record = program.record("end");
    let entries = record["entries"].as_array().expect("entries");
    let by = |id: u64| {
        entries
            .iter()
            .find(|e| e["id"] == id)
            .unwrap_or_else(|| panic!("no entry {id}"))
    };
    assert_eq!(by(f.wrong.0)["kind"], f.wrong.1.as_str(), "the wrong tag");
    let near = |e: &Value, at: [f64; 2]| {
        let p = pair(&e["px"]);
        (p[0] - at[0]).hypot(p[1] - at[1])
    };
    let moved = by(f.off.0);
    assert!(
        near(moved, f.off.1) < within_px,
        "{} from {:?}",
        moved["px"],
        f.off.1
    );
    assert_eq!(moved["source"], "moved");
    assert!(
        entries.iter().all(|e| e["id"] != f.false_one),
        "the false one is gone"
    );
    let added = entries
        .iter()
        .find(|e| e["source"] == "added")
        .expect("the missing one");
    assert!(
        near(added, f.missing.0) < within_px,
        "{} from {:?}",
        added["px"],
        f.missing.0
    );
    assert_eq!(added["kind"], f.missing.1.as_str());
    assert_eq!(added["id"], f.false_one + 1, "ids are never used again");
    assert!(
        entries.iter().all(|e| e["state"] == "confirmed"),
        "{entries:?}"
    );
}

/// After a reload everything is as it was.
fn assert_kept(browser: &Browser, program: &Program) {
    let entries = |record: &Value| -> Vec<Entry> {
        serde_json::from_value(record["entries"].clone()).expect("entries")
    };
    let before = program.record("end");
    browser.reload();
    ready(browser);
    let shown = browser.js("return bossmark.end.view.record");
    assert_eq!(shown["revision"], before["revision"]);
    assert_eq!(entries(&shown), entries(&before));
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

/// Goes through an end by its main button: doubts one by one, then all.
fn confirm(b: &Browser, id: u64) {
    let done =
        format!("return bossmark.queue.ends.find((e) => e.id === {id}).state === 'confirmed'");
    for _ in 0..12 {
        if b.js(&done) == true || b.js("return bossmark.end.view.id") != id {
            break;
        }
        let anyway = b.js("return Boolean(document.getElementById('accept-anyway'))") == true;
        b.press(false, if anyway { "#accept-anyway" } else { "#accept" });
        std::thread::sleep(std::time::Duration::from_millis(150));
        settled(b);
    }
    b.wait(done.trim_start_matches("return "));
}

#[test]
fn a_queue_of_three() {
    let program = Program::with(
        |folder| {
            // taken at another time each: photos of one minute show one end
            for (n, photo, name) in [(1, 1, "a"), (2, 2, "b"), (3, 4, "c")] {
                let photo = sample(&format!("evening/evening-{photo}.jpg"));
                fs::copy(&photo, folder.join(format!("{name}.jpg"))).expect("photo");
                if n == 3 {
                    continue;
                }
                let mut record = measured().clone();
                record["session"]["end"] = json!(n);
                // a record is a photo's by what the photo holds
                let bytes = fs::read(&photo).expect("photo");
                let sha256 = bossmark::photo::open(&bytes).expect("photo").sha256;
                record["photo"]["sha256"] = json!(sha256);
                let file = folder.join(format!("{name}.end.json"));
                fs::write(file, record.to_string()).expect("record");
            }
            fs::write(
                folder.join("session.json"),
                json!({"schema": "bossmark/session/1", "face": "wa-80",
                "session": {"hand": "right", "distance_m": 30, "setup": {"nocking_point_mm": 9.0}}})
                .to_string(),
            )
            .expect("session");
        },
        &[],
    );
    let Some(b) = Browser::start(LAPTOP) else {
        return;
    };
    b.open(&program.link);
    b.wait("document.querySelectorAll('#ends li').length === 3");
    b.press(false, "#ends li:nth-child(3) button");
    // it is measured while one watches
    ready(&b);
    assert_eq!(
        b.js("return document.getElementById('title').textContent"),
        "End 3"
    );
    b.wait("document.getElementById('progress').textContent.includes('3 to check')");
    for nth in [3, 2, 1] {
        b.press(false, &format!("#ends li:nth-child({nth}) button"));
        b.wait(&format!("bossmark.end.view?.id === {nth}"));
        settled(&b);
        confirm(&b, nth);
    }
    b.wait("document.getElementById('progress').textContent.includes('all done')");
    b.picture("queue");
    for name in ["a", "b", "c"] {
        let record = program.record(name);
        assert!(
            record["entries"]
                .as_array()
                .expect("entries")
                .iter()
                .all(|e| e["state"] == "confirmed"),
            "{name}"
        );
    }
    // three ends of one set-up are read together
    settled(&b);
    assert!(
        b.js("return document.getElementById('pooled').textContent")
            .as_str()
            .expect("text")
            .contains("2 more ends")
    );
    // back through the history
    b.press(false, "#next");
    b.wait("bossmark.end.view?.id === 2");
    assert_eq!(
        b.complaints().iter().filter(|c| !c.contains("404")).count(),
        0
    );
}

/// The arrow that the colours speak for is offered at the chosen shaft and in the table, taken by one tap, and no longer offered
/// to another shaft.
#[test]
fn an_arrow_seen_by_its_colours_is_taken_by_one_tap() {
    let mut record = measured().clone();
    for (k, (arrow, p)) in [("7", 0.947), ("7", 0.61), ("8", 0.83)]
        .into_iter()
        .enumerate()
    {
        record["entries"][k]["arrow_proposed"] = json!({"arrow": arrow, "p": p});
    }
    let id = |k: usize| record["entries"][k]["id"].as_u64().expect("id");
    let program = Program::with(|folder| put(folder, "end", &record), &[]);
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    b.js(&format!("bossmark.end.select({}); return 1", id(0)));
    b.wait("document.getElementById('arrow-seen')?.textContent === 'arrow 7? 94 %'");
    let offered = |k: usize| {
        let row = format!("#table tr[data-id='{}'] .cell-sure button", id(k));
        let hidden = b.js(&format!("return document.querySelector(\"{row}\").hidden"));
        (row, hidden == false)
    };
    assert!((0..3).all(|k| offered(k).1) && !offered(3).1);
    b.press(false, "#arrow-seen");
    b.wait("document.getElementById('arrow-number').value === '7'");
    b.wait("document.getElementById('arrow-seen').hidden");
    assert!(!offered(0).1 && !offered(1).1 && offered(2).1);
    b.press(false, &offered(2).0);
    b.wait(&format!(
        "bossmark.end.entries.find((e) => e.id === {}).arrow === '8'",
        id(2)
    ));
    settled(&b);
    let kept = program.record("end");
    assert_eq!(kept["entries"][0]["arrow"], "7");
    assert_eq!(kept["entries"][0]["arrow_proposed"], Value::Null);
    assert_eq!(kept["entries"][1]["arrow"], Value::Null);
    assert_eq!(kept["entries"][1]["arrow_proposed"]["p"], 0.61);
    assert_eq!(b.complaints(), Vec::<String>::new());
}

#[test]
fn ends_in_one_file_of_lines_are_checked_like_others() {
    let program = Program::with(
        |folder| {
            fs::copy(sample("evening/evening-1.jpg"), folder.join("end.jpg")).expect("photo");
            let mut other = measured().clone();
            other["session"]["end"] = json!(2);
            other["photo"]["file"] = json!("elsewhere.jpg");
            other["photo"]["sha256"] = json!("0".repeat(64));
            let lines = format!("{}\n{other}\n", measured());
            fs::write(folder.join("day.jsonl"), lines).expect("written");
        },
        &["day.jsonl"],
    );
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    assert_eq!(b.js("return bossmark.queue.ends.length"), 2);
    b.press(false, "#accept");
    // accepting goes on to the other, which has no photo: the table does the job
    b.wait("bossmark.end.view?.id === 2");
    b.press(false, "#table tbody tr:first-child .cell-do button");
    b.wait("bossmark.end.entries[0].state === 'confirmed'");
    settled(&b);
    let text = fs::read_to_string(program.folder.join("day.jsonl")).expect("file");
    let lines: Vec<Value> = text
        .lines()
        .map(|l| serde_json::from_str(l).expect("a record a line"))
        .collect();
    assert_eq!(lines.len(), 2);
    let all_confirmed = |record: &Value| {
        let entries = record["entries"].as_array().expect("entries");
        entries.iter().all(|e| e["state"] == "confirmed")
    };
    assert!(all_confirmed(&lines[0]) && !all_confirmed(&lines[1]));
    assert_eq!(lines[1]["revision"], 1);
    assert_eq!(b.complaints(), Vec::<String>::new());
}

#[test]
fn a_shared_page_opens_by_its_link_and_the_code_leaves_the_address() {
    let program = Program::with(
        |folder| put(folder, "end", measured()),
        &["--share=127.0.0.1"],
    );
    let Some(b) = Browser::start(PHONE) else {
        return;
    };
    let (address, code) = program.link.split_once('#').expect("a code in the link");
    b.open(address);
    b.wait("document.getElementById('code')");
    assert_eq!(
        b.js("return document.querySelectorAll('.mark, canvas, img').length"),
        0
    );
    b.picture("sign-in");
    b.js("document.getElementById('code').value = 'WRONG'; return 1");
    b.press(true, "#sign-in button");
    b.wait("document.getElementById('sign-in-message').textContent.includes('not the code')");
    b.open("about:blank");
    b.open(&program.link);
    ready(&b);
    let shown = b.js("return location.href");
    assert!(!shown.as_str().expect("address").contains(code), "{shown}");
    assert_eq!(
        b.js("return document.cookie"),
        "",
        "no script sees the pass"
    );
    b.reload();
    ready(&b);
}

#[test]
fn new_photos_come_from_the_page_and_the_made_change_goes_with_them() {
    let program = Program::with(
        |folder| {
            let mut record = measured().clone();
            // a clear case: all confirmed, the bare shafts high
            for e in record["entries"].as_array_mut().expect("entries") {
                e["state"] = json!("confirmed");
                if e["kind"] == "bare" {
                    e["y_mm"] = json!(e["y_mm"].as_f64().expect("y") + 260.0);
                }
            }
            put(folder, "end", &record);
        },
        &[],
    );
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    settled(&b);
    b.press(false, "#made");
    b.wait("document.getElementById('made-said').textContent.includes('Noted')");
    // after a reload the advice still asks for an end with the change; a change taken back gives way to the advice before it
    b.reload();
    ready(&b);
    settled(&b);
    let next = "document.getElementById('answer-step').textContent";
    b.wait(&format!("{next}.includes('shoot an end with the change')"));
    b.press(false, "#take-back");
    b.wait("document.getElementById('made')");
    b.wait(&format!("!{next}.includes('with the change')"));
    b.press(false, "#made");
    b.wait(&format!("{next}.includes('shoot an end with the change')"));
    let told: Value =
        serde_json::from_slice(&fs::read(program.folder.join("session.json")).expect("file"))
            .expect("JSON");
    let change = &told["ends"][1]["setup"];
    assert!(
        change["rest_height_mm"].is_number() || change["nocking_point_mm"].is_number(),
        "{told}"
    );
    // the face is asked for once, then remembered
    b.js("const f = document.getElementById('new-face'); f.value = 'wa-80'; f.dispatchEvent(new Event('change')); return 1");
    let photo = sample("evening/evening-2.jpg");
    let input = b.js("return document.getElementById('choose')");
    b.fill_file(&input, &photo);
    b.wait("document.querySelectorAll('#ends li').length === 2");
    b.wait("bossmark.end.view?.id === 2");
    ready(&b);
    let record = program.record("photo-1");
    assert_eq!(record["face"]["name"], "wa-80");
    let setup = &record["session"]["setup"];
    for (name, value) in change.as_object().expect("settings") {
        assert_eq!(&setup[name], value, "{name}");
    }
    assert_eq!(record["session"]["end"], 2);
    // the same photo twice is the same end
    let input = b.js("return document.getElementById('choose')");
    b.fill_file(&input, &photo);
    b.wait("document.getElementById('new-photos').textContent.includes('taken over')");
    assert_eq!(
        b.js("return document.querySelectorAll('#ends li').length"),
        2
    );
    // what is told on the page goes into the record
    b.js("const d = document.getElementById('told-distance_m'); d.value = '18'; return 1");
    b.press(false, "#session .form-end:not(.uploads) button");
    b.wait("bossmark.end.view.record.session.distance_m === 18");
    assert_eq!(program.record("photo-1")["session"]["distance_m"], 18.0);
}
