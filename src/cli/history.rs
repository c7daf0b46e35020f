//! `bossmark history`: records of weeks and months → each set-up, the trend over the dates, two set-ups compared.

use super::args::History as Args;
use super::context::Context;
use super::input;
use super::outputs;
use super::read::report_left_out;
use super::status::CliError;
use super::terminal::{Answers, Terminal};
use crate::advice::{AdviceOptions, advise};
use crate::record::{History, RecordFile};
use crate::report::{Embedding, charts, csv};
use crate::store::{self, OutputKind};
use crate::text::{Locale, change, history_summary, plain};
use crate::timeline::{SetupComparison, TrendPoint, compare_runs, trend};
use serde_json::{Value, json};

/// Schema of a bow's history.
const SCHEMA: &str = "bossmark/history/1";
/// Schema of two set-ups compared.
const COMPARED_SCHEMA: &str = "bossmark/compared/1";

/// Runs the command.
pub(super) fn run(args: &Args, terminal: &mut Terminal) -> Result<(), CliError> {
    let schema = if args.compare.is_some() {
        COMPARED_SCHEMA
    } else {
        SCHEMA
    };
    outputs::check(
        &[
            (args.output.out.as_ref(), OutputKind::of_schema(schema)),
            (args.csv.as_ref(), OutputKind::Table),
            (args.svg.as_ref(), OutputKind::Drawing),
        ],
        &[&args.records],
    )?;
    let context = Context::new(&args.session, None)?;
    let records = input::records(terminal, &args.records, context.flags());
    if records.is_empty() {
        // what is wrong with each input has been reported
        return Ok(());
    }
    if let Some(path) = &args.csv {
        let sorted = crate::record::history::sorted(records.clone());
        let table = csv::entries(sorted.iter().map(|f| (f.file.as_str(), &f.end)));
        store::save_output(path, table.as_bytes()).map_err(|e| CliError::from(e).about(path))?;
    }
    let (mut bows, left_out) = History::of_each_bow(records);
    left_out.iter().for_each(|l| report_left_out(terminal, l));
    if bows.is_empty() {
        return Err(CliError::not_possible(
            "none of these records holds a measured end: measure photos that show the whole face",
        ));
    }
    let others = bows.len() - 1;
    if !args.all {
        bows.truncate(1);
        if others > 0 {
            terminal.message(&format!(
                "{others} other {} left out: --all lists them too",
                if others == 1 { "bow is" } else { "bows are" }
            ));
        }
    }
    let locale = Locale::from(args.local);
    let mut answers = Answers::new(&args.output);
    for (nth, bow) in bows.iter().enumerate() {
        if let Some(pair) = args.compare {
            let found = pairwise(bow, pair)?;
            answers.give(terminal, &comparison(&found, pair), || {
                plain::compared(
                    &found.changes,
                    &found.readings,
                    found.offset_change.as_ref(),
                    pair,
                    locale,
                )
            })?;
            continue;
        }
        let points = trend(bow);
        let label = crate::timeline::label_of(bow);
        answers.give(terminal, &document(bow, &label, &points), || {
            let best = advise(bow, &AdviceOptions::default()).best;
            let mut words = plain::history(&label, &points, locale);
            words.push_str(&history_summary(best.as_ref(), &points, locale));
            words
        })?;
        if let Some(path) = args.svg.as_ref().filter(|_| nth == 0) {
            let drawing = charts::trend(&points, "t", Embedding::Standalone, locale);
            if drawing.is_empty() {
                return Err(CliError::not_possible(
                    "a trend needs two days or set-ups with an offset: shoot both kinds on each",
                ));
            }
            store::save_output(path, drawing.as_bytes())
                .map_err(|e| CliError::from(e).about(path))?;
        }
    }
    answers.finish(false)
}

fn pairwise(bow: &History, [a, b]: [usize; 2]) -> Result<SetupComparison, CliError> {
    let run = |number: usize| {
        bow.runs.get(number - 1).ok_or_else(|| {
            CliError::usage(format!(
                "there is no set-up {number}: this bow has {}, as `bossmark history` lists them",
                bow.runs.len()
            ))
        })
    };
    compare_runs(run(a)?, run(b)?).ok_or_else(|| {
        CliError::not_possible(
            "the two set-ups were shot from different distances: compare two that share one",
        )
    })
}

fn comparison(found: &SetupComparison, [a, b]: [usize; 2]) -> Value {
    let changes: Vec<Value> = found
        .changes
        .iter()
        .map(|c| json!({"setting": c.setting, "from": c.from.number(), "to": c.to.number(), "words": change(c, Locale::default())}))
        .collect();
    json!({"schema": COMPARED_SCHEMA, "setups": [a, b], "changes": changes, "readings": found.readings, "moved": found.offset_change})
}

fn document(bow: &History, label: &str, points: &[TrendPoint]) -> Value {
    let files = |ends: &[RecordFile]| ends.iter().map(|f| f.file.clone()).collect::<Vec<_>>();
    let setups: Vec<Value> = (1_usize..)
        .zip(&bow.runs)
        .map(|(number, run)| json!({"number": number, "setup": run.setup, "files": files(&run.ends)}))
        .collect();
    let trend: Vec<Value> = points
        .iter()
        .map(|p| json!({"setup": p.number, "day": p.day, "reading": p.reading}))
        .collect();
    json!({"schema": SCHEMA, "bow": label, "setups": setups, "trend": trend, "cautions": bow.remarks})
}
