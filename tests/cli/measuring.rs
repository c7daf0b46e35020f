//! Measuring photos: records, threads, marks by a person, output files.

use super::program::{program, run, sample, text};
use super::{folder, json_lines, names, put};
use serde_json::{Value, json};
use std::fs;

#[test]
fn measure_writes_json_only_and_the_session_is_in_the_record() {
    let folder = folder();
    let photo = folder.path().join("evening-1.jpg");
    fs::copy(sample("evening/evening-1.jpg"), &photo).expect("copied");
    put(
        &folder,
        "session.json",
        r#"{"schema": "bossmark/session/1", "face": "wa-80", "fletched": 3, "bare": 3,
        "session": {"archer": "A", "hand": "right", "distance_m": 30.0, "setup": {"point_gr": 100}}}"#,
    );
    let marked = folder.path().join("look.png");
    let stages = folder.path().join("stages");
    let ran = run(&[
        "measure",
        text(&photo),
        "--json",
        "--hand",
        "left",
        "--bow",
        "B",
        "--marked",
        text(&marked),
        "--debug-dir",
        text(&stages),
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let records = json_lines(&ran.stdout);
    let record = &records[0];
    assert_eq!(records.len(), 1);
    assert_eq!(record["schema"], "bossmark/end/1");
    assert_eq!(record["photo"]["file"], "evening-1.jpg");
    let session = &record["session"];
    assert_eq!(
        (&session["hand"], &session["archer"], &session["end"]),
        (&json!("left"), &json!("A"), &json!(1))
    );
    assert_eq!(
        (&session["setup"]["bow"], &session["setup"]["point_gr"]),
        (&json!("B"), &json!(100.0))
    );
    assert!(!record["entries"].as_array().expect("entries").is_empty());
    assert!(
        fs::read(&marked)
            .expect("marked photo")
            .starts_with(b"\x89PNG")
    );
    let mut pictures: Vec<String> = fs::read_dir(&stages)
        .expect("stages")
        .map(|e| e.expect("item").file_name().into_string().expect("UTF-8"))
        .collect();
    pictures.sort();
    assert_eq!(
        pictures,
        [
            "01-upright.png",
            "02-edges.png",
            "03-rectified.png",
            "04-shafts.png",
            "05-result.png"
        ]
    );
}

/// Two points that a person marks one above the other, in the record and against the other signs.
#[test]
fn up_is_what_a_person_marks() {
    let photo = sample("odd/no-arrows.jpg");
    let measured = |up: &str| {
        let ran = run(&[
            "measure",
            text(&photo),
            "--face",
            "wa-122",
            "--up",
            up,
            "--json",
        ]);
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        json_lines(&ran.stdout).remove(0)
    };
    let notes = |record: &Value| -> Vec<(String, String)> {
        let said = |n: &Value, key: &str| n[key].as_str().expect("text").to_owned();
        let all = record["notes"].as_array().expect("notes");
        all.iter()
            .map(|n| (said(n, "code"), said(n, "text")))
            .collect()
    };
    let differs = |record: &Value| -> Vec<String> {
        let of_code = notes(record)
            .into_iter()
            .filter(|n| n.0 == "upright-differs");
        of_code.map(|n| n.1).collect()
    };
    // the truth's places of (0, -610) and (0, 610) mm
    let right = measured("625.95,709.59,629.29,240.08");
    assert_eq!(right["camera"]["upright"]["from"], "fused");
    assert!(differs(&right).is_empty());
    let shares = measured("0.48941,0.73968,0.49202,0.25060");
    let rotation = |r: &Value| {
        r["camera"]["face_to_camera"]["rotation"][0][0]
            .as_f64()
            .expect("number")
    };
    assert!((rotation(&right) - rotation(&shares)).abs() < 1e-4);
    // eight degrees off the paper's edges: the person's line is taken, and the paper named
    let askew = measured("658.7,707.4,595.9,242.1");
    let upright = &askew["camera"]["upright"];
    assert_eq!(upright["from"], "person");
    let sd = upright["sd_deg"].as_f64().expect("number");
    assert!((0.3..1.0).contains(&sd), "{sd}");
    let said = differs(&askew);
    assert!(
        said.iter()
            .any(|t| t.contains("the paper's edge") && t.contains("the line that was marked")),
        "{said:?}"
    );
    // the upper point first
    let reversed = measured("629.29,240.08,625.95,709.59");
    assert!(
        differs(&reversed)
            .iter()
            .any(|t| t.contains("the lower was the first"))
    );
    let near = measured("626,500,626,496");
    assert_eq!(near["camera"]["upright"]["from"], "paper-edge");
    assert!(notes(&near).iter().any(|n| n.0 == "upright-marks-unused"));
    for wrong in [
        vec![
            "measure",
            text(&photo),
            text(&photo),
            "--face",
            "wa-122",
            "--up",
            "1,2,3,4",
        ],
        vec!["measure", text(&photo), "--face", "wa-122", "--up", "1,2,3"],
        vec![
            "measure",
            text(&photo),
            "--face",
            "wa-122",
            "--up",
            "1,2,3,4",
            "--points",
            "p.json",
        ],
    ] {
        let ran = run(&wrong);
        assert_eq!(ran.status, 2, "{wrong:?}");
        assert!(ran.stderr.contains("--up"), "{}", ran.stderr);
    }
}

#[test]
fn the_same_photo_gives_the_same_bytes_with_1_and_8_threads() {
    let photo = sample("student/student-1.jpg");
    let with = |threads: &str| {
        let output = program()
            .args(["measure", text(&photo), "--json"])
            .env("RAYON_NUM_THREADS", threads)
            .output()
            .expect("the program runs");
        assert_eq!(output.status.code(), Some(0));
        output.stdout
    };
    let one = with("1");
    assert!(!one.is_empty());
    assert_eq!(one, with("8"));
    assert_eq!(one, with("1"));
}

#[test]
fn out_writes_a_whole_file_or_none() {
    let folder = folder();
    let photo = sample("odd/no-face.jpg");
    let out = folder.path().join("end.json");
    let ran = run(&[
        "measure",
        text(&photo),
        "--face",
        "wa-80",
        "--out",
        text(&out),
    ]);
    assert_eq!((ran.status, ran.stdout.as_str()), (1, ""));
    assert!(fs::read_to_string(&out).expect("file").ends_with("}\n"));
    assert_eq!(names(&folder), ["end.json"], "nothing else stays");
    // a folder that isn't there, a folder in the place of the file, and a file that is something else
    let notes = put(&folder, "notes.txt", "mine");
    for (place, status) in [
        (folder.path().join("none/end.json"), 3),
        (folder.path().to_owned(), 3),
        (notes.clone(), 2),
    ] {
        let ran = run(&[
            "measure",
            text(&photo),
            "--face",
            "wa-80",
            "--out",
            text(&place),
        ]);
        assert_eq!(ran.status, status, "{}", ran.stderr);
    }
    assert_eq!(fs::read_to_string(&notes).expect("file"), "mine");
    assert_eq!(names(&folder), ["end.json", "notes.txt"]);
}
