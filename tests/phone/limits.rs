//! What a phone has little of: memory and room.

use super::{add, answer_questions, measured, on_a_new_phone, sample, site};
use crate::webdriver::Browser;
use image::imageops::FilterType;
use std::collections::BTreeSet;
use std::path::Path;
use std::time::{Duration, Instant};

/// Most bytes of the compiled program with its nets, compressed (gzip): what it has now. The goal is 2.5 MB; brotli, which some hosts
/// have, reaches it (2.46 MB). The nets' weights alone are 1.5.
const MAX_BYTES: u64 = 2_900_000;
/// Most memory that belongs to the page alone while a photo of 12 megapixels is decoded, measured and shown, bytes.
const MAX_MEMORY: u64 = 500 << 20;

#[test]
fn the_program_is_small() {
    let Some(site) = site() else { return };
    let file = site.join("bossmark-simd.wasm.gz");
    let bytes = std::fs::metadata(&file).expect("the program").len();
    println!("{}: {bytes} bytes", file.display());
    assert!(bytes <= MAX_BYTES, "{bytes}");
}

/// The processes that show pages.
fn renderers(b: &Browser) -> Vec<u32> {
    let mut parents = Vec::new();
    for folder in std::fs::read_dir("/proc").into_iter().flatten().flatten() {
        let Some(id) = folder.file_name().to_str().and_then(|n| n.parse().ok()) else {
            continue;
        };
        let status = std::fs::read_to_string(folder.path().join("stat")).unwrap_or_default();
        let after_name = status.rsplit(") ").next().unwrap_or_default();
        let parent = after_name.split(' ').nth(1).and_then(|p| p.parse().ok());
        parents.extend(parent.map(|p: u32| (id, p)));
    }
    let mut own = BTreeSet::from([b.process_id()]);
    loop {
        let children = parents.iter().filter(|(_, p)| own.contains(p));
        let children: Vec<u32> = children.map(|(id, _)| *id).collect();
        let before = own.len();
        own.extend(children);
        if own.len() == before {
            break;
        }
    }
    let shows_pages = |id: &u32| {
        let words = std::fs::read_to_string(format!("/proc/{id}/cmdline"));
        words.is_ok_and(|w| w.contains("--type=renderer"))
    };
    own.into_iter().filter(shows_pages).collect()
}

/// Memory that belongs to a process alone, bytes.
fn own_memory(id: u32) -> u64 {
    let text = std::fs::read_to_string(format!("/proc/{id}/smaps_rollup")).unwrap_or_default();
    let private = text.lines().filter(|l| l.starts_with("Private_"));
    let kilobytes = private.filter_map(|l| l.split_whitespace().nth(1)?.parse::<u64>().ok());
    kilobytes.sum::<u64>() << 10
}

/// Waits, and returns the most memory that a page had meanwhile, bytes.
fn most_memory_until(b: &Browser, expression: &str) -> u64 {
    let pages = renderers(b);
    assert!(!pages.is_empty(), "no process shows the page");
    let (start, mut most) = (Instant::now(), 0);
    while b.js(&format!("return Boolean({expression})")) != true {
        assert!(start.elapsed() < Duration::from_secs(120), "{expression}");
        most = most.max(pages.iter().map(|id| own_memory(*id)).max().unwrap_or(0));
        std::thread::sleep(Duration::from_millis(10));
    }
    most
}

const SHOWN: &str = "window.bossmark?.queue.ends.length === 1 && ['open', 'confirmed'].includes(bossmark.queue.ends[0].state) && bossmark.photo.whole";

#[test]
fn a_photo_of_12_megapixels_takes_little_memory() {
    if !Path::new("/proc/self/smaps_rollup").exists() {
        println!("no figures of memory on this system");
        return;
    }
    let Some((_profile, _host, b)) = on_a_new_phone() else {
        return;
    };
    add(&b, &sample("evening/evening-1.jpg"), 1);
    answer_questions(&b);
    let most = most_memory_until(&b, SHOWN);
    println!("memory of the page alone: {} MiB", most >> 20);
    assert!(most <= MAX_MEMORY, "{} MiB", most >> 20);
}

/// Larger photos are reduced when they are taken over, and measured.
#[test]
fn photos_of_24_and_48_megapixels_are_reduced() {
    let photo = image::open(sample("evening/evening-1.jpg")).expect("photo");
    for larger in [2u32, 4] {
        let Some((profile, _host, b)) = on_a_new_phone() else {
            return;
        };
        let side = |px: u32| (px * px * larger).isqrt();
        let [width, height] = [photo.width(), photo.height()].map(side);
        let large = photo.resize_exact(width, height, FilterType::Triangle);
        let file = profile.path().join("large.jpg");
        large.into_rgb8().save(&file).expect("saved");
        add(&b, &file, 1);
        answer_questions(&b);
        measured(&b);
        let [width, height] = ["width", "height"].map(|side| {
            let side = b.js(&format!("return bossmark.end.view.record.photo.{side}_px"));
            side.as_u64().expect("a side")
        });
        assert!(
            (11_000_000..13_000_000).contains(&(width * height)),
            "{larger}: {width} × {height}"
        );
        assert_eq!(b.js("return bossmark.end.entries.length"), 6, "{larger}");
        assert_eq!(b.complaints(), Vec::<String>::new());
    }
}
