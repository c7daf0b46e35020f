//! `bossmark confirm` with its page: what it shows, and where it is served.

use super::jobs::{RecordJob, jobs};
use crate::cli::args::Confirm;
use crate::cli::context::{Context, SESSION_FILE};
use crate::cli::status::CliError;
use crate::cli::terminal::Terminal;
use crate::measure::MeasureOptions;
use crate::record::{End, records_with_text};
use crate::server::{self, App, EndSource, FIRST_PORT, Guard, InitialState, Secret};
use crate::store::{self, StoreError};
use std::io::IsTerminal;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Serves the page until the process is ended.
pub(super) fn run(args: &Confirm, terminal: &mut Terminal) -> Result<(), CliError> {
    if args.json {
        return Err(CliError::usage(
            "the page writes records to files, not to stdout: leave --json out, or add --accept or --edits FILE",
        ));
    }
    let mut context =
        Context::new(&args.session, args.face.as_deref())?.with_lens(args.lens.as_deref())?;
    let opening = opening(args, &mut context, terminal)?;
    for message in context.messages() {
        terminal.message(&message);
    }
    let share = match args.share {
        None => None,
        Some(address) => Some(address.or_else(server::own_address).ok_or_else(|| {
            CliError::usage("this machine has no address on a network: connect it, or name the address with --share=ADDRESS")
        })?),
    };
    let ip = share.unwrap_or(Ipv4Addr::LOCALHOST);
    let listening = server::listen(ip, args.port.unwrap_or(FIRST_PORT))?;
    let code = Secret::new().map_err(no_random)?;
    let guard = match share {
        None => Guard::local(listening.address.port()),
        Some(_) => Guard::shared(listening.address, code.clone()).map_err(no_random)?,
    };
    let link = match share {
        None => format!("http://{}/", listening.address),
        Some(_) => format!("http://{}/#{}", listening.address, code.text()),
    };
    let app = App::new(guard, opening);
    app.start()
        .map_err(|e| CliError::file(format!("photos can't be measured beside the page ({e})")))?;
    print_link(&link, listening.address, share.is_some(), terminal);
    if !args.no_open && std::io::stderr().is_terminal() && std::io::stdin().is_terminal() {
        open(&link);
    }
    Ok(server::serve(listening, &app)?)
}

fn no_random(error: impl std::fmt::Display) -> CliError {
    CliError::file(format!(
        "this system gives no random numbers ({error}): the page can't be shared safely"
    ))
}

fn print_link(link: &str, address: SocketAddr, shared: bool, terminal: &mut Terminal) {
    if !shared {
        terminal.show(&format!("The page is at {link} (on this machine only). Ctrl-C ends it; every edit is saved when it is made."));
        return;
    }
    terminal.show(&format!(
        "The page is at {link}\nAnybody on this network who has that link can see and change these photos. The link holds the code; at \
         http://{address}/ it is asked for.\nCtrl-C ends it; every edit is saved when it is made."
    ));
    if std::io::stderr().is_terminal()
        && !address.ip().is_loopback()
        && let Some(code) = server::qr(link)
    {
        terminal.show(&code);
    }
}

/// Opens the link in the system's browser. It doesn't matter if that fails: the link has been printed.
fn open(link: &str) {
    let (program, before): (&str, &[&str]) = if cfg!(windows) {
        ("cmd", &["/c", "start", ""])
    } else if cfg!(target_os = "macos") {
        ("open", &[])
    } else {
        ("xdg-open", &[])
    };
    let _ = Command::new(program)
        .args(before)
        .arg(link)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
}

fn opening(
    args: &Confirm,
    context: &mut Context,
    terminal: &mut Terminal,
) -> Result<InitialState, CliError> {
    if args.inputs.iter().any(|i| i == Path::new("-")) {
        return Err(CliError::usage(
            "the page needs a file to save to: write the record to one first",
        ));
    }
    if let Some(missing) = args.inputs.iter().find(|i| !i.exists()) {
        return Err(CliError::from(StoreError::Missing).about(missing));
    }
    let jobs = jobs(args, &mut |text| terminal.message(text))?;
    let first = args.inputs.first().map_or(Path::new("."), PathBuf::as_path);
    let folder = if first.is_dir() {
        first.to_owned()
    } else {
        match first.parent() {
            Some(parent) if parent != Path::new("") => parent.to_owned(),
            _ => PathBuf::from("."),
        }
    };
    let records = args
        .out
        .clone()
        .filter(|_| jobs.iter().all(|j| j.photo.is_some()));
    if let Some(out) = &records {
        store::make_folder(out).map_err(|e| CliError::from(e).about(out))?;
    }
    let (mut ends, mut errors) = (Vec::new(), Vec::new());
    for job in jobs {
        match starts(job, context) {
            Ok(found) => ends.extend(found),
            Err(error) => errors.push(error),
        }
    }
    // an empty folder may wait for photos; a record that can't be read is an error
    let last = errors.pop_if(|_| ends.is_empty());
    errors.iter().for_each(|error| terminal.error(error));
    if let Some(last) = last {
        return Err(last);
    }
    if ends.is_empty() {
        terminal.message(
            "There is no photo and no record here yet: take or choose photos on the page.",
        );
    }
    // any name in the folder will do: a new photo has no name yet
    let measuring = context.options(&folder.join(SESSION_FILE))?;
    Ok(InitialState {
        ends,
        measuring,
        session_file: args
            .session
            .session
            .clone()
            .unwrap_or_else(|| folder.join(SESSION_FILE)),
        folder,
        records,
        flags: context.flags().clone(),
        face: match args.face {
            Some(_) => context.face_if_named(first)?,
            None => None,
        },
        page_files: args.page_files.clone(),
    })
}

/// The ends to show: a photo with its record, or the records of a file, each with its photo if that is beside it.
fn starts(job: RecordJob, context: &mut Context) -> Result<Vec<EndSource>, CliError> {
    if let Some(photo) = &job.photo {
        return Ok(vec![EndSource {
            session: context.session(photo)?,
            // the page asks where none is named
            face: context.face_if_named(photo).map_err(|e| e.about(photo))?,
            measuring: context.options(photo).map_err(|e| e.about(photo))?,
            record: job.to.into(),
            photo: job.photo,
        }]);
    }
    let of_file = |e: StoreError| CliError::from(e).about(&job.from);
    if job.to != job.from {
        copy_records(&job)?;
    }
    let mut found = Vec::new();
    for (record, end) in store::RecordLocation::all_with_records(&job.to).map_err(of_file)? {
        let photo = store::photo_of(&job.from, &end);
        let measuring = match &photo {
            Some(photo) => context.options(photo).map_err(|e| e.about(photo))?,
            None => MeasureOptions::default(),
        };
        found.push(EndSource {
            photo,
            measuring,
            record,
            session: context.flags().clone(),
            face: None,
        });
    }
    Ok(found)
}

/// Copies the records to the file where the changed ones are to be saved.
fn copy_records(job: &RecordJob) -> Result<(), CliError> {
    let bytes = store::read(&job.from).map_err(|e| CliError::from(e).about(&job.from))?;
    let records = records_with_text(&bytes).map_err(|e| CliError::from(e).about(&job.from))?;
    let ends: Vec<End> = records.iter().map(|(_, r)| r.end.clone()).collect();
    store::save_copy(&job.to, &records, &ends).map_err(|e| CliError::from(e).about(&job.to))
}
