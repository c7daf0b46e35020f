//! What practice photos are drawn from: `calibration/rehearse.json`.

use serde::Deserialize;
use std::collections::BTreeMap;

const FILE: &str = include_str!("../../calibration/rehearse.json");

/// 8-bit sRGB.
type Srgb = [f64; 3];
type Range = [f64; 2];

#[derive(Debug, Deserialize)]
pub(super) struct World {
    pub(super) camera: Camera,
    pub(super) boss: Boss,
    pub(super) face: Face,
    pub(super) shaft: Shaft,
    pub(super) vane: Vane,
    pub(super) nock: Nock,
    pub(super) light: Light,
    pub(super) picture: Picture,
    pub(super) plastic: Plastic,
}

#[derive(Debug, Deserialize)]
pub(super) struct Camera {
    pub(super) main_35mm: Range,
    pub(super) tele_35mm: Range,
    pub(super) wide_35mm: Range,
    pub(super) tele_share: f64,
    pub(super) wide_share: f64,
    pub(super) wide_k1: Range,
    pub(super) wide_k2_over_k1_squared: Range,
    pub(super) k1_sd: f64,
    pub(super) k2_sd: f64,
    pub(super) focal_ln_sd: f64,
    pub(super) principal_sd_of_width: f64,
    pub(super) hand_roll_sd_deg: f64,
    pub(super) face_share: Range,
    pub(super) distance_m: Range,
    pub(super) tilt_deg: Range,
    pub(super) aside_sd_rad: f64,
    pub(super) portrait_share: f64,
}

#[derive(Debug, Deserialize)]
pub(super) struct Boss {
    pub(super) lean_deg: Range,
    pub(super) centre_height_mm: f64,
    pub(super) thickness_mm: Range,
    pub(super) half_side_mm: Range,
    pub(super) beyond_paper_mm: Range,
    pub(super) paper_roll_sd_deg: f64,
    pub(super) behind_paper_mm: Range,
    pub(super) holes: [usize; 2],
    pub(super) foam: Vec<Srgb>,
    pub(super) layers: Vec<Srgb>,
    pub(super) straw: Vec<Srgb>,
    pub(super) coil_mm: Range,
    pub(super) layer_mm: Range,
}

#[derive(Clone, Debug, Default, Deserialize)]
pub(super) struct Inks {
    pub(super) yellow: Srgb,
    pub(super) red: Srgb,
    pub(super) blue: Srgb,
    pub(super) black: Srgb,
    pub(super) white: Srgb,
}

#[derive(Debug, Deserialize)]
pub(super) struct Face {
    pub(super) margin_of_radius: Range,
    pub(super) margin_mm: f64,
    pub(super) round_share: f64,
    pub(super) wave_mm: Range,
    pub(super) line_mm: Range,
    pub(super) line_at_colour_step_share: f64,
    pub(super) holes: [usize; 2],
    pub(super) fresh_share: f64,
    pub(super) patch_share: f64,
    pub(super) fade: Range,
    pub(super) inks: Vec<Inks>,
}

#[derive(Debug, Deserialize)]
pub(super) struct Shaft {
    pub(super) diameter_mm: Vec<f64>,
    pub(super) stands_out_mm: Range,
    pub(super) stands_out_sd_mm: f64,
    pub(super) inside_mm: f64,
    pub(super) lean_common_sd_deg: f64,
    pub(super) lean_sd_deg: f64,
    pub(super) bare_kick_deg: Range,
    pub(super) bare_lean_sd_deg: f64,
    pub(super) lean_limit_deg: f64,
    pub(super) scatter_of_radius: f64,
    pub(super) scatter_least_mm: f64,
    pub(super) scatter_ln_sd: f64,
    pub(super) scatter_spot_mm: f64,
    pub(super) offset_sd_mm: f64,
    pub(super) offset_spot_sd_mm: f64,
    pub(super) bright_share: f64,
    pub(super) metal_share: f64,
    pub(super) wrap_share: f64,
    pub(super) tape_share: f64,
    pub(super) carbon: Vec<Srgb>,
    pub(super) metal: Vec<Srgb>,
    pub(super) bright: Vec<Srgb>,
    pub(super) band: Vec<Srgb>,
}

#[derive(Debug, Deserialize)]
pub(super) struct Vane {
    pub(super) length_mm: Range,
    pub(super) height_mm: Range,
    pub(super) nock_gap_mm: Range,
    pub(super) skew_deg: Range,
    pub(super) translucent: f64,
    pub(super) colours: Vec<Srgb>,
}

#[derive(Debug, Deserialize)]
pub(super) struct Nock {
    pub(super) length_mm: Range,
    pub(super) least_radius_mm: f64,
    pub(super) slot_mm: f64,
    pub(super) slot_depth_mm: f64,
}

#[derive(Debug, Deserialize)]
pub(super) struct Light {
    pub(super) sun_height_deg: Range,
    pub(super) low_height_deg: Range,
    pub(super) sun_aside_deg: f64,
    pub(super) sun_radius_deg: Range,
    pub(super) lamp_radius_deg: Range,
    pub(super) overcast_radius_deg: f64,
    pub(super) sun: [f64; 3],
    pub(super) low_sun: [f64; 3],
    pub(super) sky: [f64; 3],
    pub(super) overcast: [f64; 3],
    pub(super) warm: [f64; 3],
    pub(super) cool: [f64; 3],
    pub(super) sky_share: Range,
    pub(super) balance: Range,
    pub(super) exposure_sd: f64,
}

#[derive(Debug, Deserialize)]
pub(super) struct Picture {
    pub(super) photon_noise: f64,
    pub(super) read_noise: f64,
    pub(super) noise: Range,
    pub(super) hall_noise: Range,
    pub(super) blur_px: Range,
    pub(super) soft_share: f64,
    pub(super) soft_px: Range,
    pub(super) shake_share: f64,
    pub(super) shake_px: Range,
    pub(super) vignette: Range,
    pub(super) sharpen: Range,
    pub(super) quality: [usize; 2],
    pub(super) makes: Vec<[String; 2]>,
}

/// What plastics of a name look like.
#[derive(Debug, Deserialize)]
pub(super) struct Plastic {
    pub(super) colours: BTreeMap<String, Vec<Srgb>>,
}

impl World {
    pub(super) fn read() -> Result<Self, serde_json::Error> {
        serde_json::from_str(FILE)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_file_reads_and_every_group_has_its_source() {
        let world = World::read().unwrap();
        assert!(
            world
                .shaft
                .diameter_mm
                .iter()
                .all(|d| (4.5..=9.3).contains(d))
        );
        let raw: serde_json::Value = serde_json::from_str(FILE).unwrap();
        for name in world.plastic.colours.keys() {
            assert!(crate::colours::named(name).is_some(), "{name}");
        }
        for (name, group) in raw.as_object().unwrap() {
            if group.is_object() {
                let source = group["source"].as_str().unwrap_or_default();
                assert!(
                    source.contains("common practice") || source.contains("assumption"),
                    "{name}"
                );
            }
        }
    }
}
