//! `bossmark lens` and `measure --lens` as their users meet them.

#![allow(clippy::unwrap_used, reason = "helpers of tests may panic")]

mod program;

use bossmark::lens::{CameraKey, LensProfile};
use bossmark::photo;
use program::{bossmark, text};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

#[test]
fn the_sheet_is_printed_or_written() {
    let folder = tempfile::tempdir().unwrap();
    let (status, out, _) = bossmark(&["lens", "sheet", "--paper", "letter"]);
    assert!(status == 0 && out.starts_with("<svg") && out.contains("279.4mm"));
    let path = folder.path().join("sheet.svg");
    let (status, out, said) = bossmark(&["lens", "sheet", "--out", text(&path)]);
    assert!(
        status == 0 && out.is_empty() && said.contains("100 %"),
        "{said}"
    );
    assert!(std::fs::read_to_string(&path).unwrap().contains("297mm"));
    let (status, out, _) = bossmark(&["lens", "sheet", "--json"]);
    let document: Value = serde_json::from_str(&out).unwrap();
    assert!(status == 0 && document["square_mm"] == json!(20.0));
    assert_eq!(bossmark(&["lens", "sheet", "--paper", "a3"]).0, 2);
}

#[test]
fn photos_become_a_profile_or_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let boards: Vec<String> = ["01", "02", "03", "05", "07"]
        .iter()
        .map(|n| format!("tests/chessboard/left{n}.jpg"))
        .collect();
    let boards: Vec<&str> = boards.iter().map(String::as_str).collect();
    let out = folder.path().join("cam.lens.json");
    let mut words = vec!["lens", "fit", "--out", text(&out), "--name", "old camera"];
    words.extend(&boards);
    words.push("sample-photos/odd/no-face.jpg");
    let (status, stdout, said) = bossmark(&words);
    assert_eq!(status, 0, "{said}");
    assert!(
        stdout.is_empty() && said.contains("Focal length") && said.contains("not used"),
        "{said}"
    );
    let profile = LensProfile::parse(&std::fs::read(&out).unwrap()).unwrap();
    assert_eq!(
        (profile.name.as_str(), profile.board),
        ("old camera", Some([9, 6]))
    );
    // without the word, too few: told in full, exit 1, and the good profile stays
    let (status, stdout, said) = bossmark(&["lens", boards[0], boards[1], "--out", text(&out)]);
    assert!(
        status == 1 && stdout.is_empty() && said.contains("no profile was written"),
        "{said}"
    );
    assert_eq!(
        LensProfile::parse(&std::fs::read(&out).unwrap()).unwrap(),
        profile
    );
    let (status, stdout, _) = bossmark(&["lens", boards[0], "--json"]);
    let document: Value = serde_json::from_str(&stdout).unwrap();
    assert!(
        status == 1
            && document["failure"]["code"] == json!("too-few")
            && document["lens"].is_null()
    );
    // a file that is no photo: the others are used all the same, exit 3
    let bad = folder.path().join("bad.jpg");
    std::fs::write(&bad, b"no photo").unwrap();
    words[3] = "-";
    words.push(text(&bad));
    let (status, stdout, said) = bossmark(&words);
    assert!(
        status == 3 && stdout.contains("\"f_px\"") && said.contains("bad.jpg"),
        "{said}"
    );
    assert_eq!(bossmark(&["lens"]).0, 2);
}

#[test]
fn measure_picks_the_photo_s_own_profile() {
    let folder = tempfile::tempdir().unwrap();
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos/evening/evening-2.jpg");
    let copy = folder.path().join("a.jpg");
    std::fs::copy(&source, &copy).unwrap();
    let photo = photo::open(&std::fs::read(&source).unwrap()).unwrap();
    let key = CameraKey::of(&photo);
    assert!(
        key.focal_35mm.is_some(),
        "the sample photo says what took it"
    );
    let put = |name: &str, title: &str, camera: &CameraKey| -> PathBuf {
        let (w, h) = (f64::from(key.width_px), f64::from(key.height_px));
        let f = photo.focal_from_exif_px().unwrap();
        let profile = json!({
            "schema": "bossmark/lens/1", "name": title, "camera": camera, "bossmark": "0.1.0",
            "lens": {"f_px": f, "cx_px": 0.5 * w, "cy_px": 0.5 * h, "k1": 0.0, "k2": 0.0}
        });
        let path = folder.path().join(name);
        std::fs::write(&path, profile.to_string()).unwrap();
        path
    };
    let mut of_another = key.clone();
    of_another.focal_35mm = Some(77.0);
    let other = put("other.lens.json", "of another", &of_another);
    let own = put("own.lens.json", "own", &key);
    let measured = |words: &[&str]| -> (i32, Value) {
        let mut all = vec!["measure", text(&copy), "--face", "wa-80", "--json"];
        all.extend(words);
        let (status, out, said) = bossmark(&all);
        (
            status,
            serde_json::from_str(&out).unwrap_or_else(|_| json!(said)),
        )
    };
    // beside the photo: both lie there, its own is taken; the sample photo says make and model, or it must be named
    let named = key.make.is_none() || key.model.is_none();
    if !named {
        let (_, end) = measured(&[]);
        assert_eq!(end["camera"]["lens_profile"], json!("own"));
        assert_eq!(end["camera"]["focal_from"], json!("profile"));
    }
    let (status, end) = measured(&["--lens", text(&own)]);
    assert_eq!((status, &end["camera"]["lens_profile"]), (0, &json!("own")));
    let (status, end) = measured(&["--lens", text(&other)]);
    assert_eq!((status, &end["camera"]["lens_profile"]), (0, &Value::Null));
    assert!(
        end["notes"].to_string().contains("lens-other"),
        "{}",
        end["notes"]
    );
    // the session file may name it; a missing one is told
    let session = folder.path().join("session.json");
    std::fs::write(
        &session,
        r#"{"schema": "bossmark/session/1", "lens": "own.lens.json"}"#,
    )
    .unwrap();
    let (_, end) = measured(&[]);
    assert_eq!(end["camera"]["lens_profile"], json!("own"));
    std::fs::write(
        &session,
        r#"{"schema": "bossmark/session/1", "lens": "none.lens.json"}"#,
    )
    .unwrap();
    let (status, _) = measured(&[]);
    assert_eq!(status, 3);
}

/// The page measures with the same choice of profile as `measure` does.
#[test]
fn the_page_picks_the_photo_s_own_profile() {
    let folder = tempfile::tempdir().unwrap();
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos/evening/evening-2.jpg");
    let bytes = std::fs::read(&source).unwrap();
    std::fs::write(folder.path().join("a.jpg"), &bytes).unwrap();
    let photo = photo::open(&bytes).unwrap();
    let key = CameraKey::of(&photo);
    let profile = json!({
        "schema": "bossmark/lens/1", "name": "own", "camera": key, "bossmark": "0.1.0",
        "lens": {"f_px": photo.focal_from_exif_px().unwrap(), "cx_px": 0.5 * f64::from(key.width_px),
                 "cy_px": 0.5 * f64::from(key.height_px), "k1": 0.0, "k2": 0.0}
    });
    let path = folder.path().join("own.lens.json");
    std::fs::write(&path, profile.to_string()).unwrap();
    let mut page = std::process::Command::new(env!("CARGO_BIN_EXE_bossmark"))
        .args([
            "confirm",
            "--face",
            "wa-80",
            "--no-open",
            "--lens",
            text(&path),
        ])
        .arg(folder.path())
        .stderr(std::process::Stdio::null())
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let record = folder.path().join("a.end.json");
    let written = (0..1200).any(|_| {
        std::thread::sleep(std::time::Duration::from_millis(100));
        record.exists()
    });
    page.kill().unwrap();
    page.wait().unwrap();
    assert!(written, "the page has measured the photo");
    let end: Value = serde_json::from_slice(&std::fs::read(&record).unwrap()).unwrap();
    assert_eq!(end["camera"]["lens_profile"], json!("own"));
}
