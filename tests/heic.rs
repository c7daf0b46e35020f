//! A phone's HEIC original measures like the JPEG: with the feature `heic` and Debian's `heif-enc` (libheif-examples).
#![cfg(feature = "heic")]

use bossmark::measure::{MeasureOptions, measure};
use bossmark::photo;
use bossmark::record::Session;
use std::fs;
use std::path::Path;
use std::process::Command;

fn sample() -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-photos/evening/evening-1.jpg");
    fs::read(path).expect("sample")
}

/// The same with an orientation that turns it by a quarter.
fn turned() -> Vec<u8> {
    let mut bytes = sample();
    // the orientation field, big-endian: tag, type, count, value (Exif 2.3, 4.6.4)
    let upright = [0x01, 0x12, 0, 3, 0, 0, 0, 1, 0, 1];
    let at = bytes
        .windows(10)
        .position(|w| w == upright)
        .expect("an orientation");
    bytes[at + 9] = 6;
    bytes
}

fn heic_of(jpeg: &[u8]) -> Vec<u8> {
    let folder = tempfile::tempdir().expect("temporary folder");
    let (from, to) = (folder.path().join("a.jpg"), folder.path().join("a.heic"));
    fs::write(&from, jpeg).expect("written");
    let ran = Command::new("heif-enc")
        .args(["-q", "92", "-p", "preset=ultrafast", "-o"])
        .args([&to, &from])
        .output()
        .expect("heif-enc of Debian's libheif-examples");
    assert!(
        ran.status.success(),
        "{}",
        String::from_utf8_lossy(&ran.stderr)
    );
    fs::read(to).expect("made")
}

/// The file with a turn of the container's own, as phones write it beside the EXIF orientation that says the same
/// (ISO/IEC 23008-12, 6.5.10: `irot`, quarters against the clock). `heif-enc` writes none; the description of the channels'
/// bits, which nobody needs here, gives its place in the item's properties.
fn with_turn(mut heic: Vec<u8>, quarters: u8) -> Vec<u8> {
    let at = heic
        .windows(4)
        .position(|w| w == b"pixi")
        .expect("a pixi box");
    heic[at..at + 4].copy_from_slice(b"irot");
    heic[at + 4] = quarters;
    heic
}

#[test]
fn a_heic_original_is_upright_and_keeps_its_facts() {
    let jpeg = turned();
    // orientation 6: a quarter with the clock
    let heic = with_turn(heic_of(&jpeg), 3);
    let (a, b) = (
        photo::open(&jpeg).expect("JPEG"),
        photo::open(&heic).expect("HEIC"),
    );
    assert_ne!(a.exif.orientation, 1, "it is stored turned");
    assert_eq!((a.width, a.height), (b.width, b.height));
    assert_eq!(a.exif.focal_35mm, b.exif.focal_35mm);
    assert_eq!(a.exif.taken_local, b.exif.taken_local);
    assert_eq!(photo::facts(&heic).expect("facts"), b.exif);
    let apart: f64 = a
        .pixels
        .as_raw()
        .iter()
        .zip(b.pixels.as_raw())
        .map(|(a, b)| f64::from(a.abs_diff(*b)))
        .sum();
    let bytes: f64 = a.pixels.as_raw().iter().map(|_| 1.0).sum();
    assert!(
        apart / bytes < 8.0,
        "the same picture, the same way up: {}",
        apart / bytes
    );
}

#[test]
fn a_heic_original_is_measured_like_the_jpeg() {
    let jpeg = sample();
    let heic = heic_of(&jpeg);
    let face = bossmark::face::spec::by_name("wa-80").expect("face");
    let mut entries = [jpeg, heic].map(|bytes| {
        let session = Session::default();
        let measured = measure(
            &bytes,
            "a",
            face,
            session,
            &MeasureOptions::default(),
            &mut |_| {},
        )
        .expect("measured");
        measured.end.entries
    });
    for list in &mut entries {
        list.retain(|e| e.confidence.is_some_and(|c| c > 0.9));
    }
    let [a, b] = entries;
    assert_eq!(a.len(), b.len());
    for one in &a {
        let near = b
            .iter()
            .map(|e| (e.x_mm - one.x_mm).hypot(e.y_mm - one.y_mm))
            .fold(f64::INFINITY, f64::min);
        assert!(near < 3.0, "entry {} is {near} mm away", one.id);
    }
}

#[test]
fn what_is_no_heic_is_told() {
    let mut broken = heic_of(&turned());
    broken.truncate(600);
    assert!(photo::open(&broken).is_err());
    assert!(photo::open(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic").is_err());
}
