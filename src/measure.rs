//! From the bytes of a photo to an end record: in one call.

use crate::colours;
use crate::face::spec::{self, FaceSpec};
use crate::face::{self, FaceError, FaceFit, FitOptions, pattern};
use crate::geometry::{FacePoint, ImagePoint};
use crate::lens::{self, LensProfile};
use crate::manual_points::{self, ManualFitError, Points};
use crate::math::{round_i64, rounded};
use crate::photo::{self, Photo, PhotoError};
use crate::record::{
    ArrowProposed, CameraRecord, End, Entry, EntryKind, EvidenceRecord, FaceRecord, Failure,
    FittedTo, Lean, NamedArrow, Note, PhotoRecord, PrintedZone, SeenFace, Session, SheetRecord,
    UprightRecord,
};
use crate::shaft::{self, ArrowLook, Shaft, ShaftKind, Shafts, View, WeightsError};
use crate::text::notes;
use thiserror::Error;

/// From this confidence on a proposal counts as a shaft (the contract's threshold of the reading).
const COUNTS: f64 = 0.5;

/// Code of the note that the photo shows another pattern than that of the face named.
const OTHER_FACE: &str = "other-face";

/// A stage of the pipeline that has just ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// The photo is decoded and upright.
    Photo,
    /// The camera is fitted, or no face was found.
    Camera,
    /// The shafts are found.
    Shafts,
}

/// What a caller knows or wants beyond the photo, its face and its session.
#[derive(Clone, Debug, Default)]
pub struct MeasureOptions {
    /// For the fit to the rings.
    pub fit: FitOptions,
    /// Lens profiles, of which the photo's own is picked; `fit.lens` goes before them.
    pub lenses: Vec<LensProfile>,
    /// True where a person named the profile: then it may serve a photo that doesn't say what took it.
    pub lens_named: bool,
    /// Which face is taken where there are several; `None`: of those that hold shafts (of all, if none does) the largest
    /// in the picture, of several about as large the nearest to its middle.
    pub pick: Option<Pick>,
    /// Two places that stand above each other on the face, the lower first, as a person sees it; `fit.vertical` goes before
    /// them.
    pub up: Option<[Place; 2]>,
    /// Points of the face that a person marked: the camera is fitted to them instead of the rings.
    pub points: Option<Points>,
}

/// A place in the upright photo.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Place {
    /// In pixels.
    Pixel([f64; 2]),
    /// In shares of width and height.
    Share([f64; 2]),
}

impl Place {
    fn of(self, photo: &Photo) -> ImagePoint {
        match self {
            Self::Pixel([x, y]) => ImagePoint::new(x, y),
            Self::Share([x, y]) => ImagePoint::new(
                x * f64::from(photo.width) - 0.5,
                y * f64::from(photo.height) - 0.5,
            ),
        }
    }
}

/// Which of several faces.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pick {
    /// The nearest to this place.
    At(Place),
    /// The one with this number, from 1, as the record counts them.
    Number(usize),
}

/// What came of a photo. Where no face is believed the record carries a failure, and there is no fit.
#[derive(Debug)]
pub struct Measured {
    /// The end record with proposed entries.
    pub end: End,
    /// The upright photo.
    pub photo: Photo,
    /// The camera and the edges it rests on.
    pub fit: Option<FaceFit>,
    /// The fits of the other faces of this kind, in the order of the record's `face.seen`.
    pub others: Vec<FaceFit>,
    /// The shafts, with those that are too doubtful to count.
    pub shafts: Option<Shafts>,
}

/// Why nothing at all could be made of a photo.
#[derive(Debug, Error)]
pub enum RoadError {
    /// The bytes are no photo that can be decoded.
    #[error(transparent)]
    Photo(#[from] PhotoError),
    /// The program's own data is damaged.
    #[error("the built-in shaft data cannot be used ({0}): build the program again")]
    Weights(#[from] WeightsError),
    /// The program's own data is damaged.
    #[error(transparent)]
    Calibration(FaceError),
}

/// Measures a photo: decode, fit the camera to the rings of the face `spec` (or to points marked by hand), find the shafts,
/// and write down what was found.
///
/// `file` is the photo's name for the record; `done` is told of each stage as it ends.
///
/// # Errors
/// [`RoadError`] when the bytes cannot be decoded. A photo without the face is no error: its record says so.
pub fn measure(
    bytes: &[u8],
    file: &str,
    spec: &FaceSpec,
    session: Session,
    options: &MeasureOptions,
    done: &mut dyn FnMut(Stage),
) -> Result<Measured, RoadError> {
    let photo = photo::open(bytes)?;
    done(Stage::Photo);
    let mut end = End {
        photo: Some(photo_record(&photo, file)),
        face: Some(FaceRecord {
            pattern: spec.pattern.clone(),
            ..face_record(spec)
        }),
        session,
        ..End::default()
    };
    let (fit_options, profile) = with_lens(&photo, options, &mut end);
    let faces = match faces(&photo, spec, options, &fit_options) {
        Ok(faces) => faces,
        Err(NoCamera::Failure(failure)) => {
            done(Stage::Camera);
            return Ok(failed(end, photo, failure));
        }
        Err(NoCamera::Broken(error)) => return Err(error),
    };
    done(Stage::Camera);
    let Chosen {
        fit,
        shafts,
        others,
        seen,
    } = match chosen(&photo, spec, faces, options, &end.session)? {
        Ok(chosen) => chosen,
        Err(failure) => return Ok(failed(end, photo, failure)),
    };
    done(Stage::Shafts);
    end.camera = camera_record(&fit, profile, options);
    end.notes.extend(fit.notes.iter().map(notes::of_fit));
    if !others.is_empty() {
        end.notes.push(several_faces(&seen, options));
        if let Some(face) = &mut end.face {
            face.seen = Some(seen);
        }
    }
    end.entries = entries(&shafts, spec, &fit);
    propose_arrows(&mut end, &photo, &fit, spec, &shafts);
    if end.entries.is_empty() {
        end.notes.push(notes::no_shafts(shafts.shafts.len()));
    }
    end.notes.extend(shafts_too_small(&fit));
    let setup = end.session.setup.as_ref();
    let told_mm = setup.and_then(|s| s.shaft_diameter_mm);
    if shafts.face_size_doubtful(told_mm) {
        end.notes.push(notes::face_size(
            &spec.name,
            shafts.thickness_mm.unwrap_or_default(),
            told_mm,
        ));
    }
    end.notes.extend(count_note(&end));
    Ok(Measured {
        end,
        photo,
        fit: Some(fit),
        others,
        shafts: Some(shafts),
    })
}

/// The camera alone, with what is to be said of it: a look at points marked by hand before the photo is measured with them.
///
/// # Errors
/// Why there is no camera.
pub fn camera(
    photo: &Photo,
    spec: &FaceSpec,
    options: &MeasureOptions,
) -> Result<(CameraRecord, Vec<Note>), Failure> {
    let mut end = End::default();
    let (fit_options, profile) = with_lens(photo, options, &mut end);
    let faces = faces(photo, spec, options, &fit_options).map_err(|no| match no {
        NoCamera::Failure(failure) => failure,
        NoCamera::Broken(error) => Failure {
            code: "calibration".to_owned(),
            text: error.to_string(),
        },
    })?;
    let found = faces
        .first()
        .and_then(|fit| Some((camera_record(fit, profile, options)?, fit)));
    let Some((camera, fit)) = found else {
        return Err(Failure {
            code: "edge-on".to_owned(),
            text: "the face is seen edge-on: check where the points are marked".to_owned(),
        });
    };
    let notes = fit.notes.iter().map(notes::of_fit);
    end.notes.extend(notes);
    Ok((camera, end.notes))
}

fn failed(mut end: End, photo: Photo, mut failure: Failure) -> Measured {
    if failure.code == OTHER_FACE {
        end.notes.push(Note::new(OTHER_FACE, failure.text.clone()));
        "no-face".clone_into(&mut failure.code);
    }
    if let Some(face) = &mut end.face {
        face.pattern = None;
    }
    end.failure = Some(failure);
    Measured {
        end,
        photo,
        fit: None,
        others: Vec::new(),
        shafts: None,
    }
}

/// The options of the fit with the photo's lens profile, and its name. A profile that was named and isn't this photo's is
/// noted.
fn with_lens(
    photo: &Photo,
    options: &MeasureOptions,
    end: &mut End,
) -> (FitOptions, Option<String>) {
    let mut fit = options.fit.clone();
    if fit.lens.is_some() || options.lenses.is_empty() {
        return (fit, None);
    }
    let picked = lens::pick(&options.lenses, photo, options.lens_named);
    let prior = picked
        .zip(lens::assumptions())
        .and_then(|(p, a)| Some((p.prior(photo, &a.at_the_range)?, p.name.clone())));
    if let Some((prior, name)) = prior {
        fit.lens = Some(prior);
        return (fit, Some(name));
    }
    if options.lens_named {
        let names: Vec<&str> = options.lenses.iter().map(|l| l.name.as_str()).collect();
        end.notes.push(notes::lens_other(&names));
    }
    (fit, None)
}

enum NoCamera {
    /// The job can't be done on this photo.
    Failure(Failure),
    /// The program's own data is damaged.
    Broken(RoadError),
}

/// The faces that are believed, at least one.
fn faces(
    photo: &Photo,
    spec: &FaceSpec,
    options: &MeasureOptions,
    fit: &FitOptions,
) -> Result<Vec<FaceFit>, NoCamera> {
    let failure = |code: &str, text: String| {
        NoCamera::Failure(Failure {
            code: code.to_owned(),
            text,
        })
    };
    if let Some(points) = &options.points {
        return match manual_points::fit(photo, spec, points, fit) {
            Ok(fit) => Ok(vec![fit]),
            Err(ManualFitError::Calibration) => Err(NoCamera::Broken(RoadError::Calibration(
                FaceError::Calibration,
            ))),
            Err(error) => Err(failure(error.code(), error.to_string())),
        };
    }
    let mut fit = fit.clone();
    fit.near = fit.near.or(given_point(options, photo));
    let up = options.up.map(|ends| ends.map(|p| p.of(photo)));
    fit.vertical = fit.vertical.or(up);
    face::fit_all(photo, spec, &fit).map_err(|error| match error {
        FaceError::NoFace { other: Some(_), .. } => failure(OTHER_FACE, error.to_string()),
        FaceError::NoFace { .. } => match pattern::read(photo, &fit) {
            Some(seen) if seen.face.pattern != spec.pattern => {
                let words = pattern::words(seen.face);
                failure(OTHER_FACE, format!("no {} found: {words}", spec.name))
            }
            _ => failure("no-face", error.to_string()),
        },
        FaceError::Calibration => NoCamera::Broken(RoadError::Calibration(error)),
    })
}

/// The place that was told to pick a face by, px.
fn given_point(options: &MeasureOptions, photo: &Photo) -> Option<ImagePoint> {
    match options.pick {
        Some(Pick::At(place)) => Some(place.of(photo)),
        _ => None,
    }
}

/// The face that the record is about, and what stands beside it.
struct Chosen {
    fit: FaceFit,
    shafts: Shafts,
    others: Vec<FaceFit>,
    seen: Vec<SeenFace>,
}

/// Ranks the faces: those that hold shafts first, then those that are large in the picture, then by their distance from its
/// middle, and takes the one wanted.
/// How many shafts doesn't count: a neighbour's archer may have shot more.
fn chosen(
    photo: &Photo,
    spec: &FaceSpec,
    faces: Vec<FaceFit>,
    options: &MeasureOptions,
    session: &Session,
) -> Result<Result<Chosen, Failure>, RoadError> {
    let mut ranked = Vec::new();
    for i in 0..faces.len() {
        let beside = centres_beside(&faces, i, spec);
        let shafts = shafts_of(photo, &faces[i], spec, session, &beside)?;
        let counted = shafts.shafts.iter().filter(|s| s.confidence >= COUNTS);
        let on_face = counted.filter(|s| in_rings(spec, s.entry)).count();
        ranked.push((on_face, centre_px(&faces[i]), shafts));
    }
    let mut ranked: Vec<((usize, ImagePoint, Shafts), FaceFit)> =
        ranked.into_iter().zip(faces).collect();
    let largest = ranked
        .iter()
        .map(|((_, at, _), fit)| radius_px(fit, *at, spec))
        .fold(0.0, f64::max);
    let middle = ImagePoint::new(
        0.5 * (f64::from(photo.width) - 1.0),
        0.5 * (f64::from(photo.height) - 1.0),
    );
    // faces side by side on one boss are as large as each other: of these the one in the middle was meant
    ranked.sort_by_key(|((shafts, at, _), fit)| {
        let small = radius_px(fit, *at, spec) < face::AS_LARGE * largest;
        (*shafts == 0, small, round_i64(at.distance(middle)))
    });
    let target = given_point(options, photo).or(options.fit.near);
    let taken = match (options.pick, target) {
        (Some(Pick::Number(n)), _) => n.checked_sub(1).filter(|i| *i < ranked.len()),
        (Some(Pick::At(_)), Some(at)) if !is_in(photo, at) => None,
        (_, Some(at)) => (0..ranked.len()).min_by(|i, j| {
            let distance = |k: usize| ranked[k].0.1.distance(at);
            distance(*i).total_cmp(&distance(*j))
        }),
        _ => Some(0),
    };
    let Some(taken) = taken else {
        let text = match options.pick {
            Some(Pick::At(_)) => format!(
                "the point asked for lies outside the photo, which is {} x {} px: point at a face with --at X,Y, or leave it out",
                photo.width, photo.height
            ),
            _ => format!(
                "{} face(s) of this kind are in the photo, so there is none with the number asked for: leave --which out, or point at one with --at X,Y",
                ranked.len()
            ),
        };
        return Ok(Err(Failure {
            code: "no-such-face".to_owned(),
            text,
        }));
    };
    let seen = ranked
        .iter()
        .enumerate()
        .map(|(i, ((n, at, _), fit))| seen_face(*n, *at, fit, spec, i == taken))
        .collect();
    let ((_, _, shafts), fit) = ranked.remove(taken);
    Ok(Ok(Chosen {
        fit,
        shafts,
        others: ranked.into_iter().map(|(_, fit)| fit).collect(),
        seen,
    }))
}

fn is_in(photo: &Photo, p: ImagePoint) -> bool {
    (0.0..=f64::from(photo.width)).contains(&p.x) && (0.0..=f64::from(photo.height)).contains(&p.y)
}

fn centre_px(fit: &FaceFit) -> ImagePoint {
    fit.camera
        .image_from_face(FacePoint::default())
        .unwrap_or_default()
}

fn in_rings(spec: &FaceSpec, p: FacePoint) -> bool {
    let spot = spec.spots_mm.get(spec.nearest_spot(p));
    spot.is_some_and(|s| s.distance(p) <= spec.outer_radius_mm())
}

/// Where the centres of the other faces' spots lie on this one's plane, mm.
fn centres_beside(faces: &[FaceFit], own: usize, spec: &FaceSpec) -> Vec<FacePoint> {
    let camera = &faces[own].camera;
    faces
        .iter()
        .enumerate()
        .filter(|(i, _)| *i != own)
        .flat_map(|(_, other)| {
            let spots = spec.spots_mm.iter();
            spots.filter_map(|s| camera.face_from_image(other.camera.image_from_face(*s)?))
        })
        .collect()
}

/// Mean distance of the outermost printed points from a face's middle in the picture, px.
fn radius_px(fit: &FaceFit, at: ImagePoint, spec: &FaceSpec) -> f64 {
    let reach = spec.reach_mm();
    let radii = [(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)].map(|(x, y)| {
        let rim = FacePoint::new(x * reach, y * reach);
        fit.camera
            .image_from_face(rim)
            .map_or(0.0, |p| p.distance(at))
    });
    radii.iter().sum::<f64>() / 4.0
}

fn seen_face(
    shafts: usize,
    at: ImagePoint,
    fit: &FaceFit,
    spec: &FaceSpec,
    taken: bool,
) -> SeenFace {
    SeenFace {
        px: [rounded(at.x, 1), rounded(at.y, 1)],
        radius_px: rounded(radius_px(fit, at, spec), 1),
        shafts: u32::try_from(shafts).unwrap_or(u32::MAX),
        taken,
    }
}

fn several_faces(seen: &[SeenFace], options: &MeasureOptions) -> Note {
    let taken = match options.pick {
        None if options.fit.near.is_none() => notes::FaceChoice::Largest,
        Some(Pick::Number(_)) => notes::FaceChoice::ByNumber,
        _ => notes::FaceChoice::Nearest,
    };
    notes::several_faces(seen, taken)
}

fn shafts_of(
    photo: &Photo,
    fit: &FaceFit,
    spec: &FaceSpec,
    session: &Session,
    beside: &[FacePoint],
) -> Result<Shafts, WeightsError> {
    let told = session.fletched.zip(session.bare);
    shaft::find_beside(
        &photo.pixels,
        &View {
            camera: &fit.camera,
            spot_centres: &spec.spots_mm,
            outer_radius_mm: spec.outer_radius_mm(),
            point_cov_mm2: &|px| fit.point_cov_mm2(px),
            expected: told.map(|(f, b)| (f as usize, b as usize)),
        },
        beside,
    )
}

fn photo_record(photo: &Photo, file: &str) -> PhotoRecord {
    PhotoRecord {
        file: file.to_owned(),
        sha256: photo.sha256.clone(),
        width_px: photo.width,
        height_px: photo.height,
        taken: photo.exif.taken_rfc3339.clone(),
        taken_local: photo
            .exif
            .taken_local
            .clone()
            .filter(|_| photo.exif.taken_rfc3339.is_none()),
        ..PhotoRecord::default()
    }
}

/// A face as records name it.
#[must_use]
pub fn face_record(spec: &FaceSpec) -> FaceRecord {
    FaceRecord {
        name: spec.name.clone(),
        diameter_mm: spec.diameter_mm,
        spot_centres_mm: (spec.spots_mm.len() > 1)
            .then(|| spec.spots_mm.iter().map(|p| [p.x, p.y]).collect()),
        // the name of a built-in face says all; another's file may not be there when the record is shown
        zones: (spec::by_name(&spec.name) != Some(spec)).then(|| {
            let zone = |z: &spec::Zone| PrintedZone {
                radius_mm: z.radius_mm(),
                colour: z.colour.name().to_owned(),
            };
            spec.zones.iter().map(zone).collect()
        }),
        ..FaceRecord::default()
    }
}

/// The camera as the record writes it; `None` for a camera whose plane is seen edge-on.
fn camera_record(
    fit: &FaceFit,
    profile: Option<String>,
    options: &MeasureOptions,
) -> Option<CameraRecord> {
    let upright = UprightRecord {
        from: fit.upright.from,
        sd_deg: fit.upright.sd_rad.to_degrees(),
    };
    let record = CameraRecord::new(&fit.camera, fit.fit_rms_px, upright, fit.focal_from)?;
    Some(CameraRecord {
        lens_profile: profile,
        fitted_to: options.points.as_ref().map(|_| FittedTo::Points),
        sheet: fit.sheet.as_ref().map(SheetRecord::new),
        evidence: fit.evidence.map(|e| EvidenceRecord {
            nats: e.total(),
            least_nats: e.least(),
        }),
        ..record
    })
}

/// The entries of a record, the surest first. Doubtful ones are kept for a person to take up, but not where nothing counts:
/// a face without arrows has no entries.
fn entries(shafts: &Shafts, spec: &FaceSpec, fit: &FaceFit) -> Vec<Entry> {
    if !shafts.shafts.iter().any(|s| s.confidence >= COUNTS) {
        return Vec::new();
    }
    (1..)
        .zip(&shafts.shafts)
        .map(|(id, s)| entry(id, s, spec, fit))
        .collect()
}

fn entry(id: u64, s: &Shaft, spec: &FaceSpec, fit: &FaceFit) -> Entry {
    let sheet = fit.sheet.as_ref();
    let at = sheet.map_or(s.entry, |sheet| {
        sheet.on_print(s.entry, fit.camera.centre_mm())
    });
    let spot = (spec.spots_mm.len() > 1)
        .then(|| u32::try_from(spec.nearest_spot(at) + 1).unwrap_or(u32::MAX));
    Entry {
        id,
        x_mm: at.x,
        y_mm: at.y,
        cov_mm2: Some([
            [s.cov_mm2[(0, 0)], s.cov_mm2[(0, 1)]],
            [s.cov_mm2[(1, 0)], s.cov_mm2[(1, 1)]],
        ]),
        px: Some([s.entry_px.x, s.entry_px.y]),
        kind: match s.kind {
            ShaftKind::Fletched => EntryKind::Fletched,
            ShaftKind::Bare => EntryKind::Bare,
            ShaftKind::Unknown => EntryKind::Unknown,
        },
        kind_probability: Some(s.kind_probability),
        confidence: Some(s.confidence),
        lean: s.lean.map(|l| Lean {
            right_deg: l.right_rad.to_degrees(),
            up_deg: l.up_rad.to_degrees(),
            sd_deg: l.sd_rad.to_degrees(),
        }),
        spot,
        thickness_mm: s.thickness_mm,
        segment_px: s.segment_px.map(|seg| seg.map(|p| [p.x, p.y])),
        ..Entry::default()
    }
}

/// Proposes which arrow each entry is, where the set-up tells how the arrows look.
fn propose_arrows(end: &mut End, photo: &Photo, fit: &FaceFit, spec: &FaceSpec, shafts: &Shafts) {
    let setup = end.session.setup.as_ref();
    let Some(arrows) = setup.and_then(|s| s.arrows.as_ref()) else {
        return;
    };
    if arrows.is_empty() || end.entries.is_empty() {
        return;
    }
    // without a white no colour is known
    let Some(white) = face::white(&photo.pixels, &fit.camera, spec) else {
        return;
    };
    let looks: Vec<ArrowLook> = arrows.iter().map(look).collect();
    let found = shaft::identify(&photo.pixels, &fit.camera, white, &shafts.shafts, &looks);
    for (entry, proposal) in end.entries.iter_mut().zip(found) {
        entry.arrow_proposed = proposal.and_then(|p| {
            Some(ArrowProposed {
                arrow: arrows.get(p.arrow)?.arrow.trim().to_owned(),
                p: p.p,
            })
        });
    }
}

/// How a named arrow looks; a colour that isn't known tells nothing.
fn look(arrow: &NamedArrow) -> ArrowLook {
    let named = |name: &String| colours::named(name);
    ArrowLook {
        kind: arrow.kind.and_then(|kind| match kind {
            EntryKind::Fletched => Some(ShaftKind::Fletched),
            EntryKind::Bare => Some(ShaftKind::Bare),
            EntryKind::Unknown => None,
        }),
        nock: arrow.nock.as_ref().and_then(named),
        vanes: arrow.vanes.iter().flatten().filter_map(named).collect(),
    }
}

/// Width of a usual shaft, mm, and the width in the picture below which it can't be measured, px: drawn photos in which a shaft is
/// 1.0 px wide (9 m, `examples/sweep.rs`) show 58 % of them, those with 1.5 px (6 m) 93 %.
const SHAFT_MM: f64 = 5.5;
const LEAST_SHAFT_PX: f64 = 1.25;

/// A note where shafts are too small in the picture to be measured.
fn shafts_too_small(fit: &FaceFit) -> Option<Note> {
    let at = |x, y| fit.camera.image_from_face(FacePoint::new(x, y));
    let (middle, right, up) = (at(0.0, 0.0)?, at(10.0, 0.0)?, at(0.0, 10.0)?);
    let px_per_mm = 0.1 * middle.distance(right).max(middle.distance(up));
    let wide = SHAFT_MM * px_per_mm;
    (wide < LEAST_SHAFT_PX).then(|| notes::shafts_too_small(wide))
}

/// The built-in face of that nominal diameter whose pattern the photo shows: for a person who knows the size alone.
///
/// # Errors
/// Why there is none.
pub fn face_of_size(
    photo: &Photo,
    size_mm: f64,
    options: &MeasureOptions,
) -> Result<&'static FaceSpec, Failure> {
    let failure = |code: &str, text: String| Failure {
        code: code.to_owned(),
        text,
    };
    let mut fit = options.fit.clone();
    fit.near = fit.near.or(given_point(options, photo));
    let Some(seen) = pattern::read(photo, &fit) else {
        return Err(failure(
            "no-face",
            "no face of any known pattern found: photograph the whole face with its rings free, or name it with --face".to_owned(),
        ));
    };
    let pattern = seen.face.pattern.clone().unwrap_or_default();
    let of_size = |f: &&FaceSpec| (f.diameter_mm - size_mm).abs() < 0.5;
    spec::of_pattern(&pattern).find(of_size).ok_or_else(|| {
        let sizes: Vec<String> = spec::of_pattern(&pattern)
            .map(|f| format!("{:.0}cm", f.diameter_mm / 10.0))
            .collect();
        failure(
            "no-such-face",
            format!(
                "the rings are those of a {pattern} face, which is known in {}: give one of these sizes, or name the face with --face",
                sizes.join(", ")
            ),
        )
    })
}

/// A note where the photo shows another number of shafts than was told.
fn count_note(end: &End) -> Option<Note> {
    let (fletched, bare) = end.session.fletched.zip(end.session.bare)?;
    let of = |kind| {
        let counted = |e: &&Entry| e.kind == kind && e.confidence.is_none_or(|c| c >= COUNTS);
        end.entries.iter().filter(counted).count()
    };
    let seen = [of(EntryKind::Fletched), of(EntryKind::Bare)];
    (seen != [fletched, bare].map(|n| n as usize))
        .then(|| notes::count_differs([fletched, bare], seen))
}
