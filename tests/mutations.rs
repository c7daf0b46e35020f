//! Thousands of files and requests that are nearly right: each is answered or refused, never with a panic.
//!
//! The seed is fixed, so that what fails once fails again; `BOSSMARK_MUTATIONS` multiplies the number of tries.

mod hostile;

use bossmark::math::SplitMix;
use std::panic::{AssertUnwindSafe, catch_unwind};

/// Values that programs get wrong, as text.
const ODD: [&str; 16] = [
    "0",
    "-0.0",
    "-1",
    "1e999",
    "-1e308",
    "1e-320",
    "18446744073709551616",
    "9223372036854775807",
    "null",
    "true",
    "\"\"",
    "[]",
    "{}",
    "[[[[[[[[]]]]]]]]",
    "\"\\ud800\"",
    "NaN",
];

/// One change of some bytes.
fn mutated(seed: &[u8], random: &mut SplitMix) -> Vec<u8> {
    let mut bytes = seed.to_vec();
    let below = |random: &mut SplitMix, n: usize| random.below(n.max(1));
    for _ in 0..=below(random, 3) {
        let at = below(random, bytes.len());
        let end = (at + 1 + below(random, 40)).min(bytes.len());
        match below(random, 8) {
            0 => bytes.truncate(at),
            1 | 2 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= 1 << below(random, 8);
                }
            }
            3 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte = [0, 0xFF, 0x7F, 0x80, b'"', b'\n'][below(random, 6)];
                }
            }
            4 => drop(bytes.drain(at..end)),
            5 => {
                let part = bytes.get(at..end).unwrap_or_default().to_vec();
                bytes.splice(at..at, part);
            }
            6 => {
                // a number or a word in a text becomes an odd one
                let is_value = |b: &u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'-');
                let start = bytes
                    .iter()
                    .skip(at)
                    .position(is_value)
                    .map_or(at, |k| at + k);
                let length = bytes.iter().skip(start).take_while(|b| is_value(b)).count();
                bytes.splice(start..start + length, ODD[below(random, ODD.len())].bytes());
            }
            _ => {
                // a length in a binary file
                for byte in bytes.iter_mut().skip(at).take(4) {
                    *byte = [0, 0xFF][below(random, 2)];
                }
            }
        }
    }
    bytes
}

fn try_all(name: &str, seeds: &[Vec<u8>], tries: usize, target: fn(&[u8])) {
    let factor = std::env::var("BOSSMARK_MUTATIONS")
        .ok()
        .and_then(|n| n.parse::<usize>().ok());
    let mut random = SplitMix::new(4117);
    for k in 0..tries * factor.unwrap_or(1) {
        let seed = &seeds[k % seeds.len()];
        let bytes = if k < seeds.len() {
            seed.clone()
        } else {
            mutated(seed, &mut random)
        };
        let held = catch_unwind(AssertUnwindSafe(|| target(&bytes)));
        if held.is_err() {
            let path = std::env::temp_dir().join(format!("bossmark-{name}-{k}"));
            let _ = std::fs::write(&path, &bytes);
            panic!(
                "{name}: try {k} panics, its bytes are in {}",
                path.display()
            );
        }
    }
}

fn file(name: &str) -> Vec<u8> {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    std::fs::read(root.join(name)).expect("file")
}

fn pictures() -> Vec<Vec<u8>> {
    use image::codecs::{jpeg::JpegEncoder, png::PngEncoder};
    use image::{ImageEncoder, Rgb, RgbImage};
    let picture = RgbImage::from_fn(40, 24, |x, y| {
        Rgb([x, 2 * y, x * y].map(|v| u8::try_from(v % 256).expect("byte")))
    });
    let exif = b"II*\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0\x06\0\0\0\0\0\0\0".to_vec();
    let (mut jpeg, mut png) = (Vec::new(), Vec::new());
    let mut encoder = JpegEncoder::new_with_quality(&mut jpeg, 80);
    encoder.set_exif_metadata(exif.clone()).expect("EXIF");
    picture.write_with_encoder(encoder).expect("JPEG");
    let mut encoder = PngEncoder::new(&mut png);
    encoder.set_exif_metadata(exif).expect("EXIF");
    encoder.set_icc_profile(vec![7; 300]).expect("profile");
    picture.write_with_encoder(encoder).expect("PNG");
    vec![jpeg, png]
}

#[test]
fn photos() {
    try_all("photo", &pictures(), 6_000, hostile::photo);
    let exif = b"MM\0*\0\0\0\x08\0\x02\x01\x12\0\x03\0\0\0\x01\0\x06\0\0\x87\x69\0\x04\0\0\0\x01\0\0\0\x26\0\0\0\0".to_vec();
    try_all("exif", &[exif], 500, hostile::exif);
}

#[test]
fn documents() {
    let record = r#"{"schema": "bossmark/end/1", "photo": {"file": "a.jpg", "sha256": "00", "width_px": 10, "height_px": 20, "taken": null},
        "face": {"name": "wa-80", "diameter_mm": 800.0}, "entries": [{"id": 1, "x_mm": 1.5, "y_mm": -2, "kind": "bare", "confidence": 0.9,
        "cov_mm2": [[1, 0], [0, 1]], "lean": {"right_deg": 1, "up_deg": 2, "sd_deg": 3}}], "missed": [{"kind": "bare"}],
        "session": {"hand": "left", "distance_m": 30, "date": "2026-05-03", "setup": {"point_gr": 100, "limits": {"point_gr": {"owned": [80]}}}}}"#;
    try_all(
        "records",
        &[record.into(), [record, record].join("\n").into()],
        12_000,
        hostile::records,
    );
    let session = r#"{"schema": "bossmark/session/1", "face": "wa-80", "fletched": 3, "session": {"hand": "right", "setup": {"plunger_clicks": 1}},
        "ends": [{"photo": "a.jpg", "end": 1}, {"setup": {"plunger_clicks": 2}, "note": "x"}]}"#;
    try_all(
        "session",
        &[
            session.into(),
            r#"{"point_gr": 100, "keep": ["plunger"]}"#.into(),
        ],
        12_000,
        hostile::session,
    );
    let edits = r#"{"schema": "bossmark/edits/1", "revision": 0, "edits": [{"do": "move", "id": 1, "x_mm": 12.0, "y_mm": -40.0},
        {"do": "add", "kind": "bare", "x_mm": 1, "y_mm": 2}, {"do": "remove", "id": 1}, {"do": "missed", "kind": "bare"}, {"do": "accept"},
        {"do": "session", "set": {"distance_m": 30, "setup": {"point_gr": null}}}]}"#;
    try_all("edits", &[edits.into()], 12_000, hostile::edits);
    try_all(
        "face",
        &[file("calibration/faces/wa-40-3spot.json")],
        4_000,
        hostile::face,
    );
    let lens = r#"{"schema": "bossmark/lens/1", "name": "a", "bossmark": "0.1.0"}"#;
    try_all("lens", &[lens.into()], 4_000, hostile::lens);
    let points = r#"{"schema": "bossmark/points/1", "points": [{"at": "centre", "px": [1, 2]}, {"mm": [1, 2], "px": [3, 4]}]}"#;
    let table = "at,x_mm,y_mm,x_px,y_px\r\ncentre,,,1,2\r\n,100,-50,3,4\r\n";
    try_all(
        "points",
        &[points.into(), table.into()],
        12_000,
        hostile::points,
    );
    try_all(
        "tape",
        &[bossmark::record::tape::TEMPLATE.into()],
        12_000,
        hostile::tape_table,
    );
}

#[test]
fn requests() {
    let own =
        "Host: 127.0.0.1:4117\nOrigin: http://127.0.0.1:4117\nContent-Type: application/json\n";
    let seeds: Vec<Vec<u8>> = [
        "GET / HTTP/1.1",
        "GET /web/core.js HTTP/1.1",
        "GET /api/queue HTTP/1.1",
        "GET /photo/1/whole HTTP/1.1",
        "POST /api/ends/1/edits HTTP/1.1",
        "POST /api/ends/1/undo HTTP/1.1",
        "POST /api/enter HTTP/1.1",
    ]
    .iter()
    .map(|first| format!("{first}\n{own}\n{{\"revision\": 0, \"code\": \"A\"}}").into_bytes())
    .collect();
    try_all("request", &seeds, 10_000, hostile::request);
}
