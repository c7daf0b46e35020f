//! An advice in the words that a person reads.

use bossmark::advice::{Advice, AdviceOptions, Step, advise, explain};
use bossmark::record::History;
use bossmark::text::{Locale, Sentence, step_sentence};

pub(crate) fn next(advice: &Advice) -> &Step {
    advice.next.as_ref().unwrap()
}

pub(crate) fn advice_for(history: &History) -> Advice {
    advise(history, &AdviceOptions::default())
}

/// In the documents' own locale.
pub(crate) fn said(values: &impl Sentence) -> String {
    values.text(Locale::default())
}

fn sentence(step: &Step) -> String {
    step_sentence(step, Locale::default())
}

/// What a person reads: each step as a sentence, cautions below, and the chain behind it.
pub(crate) fn text(history: &History, options: &AdviceOptions) -> String {
    let advice = advise(history, options);
    let mut out = String::new();
    let mut step = |head: &str, step: &Step| {
        out.push_str(&format!("{head}: {}\n", sentence(step)));
        for note in &step.cautions {
            out.push_str(&format!("  [{}] {}\n", note.code, said(note)));
        }
    };
    if let Some(s) = &advice.next {
        step("next", s);
    }
    for s in &advice.also {
        step("also", s);
    }
    for s in &advice.others {
        step("or", s);
    }
    for l in &advice.learned {
        out.push_str(&format!(
            "learned: {:?} {} mm per {} ± {} from {} changes, before {}\n",
            l.change, l.mm_per_unit, l.unit, l.sd, l.from_changes, l.prior_mm_per_unit
        ));
    }
    for note in &advice.cautions {
        out.push_str(&format!("[{}] {}\n", note.code, said(note)));
    }
    if let Some(failure) = &advice.failure {
        out.push_str(&format!("failure [{}] {}\n", failure.code, said(failure)));
    }
    out.push_str(&format!("done: {}\n-- why\n", advice.done));
    let chain: Vec<String> = explain(history, options).iter().map(said).collect();
    out.push_str(&chain.join("\n"));
    out
}
