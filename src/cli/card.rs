//! `bossmark card`: the log card of the newest record's bow, on one page.

use super::advise::noted_since;
use super::args::Card;
use super::context::Context;
use super::input;
use super::outputs;
use super::read::report_left_out;
use super::status::CliError;
use super::terminal::{Answers, Terminal};
use crate::advice::{AdviceOptions, advise, levers};
use crate::record::History;
use crate::store::OutputKind;
use crate::text::{Locale, card};
use crate::timeline::{label_of, trend};
use serde_json::json;

/// Schema of a log card.
const SCHEMA: &str = "bossmark/card/1";

/// Runs the command.
pub(super) fn run(args: &Card, terminal: &mut Terminal) -> Result<(), CliError> {
    outputs::check(
        &[(args.output.out.as_ref(), OutputKind::of_schema(SCHEMA))],
        &[&args.records],
    )?;
    let mut context = Context::new(&args.session, None)?;
    let records = input::records(terminal, &args.records, context.flags());
    if records.is_empty() {
        // what is wrong with each input has been reported
        return Ok(());
    }
    let history = History::new(records);
    history
        .left_out
        .iter()
        .for_each(|l| report_left_out(terminal, l));
    let Some(run) = history.newest() else {
        return Err(CliError::not_possible(
            "none of these records holds a measured end: measure photos that show the whole face",
        ));
    };
    let options = AdviceOptions {
        noted_since: noted_since(&history, &mut context)?,
        ..AdviceOptions::default()
    };
    let advice = advise(&history, &options);
    let (levers, points) = (levers(&history), trend(&history));
    let label = label_of(&history);
    let document = json!({
        "schema": SCHEMA, "bow": label, "setup": run.setup, "levers": levers, "best": advice.best, "next": advice.next,
        "trend": points.iter().map(|p| json!({"setup": p.number, "day": p.day, "reading": p.reading})).collect::<Vec<_>>()
    });
    let mut answers = Answers::new(&args.output);
    answers.give(terminal, &document, || {
        let locale = Locale::from(args.local);
        card(&label, &run.setup, &advice, &levers, &points, locale)
    })?;
    answers.finish(false)
}
