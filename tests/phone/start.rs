//! The page by itself is there at once: it waits neither for its program nor for much else.

use super::host::Host;
use super::{PHONE, sample, site};
use crate::webdriver::Browser;

/// Most bytes that the page needs before a photo can be chosen, uncompressed: 277 kB now, and a little more.
const MAX_FIRST_BYTES: usize = 300_000;
/// The page can be used after that time, ms.
const FIRST_USE_MS: f64 = 1000.0;
/// Times it is opened, each on a phone that has never seen it: the fastest counts, as a machine may have other work.
const TIMES: usize = 5;
/// Answers once a photo can be chosen and that is painted (the second frame from then begins after the first was painted): how long
/// that took from the address being opened, ms.
const USABLE: &str = "const done = arguments[0];
    const look = () => window.bossmark && document.getElementById('choose')
      ? requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now()))) : setTimeout(look, 5);
    look();";

/// Chooses a photo as a person does.
fn choose(b: &Browser) {
    let field = b.js("return document.getElementById('choose')");
    b.fill_file(&field, &sample("evening/evening-1.jpg"));
}

/// A photo that is chosen before the program has come is taken once it has.
#[test]
fn the_page_does_not_wait_for_its_program() {
    let Some(site) = site() else { return };
    let host = Host::start(&site);
    host.hold_programs_back(true);
    let Some(b) = Browser::start(PHONE) else {
        return;
    };
    b.open(&host.link());
    b.js_later(USABLE);
    let sent = host.sent();
    println!("bytes until a photo can be chosen: {sent}");
    assert!(sent <= MAX_FIRST_BYTES, "{sent}: {:?}", host.asked());
    choose(&b);
    assert!(b.js("return bossmark.queue.state").is_null());
    host.hold_programs_back(false);
    b.wait("bossmark.queue.ends.length === 1");
    assert!(host.only_reads(), "{:?}", host.asked());
}

/// From the address being opened until a photo can be chosen.
#[test]
#[ignore = "a timing: alone, on a quiet machine"]
fn a_photo_can_be_chosen_within_a_second() {
    let Some(site) = site() else { return };
    let host = Host::start(&site);
    let mut times = Vec::new();
    for _ in 0..TIMES {
        let Some(b) = Browser::start(PHONE) else {
            return;
        };
        b.open(&host.link());
        times.push(b.js_later(USABLE).as_f64().expect("ms"));
    }
    println!("until a photo can be chosen, ms: {times:.0?}");
    let fastest = times.iter().copied().fold(f64::INFINITY, f64::min);
    assert!(fastest <= FIRST_USE_MS, "{times:?}");
}
