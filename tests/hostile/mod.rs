//! What reads bytes from others, each as one function of bytes: for mutations here, and for fuzzing (`fuzz/`).

#![allow(dead_code, reason = "each user needs a part of it")]

use bossmark::advice::{AdviceOptions, advise};
use bossmark::face::spec::{FaceSpec, by_name};
use bossmark::lens::LensProfile;
use bossmark::manual_points::Points;
use bossmark::measure::MeasureOptions;
use bossmark::photo;
use bossmark::record::{
    History, ParsedRecord, RecordFile, Session, SessionFile, canonical, parse_records, tape,
};
use bossmark::report::csv;
use bossmark::review::{Edits, apply};
use bossmark::server::{App, EndSource, Guard, InitialState, Request};
use bossmark::text::{Locale, plain};
use bossmark::timeline::readings;
use std::fs;
use std::path::Path;
use std::sync::OnceLock;

/// A photo of any format.
pub(crate) fn photo(bytes: &[u8]) {
    let _ = photo::facts(bytes);
    if let Ok(photo) = photo::open(bytes) {
        assert_eq!((photo.width, photo.height), photo.pixels.dimensions());
    }
}

/// An EXIF block, within a photo whose pixels are sound.
pub(crate) fn exif(bytes: &[u8]) {
    let block = bytes.get(..65_000).unwrap_or(bytes);
    let length = u16::try_from(block.len() + 8).unwrap_or(u16::MAX);
    let mut file = vec![0xFF, 0xD8, 0xFF, 0xE1];
    file.extend(length.to_be_bytes());
    file.extend(b"Exif\0\0");
    file.extend(block);
    file.extend(small_picture(image::ImageFormat::Jpeg).iter().skip(2));
    let _ = photo::facts(&file);
}

/// Records; what can be read can be written, and read again as the same.
pub(crate) fn records(bytes: &[u8]) {
    for record in parse_records(bytes).into_iter().flatten() {
        let Ok(written) = canonical::to_bytes(&record.end) else {
            continue;
        };
        let again = parse_records(&written)
            .expect("what was written")
            .remove(0)
            .end;
        let third = canonical::to_bytes(&again).expect("bytes");
        assert!(third == written, "written twice");
    }
}

/// A session file, and a set-up file.
pub(crate) fn session(bytes: &[u8]) {
    let _ = SessionFile::parse(bytes);
    let _ = SessionFile::parse_setup(bytes);
}

/// A list of edits, and a record that they are made on.
pub(crate) fn edits(bytes: &[u8]) {
    const RECORD: &[u8] = br#"{"schema": "bossmark/end/1", "entries": [{"id": 1, "x_mm": 1, "y_mm": 2, "kind": "bare"}]}"#;
    if let Ok(edits) = Edits::parse(bytes) {
        let end = parse_records(RECORD).expect("record").remove(0).end;
        if let Ok(new) = apply(&end, &edits.edits) {
            let _ = canonical::to_bytes(&new);
        }
    }
}

/// A lens profile.
pub(crate) fn lens(bytes: &[u8]) {
    let _ = LensProfile::parse(bytes);
}

/// A face file.
pub(crate) fn face(bytes: &[u8]) {
    let _ = FaceSpec::parse(&String::from_utf8_lossy(bytes));
}

/// Marked points, as JSON or as a table.
pub(crate) fn points(bytes: &[u8]) {
    if let Some(face) = by_name("wa-80") {
        let _ = Points::parse(bytes, face);
    }
}

/// A table of places measured by hand.
pub(crate) fn tape_table(bytes: &[u8]) {
    let _ = tape::parse(&String::from_utf8_lossy(bytes), 1.0);
}

/// Records, what their groups say, the next change, and the report's table.
pub(crate) fn history(bytes: &[u8]) {
    let file = |parsed: ParsedRecord| RecordFile {
        file: "a.end.json".to_owned(),
        line: parsed.line,
        end: parsed.end,
    };
    let Ok(parsed) = parse_records(bytes) else {
        return;
    };
    let records: Vec<RecordFile> = parsed.into_iter().map(file).collect();
    let (read, _left_out) = readings(records.clone());
    for run in &read {
        let words = plain::reading(&run.reading, Locale::default());
        assert!(!words.is_empty());
    }
    let ends = records.iter().map(|r| (r.file.as_str(), &r.end));
    assert!(!csv::entries(ends).is_empty());
    let advice = advise(&History::new(records), &AdviceOptions::default());
    assert!(!plain::advice(&advice, Locale::default()).is_empty());
}

/// Requests to a page with a record and a photo, one after the other, with a line `----` between them. Each: first line, header
/// fields, an empty line, the body.
pub(crate) fn request(bytes: &[u8]) {
    let folder = page_folder();
    let page = App::new(Guard::local(4117), page_of(folder));
    let mut from = 0;
    for _ in 0..8 {
        let rest = &bytes[from..];
        let end = rest.windows(6).position(|w| w == b"\n----\n");
        one_request(&page, &rest[..end.unwrap_or(rest.len())]);
        match end {
            Some(end) => from += end + 6,
            None => break,
        }
    }
}

/// The folder of the page, with the same files each time.
fn page_folder() -> &'static Path {
    static FOLDER: OnceLock<tempfile::TempDir> = OnceLock::new();
    const RECORD: &[u8] = br#"{"schema": "bossmark/end/1", "face": {"name": "wa-80", "diameter_mm": 800.0},
        "session": {"hand": "right", "distance_m": 30, "date": "2026-05-03", "end": 1, "setup": {"point_gr": 100}},
        "entries": [{"id": 1, "x_mm": 1, "y_mm": 2, "kind": "bare"}, {"id": 2, "x_mm": -9, "y_mm": 12, "kind": "fletched", "confidence": 0.7}]}"#;
    let folder = FOLDER
        .get_or_init(|| tempfile::tempdir().expect("folder"))
        .path();
    for item in fs::read_dir(folder).expect("folder").flatten() {
        let _ = fs::remove_file(item.path());
    }
    fs::write(folder.join("a.end.json"), RECORD).expect("written");
    let photo = small_picture(image::ImageFormat::Png);
    fs::write(folder.join("b.png"), photo).expect("written");
    folder
}

fn page_of(folder: &Path) -> InitialState {
    let end = |photo: Option<&str>, record: &str| EndSource {
        photo: photo.map(|name| folder.join(name)),
        record: folder.join(record).into(),
        session: Session::default(),
        face: by_name("wa-80").cloned(),
        measuring: MeasureOptions::default(),
    };
    InitialState {
        ends: vec![end(None, "a.end.json"), end(Some("b.png"), "b.end.json")],
        folder: folder.to_owned(),
        session_file: folder.join("session.json"),
        ..InitialState::default()
    }
}

/// A plain picture of 40 × 30 px.
fn small_picture(format: image::ImageFormat) -> Vec<u8> {
    let mut bytes = std::io::Cursor::new(Vec::new());
    let picture = image::DynamicImage::new_rgb8(40, 30);
    picture.write_to(&mut bytes, format).expect("picture");
    bytes.into_inner()
}

fn one_request(page: &App, bytes: &[u8]) {
    let head_end = bytes.windows(2).position(|w| w == b"\n\n");
    let (head, body) = bytes.split_at(head_end.unwrap_or(bytes.len()));
    let head = String::from_utf8_lossy(head);
    let mut lines = head.lines();
    let mut first = lines.next().unwrap_or_default().split(' ');
    let mut request = Request {
        method: first.next().unwrap_or_default().to_owned(),
        path: first.next().unwrap_or_default().to_owned(),
        body: body.get(2..).unwrap_or_default().to_vec(),
        ..Request::default()
    };
    for (name, value) in lines.filter_map(|l| l.split_once(": ")) {
        request
            .headers
            .insert(name.to_ascii_lowercase(), value.to_owned());
    }
    // what is uploaded goes to the disk: that has tests of its own
    if request.path != "/api/photos" && request.path != "/api/remember" {
        let answer = page.answer(&request);
        assert!((200..600).contains(&answer.status));
    }
}
