//! `bossmark setup`: a session file made, checked, or carried on to the next end.

use super::args::{SETTING_FLAGS, Setup as SetupArgs};
use super::context::{self, SESSION_FILE};
use super::input;
use super::status::CliError;
use super::terminal::Terminal;
use crate::advice::{self, Advice, NotMade, made_all};
use crate::record::{
    Limit, NamedArrow, RecordError, SessionFile, Setup, canonical, check, keys, typed,
};
use crate::store::{self, StoreError};
use std::fmt::Write as _;
use std::io::{BufRead, IsTerminal, Write as _};
use std::path::{Path, PathBuf};

/// The JSON Schema of the session file.
const JSON_SCHEMA: &str = include_str!("../../schemas/session.schema.json");

/// Runs the command.
pub(super) fn run(args: &SetupArgs, terminal: &mut Terminal) -> Result<(), CliError> {
    if args.schema {
        terminal.answer(JSON_SCHEMA.as_bytes());
        return Ok(());
    }
    let path = path(args);
    let old = read(&path, terminal)?;
    let asked = old.is_none() && args.is_empty() && std::io::stdin().is_terminal();
    let (told, mut file) = match old {
        Some(file) => (true, file),
        None => (false, SessionFile::default()),
    };
    let nothing_new = if args.apply.is_some() || args.changed {
        if !told && args.apply.is_some() {
            return Err(CliError::usage(
                "there is no session file yet: make one first, with `bossmark setup` and what you know of the bow",
            )
            .about(&path));
        }
        for setting in change(args, &mut file, &path)? {
            terminal.tell(&format!(
                "{}: what `{setting}` was before is not told, so ends before and after can't be told apart by it and are read \
                 together: put the old value into the file's `session`, where the bow was described",
                path.display()
            ));
        }
        false
    } else if asked {
        ask(&mut file, terminal)?;
        if file == SessionFile::default() {
            terminal.tell("nothing was told, so nothing is written");
            return Ok(());
        }
        false
    } else {
        let before = file.clone();
        fill(args, &mut file)?;
        before == file
    };
    if !told && nothing_new {
        return Err(CliError::usage(
            "there is no session file to check, and nothing to make one of: tell something with flags (`bossmark setup --help`), or \
             run it on a terminal to be asked",
        )
        .about(&path));
    }
    let bytes = canonical::pretty(&file)?;
    // what flags make is checked as what a file says
    let (_, notes) = SessionFile::parse(&bytes).map_err(CliError::from)?;
    if !nothing_new {
        notes.iter().for_each(|n| terminal.tell(n));
    }
    give(args, &path, &file, &bytes, nothing_new, terminal)
}

/// Writes what is new, and shows it.
fn give(
    args: &SetupArgs,
    path: &Path,
    file: &SessionFile,
    bytes: &[u8],
    nothing_new: bool,
    terminal: &mut Terminal,
) -> Result<(), CliError> {
    let target = args.output.out.as_deref().unwrap_or(path);
    let to_stdout = target == Path::new("-");
    if !to_stdout && (!nothing_new || args.output.out.is_some()) {
        store::save_document(target, bytes).map_err(|e| CliError::from(e).about(target))?;
        terminal.tell(&format!("{}: written", target.display()));
    }
    if to_stdout || args.output.json {
        terminal.answer(&canonical::line(file)?);
    } else {
        terminal.text(&text(file));
    }
    Ok(())
}

/// The session file meant: named, in the folder named, or in this one.
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
                terminal.tell(&format!("{}: {note}", path.display()));
            }
            Ok(Some(file))
        }
        Err(StoreError::Missing) => Ok(None),
        Err(error) => Err(CliError::from(error).about(path)),
    }
}

/// Notes the change just made: that of an advice, with what the flags say instead. Returns the settings changed whose value before
/// nobody told.
fn change(
    args: &SetupArgs,
    file: &mut SessionFile,
    path: &Path,
) -> Result<Vec<&'static str>, CliError> {
    let now = file.setup_now();
    let flags = flags(args, &now)?;
    let (mut setup, mut words) = (Setup::default(), None);
    if let Some(from) = &args.apply {
        let advice = advice_at(from)?;
        // what the flags tell of the value now, where nobody knew it, is the value after the change
        match made_all(&file.setup_now(), &advice) {
            Ok((made, said)) => (setup, words) = (made, Some(said)),
            Err(NotMade::Unknown { setting }) if flags.number(&setting).is_some() => {}
            Err(NotMade::Unknown { setting }) => {
                let flag = SETTING_FLAGS.iter().find(|(s, _)| *s == setting);
                return Err(CliError::usage(format!(
                    "the value of `{setting}` after the change isn't known: tell it with {}",
                    flag.map_or("a flag", |(_, flag)| flag)
                )));
            }
            Err(error @ NotMade::NothingToChange(_)) => return Err(CliError::not_possible(error)),
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
        let told: Vec<&str> = keys::SETTINGS
            .iter()
            .copied()
            .filter(|s| setup.setting(s).is_some())
            .collect();
        return Err(CliError::usage(format!(
            "nothing is changed: the session file says the same already ({})",
            told.join(", ")
        )));
    }
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

fn advice_at(path: &Path) -> Result<Advice, CliError> {
    let bytes = input::bytes(path).map_err(|e| e.about(path))?;
    typed(&bytes, advice::SCHEMA, "the advice").map_err(|error| {
        let wrong = match error {
            RecordError::Empty => "the file is empty".to_owned(),
            RecordError::NotJson { line, detail } => format!("line {line} is not JSON ({detail})"),
            RecordError::OtherSchema { schema, .. } => {
                format!("this is no {} document (its schema is {schema})", advice::SCHEMA)
            }
            RecordError::Shape { detail, .. } => format!("the advice is not whole ({detail})"),
            // a newer advice says itself what to do
            other => return CliError::from(other).about(path),
        };
        CliError::file(format!(
            "{wrong}, so nothing is noted: give what `bossmark advise RECORDS --json` wrote, or tell the change made with --changed \
             and a flag like --plunger 2"
        ))
        .about(path)
    })
}

/// What the flags say of the set-up; limits are those of `now` with what the flags add.
fn flags(args: &SetupArgs, now: &Setup) -> Result<Setup, CliError> {
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

/// What the flags say of all ends.
fn fill(args: &SetupArgs, file: &mut SessionFile) -> Result<(), CliError> {
    let old = file.session.setup.clone().unwrap_or_default();
    let setup = flags(args, &old)?;
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
    // numbers shot stand beside the session in this file
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

/// A question: what is asked, and where the answer goes.
type Question = (
    &'static str,
    fn(&mut SessionFile, &str) -> Result<(), String>,
);

fn setup_of(file: &mut SessionFile) -> &mut Setup {
    file.session.setup.get_or_insert_default()
}

/// What is asked on a terminal, the most useful first.
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
        f.session.hand = Some(super::args::hand(t)?);
        Ok(())
    }),
    ("Shooting distance, like 30 or 30yd", |f, t| {
        f.session.distance_m = Some(super::args::distance(t)?);
        Ok(())
    }),
    ("Archer: any name", |f, t| {
        f.session.archer = Some(t.to_owned());
        Ok(())
    }),
    ("Bow: any name", |f, t| {
        setup_of(f).bow = Some(t.to_owned());
        Ok(())
    }),
    (
        "Draw weight on the fingers, like 36 (lb) or 16kg",
        |f, t| {
            setup_of(f).draw_weight_lb = Some(super::args::pounds(t)?);
            Ok(())
        },
    ),
    ("Turns that each limb bolt is out from fully in", |f, t| {
        setup_of(f).bolt_turns_out = Some(super::args::number(t)?);
        Ok(())
    }),
    ("Turns out that the bow's maker allows at most", |f, t| {
        limit_of(f, "bolt_turns_out").max = Some(super::args::number(t)?);
        Ok(())
    }),
    ("Spine of the shafts, like 600", |f, t| {
        setup_of(f).shaft_spine = Some(super::args::number(t)?);
        Ok(())
    }),
    (
        "Length of the shafts, nock groove to tube's end, like 737 (mm) or 29in",
        |f, t| {
            setup_of(f).shaft_length_mm = Some(super::args::length(t)?);
            Ok(())
        },
    ),
    (
        "Shortest length that safely clears rest and hand at full draw",
        |f, t| {
            limit_of(f, "shaft_length_mm").min = Some(super::args::length(t)?);
            Ok(())
        },
    ),
    ("Weight of the point, like 100 (gr) or 6.5g", |f, t| {
        setup_of(f).point_gr = Some(super::args::grains(t)?);
        Ok(())
    }),
    ("Points that you own, in grains, like 90,100,110", |f, t| {
        limit_of(f, "point_gr").owned = Some(super::args::numbers(t)?);
        Ok(())
    }),
    ("Plunger: clicks from your mark, + = stiffer", |f, t| {
        setup_of(f).plunger_clicks = Some(super::args::number(t)?);
        Ok(())
    }),
    (
        "Nocking point: underside of the nock above square, like 6 (mm)",
        |f, t| {
            setup_of(f).nocking_point_mm = Some(super::args::length(t)?);
            Ok(())
        },
    ),
    ("Rest: height from your mark, mm", |f, t| {
        setup_of(f).rest_height_mm = Some(super::args::length(t)?);
        Ok(())
    }),
];

fn limit_of<'a>(file: &'a mut SessionFile, setting: &str) -> &'a mut Limit {
    let limits = setup_of(file).limits.get_or_insert_default();
    limits.entry(setting.to_owned()).or_default()
}

/// Asks a person on the terminal; an empty line leaves a question open.
fn ask(file: &mut SessionFile, terminal: &mut Terminal) -> Result<(), CliError> {
    terminal.show("Leave empty what you don't know; nothing has to be told.");
    let mut lines = std::io::stdin().lock().lines();
    for (question, put) in QUESTIONS {
        loop {
            let mut out = std::io::stderr().lock();
            let _ = write!(out, "{question}: ").and_then(|()| out.flush());
            let Some(Ok(line)) = lines.next() else {
                // the rest is left open; what follows shall not stand behind the question
                terminal.show("");
                return Ok(());
            };
            if line.trim().is_empty() {
                break;
            }
            let mut tried = file.clone();
            let fault = put(&mut tried, line.trim()).err().or_else(|| {
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

/// What a session file says, for people, and what else would help the advice.
fn text(file: &SessionFile) -> String {
    let mut out = String::new();
    let session = &file.session;
    let mut line = |name: &str, value: Option<String>| {
        if let Some(value) = value {
            let _ = writeln!(out, "{name:<24} {value}");
        }
    };
    line("face", file.face.clone());
    line("archer", session.archer.clone());
    line(
        "hand",
        session.hand.map(|h| format!("{h:?}").to_lowercase()),
    );
    line("distance_m", session.distance_m.map(|d| d.to_string()));
    line("date", session.date.clone());
    line("fletched", file.fletched.map(|n| n.to_string()));
    line("bare", file.bare.map(|n| n.to_string()));
    let setup = file.setup_now();
    let value = serde_json::to_value(&setup).unwrap_or_default();
    for (name, value) in value.as_object().into_iter().flatten() {
        if name != "limits" && name != "arrows" {
            line(name, Some(plain(value)));
        }
    }
    for arrow in setup.arrows.iter().flatten() {
        line(&format!("arrow {}", arrow.arrow), Some(looks(arrow)));
    }
    for (setting, limit) in setup.limits.iter().flatten() {
        let value = serde_json::to_value(limit).unwrap_or_default();
        let parts: Vec<String> = value
            .as_object()
            .into_iter()
            .flatten()
            .map(|(name, value)| format!("{name} {}", plain(value)))
            .collect();
        line(&format!("limit of {setting}"), Some(parts.join(", ")));
    }
    let ends = file.ends.iter().flatten();
    let changes = ends.filter(|e| e.session.setup.is_some()).count();
    if changes > 0 {
        let _ = writeln!(
            out,
            "(as after {changes} {} told in `ends`)",
            if changes == 1 { "change" } else { "changes" }
        );
    }
    let open = open(file, &setup);
    if !open.is_empty() {
        let _ = writeln!(out, "Would help the advice: {}.", open.join("; "));
    }
    out
}

/// How an arrow looks, in words.
fn looks(arrow: &NamedArrow) -> String {
    let kind = arrow.kind.map(|k| format!("{k:?}").to_lowercase());
    let nock = arrow.nock.as_ref().map(|c| format!("nock {c}"));
    let vanes = arrow.vanes.as_ref().filter(|v| !v.is_empty());
    let vanes = vanes.map(|v| format!("vanes {}", v.join(" and ")));
    let told: Vec<String> = [kind, nock, vanes].into_iter().flatten().collect();
    if told.is_empty() {
        return "looks not told".to_owned();
    }
    told.join(", ")
}

fn plain(value: &serde_json::Value) -> String {
    match value {
        serde_json::Value::String(text) => text.clone(),
        serde_json::Value::Array(all) => all.iter().map(plain).collect::<Vec<_>>().join(", "),
        serde_json::Value::Number(n) if n.as_f64().is_some_and(|n| n.fract() == 0.0) => {
            format!("{:.0}", n.as_f64().unwrap_or_default())
        }
        other => other.to_string(),
    }
}

/// What isn't told and makes a difference to the advice.
fn open(file: &SessionFile, setup: &Setup) -> Vec<String> {
    let limit = |name: &str| setup.limits.as_ref().and_then(|l| l.get(name));
    let physics: Vec<&str> = advice::missing(setup).iter().map(|m| m.0).collect();
    let mut open = Vec::new();
    let mut miss = |missing: bool, what: &str| {
        if missing {
            open.push(what.to_owned());
        }
    };
    miss(
        file.session.hand.is_none(),
        "the hand (--hand): left and right mean nothing without it",
    );
    miss(
        file.session.distance_m.is_none(),
        "the distance (--distance): nothing is called without it",
    );
    for (setting, flag) in SETTING_FLAGS {
        let moved = [
            "draw_weight_lb",
            "bolt_turns_out",
            "shaft_spine",
            "shaft_length_mm",
            "point_gr",
            "plunger_clicks",
            "nocking_point_mm",
            "rest_height_mm",
        ];
        miss(
            moved.contains(setting) && setup.setting(setting).is_none(),
            &format!("{setting} ({flag})"),
        );
        // the same as `advise --why` asks for
        miss(
            !moved.contains(setting) && physics.contains(setting),
            &format!("{setting} ({flag}), for exchange rates by physics"),
        );
    }
    miss(
        limit("shaft_length_mm").and_then(|l| l.min).is_none(),
        "the shortest safe length (--limit shaft_length_mm=711..), without which no cut is advised",
    );
    miss(
        limit("bolt_turns_out").and_then(|l| l.max).is_none(),
        "how far out the maker lets the bolts be turned (--limit bolt_turns_out=0..4)",
    );
    miss(
        limit("point_gr").is_none_or(|l| l.owned.is_none() && l.obtainable.is_none()),
        "the points that you own (--limit point_gr=owned:90,100,110)",
    );
    open
}

#[cfg(test)]
mod tests {
    use super::*;
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
            serde_json::from_str(include_str!("../../calibration/settings.json")).expect("JSON");
        for (name, range) in ranges["ranges"].as_object().expect("ranges") {
            let home = if name == "distance_m" {
                "session"
            } else {
                "setup"
            };
            let told = &parts[home]["properties"][name];
            for (ours, theirs) in [("min", "minimum"), ("max", "maximum")] {
                assert_eq!(told[theirs].as_f64(), range[ours].as_f64(), "{name}");
            }
            assert!(told["description"].is_string(), "{name}");
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

    #[test]
    fn every_setting_has_a_flag() {
        let flags: Vec<&str> = SETTING_FLAGS.iter().map(|(s, _)| *s).collect();
        assert_eq!(set(&flags), set(&keys::SETTINGS));
    }
}
