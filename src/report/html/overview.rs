//! The ends in a table: for each set-up what was changed, what the shots said, and its photos, small.

use super::details::name;
use super::page::Page;
use super::timeline::{picture_of, trend, what_it_did};
use crate::record::End;
use crate::report::{Embedding, charts};
use crate::text::numbers::capital;
use crate::text::record::{end_numbers, standing};
use crate::text::{self};
use crate::timeline::{BowReport, EndReport, RunReport};

pub(super) fn section(page: &mut Page, report: &BowReport, bow: u32, several: bool) {
    page.raw(&format!(
        "<section class=\"overview\" id=\"ends{bow}\">\n<h2>"
    ));
    page.text(&if several {
        format!("The ends: {}", report.label)
    } else {
        "The ends".to_owned()
    });
    page.close("h2");
    page.raw("<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"The ends\"><table class=\"ends\">\n<thead><tr><th scope=\"col\">Set-up</th><th scope=\"col\">What the shots said</th><th scope=\"col\">Ends</th></tr></thead>\n<tbody>\n");
    for run in &report.runs {
        row(page, run);
    }
    page.raw("</tbody></table></div>\n");
    let ends: usize = report.runs.iter().map(|r| r.ends.len()).sum();
    let chart = charts::timeline(
        &report.runs,
        &format!("e{bow}t"),
        Embedding::Inline,
        page.locale,
    );
    if ends > 1 && !chart.is_empty() {
        page.raw("<figure class=\"timeline\">");
        page.raw(&chart);
        page.el("figcaption", "", "Full dot: the offset of a set-up; hollow dots: its ends one by one. Bars: 95 % sure within. Shaded band: in tune. Below: how large the groups were, fletched (dots) and bare (squares).");
        page.raw("</figure>\n");
    }
    trend(page, report, bow);
    page.raw("</section>\n");
}

fn row(page: &mut Page, run: &RunReport) {
    let locale = page.locale;
    let ends: Vec<&End> = run.ends.iter().map(|e| &e.end).collect();
    page.raw("<tr><th scope=\"row\">");
    page.el(
        "p",
        "said",
        &format!("{}: {}", run.number, end_numbers(&ends)),
    );
    if !run.changes.is_empty() && run.number > 1 {
        page.raw("<ul>");
        for change in &run.changes {
            page.el("li", "", &capital(&text::change(change, locale)));
        }
        page.raw("</ul>");
    }
    page.raw("</th><td>");
    page.el("p", "said", &text::answer(&run.reading));
    if let Some(landing) = text::landing(&run.reading, locale) {
        page.el("p", "", &landing);
    }
    if let Some(effect) = run.effect.as_ref().filter(|_| run.number > 1) {
        what_it_did(page, effect);
    }
    page.raw("</td><td class=\"pictures\">");
    for end in run.ends.iter().filter(|e| !e.earlier) {
        thumbnail(page, end);
    }
    page.raw("</td></tr>\n");
}

/// A photo, small, with how the end stands; it can be enlarged on the screen.
fn thumbnail(page: &mut Page, end: &EndReport) {
    page.raw("<figure class=\"photo small\">");
    picture_of(page, end);
    page.raw("<figcaption>");
    page.el("b", "", &name(end));
    page.text(&standing(&end.end));
    if let Some(f) = &end.end.failure {
        page.raw(" <strong>");
        page.text(&f.text);
        page.raw("</strong>");
    }
    page.raw("</figcaption></figure>\n");
}
