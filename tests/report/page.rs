//! The report as a page.

use super::{HOSTILE, small_jpeg, story};
use bossmark::record::{Remark, Setting};
use bossmark::report::html;
use bossmark::text::Locale;
use bossmark::timeline::ReportInput;
use std::collections::BTreeSet;

/// The page without style, guide and pictures: its bones.
fn skeleton(page: &str) -> String {
    let (head, rest) = page.split_once("<style>").unwrap();
    let (_, rest) = rest.split_once("</style>").unwrap();
    let (body, _) = rest.split_once("<section id=\"guide\">").unwrap();
    let out = format!("{head}{body}");
    let mut bones = String::new();
    for (i, part) in out.split("<svg").enumerate() {
        if i == 0 {
            bones.push_str(part);
            continue;
        }
        let title = part
            .split("<title")
            .nth(1)
            .and_then(|t| t.split('>').nth(1))
            .unwrap();
        let tail = part.split_once("</svg>").unwrap().1;
        bones.push_str(&format!(
            "[drawing: {}]{tail}",
            title.trim_end_matches("</title")
        ));
    }
    let mut plain = String::new();
    for (i, part) in bones.split("base64,").enumerate() {
        plain.push_str(if i == 0 {
            part
        } else {
            part.split_once('"').unwrap().1
        });
        if i == 0 || bones.matches("base64,").count() > i {
            plain.push_str("base64,[picture]\"");
        }
    }
    plain
}

#[test]
fn the_report_has_its_bones() {
    let page = html::report(&story("Mara, club riser", &small_jpeg()), Locale::default());
    insta::assert_snapshot!(skeleton(&page));
}

#[test]
fn the_report_is_the_same_twice_and_stands_alone() {
    let input = story("Mara", &small_jpeg());
    let page = html::report(&input, Locale::default());
    assert_eq!(page, html::report(&input, Locale::default()));
    let lower = page.to_lowercase();
    assert!(!lower.contains("http:") && !lower.contains("https:") && !lower.contains("//www"));
    assert!(!lower.contains("<script") && !lower.contains("<link") && !lower.contains("<iframe"));
    assert!(!lower.contains("@import") && !lower.contains("javascript:"));
    for (name, good) in [
        ("src=\"", "data:image/jpeg;base64,"),
        ("href=\"", "#"),
        ("url(", "#"),
    ] {
        for part in page.split(name).skip(1) {
            assert!(
                part.starts_with(good),
                "{name}{}",
                &part[..40.min(part.len())]
            );
        }
    }
}

#[test]
fn labels_from_outside_stay_text() {
    let mut input = story(HOSTILE, &small_jpeg());
    input.title = HOSTILE.into();
    let bow = &mut input.bows[0];
    bow.advice_now.next.as_mut().unwrap().detail = HOSTILE.into();
    bow.advice_now.cautions.push(Remark::new("x", HOSTILE));
    for run in &mut bow.runs {
        for change in &mut run.changes {
            change.to = Setting::Text(HOSTILE.into());
        }
        run.setup.as_mut().unwrap().shafts = Some(HOSTILE.into());
        for e in &mut run.ends {
            e.file = HOSTILE.into();
            e.end.session.note = Some(HOSTILE.into());
            e.end.session.date = Some(HOSTILE.into());
            e.end.entries[0].arrow = Some(HOSTILE.into());
        }
    }
    input.problems[0].text = HOSTILE.into();
    input.problems[0].file = HOSTILE.into();
    let page = html::report(&input, Locale::default());
    assert!(!page.contains("<script"), "markup came through");
    assert!(!page.contains("\"Mara\""), "a quote came through");
    assert!(page.contains("&lt;script&gt;alert(&#39;x&#39;)"));
    balanced(&page);
}

/// Every element is closed in its order, and ids are used once.
fn balanced(page: &str) {
    const EMPTY: [&str; 5] = ["meta", "img", "input", "br", "hr"];
    let style = page.find("<style>").unwrap()..page.find("</style>").unwrap();
    let page = format!("{}{}", &page[..style.start], &page[style.end + 8..]);
    let mut open: Vec<&str> = Vec::new();
    let mut ids = BTreeSet::new();
    for tag in page.split('<').skip(1) {
        let inside = tag.split('>').next().unwrap();
        let name = inside.split([' ', '/']).next().unwrap();
        if let Some(id) = inside
            .split(" id=\"")
            .nth(1)
            .and_then(|r| r.split('"').next())
        {
            assert!(ids.insert(id.to_owned()), "id {id} twice");
        }
        if inside.starts_with('!') || inside.ends_with('/') || EMPTY.contains(&name) {
            continue;
        }
        match inside.strip_prefix('/') {
            Some(closed) => assert_eq!(open.pop(), Some(closed), "closing in {inside}"),
            None => open.push(name),
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
    for part in page.split("href=\"#").skip(1) {
        let target = part.split('"').next().unwrap();
        assert!(ids.contains(target), "link to nowhere: #{target}");
    }
    for part in page.split("aria-labelledby=\"").skip(1) {
        for id in part.split('"').next().unwrap().split(' ') {
            assert!(ids.contains(id), "label nowhere: {id}");
        }
    }
}

#[test]
fn the_page_is_well_formed_in_all_its_states() {
    let full = story("Mara", &small_jpeg());
    balanced(&html::report(&full, Locale::default()));
    balanced(&html::report(&ReportInput::default(), Locale::default()));
    let mut two = full.clone();
    two.bows.push(full.bows[0].clone());
    balanced(&html::report(&two, Locale::default()));
    let mut bare = full.clone();
    let bow = &mut bare.bows[0];
    bow.advice_now.next = None;
    bow.advice_now.learned.clear();
    bow.advice_now.reading.offset = None;
    bow.runs.truncate(1);
    bow.runs[0].setup = None;
    bow.runs[0].reading.offset = None;
    bow.runs[0].ends[0].marked_jpeg = Some(b"not a picture".to_vec());
    bow.runs[0].ends[1].marked_jpeg = None;
    bow.runs[0].ends[1].end.photo = None;
    let page = html::report(&bare, Locale::default());
    balanced(&page);
    assert!(page.contains("can\u{2019}t be shown") && page.contains("without a photo"));
}

#[test]
fn pictures_in_the_report_carry_no_metadata() {
    let plain = small_jpeg();
    let mut tagged = plain[..2].to_vec();
    tagged.extend(b"\xff\xe1\x00\x16Exif\0\0GPS 47.1 N 8.5");
    tagged.extend(&plain[2..]);
    let page = html::report(&story("Mara", &tagged), Locale::default());
    assert_eq!(
        page,
        html::report(&story("Mara", &plain), Locale::default())
    );
}

#[test]
fn the_next_step_comes_before_everything_else() {
    let page = html::report(&story("Mara", &small_jpeg()), Locale::default());
    let at = |what: &str| page.find(what).unwrap_or_else(|| panic!("no {what}"));
    let step = at("Next: Both limb bolts out half a turn");
    assert!(step < at("Against the fletched ones the bare shafts land"));
    assert!(step < at("<h2>The ends</h2>"));
    assert!(at("Nocking point 1 mm lower (9 to 8 mm)") < at("What needs a person"));
    assert!(at("What needs a person") < at("The shooting in order"));
    assert!(at("The shooting in order") < at("What was learned"));
    assert!(
        page.contains("A look at them makes the reading surer."),
        "the caution of the shots"
    );
    assert!(
        !page.contains("bossmark confirm"),
        "no commands in a report"
    );
    assert!(page.contains("it did what was expected"));
}
