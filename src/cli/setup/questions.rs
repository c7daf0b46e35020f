//! The questions that `setup` asks on a terminal.

use crate::cli::args;
use crate::cli::context;
use crate::cli::status::CliError;
use crate::cli::terminal::Terminal;
use crate::record::{Limit, SessionFile, Setup, check};
use std::io::{BufRead, Write as _};
use std::path::Path;

/// A question, and the function that enters its answer into the session file.
type Question = (
    &'static str,
    fn(&mut SessionFile, &str) -> Result<(), String>,
);

fn setup_mut(file: &mut SessionFile) -> &mut Setup {
    file.session.setup.get_or_insert_default()
}

/// The questions, the most useful ones first.
const QUESTIONS: &[Question] = &[
    (
        "Target face (`bossmark faces` lists them), like wa-80",
        |f, t| {
            context::face_named(t, Path::new("")).map_err(|e| e.text)?;
            f.face = Some(t.to_owned());
            Ok(())
        },
    ),
    ("Hand that draws the string: right or left", |f, t| {
        f.session.hand = Some(args::hand(t)?);
        Ok(())
    }),
    ("Shooting distance, like 30 or 30yd", |f, t| {
        f.session.distance_m = Some(args::distance(t)?);
        Ok(())
    }),
    ("Archer: any name", |f, t| {
        f.session.archer = Some(t.to_owned());
        Ok(())
    }),
    ("Bow: any name", |f, t| {
        setup_mut(f).bow = Some(t.to_owned());
        Ok(())
    }),
    (
        "Draw weight on the fingers, like 36 (lb) or 16kg",
        |f, t| {
            setup_mut(f).draw_weight_lb = Some(args::pounds(t)?);
            Ok(())
        },
    ),
    ("Turns that each limb bolt is out from fully in", |f, t| {
        setup_mut(f).bolt_turns_out = Some(args::number(t)?);
        Ok(())
    }),
    ("Turns out that the bow's maker allows at most", |f, t| {
        limit_mut(f, "bolt_turns_out").max = Some(args::number(t)?);
        Ok(())
    }),
    ("Spine of the shafts, like 600", |f, t| {
        setup_mut(f).shaft_spine = Some(args::number(t)?);
        Ok(())
    }),
    (
        "Length of the shafts, nock groove to tube's end, like 737 (mm) or 29in",
        |f, t| {
            setup_mut(f).shaft_length_mm = Some(args::length(t)?);
            Ok(())
        },
    ),
    (
        "Shortest length that safely clears rest and hand at full draw",
        |f, t| {
            limit_mut(f, "shaft_length_mm").min = Some(args::length(t)?);
            Ok(())
        },
    ),
    ("Weight of the point, like 100 (gr) or 6.5g", |f, t| {
        setup_mut(f).point_gr = Some(args::grains(t)?);
        Ok(())
    }),
    ("Points that you own, in grains, like 90,100,110", |f, t| {
        limit_mut(f, "point_gr").owned = Some(args::numbers(t)?);
        Ok(())
    }),
    ("Plunger: clicks from your mark, + = stiffer", |f, t| {
        setup_mut(f).plunger_clicks = Some(args::number(t)?);
        Ok(())
    }),
    (
        "Nocking point: underside of the nock above square, like 6 (mm)",
        |f, t| {
            setup_mut(f).nocking_point_mm = Some(args::length(t)?);
            Ok(())
        },
    ),
    ("Rest: height from your mark, mm", |f, t| {
        setup_mut(f).rest_height_mm = Some(args::length(t)?);
        Ok(())
    }),
];

fn limit_mut<'a>(file: &'a mut SessionFile, setting: &str) -> &'a mut Limit {
    let limits = setup_mut(file).limits.get_or_insert_default();
    limits.entry(setting.to_owned()).or_default()
}

/// Asks a person on the terminal. An empty line leaves a question open.
pub(super) fn ask(file: &mut SessionFile, terminal: &mut Terminal) -> Result<(), CliError> {
    terminal.show("Leave empty what you don't know; nothing has to be told.");
    let mut lines = std::io::stdin().lock().lines();
    for (question, enter) in QUESTIONS {
        loop {
            let mut out = std::io::stderr().lock();
            let _ = write!(out, "{question}: ").and_then(|()| out.flush());
            let Some(Ok(line)) = lines.next() else {
                // end of input: the rest stays open; a line feed separates what follows from the question
                terminal.show("");
                return Ok(());
            };
            if line.trim().is_empty() {
                break;
            }
            let mut tried = file.clone();
            let fault = enter(&mut tried, line.trim()).err().or_else(|| {
                let faults = check::check_session(&tried.session, "session");
                faults.first().map(ToString::to_string)
            });
            match fault {
                None => {
                    *file = tried;
                    break;
                }
                Some(fault) => terminal.show(&fault),
            }
        }
    }
    Ok(())
}
