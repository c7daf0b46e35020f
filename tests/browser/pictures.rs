//! The README's pictures of the page, taken of the sample evening as the program measures it. Run with
//! `cargo test --release --test browser -- --ignored pictures`.

use super::webdriver::{Browser, Screen};
use super::{PHONE, Program, ready, sample, settled};
use std::fs;
use std::path::Path;

#[test]
#[ignore = "draws pictures that are kept: run it when the page looks different"]
fn pictures() {
    let program = Program::with(
        |folder| {
            for item in fs::read_dir(sample("evening")).expect("photos") {
                let path = item.expect("a file").path();
                fs::copy(&path, folder.join(path.file_name().expect("name"))).expect("copied");
            }
        },
        &[],
    );
    let small_laptop = Screen {
        width: 1280,
        height: 860,
        touch: false,
        dark: false,
    };
    let save = |b: &Browser, name: &str| {
        let bytes = b.jpeg(82);
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/pictures");
        fs::write(path.join(name), bytes).expect("written");
    };
    let Some(b) = Browser::start(small_laptop) else {
        return;
    };
    b.open(&program.link);
    b.wait(
        "bossmark.queue.ends.length === 7 && bossmark.queue.ends.every((e) => e.state === 'open')",
    );
    // one with something to look at
    let unsure = b.js("return bossmark.queue.ends.find((e) => e.look > 0)?.id ?? 1");
    b.press(false, &format!("#ends li:nth-child({unsure}) button"));
    b.wait(&format!("bossmark.end.view?.id === {unsure}"));
    ready(&b);
    settled(&b);
    b.js("window.scrollTo(0, 0); document.activeElement.blur(); return 1");
    save(&b, "page-laptop.jpg");
    let Some(b) = Browser::start(PHONE) else {
        return;
    };
    b.open(&format!("{}#end-{unsure}", program.link));
    ready(&b);
    settled(&b);
    if b.js("return document.getElementById('look').disabled") == true {
        // nothing is: the first one, as a tap does it
        b.js("bossmark.end.select(bossmark.end.entries[0].id); return 1");
    } else {
        b.press(true, "#look");
    }
    b.wait("bossmark.end.selected !== null");
    // parts at full resolution, and everything in its place
    b.wait("[...bossmark.photo.parts.values()].every((p) => p) && !bossmark.photo.waiting");
    std::thread::sleep(std::time::Duration::from_millis(600));
    b.js("window.scrollTo(0, 0); return 1");
    save(&b, "page-phone.jpg");
}
