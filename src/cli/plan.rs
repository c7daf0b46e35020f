//! `bossmark plan`: what to shoot, and how precise that will be.

use super::args::Plan;
use super::context::{Context, face_named};
use super::input;
use super::outputs;
use super::status::CliError;
use super::terminal::{Answers, Terminal};
use crate::plan::{self, PlanOptions};
use crate::record::{History, Run};
use crate::store::OutputKind;
use crate::text::{self, note_for_student};
use crate::timeline::readings_of;
use std::path::Path;

/// Runs the command.
pub(super) fn run(args: &Plan, terminal: &mut Terminal) -> Result<(), CliError> {
    outputs::check(
        &[(
            args.output.out.as_ref(),
            OutputKind::of_schema(plan::SCHEMA),
        )],
        &[&args.records],
    )?;
    let context = Context::new(&args.session, None)?;
    let mut known = PlanOptions::default();
    if !args.records.is_empty() {
        let records = input::records(terminal, &args.records, context.flags());
        if let Some(run) = History::new(records).newest() {
            known = from_run(run);
        }
    }
    let distance_m = args.session.distance.or(known.distance_m);
    let options = PlanOptions {
        distance_m,
        scatter_sd_mm: args
            .scatter
            .or_else(|| {
                args.group
                    .and_then(|mm| plan::scatter_of_group(mm, args.group_arrows))
            })
            .or_else(|| rescaled(known.scatter_sd_mm, known.distance_m, distance_m)),
        tolerance_30m_mm: args.tolerance.or(known.tolerance_30m_mm),
        certainty: args.certainty,
        hand: args.session.hand.map(Into::into).or(known.hand),
    };
    let plan = plan::plan(&options);
    if args.for_student {
        let named = args.face.as_deref();
        let face = named.map(|f| face_named(f, Path::new(""))).transpose()?;
        let note = note_for_student(&plan, &options, face.as_ref().map(|f| f.name.as_str()));
        terminal.text(&note);
        return Ok(());
    }
    let mut answers = Answers::new(&args.output);
    answers.give(terminal, &plan, || text::plan(&plan, args.units.into()))?;
    answers.finish(false)
}

/// What the ends of the newest set-up show: the distance last shot, and how the fletched arrows scattered there.
fn from_run(run: &Run) -> PlanOptions {
    let reading = readings_of(run).pop().map(|r| r.reading);
    let scatter = reading.as_ref().and_then(|r| r.scatter);
    PlanOptions {
        distance_m: reading.and_then(|r| r.distance_m),
        // one figure for both axes, of the same variance
        scatter_sd_mm: scatter.map(|s| {
            let [x, y] = s.fletched_sd_mm;
            ((x * x + y * y) / 2.0).sqrt()
        }),
        tolerance_30m_mm: run.setup.tolerance_30m_mm,
        hand: run
            .ends
            .iter()
            .rev()
            .find_map(|filed| filed.end.session.hand),
        certainty: None,
    }
}

/// A scatter at another distance: it grows with it.
fn rescaled(sd_mm: Option<f64>, from_m: Option<f64>, to_m: Option<f64>) -> Option<f64> {
    match (sd_mm, from_m, to_m) {
        (Some(sd), Some(from), Some(to)) if from > 0.0 => Some(sd * to / from),
        (sd, _, _) => sd,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scatter_grows_with_distance() {
        assert_eq!(rescaled(Some(20.0), Some(20.0), Some(30.0)), Some(30.0));
        assert_eq!(rescaled(Some(20.0), None, Some(30.0)), Some(20.0));
        assert_eq!(rescaled(None, Some(18.0), Some(30.0)), None);
    }
}
