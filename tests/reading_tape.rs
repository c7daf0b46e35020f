//! Places measured by hand: the same result as a record, in millimetres and inches, and what the texts say.

use assert_cmd::Command;
use serde_json::{Value, json};
use std::fs;
use std::path::Path;
use tempfile::TempDir;

const TOLD: [&str; 4] = ["--hand", "right", "--distance", "30"];

fn run(arguments: &[&str]) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_bossmark"))
        .args(arguments)
        .output()
        .expect("the program runs");
    let text = |bytes| String::from_utf8(bytes).expect("UTF-8");
    let status = output.status.code().expect("no signal");
    (status, text(output.stdout), text(output.stderr))
}

fn put(folder: &TempDir, name: &str, text: &str) -> String {
    let path = folder.path().join(name);
    fs::write(&path, text).expect("written");
    path_text(&path)
}

fn path_text(path: &Path) -> String {
    path.to_str().expect("UTF-8").to_owned()
}

/// (end, kind, x, y, arrow), mm: two ends of three and three.
fn shots() -> Vec<(u64, &'static str, f64, f64, String)> {
    let group = [(-12.0, 8.0), (5.0, -3.0), (9.0, 14.0)];
    let mut shots = Vec::new();
    for end in [1, 2] {
        for (kind, right, first) in [("fletched", 0.0, 1), ("bare", 127.0, 4)] {
            for (&(x, y), arrow) in group.iter().zip(first..) {
                let turn = if end == 1 { 1.0 } else { -1.0 };
                shots.push((end, kind, turn * x + right, y, arrow.to_string()));
            }
        }
    }
    shots
}

fn table(unit_mm: f64, head: &str) -> String {
    let mut text = format!("# measured with a ruler\n{head}\n");
    for (end, kind, x, y, arrow) in shots() {
        text += &format!("{},{},{kind},{end},{arrow}\n", x / unit_mm, y / unit_mm);
    }
    text
}

fn records() -> String {
    let mut lines = String::new();
    for end in [1, 2] {
        let entries: Vec<Value> = shots()
            .iter()
            .filter(|shot| shot.0 == end)
            .zip(1..)
            .map(|((_, kind, x, y, arrow), id)| {
                json!({"id": id, "x_mm": x, "y_mm": y, "kind": kind, "arrow": arrow, "state": "confirmed", "source": "tape"})
            })
            .collect();
        let record = json!({"schema": "bossmark/end/1", "entries": entries,
            "session": {"hand": "right", "distance_m": 30.0, "end": end}});
        lines += &format!("{record}\n");
    }
    lines
}

#[test]
fn a_table_reads_like_a_record() {
    let folder = TempDir::new().expect("a folder");
    let lines = put(&folder, "ends.jsonl", &records());
    let (status, expected, _) = run(&["read", &lines, "--json"]);
    assert_eq!(status, 0);
    for (name, unit, head) in [
        ("mm.csv", 1.0, "x_mm,y_mm,kind,end,arrow"),
        ("in.csv", 25.4, "x_in,y_in,kind,end,arrow"),
    ] {
        let file = put(&folder, name, &table(unit, head));
        let mut arguments = vec!["read", "--tape", &file, "--json"];
        arguments.extend(TOLD);
        let (status, got, errors) = run(&arguments);
        assert_eq!((status, errors.as_str()), (0, ""), "{name}");
        assert_eq!(got, expected, "{name}");
    }
    // a head without units takes the one told
    let file = put(&folder, "plain.csv", &table(25.4, "x,y,kind,end,arrow"));
    let mut arguments = vec!["read", "--tape", &file, "--units", "in", "--json"];
    arguments.extend(TOLD);
    assert_eq!(run(&arguments).1, expected);
    let reading: Value = serde_json::from_str(&expected).expect("JSON");
    assert_eq!(reading["horizontal"]["call"], "weak", "{reading}");
    assert!(reading["groups"]["bare"]["mean_radius_mm"].as_f64() > Some(5.0));
}

#[test]
fn the_text_speaks_millimetres_or_inches() {
    let folder = TempDir::new().expect("a folder");
    let file = put(&folder, "ends.csv", &table(1.0, "x_mm,y_mm,kind,end,arrow"));
    let mut arguments = vec!["read", "--tape", &file];
    arguments.extend(TOLD);
    let (_, mm, _) = run(&arguments);
    assert!(
        mm.contains(" mm right of") && mm.contains("reads weak"),
        "{mm}"
    );
    assert!(
        mm.contains("Known so far") && mm.contains("Bare group"),
        "{mm}"
    );
    arguments.extend(["--units", "in"]);
    let (_, inches, _) = run(&arguments);
    assert!(inches.contains(" in right of"), "{inches}");
    assert!(!inches.contains(" mm"), "{inches}");
}

#[test]
fn the_template_can_be_filled_in_and_slips_are_named() {
    let folder = TempDir::new().expect("a folder");
    let (status, template, _) = run(&["read", "--tape-template"]);
    assert_eq!(status, 0);
    // as printed it holds nobody's shots
    let file = put(&folder, "template.csv", &template);
    let (status, out, errors) = run(&["read", "--tape", &file]);
    assert_eq!((status, out.as_str()), (3, ""));
    assert!(errors.contains("your own shots"), "{errors}");
    let file = put(&folder, "filled.csv", &template.replace("-12,8", "-20,8"));
    let mut arguments = vec!["read", "--tape", &file, "--json"];
    arguments.extend(TOLD);
    let (status, out, _) = run(&arguments);
    assert_eq!(status, 0, "{out}");
    let bad = put(&folder, "bad.csv", "x,y,kind\n1,2,feather\n");
    let (status, out, errors) = run(&["read", "--tape", &bad]);
    assert_eq!((status, out.as_str()), (3, ""));
    assert!(
        errors.contains("line 2") && errors.contains("fletched or bare"),
        "{errors}"
    );
    assert_eq!(run(&["read"]).0, 2);
}

#[test]
fn set_ups_are_read_apart_and_that_is_said() {
    let folder = TempDir::new().expect("a folder");
    let mut lines = String::new();
    for (line, weight) in records().lines().zip([36.0, 34.0]) {
        let mut record: Value = serde_json::from_str(line).expect("JSON");
        record["session"]["setup"] = json!({"draw_weight_lb": weight});
        lines += &format!("{record}\n");
    }
    let file = put(&folder, "two.jsonl", &lines);
    let (status, out, _) = run(&["read", &file, "--json"]);
    assert_eq!(status, 0);
    let readings: Vec<Value> = out
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect();
    assert_eq!(readings.len(), 2);
    for reading in readings {
        assert_eq!(reading["ends"], 1);
        let cautions = reading["cautions"].as_array().expect("cautions");
        assert!(
            cautions.iter().any(|c| c["code"] == "mixed-setups"),
            "{reading}"
        );
    }
}

/// Ends of one set-up at two distances and one that isn't told: three readings, each saying so.
#[test]
fn distances_are_read_apart_and_that_is_said() {
    let folder = TempDir::new().expect("a folder");
    let mut lines = String::new();
    let first = records().lines().next().expect("a record").to_owned();
    for (distance, end) in [(json!(30.0), 1), (json!(18.0), 2), (Value::Null, 3)] {
        let mut record: Value = serde_json::from_str(&first).expect("JSON");
        record["session"]["distance_m"] = distance;
        record["session"]["end"] = json!(end);
        lines += &format!("{record}\n");
    }
    let file = put(&folder, "far.jsonl", &lines);
    let (status, out, _) = run(&["read", &file, "--json"]);
    assert_eq!(status, 0);
    let readings: Vec<Value> = out
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect();
    assert_eq!(readings.len(), 3);
    for reading in &readings {
        assert_eq!(reading["ends"], 1);
        let cautions = reading["cautions"].as_array().expect("cautions");
        let note = cautions.iter().find(|c| c["code"] == "several-distances");
        let text = note.expect("said")["text"]
            .as_str()
            .expect("text")
            .to_owned();
        assert!(
            text.contains("18 m") && text.contains("not known"),
            "{text}"
        );
    }
    let one = put(&folder, "one.jsonl", &records());
    assert!(
        !run(&["read", &one, "--json"])
            .1
            .contains("several-distances")
    );
}

#[test]
fn a_plan_from_group_size_and_certainty() {
    let plan = |more: &[&str]| -> Value {
        let mut arguments = vec!["plan", "--distance", "30", "--json"];
        arguments.extend(more);
        let (status, out, errors) = run(&arguments);
        assert_eq!(status, 0, "{errors}");
        serde_json::from_str(&out).expect("JSON")
    };
    let usual = plan(&["--group", "82", "--group-arrows", "6", "--hand", "left"]);
    // six arrows 82 mm apart scatter by 82/3.275 = 25 mm
    assert!((usual["scatter"]["sd_mm"].as_f64().expect("sd") - 25.0).abs() < 0.1);
    let surer = plan(&["--group", "82", "--certainty", "90"]);
    let pairs = |plan: &Value| plan["needed"]["pairs"].as_u64();
    assert!(pairs(&usual).is_some());
    assert!(pairs(&surer).is_none_or(|more| Some(more) > pairs(&usual)));
    let (_, text, _) = run(&[
        "plan",
        "--distance",
        "30",
        "--hand",
        "left",
        "--units",
        "in",
    ]);
    assert!(
        text.contains("to the left mean weak") && !text.contains(" mm"),
        "{text}"
    );
    assert_eq!(run(&["plan", "--certainty", "120"]).0, 2);
}

/// Twelve numbered fletched arrows in five ends: without bare shafts there is no offset, but where each arrow lands, and which is odd.
#[test]
fn a_dozen_is_sorted_without_bare_shafts() {
    let folder = TempDir::new().expect("a folder");
    let wobble = [
        11.0, -27.0, 5.0, -13.0, 29.0, -19.0, 24.0, -2.0, 17.0, -31.0, 8.0,
    ];
    let mut text = "x_mm,y_mm,kind,end,arrow\n".to_owned();
    for end in 0..5_usize {
        for arrow in 0..12_usize {
            let at = (7 * end + 5 * arrow + end * arrow) % wobble.len();
            let own = if arrow == 6 { 120.0 } else { 0.0 };
            let (x, y) = (wobble[at] + own, wobble[(at + 4) % wobble.len()]);
            text += &format!("{x},{y},fletched,{},{}\n", end + 1, arrow + 1);
        }
    }
    let file = put(&folder, "dozen.csv", &text);
    let mut arguments = vec!["read", "--tape", &file];
    arguments.extend(TOLD);
    let (_, said, _) = run(&arguments);
    let flat = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        flat.contains("Fletched arrows, the nearest to their middle first"),
        "{said}"
    );
    let odd: Vec<&str> = said
        .lines()
        .filter(|line| line.contains(": odd, "))
        .collect();
    assert!(
        odd.len() == 1 && odd[0].trim_start().starts_with("7 "),
        "{said}"
    );
    arguments.push("--json");
    let (_, out, _) = run(&arguments);
    let reading: Value = serde_json::from_str(out.lines().next().expect("a line")).expect("JSON");
    let sorted = reading["sorted"].as_array().expect("a list");
    assert_eq!(sorted.len(), 12);
    assert_eq!(sorted[11]["arrow"], "7");
}
