//! Practice photos with known truth: a boss with a face and shafts, drawn from a seed as a phone would take it.
//!
//! For users who want to try before they trust, for tables that show where measuring breaks, and for property tests. The
//! pictures are drawn, not real: rays from a camera with lens distortion to a sheet of paper with a printed face, a boss, and
//! shafts as solid cylinders, with their shadows; then exposure, white balance, blur, noise and JPEG. The same options give the
//! same bytes, on any number of threads. What is drawn from is `calibration/rehearse.json`.

mod appearance;
mod arrow;
mod boss;
mod develop;
mod file;
mod light;
mod paper;
mod place;
mod random;
mod scatter;
mod scene;
mod trace;
mod truth;
mod world;

pub use arrow::Part;
pub use scene::Scene;
pub use trace::VisibleSurface;
pub use truth::{Truth, TruthShaft};

use crate::face::spec::FaceSpec;
use crate::record::{ArrowKind, NamedArrow};
use thiserror::Error;

/// Linear red, green, blue.
type Rgb = [f64; 3];

/// The light of a practice photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LightKind {
    /// Sun over the shoulder.
    Sun,
    /// Low sun: long shadows.
    LowSun,
    /// Even cloud.
    Overcast,
    /// Lamps of a hall.
    Hall,
    /// Sun, and a person's shadow on the face.
    Person,
}

/// What a practice photo shows. What is `None` is drawn from the seed.
#[derive(Clone, Debug)]
pub struct Options<'a> {
    /// The face.
    pub face: &'a FaceSpec,
    /// Fletched shafts.
    pub fletched: usize,
    /// Bare shafts.
    pub bare: usize,
    /// Where the bare shafts go, on average, relative to the fletched ones: right and up, mm.
    pub offset_mm: Option<[f64; 2]>,
    /// Standard deviation of the shots on each axis, mm.
    pub scatter_mm: Option<f64>,
    /// Distance of the camera from the face's centre, mm.
    pub camera_mm: Option<f64>,
    /// Angle between the view to the face's centre and the face's normal, rad.
    pub tilt_rad: Option<f64>,
    /// The light.
    pub light: Option<LightKind>,
    /// Noise as a multiple of that in good light; 0 is none.
    pub noise: Option<f64>,
    /// Old holes, patches and wear, from 0 (fresh) to 1.
    pub wear: Option<f64>,
    /// Size of the upright picture, px.
    pub size: Option<(u32, u32)>,
    /// The arrows that were shot, by kind in this order, and what they look like; empty: all of a kind look alike.
    pub arrows: &'a [NamedArrow],
    /// What all that is not stated is drawn from.
    pub seed: u64,
}

impl<'a> Options<'a> {
    /// Three fletched and three bare shafts; everything else is drawn from the seed.
    #[must_use]
    pub const fn new(face: &'a FaceSpec, seed: u64) -> Self {
        Self {
            face,
            fletched: 3,
            bare: 3,
            offset_mm: None,
            scatter_mm: None,
            camera_mm: None,
            tilt_rad: None,
            light: None,
            noise: None,
            wear: None,
            size: None,
            arrows: &[],
            seed,
        }
    }
}

/// Most shafts in one photo.
pub const MAX_SHAFTS: usize = 24;
/// Sides of a picture, px.
pub const SIDE_PX: std::ops::RangeInclusive<u32> = 64..=8000;
/// Distances of the camera, mm.
pub const CAMERA_MM: std::ops::RangeInclusive<f64> = 300.0..=30_000.0;
/// Largest tilt, rad: seen flatter, a face shows nothing.
pub const STEEPEST_RAD: f64 = 1.25;
/// Largest offset on an axis and largest scatter, mm.
pub const MAX_WIDTH_MM: f64 = 800.0;
/// Largest multiple of the usual noise.
pub const NOISIEST: f64 = 1000.0;

/// As many arrows of each kind with marks 1, 2, … and A, B, …, a nock and, if fletched, vanes of colours drawn from the seed.
///
/// # Errors
/// When the program's own data is damaged.
pub fn arrows(seed: u64, fletched: usize, bare: usize) -> Result<Vec<NamedArrow>, RehearseError> {
    let plastics = world::World::read()?.plastic.colours;
    let names: Vec<String> = plastics.into_keys().collect();
    let mut draw = random::Draw::new(random::mix(seed), random::Subject::Colours);
    let mut one = |mark: String, kind: ArrowKind| {
        let index = draw.one_of(&names);
        let others = draw.one_of(&names);
        NamedArrow {
            arrow: mark,
            kind: Some(kind),
            nock: Some(draw.one_of(&names)),
            vanes: (kind == ArrowKind::Fletched).then(|| {
                if index == others {
                    vec![index]
                } else {
                    vec![index, others]
                }
            }),
            ..NamedArrow::default()
        }
    };
    let numbers = (1..=fletched).map(|k| k.to_string());
    let letters = (0..bare).map(|k| match u8::try_from(k) {
        Ok(k @ 0..26) => char::from(b'A' + k).to_string(),
        _ => format!("B{k}"),
    });
    let fletched = numbers.map(|mark| (mark, ArrowKind::Fletched));
    let bare = letters.map(|mark| (mark, ArrowKind::Bare));
    Ok(fletched.chain(bare).map(|(m, k)| one(m, k)).collect())
}

/// Why a practice photo can't be made. Each message says what to change.
#[derive(Debug, Error)]
pub enum RehearseError {
    /// The program's own data is damaged.
    #[error("the built-in data for practice photos can't be used ({0}): build the program again")]
    World(#[from] serde_json::Error),
    /// A number out of range.
    #[error("{what} is {value}; give a number between {least} and {most}")]
    Range {
        /// What it is for.
        what: &'static str,
        /// The number.
        value: f64,
        /// Smallest that makes sense.
        least: f64,
        /// Largest that makes sense.
        most: f64,
    },
    /// The shafts don't find room beside each other.
    #[error("{shafts} shafts find no room beside each other: fewer shafts, or a larger scatter")]
    NoRoom {
        /// How many there should be.
        shafts: usize,
    },
    /// The picture can't be written as JPEG.
    #[error("the picture can't be written as JPEG ({0}): give another size")]
    Encode(#[from] image::ImageError),
    /// The picture's EXIF block can't be written.
    #[error("the picture's EXIF block can't be written ({0}): build the program again")]
    Exif(String),
}

/// A practice photo: the file's bytes and what is in it.
#[derive(Clone, Debug)]
pub struct Practice {
    /// JPEG with EXIF.
    pub jpeg: Vec<u8>,
    /// What the photo shows.
    pub truth: Truth,
}

/// Makes a practice photo that will be called `name` (its truth says so).
///
/// # Errors
/// [`RehearseError`] when the options can't be met.
pub fn rehearse(options: &Options, name: &str) -> Result<Practice, RehearseError> {
    let scene = Scene::new(options)?;
    let pixels = scene.photo();
    Ok(Practice {
        jpeg: scene.file(&pixels)?,
        truth: scene.truth(name),
    })
}
