//! The report: one HTML file about an evening, without scripts and without anything from elsewhere.
//!
//! Order: where each bow stands now and what to do next; the ends in a table, and what needs a person. In print these are two
//! pages for an evening. Details are folded, and printed on demand: every set-up, what was learned about the bow, how to
//! read all this and when not to trust it.

mod current_state;
mod details;
mod overview;
mod page;
mod timeline;

use crate::text::numbers::{number, several};
use crate::text::{Locale, record};
use crate::timeline::{BowReport, EndReport, ReportInput};
use page::Page;
use std::collections::BTreeSet;

const STYLE: &str = include_str!("style.css");
const GUIDE: &str = include_str!("guide.html");

/// The whole report as an HTML document. The same input gives the same bytes.
#[must_use]
pub fn report(input: &ReportInput, locale: Locale) -> String {
    let mut page = Page::new(locale);
    let title = title(input, locale);
    page.raw("<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n");
    page.raw("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
    page.raw("<meta name=\"color-scheme\" content=\"light dark\">\n");
    page.raw("<meta name=\"referrer\" content=\"no-referrer\">\n");
    page.raw("<title>");
    page.text(&title);
    page.raw("</title>\n<style>\n");
    page.raw(super::svg_kit::STYLE);
    page.raw(STYLE);
    page.raw("</style>\n</head>\n");
    page.raw(if input.full {
        "<body class=\"full\">\n"
    } else {
        "<body>\n"
    });
    head(&mut page, input, &title);
    page.raw("<main id=\"main\">\n");
    for (bow, report) in (1_u32..).zip(&input.bows) {
        current_state::section(&mut page, report, bow, input.bows.len() > 1);
    }
    if input.bows.is_empty() {
        page.raw("<section class=\"now\"><h2>Nothing to tell yet</h2>");
        page.el(
            "p",
            "",
            "No end could be read. What went wrong with each file stands below.",
        );
        page.raw("</section>\n");
    }
    for (bow, report) in (1_u32..).zip(&input.bows) {
        overview::section(&mut page, report, bow, input.bows.len() > 1);
    }
    details::to_check(&mut page, input);
    for (bow, report) in (1_u32..).zip(&input.bows) {
        folded(&mut page, "Every set-up in detail", |page| {
            timeline::section(page, report, bow, input.bows.len() > 1);
        });
    }
    folded(&mut page, "What was learned about the bow", |page| {
        details::learned(page, input);
    });
    folded(
        &mut page,
        "How to read this, and when not to trust it",
        |page| {
            page.raw(GUIDE);
        },
    );
    page.raw("</main>\n<footer><p>");
    page.text("Made by bossmark ");
    page.text(env!("CARGO_PKG_VERSION"));
    page.text(
        " from the photos and the session file; nothing in this page is loaded from elsewhere.",
    );
    page.raw("</p></footer>\n</body>\n</html>\n");
    page.finish()
}

/// A part that is folded on the screen, and printed on demand.
fn folded(page: &mut Page, title: &str, content: impl FnOnce(&mut Page)) {
    page.raw("<details class=\"more\"><summary>");
    page.text(title);
    page.raw("</summary>\n");
    content(page);
    page.raw("</details>\n");
}

/// All ends of a report, in order.
fn ends(input: &ReportInput) -> impl Iterator<Item = &EndReport> {
    input
        .bows
        .iter()
        .flat_map(|b| &b.runs)
        .flat_map(|r| &r.ends)
}

fn title(input: &ReportInput, locale: Locale) -> String {
    if !input.title.trim().is_empty() {
        return input.title.trim().to_owned();
    }
    match days(input).as_slice() {
        [] => "Bare-shaft report".to_owned(),
        [day] => format!("Bare-shaft report, {}", locale.date(day)),
        [first, .., last] => {
            let (first, last) = (locale.date(first), locale.date(last));
            format!("Bare-shaft report, {first} to {last}")
        }
    }
}

/// The days shot on, oldest first.
fn days(input: &ReportInput) -> Vec<&str> {
    let days: BTreeSet<&str> = ends(input).filter_map(|e| record::day(&e.end)).collect();
    days.into_iter().collect()
}

fn head(page: &mut Page, input: &ReportInput, title: &str) {
    page.raw("<a class=\"skip\" href=\"#main\">Skip to the result</a>\n<header>\n");
    page.el("h1", "", title);
    let mut facts: Vec<String> = input.bows.iter().map(facts_of_bow).collect();
    if !input.problems.is_empty() {
        facts.push(format!(
            "{} could not be used, see below",
            several(input.problems.len(), "file")
        ));
    }
    for fact in facts {
        page.el("p", "facts", &fact);
    }
    page.raw("<nav aria-label=\"On this page\">");
    if !input.bows.is_empty() {
        page.raw("<a href=\"#now1\">Now</a> <a href=\"#ends1\">The ends</a> ");
    }
    page.raw("<a href=\"#check\">To check</a></nav>\n</header>\n");
}

/// "Mara, club riser · 30 m · right-handed · 7 ends, 21 fletched and 21 bare shots".
fn facts_of_bow(bow: &BowReport) -> String {
    let mut out = vec![bow.label.clone()];
    let reading = &bow.advice_now.reading;
    if let Some(d) = reading.distance_m {
        out.push(format!("{} m", number(d, 1)));
    }
    match reading.hand {
        Some(crate::record::Hand::Right) => out.push("right-handed".to_owned()),
        Some(crate::record::Hand::Left) => out.push("left-handed".to_owned()),
        None => out.push("drawing hand not known".to_owned()),
    }
    let n = bow.runs.iter().map(|r| r.ends.len()).sum();
    out.push(format!(
        "{} with {}",
        several(n, "end"),
        several(bow.runs.len(), "set-up")
    ));
    out.retain(|s| !s.trim().is_empty());
    out.join(" \u{b7} ")
}
