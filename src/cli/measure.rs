//! `bossmark measure`, and the measuring of photos that other commands need.

use super::args::{Measure, TableArg};
use super::context::Context;
use super::input;
use super::progress::Progress;
use super::status::{CliError, Status};
use super::terminal::{Answers, Terminal};
use crate::face::spec::FaceSpec;
use crate::manual_points::{Points, template_csv, template_json};
use crate::measure::{self, MeasureOptions, Measurement, Stage};
use crate::record::{End, Failure, Session, canonical};
use crate::report::marked::{self, Format, Framing};
use crate::report::{FaceLook, debug, text};
use crate::store;
use image::RgbImage;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use std::thread;
use std::time::{Duration, Instant};

/// A photo and what is told about it.
#[derive(Debug)]
pub(super) struct Task {
    /// Its file.
    pub(super) path: PathBuf,
    /// Its face.
    pub(super) face: FaceSpec,
    /// What is told of the end it shows.
    pub(super) session: Session,
    /// What is told about the measuring itself.
    pub(super) options: MeasureOptions,
}

impl Task {
    /// Looks up what is told about a photo.
    ///
    /// # Errors
    /// When face or session file are missing or wrong.
    pub(super) fn new(path: &Path, context: &mut Context) -> Result<Self, CliError> {
        Ok(Self {
            path: path.to_owned(),
            face: context.face(path)?,
            session: context.session(path)?,
            options: context.options(path)?,
        })
    }

    /// Measures the photo; the record's numbers are rounded as they are written.
    ///
    /// # Errors
    /// When the photo can't be read or decoded.
    pub(super) fn run(&self, bytes: &[u8], progress: &Progress) -> Result<Measurement, CliError> {
        let name = store::name_of(&self.path);
        self.run_telling(bytes, &mut |stage| progress.stage(&name, stage))
    }

    fn run_telling(
        &self,
        bytes: &[u8],
        done: &mut dyn FnMut(Stage),
    ) -> Result<Measurement, CliError> {
        let mut measured = measure::measure(
            bytes,
            &store::name_of(&self.path),
            &self.face,
            self.session.clone(),
            &self.options,
            done,
        )
        .map_err(|e| CliError::from(e).about(&self.path))?;
        measured.end =
            canonical::tidied(&measured.end).map_err(|e| CliError::from(e).about(&self.path))?;
        Ok(measured)
    }

    /// What came of the photo, and when each stage ended.
    fn read_and_run(&self, progress: &Progress) -> Result<(Measurement, Times), CliError> {
        let (bytes, name) = (input::bytes(&self.path)?, store::name_of(&self.path));
        let start = Instant::now();
        let mut times = Vec::new();
        let measured = self.run_telling(&bytes, &mut |stage| {
            times.push((stage, start.elapsed()));
            progress.stage(&name, stage);
        })?;
        Ok((measured, times))
    }
}

/// When each stage of a photo ended, from its start.
type Times = Vec<(Stage, Duration)>;

fn times_line(path: &Path, times: &Times) -> String {
    let mut before = Duration::ZERO;
    let parts: Vec<String> = times
        .iter()
        .map(|(stage, at)| {
            let name = match stage {
                Stage::Photo => "decoding",
                Stage::Camera => "camera",
                Stage::Shafts => "shafts",
            };
            let took = at.saturating_sub(before);
            before = *at;
            format!("{name} {:.2} s", took.as_secs_f64())
        })
        .collect();
    format!("{}: {}", path.display(), parts.join(", "))
}

/// The evidence for the face, for setting the acceptance thresholds anew.
fn evidence_line(end: &End) -> Option<String> {
    let evidence = end.camera.as_ref()?.evidence?;
    Some(format!(
        "evidence for the face: {:.1} nats, {:.1} more than asked for",
        evidence.nats,
        evidence.nats - evidence.least_nats
    ))
}

/// Runs `job` on every task with all processors and hands the results on in the order of the tasks, each as soon as those
/// before it are there. `job` must hand on no pictures: results wait for their turn.
pub(super) fn in_order<T: Sync, R: Send>(
    tasks: &[T],
    job: impl Fn(&T) -> R + Sync,
    mut then: impl FnMut(&T, R),
) {
    // threads of their own: a thread of the pool that waits inside one photo would begin another one meanwhile, and hold both
    let threads = rayon::current_num_threads().clamp(1, tasks.len().max(1));
    let next = AtomicUsize::new(0);
    let (sender, receiver) = mpsc::channel();
    thread::scope(|scope| {
        for _ in 0..threads {
            let (sender, next, job) = (sender.clone(), &next, &job);
            scope.spawn(move || {
                while let Some((at, task)) = {
                    let at = next.fetch_add(1, Ordering::Relaxed);
                    tasks.get(at).map(|task| (at, task))
                } {
                    if sender.send((at, job(task))).is_err() {
                        return;
                    }
                }
            });
        }
        drop(sender);
        let mut waiting = BTreeMap::new();
        let mut turn = 0;
        for (at, result) in receiver {
            waiting.insert(at, result);
            while let (Some(result), Some(task)) = (waiting.remove(&turn), tasks.get(turn)) {
                then(task, result);
                turn += 1;
            }
        }
    });
}

/// Runs the command.
pub(super) fn run(args: &Measure, terminal: &mut Terminal) -> Result<(), CliError> {
    check(args)?;
    let mut context =
        Context::new(&args.session, args.face.as_deref())?.with_lens(args.lens.as_deref())?;
    if let Some(format) = args.points_template {
        return template(args, format, &mut context, terminal);
    }
    let mut tasks = Vec::new();
    let mut answers = Answers::new(&args.output);
    for photo in &args.photos {
        match task(args, photo, &mut context) {
            Ok(task) => tasks.push(task),
            Err(error) if args.photos.len() == 1 => return Err(error.about(photo)),
            Err(error) => terminal.error(&error.about(photo)),
        }
        for message in context.messages() {
            terminal.tell(&message);
        }
    }
    let progress = Progress::new(tasks.len());
    let mut measured = false;
    in_order(
        &tasks,
        |task| {
            let (measured, times) = task.read_and_run(&progress)?;
            let drawn = pictures(args, task, &measured);
            progress.done(measured.end.entries.len());
            Ok((measured.end, times, drawn))
        },
        |task, result: Result<(End, Times, Result<(), CliError>), CliError>| {
            progress.aside(|| {
                let given = match result {
                    Ok((end, times, drawn)) => {
                        measured |= end.failure.is_none();
                        if args.times {
                            terminal.tell(&times_line(&task.path, &times));
                            if let Some(line) = evidence_line(&end) {
                                terminal.tell(&line);
                            }
                        }
                        one(task, &end, terminal, &mut answers).and(drawn)
                    }
                    Err(error) => unreadable(&error, terminal, &mut answers),
                };
                if let Err(error) = given {
                    terminal.error(&error.about(&task.path));
                }
            });
        },
    );
    progress.finish();
    if measured && !answers.as_documents() {
        terminal.tell(
            "Nothing is saved: `--out FILE` keeps the record for reading and advice, `bossmark day FOLDER` those of a folder",
        );
    }
    answers.finish(true)
}

fn task(args: &Measure, photo: &Path, context: &mut Context) -> Result<Task, CliError> {
    let mut task = match args.size {
        None => Task::new(photo, context)?,
        Some(size_mm) => sized_task(args, photo, size_mm, context)?,
    };
    task.options.pick = args.at.or(args.which);
    task.options.up = args.up;
    if let Some(path) = &args.points {
        let points = Points::parse(&input::bytes(path)?, &task.face);
        task.options.points = Some(points.map_err(|e| CliError::from(e).about(path))?);
    }
    Ok(task)
}

/// The task for a photo of whose face the size alone is given: the pattern is read from the photo.
fn sized_task(
    args: &Measure,
    path: &Path,
    size_mm: f64,
    context: &mut Context,
) -> Result<Task, CliError> {
    if path == Path::new("-") {
        return Err(CliError::usage(
            "a photo from stdin is read once: name its face with --face instead of --size",
        ));
    }
    let mut options = context.options(path)?;
    options.pick = args.at;
    let photo = crate::photo::open(&input::bytes(path)?)?;
    let face = measure::face_of_size(&photo, size_mm, &options)
        .map_err(|failure| CliError::not_possible(failure.text))?;
    Ok(Task {
        path: path.to_owned(),
        face: face.clone(),
        session: context.session(path)?,
        options,
    })
}

/// Prints a points file to fill in.
fn template(
    args: &Measure,
    format: TableArg,
    context: &mut Context,
    terminal: &mut Terminal,
) -> Result<(), CliError> {
    let face = context.face(Path::new("photo"))?;
    let text = match format {
        TableArg::Json => template_json(&face),
        TableArg::Csv => template_csv(&face),
    };
    match args.output.out.as_deref().filter(|p| *p != Path::new("-")) {
        Some(path) => {
            store::save_document(path, text.as_bytes()).map_err(|e| CliError::from(e).about(path))
        }
        None => {
            terminal.answer(text.as_bytes());
            Ok(())
        }
    }
}

fn check(args: &Measure) -> Result<(), CliError> {
    if args.points.is_some() && args.photos.len() > 1 {
        return Err(CliError::usage(
            "--points belongs to one photo: give one photo with its points",
        ));
    }
    if args.up.is_some() && args.photos.len() > 1 {
        return Err(CliError::usage(
            "--up belongs to one photo: give one photo with the two points in it",
        ));
    }
    if let Some(marked) = &args.marked {
        if args.photos.len() > 1 {
            return Err(CliError::usage(
                "--marked draws one photo: give one, or see the report of `bossmark day FOLDER --report FILE`",
            ));
        }
        if Format::of_name(&store::name_of(marked)).is_none() {
            return Err(CliError::usage(
                "--marked writes .jpg or .png: end the file name in one of them",
            )
            .about(marked));
        }
    }
    if let Some(out) = &args.output.out
        && out.is_dir()
    {
        return Err(CliError::from(store::StoreError::Folder).about(out));
    }
    Ok(())
}

fn one(
    task: &Task,
    end: &End,
    terminal: &mut Terminal,
    answers: &mut Answers,
) -> Result<(), CliError> {
    answers.give(terminal, end, || text::end(end))?;
    if let Some(failure) = &end.failure {
        terminal.raise(Status::NotPossible);
        if answers.as_documents() {
            terminal.tell(&format!("{}: {}", task.path.display(), failure.text));
        }
    }
    Ok(())
}

/// The pictures that were asked for.
fn pictures(args: &Measure, task: &Task, measured: &Measurement) -> Result<(), CliError> {
    let look = FaceLook::from(&task.face);
    if let Some(path) = &args.marked {
        let format = Format::of_name(&store::name_of(path)).unwrap_or(Format::Png);
        let picture = marked::draw(
            &measured.photo.pixels,
            &measured.end,
            &look,
            Framing::Whole,
            None,
        );
        save_picture(path, &picture, format)?;
    }
    if let Some(folder) = &args.debug_dir {
        let prefix = if args.photos.len() > 1 {
            format!("{}-", store::name_of(&task.path))
        } else {
            String::new()
        };
        stages(folder, &prefix, measured, &look)?;
    }
    Ok(())
}

/// A photo that can't be decoded still has its line among the documents.
fn unreadable(
    error: &CliError,
    terminal: &mut Terminal,
    answers: &mut Answers,
) -> Result<(), CliError> {
    terminal.error(error);
    if !answers.as_documents() {
        return Ok(());
    }
    answers.give(terminal, &unread(error), String::new)
}

/// The record of a photo that could not be read or decoded: it says so, and nothing else.
#[must_use]
pub(super) fn unread(error: &CliError) -> End {
    End {
        failure: Some(Failure {
            code: "unreadable".to_owned(),
            text: error.line(),
        }),
        ..End::default()
    }
}

fn save_picture(path: &Path, picture: &RgbImage, format: Format) -> Result<(), CliError> {
    let bytes = marked::bytes(picture, format)
        .map_err(|e| CliError::file(format!("the picture can't be written ({e})")).about(path))?;
    store::save_document(path, &bytes).map_err(|e| CliError::from(e).about(path))
}

/// The other faces of the photo with their numbers.
fn beside(measured: &Measurement) -> Vec<(usize, crate::geometry::camera::Camera)> {
    let seen = measured
        .end
        .face
        .iter()
        .flat_map(|f| f.seen.iter().flatten());
    let numbers = (1..).zip(seen).filter(|(_, f)| !f.taken).map(|(n, _)| n);
    numbers
        .zip(&measured.others)
        .map(|(n, fit)| (n, fit.camera))
        .collect()
}

/// An image after each stage: upright photo, edges and rings, rectified face, shaft evidence, result.
fn stages(
    folder: &Path,
    prefix: &str,
    measured: &Measurement,
    look: &FaceLook,
) -> Result<(), CliError> {
    store::make_folder(folder).map_err(|e| CliError::from(e).about(folder))?;
    let save = |name: &str, picture: &RgbImage| {
        save_picture(
            &folder.join(format!("{prefix}{name}")),
            picture,
            Format::Png,
        )
    };
    let pixels = &measured.photo.pixels;
    save("01-upright.png", pixels)?;
    let Some(fit) = &measured.fit else {
        return Ok(());
    };
    save(
        "02-edges.png",
        &debug::edges(pixels, &fit.camera, look, &fit.edges, &beside(measured)),
    )?;
    save(
        "03-rectified.png",
        &debug::rectified(pixels, &fit.camera, look),
    )?;
    let shafts = measured.shafts.as_ref();
    let candidates: Vec<debug::Candidate> = shafts
        .iter()
        .flat_map(|s| &s.candidates)
        .map(|c| debug::Candidate {
            entry: c.entry,
            far: c.far,
            probability: c.probability,
        })
        .collect();
    let heat = shafts.and_then(|s| s.heat.as_ref());
    let map = heat.map(|h| debug::Evidence {
        width: h.width,
        height: h.height,
        x0_mm: h.left_mm,
        y1_mm: h.top_mm,
        mm_per_cell: h.cell_mm,
        values: &h.values,
    });
    let evidence = debug::evidence(pixels, &fit.camera, look, map.as_ref(), &candidates);
    save("04-shafts.png", &evidence)?;
    let result = marked::draw(pixels, &measured.end, look, Framing::Whole, None);
    save("05-result.png", &result)
}
