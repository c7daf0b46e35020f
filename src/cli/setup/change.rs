//! The change just made to the bow: from an advice, from flags, or from both.

use super::flags::setup_of_flags;
use crate::advice::{self, Advice, ApplyError, setup_after};
use crate::cli::args::{SETTING_FLAGS, Setup as SetupArgs};
use crate::cli::context;
use crate::cli::input;
use crate::cli::status::CliError;
use crate::record::{RecordError, SessionFile, Setup, keys, typed};
use crate::text::{Locale, Sentence, changes};
use std::path::Path;

/// Enters the change just made into the session file: that of an advice, with what the flags give instead. Returns the changed
/// settings whose value before isn't known.
pub(super) fn enter_change(
    args: &SetupArgs,
    file: &mut SessionFile,
    path: &Path,
) -> Result<Vec<&'static str>, CliError> {
    let now = file.setup_now();
    let flags = setup_of_flags(args, &now)?;
    let (mut setup, mut words) = (Setup::default(), None);
    if let Some(from) = &args.apply {
        let advice = read_advice(from)?;
        // a value that only the flags give is the value after the change
        match setup_after(&file.setup_now(), &advice) {
            Ok(made) => (setup, words) = (made, Some(changes(&advice, Locale::default()))),
            Err(ApplyError::Unknown { setting }) if flags.number(&setting).is_some() => {}
            Err(ApplyError::Unknown { setting }) => {
                let flag = SETTING_FLAGS.iter().find(|(s, _)| *s == setting);
                return Err(CliError::usage(format!(
                    "the value of `{setting}` after the change isn't known: tell it with {}",
                    flag.map_or("a flag", |(_, flag)| flag)
                )));
            }
            Err(ApplyError::NothingToChange) => return Err(nothing_to_note(&advice)),
            Err(error) => return Err(CliError::usage(error)),
        }
    }
    let setup = flags.or(&setup);
    if setup == Setup::default() {
        return Err(CliError::usage(
            "nothing is changed: tell what, like --plunger 2",
        ));
    }
    if setup.or(&now) == now {
        let given: Vec<&str> = keys::SETTINGS
            .iter()
            .copied()
            .filter(|s| setup.setting(s).is_some())
            .collect();
        return Err(CliError::usage(format!(
            "nothing is changed: the session file says the same already ({})",
            given.join(", ")
        )));
    }
    // what was looked at counts until the next change
    file.session.checked = None;
    let note = args.note.clone().or(words);
    let new = |s: &&str| setup.setting(s).is_some() && now.setting(s).is_none();
    let unknown_before = keys::SETTINGS.iter().copied().filter(new).collect();
    file.change(
        &context::photos_in_order(&context::folder_of(path)),
        setup,
        note,
    );
    Ok(unknown_before)
}

/// An advice that changes nothing: what it says instead.
fn nothing_to_note(advice: &Advice) -> CliError {
    let said = match (&advice.next, &advice.failure) {
        (Some(step), _) => step.detail.text(Locale::default()),
        (None, Some(failure)) => failure.text(Locale::default()),
        (None, None) => "it names no step".to_owned(),
    };
    let said = said.trim_end_matches('.');
    CliError::not_possible(format!(
        "this advice changes nothing ({said}), so there is nothing to note"
    ))
}

fn read_advice(path: &Path) -> Result<Advice, CliError> {
    let bytes = input::bytes(path).map_err(|e| e.about(path))?;
    typed(&bytes, advice::SCHEMA, "the advice").map_err(|error| {
        let wrong = match error {
            RecordError::Empty { .. } => "the file is empty".to_owned(),
            RecordError::NotJson { line, detail, .. } => format!("line {line} is not JSON ({detail})"),
            RecordError::OtherSchema { schema, .. } => {
                format!("this is no {} document (its schema is {schema})", advice::SCHEMA)
            }
            RecordError::Shape { detail, .. } => format!("the advice is not whole ({detail})"),
            // the message about a newer schema says what to do
            other => return CliError::from(other).about(path),
        };
        CliError::file(format!(
            "{wrong}, so nothing is noted: give what `bossmark advise RECORDS --json` wrote, or tell the change made with --changed \
             and a flag like --plunger 2"
        ))
        .about(path)
    })
}
