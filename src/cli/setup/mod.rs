//! `bossmark setup`: makes a session file, checks one, or carries one on to the next end.

mod change;
mod flags;
mod questions;
mod text;

use super::args::Setup as SetupArgs;
use super::context::SESSION_FILE;
use super::status::CliError;
use super::terminal::Terminal;
use crate::record::{SessionFile, canonical};
use crate::store::{self, StoreError};
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// The JSON Schema of the session file.
const JSON_SCHEMA: &str = include_str!("../../record/schemas/session.schema.json");

/// Runs the command.
pub(super) fn run(args: &SetupArgs, terminal: &mut Terminal) -> Result<(), CliError> {
    if args.schema {
        terminal.answer(JSON_SCHEMA.as_bytes());
        return Ok(());
    }
    let path = path(args);
    let in_place = args.output.out.as_ref().is_none_or(|out| *out == path);
    // from reading to writing, so that of two changes at a time none is lost
    let mut lock = in_place.then(|| store::lock(&path)).transpose()?;
    let old = read(&path, terminal)?;
    let mut before = old.clone().unwrap_or_default();
    let asks = old.is_none() && args.is_empty() && std::io::stdin().is_terminal();
    let (exists, mut file) = match old {
        Some(file) => (true, file),
        None => (false, SessionFile::default()),
    };
    let unchanged = if args.apply.is_some() || args.changed {
        if !exists && args.apply.is_some() {
            return Err(CliError::usage(
                "there is no session file yet: make one first, with `bossmark setup` and what you know of the bow",
            )
            .about(&path));
        }
        for setting in change::enter_change(args, &mut file, &path)? {
            terminal.message(&format!(
                "{}: the value of `{setting}` before the change is not known, so ends before and after it are read \
                 together: put the old value into the file's `session`, where the bow was described",
                path.display()
            ));
        }
        false
    } else if asks {
        // nobody is kept waiting while a person thinks
        drop(lock.take());
        questions::ask(&mut file, terminal)?;
        lock = in_place.then(|| store::lock(&path)).transpose()?;
        if file == SessionFile::default() {
            terminal.message("nothing was told, so nothing is written");
            return Ok(());
        }
        false
    } else {
        before.clone_from(&file);
        flags::enter_flags(args, &mut file)?;
        before == file
    };
    if !exists && unchanged {
        return Err(CliError::usage(
            "there is no session file to check, and nothing to make one of: tell something with flags (`bossmark setup --help`), or \
             run it on a terminal to be asked",
        )
        .about(&path));
    }
    let bytes = canonical::pretty(&file)?;
    // what the flags give is checked in the same way as a file
    let (_, notes) = SessionFile::parse(&bytes).map_err(CliError::from)?;
    if !unchanged {
        notes.iter().for_each(|n| terminal.message(n));
    }
    let saved = write(args, &path, [&before, &file], &bytes, unchanged, terminal);
    drop(lock);
    saved
}

/// Writes the session file if it has changed, and shows it.
fn write(
    args: &SetupArgs,
    path: &Path,
    [before, file]: [&SessionFile; 2],
    bytes: &[u8],
    unchanged: bool,
    terminal: &mut Terminal,
) -> Result<(), CliError> {
    let target = args.output.out.as_deref().unwrap_or(path);
    let to_stdout = target == Path::new("-");
    if !to_stdout && (!unchanged || args.output.out.is_some()) {
        let saved = if target == path {
            store::save_session(target, before, file)
        } else {
            store::save_output(target, bytes)
        };
        saved.map_err(|e| CliError::from(e).about(target))?;
        terminal.message(&format!("{}: written", target.display()));
    }
    if to_stdout || args.output.json {
        terminal.answer(&canonical::line(file)?);
    } else {
        terminal.text(&text::text(file));
    }
    Ok(())
}

/// Path of the session file: the one named, that in the folder named, or that in the current folder.
fn path(args: &SetupArgs) -> PathBuf {
    let named = args.file.clone().or_else(|| args.session.session.clone());
    match named {
        Some(path) if path.is_dir() => path.join(SESSION_FILE),
        Some(path) => path,
        None => PathBuf::from(SESSION_FILE),
    }
}

fn read(path: &Path, terminal: &mut Terminal) -> Result<Option<SessionFile>, CliError> {
    match store::read(path) {
        Ok(bytes) => {
            let (file, notes) =
                SessionFile::parse(&bytes).map_err(|e| CliError::from(e).about(path))?;
            for note in notes {
                terminal.message(&format!("{}: {note}", path.display()));
            }
            Ok(Some(file))
        }
        Err(StoreError::Missing) => Ok(None),
        Err(error) => Err(CliError::from(error).about(path)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::keys;
    use serde_json::{Value, json};
    use std::collections::BTreeSet;

    fn names(value: &Value) -> BTreeSet<&str> {
        let all = value.as_object().expect("properties");
        all.keys().map(String::as_str).collect()
    }

    fn set<'a>(all: &[&'a str]) -> BTreeSet<&'a str> {
        all.iter().copied().collect()
    }

    /// The schema names what the reader knows, no more and no less, with the ranges that the reader checks.
    #[test]
    fn the_json_schema_says_what_is_read() {
        let schema: Value = serde_json::from_str(JSON_SCHEMA).expect("JSON");
        assert_eq!(
            schema["$schema"],
            "https://json-schema.org/draft/2020-12/schema"
        );
        assert_eq!(
            schema["properties"]["schema"]["const"],
            "bossmark/session/1"
        );
        let parts = &schema["$defs"];
        assert_eq!(names(&schema["properties"]), set(keys::SESSION_FILE));
        assert_eq!(names(&parts["session"]["properties"]), set(keys::SESSION));
        assert_eq!(names(&parts["setup"]["properties"]), set(keys::SETUP));
        assert_eq!(names(&parts["limit"]["properties"]), set(keys::LIMIT));
        assert_eq!(names(&parts["arrow"]["properties"]), set(keys::ARROW));
        assert_eq!(parts["colour"]["examples"], json!(crate::colours::names()));
        let mut end = set(keys::SESSION);
        end.insert("photo");
        assert_eq!(names(&parts["end"]["properties"]), end);
        let ranges: Value =
            serde_json::from_str(include_str!("../../../calibration/setting-ranges.json"))
                .expect("JSON");
        for (name, range) in ranges["ranges"].as_object().expect("ranges") {
            let home = if name == "distance_m" {
                "session"
            } else {
                "setup"
            };
            let property = &parts[home]["properties"][name];
            for (ours, theirs) in [("min", "minimum"), ("max", "maximum")] {
                assert_eq!(property[theirs].as_f64(), range[ours].as_f64(), "{name}");
            }
            assert!(property["description"].is_string(), "{name}");
        }
        let levers: Vec<&str> = crate::record::Lever::ALL.iter().map(|l| l.name()).collect();
        assert_eq!(
            parts["setup"]["properties"]["keep"]["items"]["enum"],
            json!(levers)
        );
        let settings: Vec<&str> = keys::SETTINGS
            .iter()
            .copied()
            .filter(|s| *s != "shafts")
            .collect();
        assert_eq!(
            names(&parts["setup"]["properties"]["limits"]["properties"]),
            set(&settings)
        );
    }
}
