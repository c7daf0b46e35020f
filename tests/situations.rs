//! Situations as a coach meets them: records in, kind of step and words out. One file under `tests/situations` a theme; each
//! situation is given in short (see [`record`]).

#![allow(clippy::unwrap_used, reason = "a test may fail on the spot")]

#[allow(dead_code, reason = "only the club set-up is used here")]
mod common;

use bossmark::advice::{Advice, AdviceOptions, advise};
use bossmark::record::{End, History, RecordFile};
use bossmark::text::{Locale, brief, plain};
use common::club_setup;
use serde_json::{Map, Value, json};
use std::fs;
use std::path::Path;

/// Shots about their middle, mm at 30 m with a scatter of some 25 mm.
const FLETCHED: [[f64; 2]; 6] = [
    [-28.0, 12.0],
    [21.0, 18.0],
    [7.0, -30.0],
    [28.0, -12.0],
    [-21.0, -18.0],
    [-7.0, 30.0],
];
const BARE: [[f64; 2]; 6] = [
    [25.0, 20.0],
    [-30.0, 9.0],
    [5.0, -29.0],
    [-25.0, -20.0],
    [30.0, -9.0],
    [-5.0, 29.0],
];

fn merged(base: &mut Map<String, Value>, changes: &Value) {
    for (key, value) in changes.as_object().unwrap() {
        base.insert(key.clone(), value.clone());
    }
}

/// The record of an end given in short: `offset` of the bare shafts (mm at the distance shot), `scatter` as a factor,
/// `counts` [fletched, bare], or `places` of each kind; `setup` as changes of the club set-up.
fn record(end: &Value, number: u64, defaults: &Value) -> End {
    let get = |key: &str| end.get(key).or_else(|| defaults.get(key)).cloned();
    let mut setup = club_setup().as_object().unwrap().clone();
    for changes in [defaults.get("setup"), end.get("setup")]
        .into_iter()
        .flatten()
    {
        merged(&mut setup, changes);
    }
    let number_of = |key: &str, usual: f64| get(key).map_or(usual, |v| v.as_f64().unwrap());
    let distance = number_of("distance_m", 30.0);
    let scatter = number_of("scatter", 1.0) * distance / 30.0;
    let pair = |key: &str, usual: [f64; 2]| {
        get(key).map_or(usual, |v| [0, 1].map(|i: usize| v[i].as_f64().unwrap()))
    };
    let offset = pair("offset", [0.0, 0.0]);
    let counts = get("counts").map_or([3, 3], |v| {
        [0, 1].map(|i: usize| usize::try_from(v[i].as_u64().unwrap()).unwrap())
    });
    let turn = |p: [f64; 2]| match number % 4 {
        0 => p,
        1 => [-p[1], p[0]],
        2 => [-p[0], -p[1]],
        _ => [p[1], -p[0]],
    };
    let places = |kind: &str, pattern: &[[f64; 2]], n: usize, at: [f64; 2]| -> Vec<[f64; 2]> {
        if let Some(places) = end.get("places").and_then(|p| p.get(kind)) {
            return serde_json::from_value(places.clone()).unwrap();
        }
        let shots = pattern.iter().take(n).map(|p| turn(*p));
        shots
            .map(|p| [scatter * p[0] + at[0], scatter * p[1] + at[1]])
            .collect()
    };
    let state = get("state").unwrap_or_else(|| json!("confirmed"));
    let mut entries = Vec::new();
    for (kind, pattern, n, at) in [
        ("fletched", &FLETCHED, counts[0], [0.0, 0.0]),
        ("bare", &BARE, counts[1], offset),
    ] {
        for (nth, place) in places(kind, pattern, n, at).iter().enumerate() {
            let mut entry = json!({
                "id": entries.len() + 1, "kind": kind, "state": state, "source": "tape", "confidence": 0.95,
                "x_mm": place[0], "y_mm": place[1], "cov_mm2": [[4.0, 0.0], [0.0, 4.0]],
                "arrow": format!("{}{}", if kind == "bare" { "B" } else { "F" }, nth + 1)
            });
            if let Some(lean) = get("lean").filter(|_| kind == "bare") {
                entry["lean"] = json!({"right_deg": lean[0], "up_deg": lean[1], "sd_deg": 0.4});
            } else if get("lean").is_some() {
                entry["lean"] = json!({"right_deg": 0.0, "up_deg": 0.0, "sd_deg": 0.4});
            }
            entries.push(entry);
        }
    }
    let mut session = json!({
        "archer": "A", "hand": "right", "date": "2026-05-03", "end": number, "setup": setup, "distance_m": distance
    });
    for key in ["hand", "checked", "date"] {
        if let Some(value) = get(key) {
            session[key] = value;
        }
    }
    serde_json::from_value(json!({
        "schema": "bossmark/end/1", "photo": null, "camera": null, "face": {"name": "wa-80", "diameter_mm": 800.0},
        "entries": entries, "session": session, "missed": get("missed").unwrap_or_else(|| json!([]))
    }))
    .unwrap()
}

fn history(situation: &Value) -> History {
    let defaults = situation.get("all").cloned().unwrap_or_else(|| json!({}));
    let ends = situation["ends"].as_array().unwrap();
    let filed = (1_u64..).zip(ends).map(|(number, end)| RecordFile {
        file: format!("{number}.end.json"),
        line: 1,
        end: record(end, number, &defaults),
    });
    History::new(filed.collect())
}

/// A word or one of several of a list.
fn is_one_of(wanted: &Value, value: &str) -> bool {
    match wanted {
        Value::Array(all) => all.iter().any(|w| w == value),
        one => one == value,
    }
}

fn faults(situation: &Value, advice: &Advice) -> Vec<String> {
    let json = serde_json::to_value(advice).unwrap();
    let next = &json["next"];
    let locale = Locale::default();
    let said = format!(
        "{}\n{}",
        brief(advice, locale),
        plain::advice(advice, locale)
    );
    let flat = said
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .to_lowercase();
    let mut faults = Vec::new();
    let mut fault = |text: String| faults.push(text);
    let words = brief(advice, locale).split_whitespace().count();
    if words > 120 {
        fault(format!("a short answer of {words} words"));
    }
    for (key, value) in [("kind", &next["kind"]), ("change", &next["change"])] {
        if let Some(wanted) = situation.get(key)
            && !is_one_of(wanted, value.as_str().unwrap_or("-"))
        {
            fault(format!("{key} {value} instead of {wanted}"));
        }
    }
    let amount = next["amount"].as_f64().unwrap_or(0.0);
    if situation
        .get("sign")
        .is_some_and(|s| s.as_f64().unwrap() * amount <= 0.0)
    {
        fault(format!("amount {amount}"));
    }
    if situation
        .get("most")
        .is_some_and(|m| amount.abs() > m.as_f64().unwrap() + 1e-9)
    {
        fault(format!("amount {amount} is too much"));
    }
    if situation
        .get("at_m")
        .is_some_and(|m| m != &next["distance_m"])
    {
        fault(format!("from {} m", next["distance_m"]));
    }
    let codes = |v: &Value| -> Vec<String> {
        let all = v.as_array().into_iter().flatten();
        all.filter_map(|g| g.get("code").unwrap_or(g).as_str().map(str::to_owned))
            .collect()
    };
    for (key, have) in [
        ("gates", codes(&next["gates"])),
        ("checks", codes(&next["checks"])),
    ] {
        for wanted in situation
            .get(key)
            .and_then(Value::as_array)
            .into_iter()
            .flatten()
        {
            if !have.iter().any(|h| h == wanted) {
                fault(format!("{key} {have:?} lack {wanted}"));
            }
        }
    }
    if situation.get("no_gates").is_some() && !codes(&next["gates"]).is_empty() {
        fault(format!("gates {:?}", codes(&next["gates"])));
    }
    let words = |key: &str| {
        situation
            .get(key)
            .and_then(Value::as_array)
            .cloned()
            .unwrap_or_default()
    };
    for word in words("must") {
        if !flat.contains(&word.as_str().unwrap().to_lowercase()) {
            fault(format!("doesn't say {word}"));
        }
    }
    for word in words("must_not") {
        if flat.contains(&word.as_str().unwrap().to_lowercase()) {
            fault(format!("says {word}"));
        }
    }
    let done = next["kind"] == "done";
    if json["done"] != done {
        fault(format!(
            "done is {} and kind {}",
            json["done"], next["kind"]
        ));
    }
    if next["kind"] == "irreversible" && next["gates"] != json!([]) {
        fault("a step that can't be undone before its gates".to_owned());
    }
    let words = brief(advice, locale).split_whitespace().count();
    if words > 130 {
        fault(format!("{words} words"));
    }
    faults
}

#[test]
fn every_situation_gets_the_step_that_its_evidence_permits() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/situations");
    let mut files: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|f| f.unwrap().path())
        .collect();
    files.sort();
    let (mut count, mut failed) = (0, Vec::new());
    for file in files {
        let theme: Vec<Value> = serde_json::from_str(&fs::read_to_string(&file).unwrap()).unwrap();
        for situation in &theme {
            count += 1;
            let advice = advise(&history(situation), &AdviceOptions::default());
            let found = faults(situation, &advice);
            if !found.is_empty() {
                let text = brief(&advice, Locale::default());
                let codes: Vec<&str> = advice.cautions.iter().map(|c| c.code.as_str()).collect();
                failed.push(format!(
                    "{} in {}: {}\n{text}{codes:?}\n",
                    situation["name"],
                    file.file_name().unwrap().to_string_lossy(),
                    found.join("; ")
                ));
            }
        }
    }
    assert!(count >= 60, "only {count} situations");
    assert!(
        failed.is_empty(),
        "{} of {count}\n{}",
        failed.len(),
        failed.join("\n")
    );
}
