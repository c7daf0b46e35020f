//! First of all: where the bow stands now, and what to do next.

use super::page::Page;
use crate::advice::{Advice, Step};
use crate::evening::{BowStory, RunStory};
use crate::reading::{self, Reading};
use crate::record::{End, Note};
use crate::report::svg::FacePlot;
use crate::report::{Embedding, charts, steps, words};

/// A step in more letters than this is set smaller.
const LONG_STEP: usize = 60;
/// Most alternatives shown beside the next step: more would hide it.
const MOST_OTHERS: usize = 4;

pub(super) fn section(page: &mut Page, story: &BowStory, bow: u32, several: bool) {
    let advice = &story.advice_now;
    page.raw(&format!(
        "<section class=\"now\" id=\"now{bow}\" aria-labelledby=\"now{bow}h\">\n<h2 id=\"now{bow}h\" class=\"label\">"
    ));
    page.text(&if several {
        format!("Where the bow stands now: {}", story.label)
    } else {
        "Where the bow stands now".to_owned()
    });
    page.close("h2");
    page.el("p", "verdict", &words::verdict(&advice.reading));
    page.el("p", "lead", &lead(advice));
    page.raw("<div class=\"pair\">\n<div>\n");
    next(page, advice, Standing::Now);
    page.raw("</div>\n<div>\n");
    if let Some(run) = story.runs.last() {
        let title = "Both groups, newest set-up";
        plot(page, run, &format!("now{bow}p"), title);
    }
    page.el("h3", "label", "How far out, and how sure");
    calls(page, &advice.reading);
    let gauge = charts::gauge(&advice.reading, &format!("now{bow}g"), Embedding::Inline);
    if !gauge.is_empty() {
        page.raw("<figure>");
        page.raw(&gauge);
        page.el(
            "figcaption",
            "",
            "Dot: where the bare shafts land against the fletched ones; bar: 95 % sure within, about twice the \u{b1} of the text, which is one standard deviation. Green: in tune.",
        );
        page.raw("</figure>\n");
    }
    page.raw("</div>\n</div>\n");
    let heading = "Keep in mind about these shots";
    page.cautions(heading, &general(advice).collect::<Vec<_>>());
    page.raw("</section>\n");
}

/// The face plot of a run, with what its legend can't say.
pub(super) fn plot(page: &mut Page, run: &RunStory, id: &str, title: &str) {
    let ends: Vec<&End> = run.ends.iter().map(|e| &e.end).collect();
    let plot = FacePlot::of_run(&ends, &run.reading, run.face.as_ref(), title);
    page.raw("<figure class=\"plot\">");
    page.raw(&plot.svg(id, Embedding::Inline));
    page.raw("</figure>\n");
}

/// What was seen, in a sentence, or why there is nothing.
fn lead(advice: &Advice) -> String {
    let failure = advice
        .failure
        .as_ref()
        .or(advice.reading.failure.as_ref())
        .map(|f| f.text.clone());
    failure.unwrap_or_else(|| reading::sentence(&advice.reading))
}

/// How sure the call on each axis is.
pub(super) fn calls(page: &mut Page, reading: &Reading) {
    if reading.offset.is_none() {
        return;
    }
    page.raw("<dl class=\"calls\">\n");
    for (axis, call, p) in words::calls(reading) {
        page.raw("<div>");
        page.el("dt", "", axis);
        let sure = p.map_or_else(String::new, |p| format!(", {} sure", words::percent(p)));
        page.el("dd", "", &format!("{call}{sure}"));
        page.raw("</div>\n");
    }
    page.raw("</dl>\n");
}

/// Whether an advice stands, or stood once: then its cautions are folded away.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Standing {
    Now,
    Then,
}

/// Cautions that belong to no single step.
fn general(advice: &Advice) -> impl Iterator<Item = &Note> {
    advice.cautions.iter().chain(&advice.reading.cautions)
}

/// The next step in full, with its company and the alternatives.
pub(super) fn next(page: &mut Page, advice: &Advice, standing: Standing) {
    let (tag, heading) = match standing {
        Standing::Now => ("h3", "Do this next"),
        Standing::Then => ("h4", "The advice then"),
    };
    page.raw("<div class=\"next\">\n");
    page.el(tag, "label", heading);
    match &advice.next {
        Some(step) => {
            let words = steps::headline(step);
            let long = words.chars().count() > LONG_STEP;
            page.el("p", if long { "step long" } else { "step" }, &words);
            details(page, step);
        }
        None => page.el("p", "step", "Nothing can be advised on these shots"),
    }
    for step in &advice.also {
        page.el("p", "label", "Together with it");
        page.el("p", "step second", &steps::headline(step));
        details(page, step);
    }
    let of_steps = advice
        .next
        .iter()
        .chain(&advice.also)
        .flat_map(|s| &s.cautions);
    match standing {
        Standing::Now => page.cautions("Mind this", &of_steps.collect::<Vec<_>>()),
        Standing::Then => {
            let notes: Vec<&Note> = of_steps.chain(general(advice)).collect();
            if !notes.is_empty() {
                page.raw("<details><summary>What was to be minded</summary>");
                page.cautions("Mind this", &notes);
                page.raw("</details>\n");
            }
        }
    }
    if !advice.others.is_empty() {
        page.raw("<details><summary>Other ways, instead of it</summary>\n<ol class=\"others\">\n");
        for step in advice.others.iter().take(MOST_OTHERS) {
            page.raw("<li>");
            page.el("p", "", &steps::headline(step));
            details(page, step);
            page.cautions("Mind this", &step.cautions.iter().collect::<Vec<_>>());
            page.raw("</li>\n");
        }
        page.raw("</ol></details>\n");
    }
    page.raw("</div>\n");
}

/// From where to where, what to expect, and why.
pub(super) fn details(page: &mut Page, step: &Step) {
    page.facts(&steps::facts(step));
}
