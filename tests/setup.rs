//! `bossmark setup`: a session file made from flags, checked, and carried on to the next end after a change.

mod program;

use program::{Ran, program, ran};
use serde_json::{Value, json};
use std::fs;
use std::path::Path;
use tempfile::TempDir;

/// Runs the command in a folder, with nobody at a terminal.
fn setup(folder: &TempDir, arguments: &[&str], stdin: &str) -> Ran {
    ran(program()
        .current_dir(folder)
        .arg("setup")
        .args(arguments)
        .write_stdin(stdin))
}

fn session(folder: &TempDir) -> Value {
    let bytes = fs::read(folder.path().join("session.json")).expect("session.json");
    serde_json::from_slice(&bytes).expect("JSON")
}

fn made(folder: &TempDir) {
    let ran = setup(
        folder,
        &[
            "--face",
            "wa-80",
            "--hand",
            "right",
            "--distance",
            "30yd",
            "--archer",
            "A",
            "--bow",
            "b",
            "--fletched",
            "3",
            "--draw-weight",
            "36",
            "--bolts-out",
            "1",
            "--spine",
            "600",
            "--length",
            "29in",
            "--point",
            "100gr",
            "--plunger",
            "-2",
            "--nocking-point",
            "6",
            "--rest-height",
            "0",
            "--keep",
            "rear-weight",
            "--limit",
            "bolt_turns_out=0..4;step:0.25",
            "--limit",
            "shaft_length_mm=711..",
            "--limit",
            "point_gr=owned:90,100,110",
        ],
        "",
    );
    assert_eq!(ran.status, 0, "{}", ran.stderr);
}

#[test]
fn flags_make_a_file_that_says_what_they_said() {
    let folder = tempfile::tempdir().expect("folder");
    made(&folder);
    assert_eq!(
        session(&folder),
        json!({
            "schema": "bossmark/session/1", "face": "wa-80", "fletched": 3,
            "session": {"archer": "A", "hand": "right", "distance_m": 27.432, "setup": {
                "bow": "b", "draw_weight_lb": 36.0, "bolt_turns_out": 1.0, "shaft_spine": 600.0, "shaft_length_mm": 736.6,
                "point_gr": 100.0, "plunger_clicks": -2.0, "nocking_point_mm": 6.0, "rest_height_mm": 0.0,
                "keep": ["rear-weight"],
                "limits": {"bolt_turns_out": {"min": 0.0, "max": 4.0, "step": 0.25}, "shaft_length_mm": {"min": 711.0},
                           "point_gr": {"owned": [90.0, 100.0, 110.0]}}}}
        })
    );
    // more flags add to it; a limit keeps what isn't said anew
    let ran = setup(
        &folder,
        &["--point", "90", "--limit", "bolt_turns_out=max:3", "--json"],
        "",
    );
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let told: Value = serde_json::from_str(&ran.stdout).expect("one document");
    assert_eq!(told, session(&folder));
    let setup = &told["session"]["setup"];
    assert_eq!(setup["point_gr"], 90.0);
    assert_eq!(
        setup["limits"]["bolt_turns_out"],
        json!({"min": 0.0, "max": 3.0, "step": 0.25})
    );
    assert_eq!(setup["draw_weight_lb"], 36.0);
}

#[test]
fn arrows_are_told_one_by_one_and_checked() {
    let folder = tempfile::tempdir().expect("folder");
    let told = [
        "--arrow",
        "7:fletched,nock=green,vanes=red+white",
        "--arrow",
        "B:bare,nock=Light-Blue",
    ];
    let ran = setup(&folder, &told, "");
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(
        ran.stdout
            .contains("arrow 7                  fletched, nock green, vanes red and white"),
        "{}",
        ran.stdout
    );
    // another look of one, and one more
    let ran = setup(
        &folder,
        &["--arrow", "7:fletched,nock=orange", "--arrow", "9"],
        "",
    );
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let arrows = json!([{"arrow": "7", "kind": "fletched", "nock": "orange"},
        {"arrow": "B", "kind": "bare", "nock": "Light-Blue"}, {"arrow": "9"}]);
    assert_eq!(session(&folder)["session"]["setup"]["arrows"], arrows);
    for (wrong, words) in [
        ("7:fletched,nock=grene", "the likeliest first: green, "),
        ("7:bare,vanes=red", "is bare and has `vanes`"),
        ("7:nocks=red", "says nothing of an arrow"),
        ("7,nock=red", "the arrow's mark ends with a colon"),
    ] {
        let ran = setup(&folder, &["--arrow", wrong], "");
        assert_eq!(ran.status, 2);
        assert!(ran.stderr.contains(words), "{}", ran.stderr);
    }
    let twice = ["--arrow", "7:fletched", "--arrow", "7:bare"];
    let ran = setup(&folder, &twice, "");
    assert_eq!(ran.status, 2);
    assert!(
        ran.stderr.contains("give each arrow once"),
        "{}",
        ran.stderr
    );
    assert_eq!(session(&folder)["session"]["setup"]["arrows"], arrows);
    // a set-up file of one mark twice
    fs::write(
        folder.path().join("session.json"),
        r#"{"schema": "bossmark/session/1", "session": {"setup": {"arrows": [{"arrow": "7"}, {"arrow": "7"}]}}}"#,
    )
    .expect("written");
    let ran = setup(&folder, &[], "");
    assert_eq!(ran.status, 2);
    assert!(
        ran.stderr.contains("give each arrow one line"),
        "{}",
        ran.stderr
    );
}

#[test]
fn without_flags_a_file_is_checked_and_shown_and_not_touched() {
    let folder = tempfile::tempdir().expect("folder");
    made(&folder);
    let path = folder.path().join("session.json");
    let before = fs::read(&path).expect("file");
    let ran = setup(&folder, &["."], "");
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    for words in [
        "draw_weight_lb           36",
        "limit of shaft_length_mm min 711",
        "keep                     rear-weight",
    ] {
        assert!(ran.stdout.contains(words), "{}", ran.stdout);
    }
    // all that is left open is what the physics would use besides
    let help = ran.stdout.split("Would help the advice: ").nth(1);
    let flags: Vec<&str> = help
        .into_iter()
        .flat_map(str::split_whitespace)
        .filter(|word| word.contains("--"))
        .collect();
    assert_eq!(
        flags,
        ["(--gr-per-in),", "(--brace-height),", "(--draw-length),"]
    );
    assert_eq!(fs::read(&path).expect("file"), before);
    fs::write(
        &path,
        r#"{"schema": "bossmark/session/1", "session": {"hand": "left"}}"#,
    )
    .expect("written");
    let ran = setup(&folder, &[], "");
    assert!(
        ran.stdout
            .contains("Would help the advice: the distance (--distance)"),
        "{}",
        ran.stdout
    );
    assert!(
        ran.stdout.contains("shortest safe length"),
        "{}",
        ran.stdout
    );
}

#[test]
fn what_is_wrong_is_told_in_one_sentence_and_nothing_is_written() {
    let cases: &[(&[&str], &str)] = &[
        (
            &["--length", "29"],
            "if it was meant in inches, write 736.6",
        ),
        (
            &["--limit", "point_gr=owned:90;min:100"],
            "90 is listed but outside min and max",
        ),
        (&["--limit", "bolt_turns_out=4..1"], "min 4 is above max 1"),
        (
            &["--limit", "bolts_turns=0..4"],
            "did you mean bolt_turns_out",
        ),
        (&["--keep", "plungre"], "did you mean `plunger`"),
        (&["--face", "wa-81"], "no known face"),
        (&["--point", "heavy"], "give grains"),
        (&["--limit", "point_gr"], "write NAME=MIN..MAX"),
        (&[], "there is no session file to check"),
        (&["--changed"], "nothing is changed"),
        (&["--apply", "next.json"], "there is no session file yet"),
    ];
    for (arguments, words) in cases {
        let folder = tempfile::tempdir().expect("folder");
        let ran = setup(&folder, arguments, "");
        assert_eq!(ran.status, 2, "{arguments:?}: {}", ran.stderr);
        assert!(ran.stderr.contains(words), "{arguments:?}: {}", ran.stderr);
        assert!(!folder.path().join("session.json").exists());
    }
}

fn advice(next: Value) -> String {
    let mut step = json!({"amount": null, "unit": null, "from": null, "to": null, "detail": "d", "expect": null,
        "reversible": true, "why": "", "cautions": []});
    for (name, value) in next.as_object().expect("step") {
        step[name] = value.clone();
    }
    let blank = bossmark::advice::advise(&Default::default(), &Default::default());
    let mut advice = serde_json::to_value(blank).expect("JSON");
    advice["next"] = step;
    advice.to_string()
}

#[test]
fn an_applied_advice_holds_from_the_next_end_on() {
    let folder = tempfile::tempdir().expect("folder");
    made(&folder);
    for photo in ["1.jpg", "2.jpg"] {
        fs::write(folder.path().join(photo), "not looked at").expect("written");
    }
    let bolts = advice(
        json!({"change": "draw-weight", "amount": -0.75, "unit": "lb", "setting": "draw_weight_lb",
        "from": 36.0, "to": 35.25, "bolt_quarter_turns": -3, "detail": "both limb bolts out"}),
    );
    let ran = setup(&folder, &["--apply", "-"], &bolts);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert_eq!(
        session(&folder)["ends"],
        json!([
            {"photo": "1.jpg", "end": 1}, {"photo": "2.jpg", "end": 2},
            {"note": "both limb bolts out", "setup": {"bolt_turns_out": 1.75, "draw_weight_lb": 35.25}}
        ])
    );
    // a second change, of one's own, with one photo more between
    fs::write(folder.path().join("3.jpg"), "not looked at").expect("written");
    let ran = setup(
        &folder,
        &["--changed", "--plunger", "1", "--note", "stiffer"],
        "",
    );
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(!ran.stderr.contains("was before"), "{}", ran.stderr);
    let ends = session(&folder)["ends"].clone();
    assert_eq!(ends[3], json!({"photo": "3.jpg", "end": 3}));
    assert_eq!(
        ends[4],
        json!({"note": "stiffer", "setup": {"plunger_clicks": 1.0}})
    );
    assert!(ran.stdout.contains("as after 2 changes"), "{}", ran.stdout);
    assert!(
        ran.stdout.contains("bolt_turns_out           1.75"),
        "{}",
        ran.stdout
    );
    // where nobody said the value before, the ends before and after it are read together
    let ran = setup(
        &folder,
        &["--changed", "--brace-height", "222", "--out", "-"],
        "",
    );
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let unknown = "the value of `brace_height_mm` before the change is not known";
    assert!(ran.stderr.contains(unknown), "{}", ran.stderr);
    // a setting that moved on its way isn't corrected at the start unseen
    let ran = setup(&folder, &["--plunger", "2"], "");
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.contains("--changed"), "{}", ran.stderr);
}

#[test]
fn an_advice_that_does_not_fit_is_refused() {
    let folder = tempfile::tempdir().expect("folder");
    made(&folder);
    let before = session(&folder);
    let refused = |advice: &str, status: i32, words: &str| {
        let ran = setup(&folder, &["--apply", "-"], advice);
        assert_eq!(ran.status, status, "{}", ran.stderr);
        assert!(ran.stderr.contains(words), "{}", ran.stderr);
        assert_eq!(session(&folder), before);
    };
    let other = json!({"change": "point-weight", "setting": "point_gr", "amount": 10.0, "from": 90.0, "to": 100.0});
    refused(&advice(other), 2, "from 90, but the set-up says 100");
    let unknown = json!({"change": "plunger", "setting": "plunger_clicks"});
    refused(&advice(unknown.clone()), 2, "tell it with --plunger");
    let more = json!({"change": "shoot-more", "amount": 3.0, "pairs": 3, "detail": "shoot more"});
    refused(&advice(more), 1, "changes nothing");
    refused(r#"{"schema": "bossmark/end/1"}"#, 3, "bossmark/advice/1");
    refused(r#"{"schema": "bossmark/advice/2"}"#, 3, "update bossmark");
    refused("no JSON", 3, "JSON");
    // an advice is asked for again, never a photo measured again
    for (broken, words) in [
        (
            "",
            "the file is empty, so nothing is noted: give what `bossmark advise",
        ),
        ("{", "is not JSON"),
        ("{}", "bossmark/advice/1"),
        (
            r#"{"schema": "bossmark/advice/1"}"#,
            "the advice is not whole",
        ),
    ] {
        refused(broken, 3, words);
        refused(
            broken,
            3,
            "give what `bossmark advise RECORDS --json` wrote",
        );
    }
    // without a step its own reason is told
    let mut none: Value = serde_json::from_str(&advice(json!({"change": "none"}))).expect("JSON");
    none["next"] = Value::Null;
    refused(&none.to_string(), 1, "changes nothing (No shot counts");
    // what is so already is no change
    let same = json!({"change": "plunger", "setting": "plunger_clicks", "amount": 1.0, "from": -3.0, "to": -2.0});
    let same = advice(same);
    refused(&same, 2, "plunger_clicks` from -3");
    let ran = setup(&folder, &["--changed", "--plunger", "-2"], "");
    assert_eq!(ran.status, 2);
    assert!(
        ran.stderr
            .contains("says the same already (plunger_clicks)"),
        "{}",
        ran.stderr
    );
    assert_eq!(session(&folder), before);
    // told with it, the unknown value is taken
    let ran = setup(
        &folder,
        &["--apply", "-", "--plunger", "0"],
        &advice(unknown),
    );
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert_eq!(
        session(&folder)["ends"][0]["setup"],
        json!({"plunger_clicks": 0.0})
    );
}

#[test]
fn the_schema_is_printed_and_stands_in_the_repository() {
    let folder = tempfile::tempdir().expect("folder");
    let ran = setup(&folder, &["--schema"], "");
    assert_eq!(ran.status, 0);
    let stored =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("src/record/schemas/session.schema.json");
    assert_eq!(ran.stdout, fs::read_to_string(stored).expect("schema"));
}
