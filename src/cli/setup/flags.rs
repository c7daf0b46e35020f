//! What the flags give of set-up and session.

use crate::cli::args::Setup as SetupArgs;
use crate::cli::context;
use crate::cli::status::CliError;
use crate::plan::CHECKLIST;
use crate::record::{Limit, SessionFile, Setup, keys};
use std::path::Path;

/// The set-up of the flags. Limits and arrows are those of `now` with what the flags add.
pub(super) fn setup_of_flags(args: &SetupArgs, now: &Setup) -> Result<Setup, CliError> {
    let mut setup = args.setup();
    setup.bow.clone_from(&args.session.bow);
    if !args.arrow.is_empty() {
        let mut arrows = now.arrows.clone().unwrap_or_default();
        for (k, new) in args.arrow.iter().enumerate() {
            if args.arrow[..k].iter().any(|a| a.arrow == new.arrow) {
                return Err(CliError::usage(format!(
                    "--arrow tells {:?} twice: give each arrow once",
                    new.arrow
                )));
            }
            match arrows.iter_mut().find(|a| a.arrow == new.arrow) {
                Some(old) => *old = new.clone(),
                None => arrows.push(new.clone()),
            }
        }
        setup.arrows = Some(arrows);
    }
    if !args.limit.is_empty() {
        let mut limits = now.limits.clone().unwrap_or_default();
        for (setting, new) in &args.limit {
            let known: Vec<&str> = keys::SETTINGS.to_vec();
            if !known.contains(&setting.as_str()) {
                let likely = keys::nearest(setting, &known, 3).join(", ");
                return Err(CliError::usage(format!(
                    "--limit: `{setting}` is no setting: did you mean {likely}?"
                )));
            }
            let limit = limits.entry(setting.clone()).or_default();
            *limit = joined(new, limit);
        }
        setup.limits = Some(limits);
    }
    Ok(setup)
}

/// The codes of an advice's checks.
const CHECKS: [&str; 9] = [
    "scale",
    "bolt-stop",
    "contact",
    "tags",
    "mass",
    "brace-height",
    "centre-shot",
    "plunger",
    "form",
];

/// Those that were there and those given; `None` where none is given.
fn codes(
    flag: &str,
    given: &[String],
    known: &[&str],
    old: Option<&Vec<String>>,
) -> Result<Option<Vec<String>>, CliError> {
    if let Some(wrong) = given.iter().find(|code| !known.contains(&code.as_str())) {
        let likely = keys::nearest(wrong, known, 3).join(", ");
        return Err(CliError::usage(format!(
            "{flag}: `{wrong}` is not known: did you mean {likely}?"
        )));
    }
    if given.is_empty() {
        return Ok(None);
    }
    let mut all = old.cloned().unwrap_or_default();
    all.extend(given.iter().cloned());
    all.sort();
    all.dedup();
    Ok(Some(all))
}

/// A limit with the fields of `new`, and those of `old` where `new` has none.
fn joined(new: &Limit, old: &Limit) -> Limit {
    Limit {
        min: new.min.or(old.min),
        max: new.max.or(old.max),
        step: new.step.or(old.step),
        owned: new.owned.clone().or_else(|| old.owned.clone()),
        obtainable: new.obtainable.clone().or_else(|| old.obtainable.clone()),
        usual: new.usual.or(old.usual),
        extra: old.extra.clone(),
    }
}

/// Enters what the flags give for all ends into the session file.
pub(super) fn enter_flags(args: &SetupArgs, file: &mut SessionFile) -> Result<(), CliError> {
    let old = file.session.setup.clone().unwrap_or_default();
    let mut setup = setup_of_flags(args, &old)?;
    setup.checklist = codes("--ticked", &args.ticked, &CHECKLIST, old.checklist.as_ref())?;
    let changes = file.ends.iter().flatten();
    for change in changes.filter_map(|e| e.session.setup.as_ref()) {
        let changed = |s: &&&str| change.setting(s).is_some() && setup.setting(s).is_some();
        if let Some(setting) = keys::SETTINGS.iter().find(changed) {
            return Err(CliError::usage(format!(
                "`{setting}` was changed in the course of `ends`: add --changed if it was changed again just now, or correct it in \
                 the file"
            )));
        }
    }
    let mut session = args.session.to_session();
    session.checked = codes(
        "--checked",
        &args.checked,
        &CHECKS,
        file.session.checked.as_ref(),
    )?;
    // in this file the numbers of shafts stand beside the session
    file.fletched = session.fletched.take().or(file.fletched);
    file.bare = session.bare.take().or(file.bare);
    session.setup = (setup != Setup::default()).then_some(setup);
    file.session = session.or(&file.session);
    if let Some(face) = &args.face {
        context::face_named(face, Path::new(""))?;
        file.face = Some(face.clone());
    }
    Ok(())
}
