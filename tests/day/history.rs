//! The history that a day's folder is read with.

use super::program::{Ran, run, text};
use super::{folder, lines, put, tape_end};
use serde_json::json;
use std::fs;

#[test]
fn records_below_a_folder_are_the_history() {
    let season = folder();
    for (n, (day, clicks, x)) in [
        ("2026-04-05", 0, 140.0),
        ("2026-04-12", 0, 150.0),
        ("2026-04-19", 2, 90.0),
        ("2026-05-03", 2, 80.0),
    ]
    .into_iter()
    .enumerate()
    {
        let session = json!({"hand": "right", "distance_m": 30.0, "date": day, "end": n + 1,
            "setup": {"bow": "b", "plunger_clicks": clicks}});
        put(
            season.path(),
            &format!("{}/{day}/1.end.json", &day[..7]),
            tape_end(x, session).to_string(),
        );
    }
    let other = tape_end(
        0.0,
        json!({"hand": "right", "date": "2026-01-01", "setup": {"bow": "=another"}}),
    );
    put(season.path(), "other.end.json", other.to_string());
    let ran = run(&["history", text(season.path())]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(ran.stderr.contains("1 other bow"), "{}", ran.stderr);
    for words in [
        "Set-up 2: plunger 2 clicks stiffer",
        "2026-04-05",
        "mean radius",
    ] {
        assert!(ran.stdout.contains(words), "{words}: {}", ran.stdout);
    }
    let ran = run(&["history", text(season.path()), "--compare", "1,2", "--json"]);
    let compared = &lines(&ran.stdout)[0];
    assert_eq!(compared["changes"][0]["setting"], "plunger_clicks");
    let moved = compared["moved"]["x_mm"].as_f64().expect("moved");
    assert!(
        (-80.0..-35.0).contains(&moved),
        "145 to 85 mm, drawn in by the prior: {moved}"
    );
    assert_eq!(
        run(&["history", text(season.path()), "--compare", "1,5"]).status,
        2
    );

    // everything as a table, formulas defused
    let table = season.path().join("all.csv");
    let drawing = season.path().join("trend.svg");
    let ran = run(&[
        "history",
        text(season.path()),
        "--csv",
        text(&table),
        "--svg",
        text(&drawing),
        "--dates",
        "mdy",
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let table = fs::read_to_string(&table).expect("table");
    assert_eq!(table.matches("\r\n").count(), 1 + 5 * 6);
    assert!(table.contains(",'=another,"));
    let drawing = fs::read_to_string(&drawing).expect("drawing");
    assert!(drawing.contains("April 5, 2026") && drawing.contains("</svg>"));

    // the day's advice knows the season, its report shows the trend and only its own day
    let day = season.path().join("2026-05/2026-05-03");
    let report = season.path().join("r.html");
    let ran = run(&[
        "day",
        text(&day),
        "--history",
        text(season.path()),
        "--report",
        text(&report),
        "--json",
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert_eq!(lines(&ran.stdout).len(), 1);
    let page = fs::read_to_string(&report).expect("report");
    assert!(page.contains("Over the dates") && page.contains("1 end of earlier days"));
    assert!(
        page.contains("plunger, clicks"),
        "learned from the change before"
    );
    assert!(
        !page.contains("Set-up 1:"),
        "an earlier set-up isn't said again"
    );
    let alone = run(&["advise", text(&day), "--json"]);
    let both = run(&["advise", text(season.path()), "--json"]);
    let learned = |ran: &Ran| {
        lines(&ran.stdout)[0]["learned"]
            .as_array()
            .expect("learned")
            .iter()
            .filter_map(|l| l["from_changes"].as_u64())
            .sum::<u64>()
    };
    assert_eq!((learned(&alone), learned(&both)), (0, 1));
}
