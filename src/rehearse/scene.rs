//! A scene: everything that a photo shows, drawn from the options and their seed.

use super::appearance;
use super::arrow::Shaft;
use super::boss::{Boss, Setting};
use super::light::{Light, Shades};
use super::paper::Paper;
use super::place::{self, Viewpoint};
use super::random::{Draw, Grain, Subject};
use super::world::World;
use super::{
    CAMERA_MM, LightKind, MAX_SHAFTS, MAX_WIDTH_MM, NOISIEST, Options, RehearseError, SIDE_PX,
    STEEPEST_RAD,
};
use crate::face::spec::FaceSpec;
use nalgebra::{Rotation3, Vector3};

/// What the camera makes of the light.
#[derive(Clone, Debug)]
pub(super) struct Processing {
    /// Radiance → share of white, per channel.
    pub(super) gain: [f64; 3],
    pub(super) photon_noise: f64,
    pub(super) read_noise: f64,
    pub(super) blur_px: f64,
    /// Way of the picture while it was taken, px.
    pub(super) shake_px: [f64; 2],
    pub(super) vignette: f64,
    pub(super) sharpen: f64,
    pub(super) quality: u8,
    pub(super) orientation: u8,
    pub(super) make: [String; 2],
    pub(super) date: String,
    pub(super) seed: u64,
}

/// A scene from which a photo and its truth are made.
pub struct Scene {
    pub(super) spec: FaceSpec,
    pub(super) taken: Viewpoint,
    pub(super) shafts: Vec<Shaft>,
    pub(super) paper: Paper,
    pub(super) boss: Boss,
    pub(super) light: Light,
    pub(super) shades: Shades,
    pub(super) processing: Processing,
    pub(super) light_kind: LightKind,
    /// Share of the light on its other side that a vane lets through.
    pub(super) translucent: f64,
    /// Irradiance of the open face plane.
    pub(super) face_light: [f64; 3],
    pub(super) hard: Vec<&'static str>,
    pub(super) seed: u64,
}

fn checked(what: &'static str, value: f64, least: f64, most: f64) -> Result<(), RehearseError> {
    if value >= least && value <= most {
        return Ok(());
    }
    Err(RehearseError::Range {
        what,
        value,
        least,
        most,
    })
}

fn check(options: &Options) -> Result<(), RehearseError> {
    let count = crate::math::count(options.fletched.saturating_add(options.bare));
    checked(
        "the number of shafts",
        count,
        0.0,
        crate::math::count(MAX_SHAFTS),
    )?;
    for value in options.offset_mm.into_iter().flatten() {
        checked("the offset in mm", value, -MAX_WIDTH_MM, MAX_WIDTH_MM)?;
    }
    if let Some(value) = options.scatter_mm {
        checked("the scatter in mm", value, 0.1, MAX_WIDTH_MM)?;
    }
    if let Some(value) = options.camera_mm {
        checked(
            "the camera's distance in mm",
            value,
            *CAMERA_MM.start(),
            *CAMERA_MM.end(),
        )?;
    }
    if let Some(value) = options.tilt_rad {
        checked("the tilt in rad", value, 0.0, STEEPEST_RAD)?;
    }
    if let Some(value) = options.noise {
        checked("the noise", value, 0.0, NOISIEST)?;
    }
    if let Some(value) = options.wear {
        checked("the wear", value, 0.0, 1.0)?;
    }
    if let Some((width, height)) = options.size {
        for side in [width, height] {
            let (least, most) = (f64::from(*SIDE_PX.start()), f64::from(*SIDE_PX.end()));
            checked("the size in px", f64::from(side), least, most)?;
        }
    }
    Ok(())
}

impl Scene {
    /// Draws a scene.
    ///
    /// # Errors
    /// [`RehearseError`] when the options can't be met.
    pub fn new(options: &Options) -> Result<Self, RehearseError> {
        check(options)?;
        let world = World::read()?;
        let spec = options.face.clone();
        let seed = options.seed;
        let mut draw = Draw::new(seed, Subject::Light);
        let kinds = [
            LightKind::Sun,
            LightKind::Sun,
            LightKind::Overcast,
            LightKind::Hall,
        ];
        let drawn = kinds[draw.count([0, kinds.len() - 1])];
        let light_kind = options.light.unwrap_or(drawn);
        let indoors = light_kind == LightKind::Hall;
        let mut draw = Draw::new(seed, Subject::Boss);
        let lean = draw.within(world.boss.lean_deg).to_radians() * if indoors { 0.5 } else { 1.0 };
        let roll = draw.normal(world.boss.paper_roll_sd_deg).to_radians();
        // the sheet is turned by `roll` counter-clockwise on the boss
        let boss_from_face = Rotation3::from_axis_angle(&Vector3::z_axis(), roll);
        let face_from_boss = |v: Vector3<f64>| boss_from_face.inverse() * v;
        let light = Light::draw(
            &world,
            seed,
            light_kind,
            lean,
            spec.reach_mm(),
            face_from_boss,
        );
        let appearances = appearance::arrow_appearances(&world, seed);
        let shafts = place::shafts(&world, options, &appearances)?;
        let taken = place::camera(&world, options, light.up, spec.reach_mm());
        let grain = Grain::new(seed);
        let paper = Paper::draw(&world, seed, &spec, &shafts, options.wear, grain.clone());
        let boss = Boss::draw(
            &world,
            seed,
            &Setting {
                paper_edges: paper.edges,
                shafts: &shafts,
                turn: boss_from_face.into_inner(),
                lean,
                indoors,
                wave: paper.deepest(),
                grain,
            },
        );
        let shades = Shades::new(&light, &shafts, 1.6 * boss.half());
        let (processing, hard) = processing(&world, options, &light, light_kind, &taken);
        Ok(Self {
            face_light: light.on_face(),
            spec,
            taken,
            shafts,
            paper,
            boss,
            light,
            shades,
            processing,
            light_kind,
            translucent: world.vane.translucent,
            hard,
            seed,
        })
    }
}

/// Noise beyond this multiple, and tilts below this many degrees, make a photo unkind; so do blurs beyond this many px.
const NOISY_MULTIPLE: f64 = 9.0;
const FLAT_DEG: f64 = 5.0;
const BLURRED_PX: f64 = 1.1;
/// So does a face that takes less than this share of the picture's short side.
const SMALL_FACE_SHARE: f64 = 0.3;

/// How the picture is taken and processed, and what about the photo is hard.
fn processing(
    world: &World,
    options: &Options,
    light: &Light,
    kind: LightKind,
    taken: &Viewpoint,
) -> (Processing, Vec<&'static str>) {
    let w = &world.picture;
    let mut draw = Draw::new(options.seed, Subject::Picture);
    let usual = if light.indoors {
        draw.within(w.hall_noise)
    } else {
        draw.within(w.noise)
    };
    let noise = options.noise.unwrap_or(usual);
    let soft = draw.chance(w.soft_share);
    // a picture with fewer pixels was made smaller, and its blur with it
    let pixels = f64::from(taken.width) * f64::from(taken.height) / 8e6;
    let shrink = pixels.sqrt().clamp(0.6, 1.3);
    let blur_px = draw.within(if soft { w.soft_px } else { w.blur_px }) * shrink.max(0.8);
    let shaken = draw.chance(w.shake_share);
    let (way, angle) = (
        draw.within(w.shake_px) * shrink,
        draw.within([0.0, std::f64::consts::TAU]),
    );
    let shake_px = if shaken {
        [way * angle.cos(), way * angle.sin()]
    } else {
        [0.0; 2]
    };
    let on_face = light.on_face();
    let brightness = 0.21 * on_face[0] + 0.72 * on_face[1] + 0.07 * on_face[2];
    let exposure = draw.normal(world.light.exposure_sd).exp() * 0.86 / brightness.max(1e-6);
    let balance = draw.within(world.light.balance);
    let gain = light
        .colour
        .map(|c| exposure * (c / light.colour[1]).powf(-balance));
    let mut hard = Vec::new();
    match kind {
        LightKind::LowSun => hard.push("low sun"),
        LightKind::Person => hard.push("a person's shadow"),
        LightKind::Sun | LightKind::Overcast | LightKind::Hall => {}
    }
    let shape = &taken.camera;
    let share = 2.0 * options.face.reach_mm() * shape.lens.f_px
        / (shape.centre_mm().norm() * f64::from(taken.width.min(taken.height)));
    for (is, words) in [
        (noise > NOISY_MULTIPLE, "noisy"),
        (blur_px > BLURRED_PX, "soft focus"),
        (shaken && way > 1.5, "shaken"),
        (
            shape.tilt_rad().to_degrees() < FLAT_DEG,
            "nearly straight on",
        ),
        (share < SMALL_FACE_SHARE, "small in the picture"),
    ] {
        if is {
            hard.push(words);
        }
    }
    let processing = Processing {
        gain,
        photon_noise: w.photon_noise * noise,
        read_noise: w.read_noise * noise.powf(0.6),
        blur_px,
        shake_px,
        vignette: draw.within(w.vignette),
        sharpen: draw.within(w.sharpen),
        quality: u8::try_from(draw.count(w.quality))
            .unwrap_or(90)
            .clamp(1, 100),
        orientation: draw.one_of(&[1u8, 1, 1, 3, 6, 8]).max(1),
        make: draw.one_of(&w.makes),
        date: format!(
            "2026:{:02}:{:02} {:02}:{:02}:{:02}",
            draw.count([4, 9]),
            draw.count([1, 28]),
            draw.count([9, 19]),
            draw.count([0, 59]),
            draw.count([0, 59])
        ),
        seed: draw.bits(),
    };
    (processing, hard)
}
