//! The details behind the report: what was learned, and what needs a person; the table of entries that each set-up has.

use super::page::Page;
use crate::advice::Learned;
use crate::math::rounded;
use crate::record::{EntrySource, EntryState, ShotCount, entries_to_check};
use crate::text::numbers::sureness;
use crate::text::record::standing;
use crate::text::terms::{kind_name, letter, lever_name};
use crate::text::{LengthUnit, Locale};
use crate::timeline::{EndReport, ReportInput, RunReport};

/// What was learned about each bow.
pub(super) fn learned(page: &mut Page, input: &ReportInput) {
    page.raw("<section id=\"learned\">\n<h2>What was learned about the bow</h2>\n");
    let several = input.bows.len() > 1;
    let mut any = false;
    for bow in &input.bows {
        let rows = &bow.advice_now.learned;
        if rows.is_empty() {
            continue;
        }
        any = true;
        if several {
            page.el("h3", "", &bow.label);
        }
        page.raw("<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"What was learned\"><table>\n<thead><tr><th scope=\"col\">One unit of</th><th scope=\"col\">moves the bare shafts at 30 m by</th><th scope=\"col\">give or take</th><th scope=\"col\">before this bow had told</th><th scope=\"col\">where the number comes from</th></tr></thead>\n<tbody>\n");
        for row in rows {
            learned_row(page, row, page.locale);
        }
        page.raw("</tbody></table></div>\n");
    }
    if any {
        page.el("p", "note", "The third column is one standard deviation. The numbers of the fourth column come from the physics of the arrow and from rules of thumb of the trade; they are the same for every bow of this weight and spine.");
    } else {
        page.el(
            "p",
            "",
            "Nothing yet: it takes a change, with ends before and after it.",
        );
    }
    page.raw("</section>\n");
}

fn learned_row(page: &mut Page, row: &Learned, locale: Locale) {
    let [mm, sd, before] = [row.mm_per_unit, row.sd, row.prior_mm_per_unit].map(|v| rounded(v, 1));
    page.raw("<tr>");
    let name = format!("{}, {}", lever_name(row.change), row.unit);
    page.raw("<th scope=\"row\">");
    page.text(&name);
    page.raw("</th>");
    for text in [
        locale.length(mm, 1),
        locale.length(sd, 1),
        locale.length(before, 1),
        match row.from_changes {
            0 => "rules of thumb alone".to_owned(),
            1 => "1 change on this bow, with the rules of thumb".to_owned(),
            n => format!("{n} changes on this bow, with the rules of thumb"),
        },
    ] {
        page.raw("<td>");
        page.text(&text);
        page.raw("</td>");
    }
    page.raw("</tr>\n");
}

/// What a person has to look at.
pub(super) fn to_check(page: &mut Page, input: &ReportInput) {
    page.raw("<section id=\"check\">\n<h2>What needs a person</h2>\n");
    let entries = || super::ends(input).flat_map(|e| &e.end.entries);
    let all = entries().count();
    let open = entries()
        .filter(|e| e.state == EntryState::Proposed)
        .count();
    if open > 0 {
        page.raw("<p>");
        page.text(&format!(
            "{open} of {all} entries are proposals that nobody has looked at: compare the marks with the shafts in the photos above."
        ));
        page.raw("</p>\n");
    } else if all > 0 {
        page.el("p", "", "Every entry has been confirmed by a person.");
    }
    let unsure: Vec<String> = super::ends(input).filter_map(unsure_of_end).collect();
    if !unsure.is_empty() {
        let first = if open > 0 {
            "Look at these first:"
        } else {
            "With a number of shots that differs:"
        };
        page.el("p", "", first);
        page.raw("<ul>\n");
        for line in unsure {
            page.el("li", "", &line);
        }
        page.raw("</ul>\n");
    }
    if !input.problems.is_empty() {
        page.el("h3", "", "Files that could not be used");
        let facts: Vec<(String, String)> = input
            .problems
            .iter()
            .map(|p| (p.file.clone(), p.text.clone()))
            .collect();
        page.facts(&facts);
    }
    page.raw("</section>\n");
}

/// An end that a person should look at, in a line: how it stands, and which entries are unsure.
fn unsure_of_end(end: &EndReport) -> Option<String> {
    let differs = ShotCount::of(&end.end).is_some_and(|count| !count.agrees());
    let list: Vec<String> = entries_to_check(&end.end)
        .iter()
        .map(|e| {
            let sure = e
                .confidence
                .map_or_else(String::new, |c| format!(" ({} sure)", sureness(c)));
            format!("{}{}{sure}", letter(e.kind), e.id)
        })
        .collect();
    let which = if list.is_empty() {
        String::new()
    } else {
        format!("; {}", list.join(", "))
    };
    (differs || !list.is_empty()).then(|| format!("{}: {}{which}", name(end), standing(&end.end)))
}

/// The entries of a run, for those who want the numbers.
pub(super) fn entries(page: &mut Page, run: &RunReport) {
    if run.ends.iter().all(|e| e.end.entries.is_empty()) {
        return;
    }
    page.raw("<details class=\"entries\"><summary>All entries of this set-up</summary>\n");
    let locale = page.locale;
    let (unit, units) = match locale.lengths {
        LengthUnit::Millimetres => ("mm", "Millimetres"),
        LengthUnit::Inches => ("in", "Inches"),
    };
    page.raw(&format!("<p class=\"note\">{units} from the centre of the face: right and up are positive. \u{b1} is one standard deviation.</p>\n"));
    page.raw(&format!("<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"All entries\"><table>\n<thead><tr><th scope=\"col\">End</th><th scope=\"col\">Mark</th><th scope=\"col\">Kind</th><th scope=\"col\">Arrow</th><th scope=\"col\">Right, {unit}</th><th scope=\"col\">Up, {unit}</th><th scope=\"col\">Sure</th><th scope=\"col\">State</th></tr></thead>\n<tbody>\n"));
    for end in &run.ends {
        let named = match end.end.session.end {
            Some(n) => n.to_string(),
            None => end.file.clone(),
        };
        for e in &end.end.entries {
            page.raw("<tr>");
            let sd = |i: usize| {
                let v = e.cov_mm2.and_then(|c| c.get(i)?.get(i).copied());
                v.filter(|v| *v >= 0.0).map_or_else(String::new, |v| {
                    format!(" \u{b1} {}", locale.in_table(v.sqrt()))
                })
            };
            let kind = kind_name(e.kind);
            let state = match (e.state, e.source) {
                (EntryState::Proposed, _) => "proposed",
                (EntryState::Confirmed, EntrySource::Moved) => "confirmed, moved",
                (EntryState::Confirmed, EntrySource::Added) => "confirmed, added",
                (EntryState::Confirmed, EntrySource::Tape) => "by tape",
                (EntryState::Confirmed, EntrySource::Found) => "confirmed",
            };
            for text in [
                named.clone(),
                format!("{}{}", letter(e.kind), e.id),
                kind.to_owned(),
                e.arrow.clone().unwrap_or_default(),
                format!("{}{}", locale.in_table(e.x_mm + 0.0), sd(0)),
                format!("{}{}", locale.in_table(e.y_mm + 0.0), sd(1)),
                e.confidence.map_or_else(String::new, sureness),
                state.to_owned(),
            ] {
                page.raw("<td>");
                page.text(&text);
                page.raw("</td>");
            }
            page.raw("</tr>\n");
        }
    }
    page.raw("</tbody></table></div>\n</details>\n");
}

/// "End 1, IMG_1.jpg"; where names are left out the record names no photo, and the number alone says which it is.
pub(super) fn name(end: &EndReport) -> String {
    let named = end.end.photo.as_ref().is_some_and(|p| !p.file.is_empty());
    match end.end.session.end {
        Some(n) if named => format!("End {n}, {}", end.file),
        Some(n) => format!("End {n}"),
        None => end.file.clone(),
    }
}
