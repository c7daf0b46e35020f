//! Nothing is lost: edits outlive the program, two windows see each other, the way back stays.

use super::webdriver::Browser;
use super::{LAPTOP, Program, measured, opened, put, ready, settled};
use serde_json::json;

#[test]
fn edits_outlive_the_program_and_two_windows_see_each_other() {
    let mut program = Program::with(|folder| put(folder, "end", measured()), &[]);
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    // the program ends; an edit is made all the same, and the page reloaded in vain
    let _ = program.process.kill();
    let _ = program.process.wait();
    b.js("bossmark.end.edit([{do: 'arrow', id: 1, arrow: '7'}]); return 1");
    b.wait("document.getElementById('saved').textContent.includes('Not saved')");
    program.again();
    b.reload();
    ready(&b);
    b.wait("bossmark.end.entries.find((e) => e.id === 1).arrow === '7'");
    assert_eq!(program.record("end")["revision"], 1);
    // another window has changed it meanwhile: this one is told, shown both, and chooses
    b.js("bossmark.queue.refresh = async () => {}; return 1");
    let other = json!({"schema": "bossmark/edits/1", "revision": 1, "edits": [{"do": "tag", "id": 2, "kind": "unknown"}]});
    b.js(&format!("fetch('/api/ends/1/edits', {{method: 'POST', headers: {{'Content-Type': 'application/json'}}, body: JSON.stringify({other})}}); return 1"));
    std::thread::sleep(std::time::Duration::from_millis(300));
    b.js("bossmark.end.edit([{do: 'remove', id: 1}]); return 1");
    b.wait("document.getElementById('conflict').open");
    b.picture("conflict");
    let shown = b.js("return document.getElementById('conflict').innerText");
    let shown = shown.as_str().expect("text");
    assert!(
        shown.contains("tagged B2 as not known") && shown.contains("remove B1"),
        "{shown}"
    );
    assert!(!shown.contains("facts of the end"), "{shown}");
    assert_eq!(
        program.record("end")["revision"],
        2,
        "nothing was overwritten"
    );
    b.press(false, "#conflict button:last-child");
    b.wait("!bossmark.end.entries.some((e) => e.id === 1)");
    let record = program.record("end");
    assert_eq!(record["revision"], 3);
    assert_eq!(
        record["entries"]
            .as_array()
            .expect("entries")
            .iter()
            .find(|e| e["id"] == 2)
            .expect("2")["kind"],
        "unknown"
    );
}

#[test]
fn a_step_on_an_end_that_was_measured_again_is_not_made() {
    let program = Program::with(|folder| put(folder, "end", measured()), &[]);
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    b.js("bossmark.queue.refresh = async () => {}; return 1");
    let mut again = program.record("end");
    let x_mm = again["entries"][0]["x_mm"].as_f64().expect("x") + 40.0;
    let id = again["entries"][0]["id"].clone();
    again["entries"][0]["x_mm"] = json!(x_mm);
    let file = program.folder.join("end.end.json");
    std::fs::write(file, again.to_string()).expect("written");
    b.js(&format!(
        "bossmark.end.edit([{{do: 'remove', id: {id}}}]); return 1"
    ));
    b.wait("document.getElementById('conflict').open");
    let shown = b.js("return document.getElementById('conflict').innerText");
    let shown = shown.as_str().expect("text");
    assert!(
        shown.contains("measured again") && shown.contains("moved B1") && !shown.contains("on top"),
        "{shown}"
    );
    assert_eq!(program.record("end"), again, "the step is not made");
    b.press(false, "#conflict button:last-child");
    b.wait(&format!(
        "bossmark.end.entries.some((e) => e.id === {id} && Math.abs(e.x_mm - {x_mm}) < 0.01)"
    ));
}

#[test]
fn the_way_back_outlives_the_program() {
    let mut program = Program::with(|folder| put(folder, "end", measured()), &[]);
    let Some(b) = opened(LAPTOP, &program) else {
        return;
    };
    let arrow = |name: &str| {
        b.js(&format!(
            "bossmark.end.edit([{{do: 'arrow', id: 1, arrow: '{name}'}}]); return 1"
        ));
        b.wait(&format!(
            "bossmark.end.entries.find((e) => e.id === 1).arrow === '{name}'"
        ));
    };
    arrow("7");
    arrow("8");
    program.again();
    b.reload();
    ready(&b);
    let now = |b: &Browser| b.js("return bossmark.end.entries.find((e) => e.id === 1).arrow");
    assert_eq!(now(&b), "8");
    b.press(false, "#undo");
    b.wait("bossmark.end.entries.find((e) => e.id === 1).arrow === '7'");
    b.press(false, "#undo");
    b.wait("bossmark.end.entries.find((e) => e.id === 1).arrow === null");
    assert_eq!(
        b.js("return document.getElementById('undo').disabled"),
        true
    );
    settled(&b);
    program.again();
    b.reload();
    ready(&b);
    b.press(false, "#redo");
    b.wait("bossmark.end.entries.find((e) => e.id === 1).arrow === '7'");
    assert_eq!(program.record("end")["entries"][0]["arrow"], "7");
}
