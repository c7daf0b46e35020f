//! The evening in order: each set-up with its photos, its reading, the advice that stood, and what the change then did.

use super::page::Page;
use super::{current_state, details};
use crate::advice::Expect;
use crate::reading::Reading;
use crate::record::End;
use crate::report::{Embedding, charts, jpeg};
use crate::text::numbers::{capital, several};
use crate::text::record::{counts, end_numbers};
use crate::text::{self, Locale, settings::settings};
use crate::timeline::{BowReport, Effect, EndReport, RunReport};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use std::collections::BTreeSet;

pub(super) fn section(page: &mut Page, report: &BowReport, bow: u32, several: bool) {
    page.raw(&format!("<section id=\"evening{bow}\">\n<h2>"));
    page.text(&if several {
        format!("The shooting in order: {}", report.label)
    } else {
        "The shooting in order".to_owned()
    });
    page.close("h2");
    for (place, run) in (1_usize..).zip(&report.runs) {
        let last = place == report.runs.len();
        self::run(page, run, bow, [place, run.number], last);
    }
    page.raw("</section>\n");
}

/// ": 2 nocking point 1 mm lower (9 to 8 mm); 3 …": the changes of set-up by the numbers that a drawing gives them.
fn changes_by_number(report: &BowReport, locale: Locale) -> String {
    let named: Vec<String> = report
        .runs
        .iter()
        .filter(|run| run.number > 1 && !run.changes.is_empty())
        .map(|run| {
            let changes: Vec<String> = run
                .changes
                .iter()
                .map(|c| text::change(c, locale))
                .collect();
            format!("{} {}", run.number, changes.join(", "))
        })
        .collect();
    if named.is_empty() {
        String::new()
    } else {
        format!(": {}", named.join("; "))
    }
}

/// How things went over the dates, where there is more than one.
pub(super) fn trend(page: &mut Page, report: &BowReport, bow: u32) {
    let days: BTreeSet<Option<&str>> = report.trend.iter().map(|p| p.day.as_deref()).collect();
    if days.len() < 2 {
        return;
    }
    let chart = charts::trend(
        &report.trend,
        &format!("e{bow}h"),
        Embedding::Inline,
        page.locale,
    );
    if chart.is_empty() {
        return;
    }
    page.el("h3", "", "Over the dates");
    page.raw("<figure class=\"timeline\">");
    page.raw(&chart);
    let scaled = charts::TrendScale::of(&report.trend).words();
    page.el("figcaption", "", &format!("Each dot: the shots of one day with one set-up{scaled}; bars: 95 % sure within. Dotted lines: changes of set-up{}.", changes_by_number(report, page.locale)));
    page.raw("</figure>\n");
}

fn run(page: &mut Page, run: &RunReport, bow: u32, [place, number]: [usize; 2], last: bool) {
    let ends: Vec<&End> = run.ends.iter().map(|e| &e.end).collect();
    page.raw(&format!(
        "<article class=\"run\" id=\"run{bow}x{place}\">\n"
    ));
    let heading = format!("Set-up {number}: {}", end_numbers(&ends));
    page.el("h3", "", &heading);
    changed(page, run, number);
    set_up(page, run);
    let earlier = run.ends.iter().filter(|e| e.earlier).count();
    if earlier > 0 {
        page.el(
            "p",
            "note",
            &format!(
                "{} of earlier days with this set-up {} counted too; the photos aren\u{2019}t shown again.",
                several(earlier, "end"),
                if earlier == 1 { "is" } else { "are" }
            ),
        );
    }
    page.raw("<div class=\"pair\">\n");
    current_state::plot(
        page,
        run,
        &format!("r{bow}x{place}"),
        &format!("Both groups, set-up {number}"),
    );
    page.raw("<div>\n");
    page.el("p", "label", "What the shots said");
    page.el("p", "said", &text::verdict(&run.reading));
    page.el(
        "p",
        "",
        &text::sentence_with_ranges(&run.reading, page.locale),
    );
    current_state::calls(page, &run.reading);
    groups(page, &run.reading);
    if let Some(plain) = text::plain_means(&run.reading, page.locale) {
        page.el("p", "note", &format!("Plain means: {plain}."));
    }
    if let Some(more) = &run.reading.more_shots {
        page.el("p", "note", &text::more_shots(more, page.locale));
    }
    page.raw("</div>\n</div>\n");
    details::entries(page, run);
    if last {
        page.raw(&format!(
            "<p class=\"seeabove\">What to do after this set-up stands <a href=\"#now{bow}\">at the top</a>.</p>\n"
        ));
    } else {
        current_state::next(page, &run.advice, current_state::AdviceTime::Then);
    }
    page.raw("</article>\n");
}

/// How large both groups are.
fn groups(page: &mut Page, reading: &Reading) {
    let Some(groups) = reading.groups else { return };
    let facts: Vec<(String, String)> = [
        ("Fletched group", groups.fletched),
        ("Bare group", groups.bare),
    ]
    .into_iter()
    .filter_map(|(name, group)| Some((name.to_owned(), text::group_size(&group?, page.locale))))
    .collect();
    page.facts(&facts);
}

/// What was changed before this run, and what that did.
fn changed(page: &mut Page, run: &RunReport, number: usize) {
    if number == 1 {
        return;
    }
    page.raw("<div class=\"changed\">\n");
    page.el("p", "label", &format!("Change {}", number - 1));
    page.raw("<ul>");
    for change in &run.changes {
        page.el("li", "", &capital(&text::change(change, page.locale)));
    }
    page.raw("</ul>\n");
    let notes: Vec<&str> = run
        .ends
        .iter()
        .filter_map(|e| e.end.session.note.as_deref())
        .collect();
    if !notes.is_empty() {
        page.el("p", "note", &format!("Noted: {}", notes.join("; ")));
    }
    match &run.effect {
        Some(effect) => what_it_did(page, effect),
        None => page.el(
            "p",
            "",
            "What it did can\u{2019}t be told from these shots.",
        ),
    }
    page.raw("</div>\n");
}

pub(super) fn what_it_did(page: &mut Page, effect: &Effect) {
    let locale = page.locale;
    let moved = |e: &Expect| format!("the bare shafts {}", text::likely_shift(e, locale));
    let mut facts = Vec::new();
    if let Some(e) = &effect.expected {
        facts.push(("Expected".to_owned(), moved(e)));
    }
    facts.push(("Seen".to_owned(), moved(&effect.seen)));
    if let Some(e) = &effect.expected {
        facts.push(("So".to_owned(), agreement(e, &effect.seen).to_owned()));
    }
    page.facts(&facts);
}

/// Whether what was seen agrees with what was expected, on the axis that was meant: two standard deviations of the
/// difference are the border.
fn agreement(expected: &Expect, seen: &Expect) -> &'static str {
    let vertical = expected.y_mm.abs() > expected.x_mm.abs();
    let (e, e_sd, s, s_sd) = if vertical {
        (expected.y_mm, expected.sd_y_mm, seen.y_mm, seen.sd_y_mm)
    } else {
        (expected.x_mm, expected.sd_x_mm, seen.x_mm, seen.sd_x_mm)
    };
    let (e_sd, s_sd) = (e_sd.unwrap_or(0.0), s_sd.unwrap_or(0.0));
    if (s - e).abs() > 2.0 * e_sd.hypot(s_sd) {
        if s * e < 0.0 {
            "it went the other way: see what is to be minded"
        } else if s.abs() > e.abs() {
            "it did more than expected"
        } else {
            "it did less than expected"
        }
    } else if s.abs() < 2.0 * s_sd {
        "it agrees, but the shots scatter too much to show it clearly"
    } else {
        "it did what was expected"
    }
}

fn set_up(page: &mut Page, run: &RunReport) {
    let setup = run.setup.as_ref();
    let rows = setup.map_or_else(Vec::new, |setup| settings(setup, page.locale));
    if rows.is_empty() {
        page.el("p", "note", "The set-up is not known.");
        return;
    }
    page.raw("<details class=\"setup\"><summary>What was set</summary>\n<dl class=\"settings\">\n");
    for (name, value) in rows {
        page.raw("<div>");
        page.el("dt", "", &capital(name));
        page.el("dd", "", &value);
        page.raw("</div>\n");
    }
    page.raw("</dl></details>\n");
}

/// The marked photo of an end, or why there is none.
pub(super) fn picture_of(page: &mut Page, end: &EndReport) {
    let name = match end.end.session.end {
        Some(n) => format!("End {n}"),
        None => "End".to_owned(),
    };
    let picture = end.marked_jpeg.as_deref().map(jpeg::stripped);
    match picture {
        Some(Some(p)) => {
            page.raw(&format!(
                "<img loading=\"lazy\" width=\"{}\" height=\"{}\" alt=\"",
                p.width, p.height
            ));
            page.text(&format!(
                "{name}: the photo with the fitted rings and {} marked.",
                counts(&end.end)
            ));
            page.raw("\" src=\"data:image/jpeg;base64,");
            page.raw(&STANDARD.encode(p.bytes));
            page.raw("\">");
            page.raw("<label class=\"larger\"><input type=\"checkbox\"> larger</label>");
        }
        Some(None) => page.el("p", "note", "The marked photo can\u{2019}t be shown."),
        None if end.end.photo.is_some() => page.el("p", "note", "No marked photo."),
        None => page.el("p", "note", "Measured without a photo."),
    }
}
