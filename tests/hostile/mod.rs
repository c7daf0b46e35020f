//! What reads bytes from others, each as one function of bytes: for mutations here, and for fuzzing (`fuzz/`).

#![allow(dead_code, reason = "each user needs a part of it")]

use bossmark::face::spec::{FaceSpec, by_name};
use bossmark::lens::LensProfile;
use bossmark::manual_points::Points;
use bossmark::photo;
use bossmark::record::{SessionFile, canonical, parse_records, tape};
use bossmark::review::{Edits, apply};
use bossmark::server::{App, Guard, InitialState, Request};
use std::sync::{Arc, OnceLock};

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
    file.extend(
        include_bytes!("../../tests/chessboard/left01.jpg")
            .iter()
            .skip(2),
    );
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

/// A request to the page: first line, header fields, an empty line, the body.
pub(crate) fn request(bytes: &[u8]) {
    static PAGE: OnceLock<Arc<App>> = OnceLock::new();
    let page = PAGE.get_or_init(|| App::new(Guard::local(4117), InitialState::default()));
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
