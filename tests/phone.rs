//! The page by itself, from a static folder, in a real browser: the whole job without a server, without a network, and after kills.
//! `BOSSMARK_SITE` names the folder that `src/wasm/build.sh` wrote; without it nothing is tested here, and that is said.

#[path = "phone/host.rs"]
mod host;
#[path = "phone/limits.rs"]
mod limits;
#[path = "phone/parity.rs"]
mod parity;
#[path = "phone/start.rs"]
mod start;
mod webdriver;

use base64::Engine;
use host::Host;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use webdriver::{Browser, Screen};

const PHONE: Screen = Screen {
    width: 390,
    height: 844,
    touch: true,
    dark: false,
};

/// The page's folder.
fn site() -> Option<PathBuf> {
    let named = std::env::var_os("BOSSMARK_SITE").map(PathBuf::from);
    if named.is_none() {
        let test = std::thread::current().name().unwrap_or("a test").to_owned();
        let _ = writeln!(
            std::io::stderr(),
            "\n*** SKIPPED: {test} has tested nothing: BOSSMARK_SITE names no folder that src/wasm/build.sh wrote ***"
        );
    }
    named
}

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-photos")
        .join(name)
}

/// The page, opened; what it keeps lies in `profile`.
fn opened(host: &Host, profile: &Path) -> Option<Browser> {
    let browser = Browser::start_in(PHONE, profile)?;
    browser.open(&host.link());
    browser.wait("window.bossmark?.queue.state");
    Some(browser)
}

/// The page on a phone that has never seen it: what it keeps, its host, and the page. `None` where nothing can be tested.
fn on_a_new_phone() -> Option<(tempfile::TempDir, Host, Browser)> {
    let site = site()?;
    let profile = tempfile::tempdir().expect("profile");
    let host = Host::start(&site);
    let browser = opened(&host, profile.path())?;
    Some((profile, host, browser))
}

/// Hands a photo over as a person does, and waits until it is measured.
fn add(b: &Browser, photo: &Path, ends: usize) {
    let field = b.js("return document.getElementById('choose')");
    b.fill_file(&field, photo);
    b.wait(&format!("bossmark.queue.ends.length === {ends}"));
}

fn measured(b: &Browser) {
    b.wait("window.bossmark?.queue.state && bossmark.queue.ends.every((e) => ['open', 'confirmed'].includes(e.state)) && bossmark.end.view && bossmark.end.working === 0");
}

/// What is kept, by path: the text of each document, the size of each photo.
fn kept(b: &Browser) -> BTreeMap<String, String> {
    let files = b.js_later(
        "const done = arguments[0]; (async () => {
           const { Storage } = await import('./storage.js'); const storage = await Storage.open(); const out = {};
           for (const f of await storage.all()) out[f.path] = f.bytes instanceof Blob ? `${f.bytes.size} ${f.sha256}` : new TextDecoder().decode(f.bytes);
           storage.database.close(); done(out); })();",
    );
    serde_json::from_value(files).expect("files")
}

fn records(kept: &BTreeMap<String, String>) -> BTreeMap<String, String> {
    let is_record = |(path, _): &(&String, &String)| path.ends_with(".end.json");
    let records = kept.iter().filter(is_record);
    records.map(|(p, t)| (p.clone(), t.clone())).collect()
}

/// Answers what the photo can't show, as asked.
fn answer_questions(b: &Browser) {
    b.wait("document.querySelector('#essentials-go')");
    for choice in [
        "face][value=wa-80",
        "hand][value=right",
        "distance_m][value='30'",
        "fletched][value='3'",
        "bare][value='3'",
    ] {
        let css = format!("#essentials input[name={choice}]");
        if b.js(&format!("return Boolean(document.querySelector({css:?}))")) == true {
            b.js(&format!(
                "document.querySelector({css:?}).click(); return 1"
            ));
        }
    }
    b.press(true, "#essentials-go");
}

fn confirm(b: &Browser) {
    for _ in 0..14 {
        if b.js("return bossmark.end.view?.state === 'confirmed'") == true {
            return;
        }
        let anyway = b.js("return Boolean(document.getElementById('accept-anyway'))") == true;
        b.press(true, if anyway { "#accept-anyway" } else { "#accept" });
        std::thread::sleep(std::time::Duration::from_millis(200));
        b.wait("bossmark.end.working === 0");
    }
    panic!("not confirmed: {}", b.js("return document.body.innerText"));
}

#[test]
fn the_whole_job_on_a_phone_without_a_network() {
    let Some(site) = site() else { return };
    let profile = tempfile::tempdir().expect("profile");
    let mut host = Host::start(&site);
    let Some(b) = opened(&host, profile.path()) else {
        return;
    };
    // everything that the page needs is on the device
    b.wait("navigator.serviceWorker.controller !== null");
    host.stop();
    b.reload();
    b.wait("window.bossmark?.queue.state");
    add(&b, &sample("evening/evening-1.jpg"), 1);
    answer_questions(&b);
    measured(&b);
    b.picture("phone-measured");
    confirm(&b);
    b.wait("document.querySelector('#plot svg') && document.getElementById('answer-step').textContent !== ''");
    b.picture("phone-answer");
    // a change is made, and the next end is shot with it
    let setup = json!({"nocking_point_mm": 9.0, "draw_weight_lb": 36.0, "bolt_turns_out": 1.0, "plunger_clicks": 0, "shaft_spine": 600});
    b.js_later(&format!(
        "const done = arguments[0]; bossmark.end.core.essentials(null, {{setup: {setup}}}).then(() => done(1), (e) => done(String(e)))"
    ));
    add(&b, &sample("evening/evening-2.jpg"), 2);
    b.wait("bossmark.queue.shown === 2");
    measured(&b);
    confirm(&b);
    let before = kept(&b);
    assert_eq!(records(&before).len(), 2, "{:?}", before.keys());
    let second: Value = serde_json::from_str(&before["bossmark/photo-2.end.json"]).expect("record");
    assert_eq!(second["session"]["end"], 2);
    assert_eq!(second["session"]["setup"]["nocking_point_mm"], 9.0);
    assert!(
        second["entries"]
            .as_array()
            .is_some_and(|e| e.iter().all(|e| e["state"] == "confirmed"))
    );
    // undo outlives a reload without a network
    b.reload();
    b.wait("window.bossmark?.end.view?.record");
    assert_eq!(kept(&b), before);
    assert!(b.js("return bossmark.end.view.undo").as_u64() > Some(0));
    assert_eq!(b.complaints(), Vec::<String>::new());
    assert!(host.only_reads(), "{:?}", host.asked());
}

/// Whatever the moment of a kill, each end is there afterwards as it last was, or not yet changed; never broken.
#[test]
fn a_kill_at_any_moment_loses_nothing() {
    let Some(site) = site() else { return };
    let profile = tempfile::tempdir().expect("profile");
    let mut host = Host::start(&site);
    let Some(mut b) = opened(&host, profile.path()) else {
        return;
    };
    b.wait("navigator.serviceWorker.controller !== null");
    host.stop();
    add(&b, &sample("evening/evening-1.jpg"), 1);
    answer_questions(&b);
    measured(&b);
    for (nth, wait_ms) in [0, 30, 90, 160, 250, 400].into_iter().enumerate() {
        let seen = b
            .js("return bossmark.end.view.record.revision")
            .as_u64()
            .expect("revision");
        let kinds = ["bare", "fletched"];
        b.js(&format!(
            "window.answered = bossmark.end.view.record.revision; const id = bossmark.end.entries[0].id;
             const edit = (n) => bossmark.end.core.apply(bossmark.end.view.id, window.answered, [{{do: 'tag', id, kind: {}[n % 2]}}])
               .then((v) => {{ window.answered = v.record.revision; return edit(n + 1); }});
             edit({nth}); return 1",
            json!(kinds)
        ));
        std::thread::sleep(std::time::Duration::from_millis(wait_ms));
        let answered = b.js("return window.answered").as_u64().expect("revision");
        b.kill();
        b = opened(&host, profile.path()).expect("the browser again");
        b.wait("window.bossmark?.end.view?.record");
        let now = b
            .js("return bossmark.end.view.record.revision")
            .as_u64()
            .expect("revision");
        assert!(
            now >= answered && answered >= seen,
            "kill {nth}: {now} after {answered} was answered"
        );
        assert_eq!(
            b.js("return bossmark.end.view.undo").as_u64(),
            Some(now),
            "kill {nth}: each step can be undone"
        );
    }
}

#[test]
fn what_is_exported_and_imported_has_the_same_bytes_and_the_program_reads_it() {
    let Some((_profile, _host, b)) = on_a_new_phone() else {
        return;
    };
    add(&b, &sample("evening/evening-1.jpg"), 1);
    answer_questions(&b);
    measured(&b);
    confirm(&b);
    let before = kept(&b);
    // the archive, as the button makes it; taken out of the page as text
    let files = b.js_later(
        "const done = arguments[0]; (async () => {
           const { engine } = await import('./local.js'); const { unzipped } = await import('./zip.js');
           window.archive = await engine.ask({ export: true }); const out = {};
           for (const { name, bytes } of await unzipped(window.archive)) { let s = ''; for (const x of bytes) s += String.fromCharCode(x); out[name] = btoa(s); }
           done(out); })();",
    );
    let folder = tempfile::tempdir().expect("folder");
    let files: BTreeMap<String, String> = serde_json::from_value(files).expect("files");
    for (name, text) in &files {
        let bytes = base64::engine::general_purpose::STANDARD
            .decode(text)
            .expect("base 64");
        let path = folder.path().join(name);
        std::fs::create_dir_all(path.parent().expect("folder")).expect("made");
        std::fs::write(path, bytes).expect("written");
    }
    let day = Command::new(env!("CARGO_BIN_EXE_bossmark"))
        .arg("day")
        .arg(folder.path().join("bossmark"))
        .args(["--report", "report.html"])
        .current_dir(folder.path())
        .output()
        .expect("the program runs");
    let said =
        String::from_utf8_lossy(&day.stdout).into_owned() + &String::from_utf8_lossy(&day.stderr);
    assert!(day.status.success(), "{said}");
    assert!(said.contains("1 done before"), "{said}");
    assert!(folder.path().join("report.html").is_file());
    b.js_later("const done = arguments[0]; import('./local.js').then(({ engine }) => engine.ask({ wipe: true })).then(() => done(1))");
    assert!(kept(&b).is_empty());
    // brought back: the page is opened anew first, as it does by itself
    let again = b.js_later(
        "const done = arguments[0]; (async () => { const file = window.archive; const text = await file.arrayBuffer();
           const root = await caches.open('test'); await root.put('/archive', new Response(text)); done(1); })();",
    );
    assert_eq!(again, 1);
    b.reload();
    b.wait("window.bossmark?.queue.state && bossmark.queue.ends.length === 0");
    let taken = b.js_later(
        "const done = arguments[0]; (async () => { const root = await caches.open('test'); const file = await (await root.match('/archive')).blob();
           const { engine } = await import('./local.js'); done(await engine.ask({ import: file })); })().catch((e) => done(String(e)));",
    );
    assert_eq!(taken, before.len());
    assert_eq!(kept(&b), before);
}

/// Where nothing is kept yet the page offers what brings something: practice photos, or what was exported elsewhere.
#[test]
fn practice_photos_are_at_hand_on_an_empty_page() {
    let Some((_profile, host, b)) = on_a_new_phone() else {
        return;
    };
    assert_eq!(
        b.js("return document.querySelector('label[for=import]').getClientRects().length"),
        1
    );
    b.press(true, "#practice");
    b.wait("window.bossmark?.queue.ends.length === 3");
    measured(&b);
    assert_eq!(b.complaints(), Vec::<String>::new());
    assert!(host.only_reads(), "{:?}", host.asked());
}

/// What each version of the page kept is there in this one; what a newer one keeps is left alone, and that is said.
#[test]
fn an_update_loses_no_record() {
    let Some(site) = site() else { return };
    let profile = tempfile::tempdir().expect("profile");
    let host = Host::start(&site);
    let Some(b) = Browser::start_in(PHONE, profile.path()) else {
        return;
    };
    // as version 1 of the storage wrote it, from another file of the same host
    b.open(&format!("{}icon.svg", host.link()));
    let record = json!({"schema": "bossmark/end/1", "photo": null, "face": {"name": "wa-80", "diameter_mm": 800.0}, "camera": null,
        "entries": [{"id": 1, "x_mm": 12.0, "y_mm": -4.0, "cov_mm2": [[4.0, 0.0], [0.0, 4.0]], "px": null, "kind": "bare", "kind_probability": 1.0,
            "confidence": 1.0, "arrow": null, "state": "confirmed", "source": "tape", "lean": null}],
        "missed": [], "revision": 3, "session": {"hand": "right", "distance_m": 18.0, "end": 1}, "notes": [], "bossmark": "0.1.0"});
    let made = b.js_later(&format!(
        "const done = arguments[0]; const r = indexedDB.open('bossmark', 1);
         r.onupgradeneeded = () => r.result.createObjectStore('files', {{keyPath: 'path'}});
         r.onsuccess = () => {{ const t = r.result.transaction('files', 'readwrite');
           t.objectStore('files').put({{path: 'bossmark/a.end.json', bytes: new TextEncoder().encode({:?})}});
           t.oncomplete = () => {{ r.result.close(); done(1); }}; }}",
        record.to_string()
    ));
    assert_eq!(made, 1);
    b.open(&host.link());
    b.wait("window.bossmark?.end.view?.record");
    assert_eq!(
        b.js("return [bossmark.end.view.record.revision, bossmark.end.entries[0].x_mm]"),
        json!([3, 12])
    );
    assert_eq!(kept(&b)["bossmark/a.end.json"], record.to_string());
    // a newer page was here since
    let newer = b.js_later(
        "const done = arguments[0]; const r = indexedDB.open('bossmark', 99); r.onsuccess = () => { r.result.close(); done(1); }",
    );
    assert_eq!(newer, 1);
    b.reload();
    b.wait("document.getElementById('banner').innerText.includes('newer version of this page')");
    let count = b.js_later(
        "const done = arguments[0]; const r = indexedDB.open('bossmark', 99);
         r.onsuccess = () => { const q = r.result.transaction('files').objectStore('files').getAllKeys(); q.onsuccess = () => done(q.result); }",
    );
    assert!(
        count
            .as_array()
            .is_some_and(|c| c.contains(&json!("bossmark/a.end.json"))),
        "{count}"
    );
}
