//! First of all: where the bow stands now, and what to do next.

use super::page::Page;
use crate::advice::{Action, Advice, Step};
use crate::reading::{HorizontalCall, Reading};
use crate::record::End;
use crate::report::face_plot::FacePlot;
use crate::report::{Embedding, charts};
use crate::text::numbers::sureness;
use crate::text::{self, Locale, Sentence, facts, headline};
use crate::timeline::{BowReport, RunReport};

/// A step in more letters than this is set smaller.
const LONG_STEP: usize = 60;
/// Most cautions in sight: more would hide the step.
const MAX_CAUTIONS: usize = 4;
/// Most alternatives shown beside the next step: more would hide it.
const MAX_OTHERS: usize = 4;

pub(super) fn section(page: &mut Page, report: &BowReport, bow: u32, several: bool) {
    let advice = &report.advice_now;
    page.raw(&format!(
        "<section class=\"now\" id=\"now{bow}\" aria-labelledby=\"now{bow}h\">\n<h2 id=\"now{bow}h\" class=\"label\">"
    ));
    page.text(&if several {
        format!("Where the bow stands now: {}", report.label)
    } else {
        "Where the bow stands now".to_owned()
    });
    page.close("h2");
    page.el("p", "verdict", &action(advice, page.locale));
    if let Some(landing) = text::landing(&advice.reading, page.locale) {
        page.el("p", "said", &text::answer(&advice.reading));
        page.el("p", "lead", &landing);
    } else {
        page.el("p", "lead", &lead(advice, page.locale));
    }
    page.raw("<div class=\"pair\">\n<div>\n");
    if let Some(run) = report.runs.last() {
        let title = "Both groups, newest set-up";
        plot(page, run, &format!("now{bow}p"), title);
    }
    let gauge = charts::gauge(
        &advice.reading,
        &format!("now{bow}g"),
        Embedding::Inline,
        page.locale,
    );
    if !gauge.is_empty() {
        page.raw("<figure class=\"gauge\">");
        page.raw(&gauge);
        page.el(
            "figcaption",
            "",
            "Dot: where the bare shafts land against the fletched ones; bar: 95 % sure within. Shaded: in tune.",
        );
        page.raw("</figure>\n");
    }
    page.raw("</div>\n<div>\n");
    next(page, advice, AdviceTime::Now);
    page.raw("</div>\n</div>\n");
    keep_in_mind(page, &general(advice, page.locale));
    page.raw("</section>\n");
}

/// The first cautions in sight, the others folded.
fn keep_in_mind(page: &mut Page, cautions: &[String]) {
    let (first, others) = cautions.split_at(cautions.len().min(MAX_CAUTIONS));
    page.cautions("Keep in mind about these shots", first);
    if !others.is_empty() {
        page.raw("<details class=\"more\"><summary>");
        page.text(&format!("{} more to keep in mind", others.len()));
        page.raw("</summary>");
        page.cautions("Also keep in mind", others);
        page.raw("</details>\n");
    }
}

/// What to do, as a headline; what the shots say where there is nothing to do.
fn action(advice: &Advice, locale: Locale) -> String {
    match &advice.next {
        Some(step) => {
            let also = advice.also.iter().map(|s| headline(s, locale));
            let all: Vec<String> = std::iter::once(headline(step, locale))
                .chain(also)
                .collect();
            let why = height_first(advice);
            format!("Next: {}{why}", all.join("; "))
        }
        None => text::verdict(&advice.reading),
    }
}

/// Why the height comes before left and right, where those are called too.
fn height_first(advice: &Advice) -> &'static str {
    let lifts = |step: &Step| matches!(step.change, Action::NockingPoint | Action::RestHeight);
    let across = advice.reading.horizontal.call;
    let called = matches!(across, HorizontalCall::Weak | HorizontalCall::Stiff);
    let alone = advice.also.is_empty() && advice.next.as_ref().is_some_and(lifts);
    if alone && called {
        ": height first, as it blurs left and right"
    } else {
        ""
    }
}

/// The face plot of a run, with what its legend can't say.
pub(super) fn plot(page: &mut Page, run: &RunReport, id: &str, title: &str) {
    let ends: Vec<&End> = run.ends.iter().map(|e| &e.end).collect();
    let plot = FacePlot::of_run(&ends, &run.reading, run.face.as_ref(), title);
    page.raw("<figure class=\"plot\">");
    page.raw(&plot.svg(id, Embedding::Inline, page.locale));
    page.raw("</figure>\n");
}

/// What was seen, in a sentence, or why there is nothing.
fn lead(advice: &Advice, locale: Locale) -> String {
    match (&advice.failure, &advice.reading.failure) {
        (Some(failure), _) => failure.text(locale),
        (None, Some(failure)) => failure.text(locale),
        (None, None) => text::sentence(&advice.reading, locale),
    }
}

/// How sure the call on each axis is.
pub(super) fn calls(page: &mut Page, reading: &Reading) {
    if reading.offset.is_none() {
        return;
    }
    page.raw("<dl class=\"calls\">\n");
    for (axis, call, p) in text::calls(reading) {
        page.raw("<div>");
        page.el("dt", "", axis);
        let sure = p.map_or_else(String::new, |p| format!(", {} sure", sureness(p)));
        page.el("dd", "", &format!("{call}{sure}"));
        page.raw("</div>\n");
    }
    page.raw("</dl>\n");
}

/// Whether an advice stands, or stood once: then its cautions are folded away.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum AdviceTime {
    Now,
    Then,
}

/// Cautions that belong to no single step.
fn general(advice: &Advice, locale: Locale) -> Vec<String> {
    let own = advice.cautions.iter().map(|c| c.text(locale));
    let of_reading = advice.reading.cautions.iter().map(|c| c.text(locale));
    own.chain(of_reading).collect()
}

fn of_steps<'a>(steps: impl IntoIterator<Item = &'a Step>, locale: Locale) -> Vec<String> {
    let cautions = steps.into_iter().flat_map(|step| &step.cautions);
    cautions.map(|c| c.text(locale)).collect()
}

/// The next step in full, with the steps made together with it and the alternatives.
pub(super) fn next(page: &mut Page, advice: &Advice, time: AdviceTime) {
    let (tag, heading) = match time {
        AdviceTime::Now => ("h3", text::next_heading(advice)),
        AdviceTime::Then => ("h4", "The advice then".to_owned()),
    };
    page.raw("<div class=\"next\">\n");
    page.el(tag, "label", &heading);
    match &advice.next {
        // its headline stands at the top
        Some(step) if time == AdviceTime::Now => details(page, step),
        Some(step) => {
            let words = headline(step, page.locale);
            let long = words.chars().count() > LONG_STEP;
            page.el("p", if long { "step long" } else { "step" }, &words);
            details(page, step);
        }
        None => page.el("p", "step", "Nothing can be advised on these shots"),
    }
    for step in &advice.also {
        page.el("p", "label", "Together with it");
        page.el("p", "step second", &headline(step, page.locale));
        details(page, step);
    }
    let mut cautions = of_steps(advice.next.iter().chain(&advice.also), page.locale);
    match time {
        AdviceTime::Now => page.cautions("Mind this", &cautions),
        AdviceTime::Then => {
            cautions.extend(general(advice, page.locale));
            if !cautions.is_empty() {
                page.raw("<details><summary>What was to be minded</summary>");
                page.cautions("Mind this", &cautions);
                page.raw("</details>\n");
            }
        }
    }
    if !advice.others.is_empty() {
        page.raw("<details class=\"more\"><summary>Other ways, instead of it</summary>\n<ol class=\"others\">\n");
        for step in advice.others.iter().take(MAX_OTHERS) {
            page.raw("<li>");
            page.el("p", "", &headline(step, page.locale));
            details(page, step);
            page.cautions("Mind this", &of_steps([step], page.locale));
            page.raw("</li>\n");
        }
        page.raw("</ol></details>\n");
    }
    page.raw("</div>\n");
}

/// From where to where, what to expect, and why.
pub(super) fn details(page: &mut Page, step: &Step) {
    page.facts(&facts(step, page.locale));
}
