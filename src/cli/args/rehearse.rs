//! The flags of `rehearse`.

use super::common::HandArg;
use super::values::{distance, millimetres, pair};
use crate::rehearse::LightKind;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// `bossmark rehearse`.
#[derive(Args, Debug)]
pub struct Rehearse {
    /// Target face: a name from `bossmark faces`, or a face file
    #[arg(long, value_name = "FACE", default_value = "wa-80")]
    pub face: String,
    /// Folder for the photos (practice-SEED.jpg) and their truth (practice-SEED.truth.json)
    #[arg(short, long, value_name = "DIR", default_value = ".")]
    pub out: PathBuf,
    /// How many photos, with seeds one after the other
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=10_000))]
    pub count: u32,
    /// What all that isn't told is drawn from: the same seed gives the same photo
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Print each photo's truth as JSON, one a line, and nothing else, on stdout
    #[arg(long)]
    pub json: bool,
    /// Fletched shafts
    #[arg(
        long,
        value_name = "N",
        default_value_t = 3,
        help_heading = "What was shot"
    )]
    pub fletched: u32,
    /// Bare shafts
    #[arg(
        long,
        value_name = "N",
        default_value_t = 3,
        help_heading = "What was shot"
    )]
    pub bare: u32,
    /// Where the bare shafts go relative to the fletched ones, mm right and up: `90,-20`
    #[arg(long, value_name = "X,Y", value_parser = pair, allow_hyphen_values = true, help_heading = "What was shot")]
    pub offset: Option<[f64; 2]>,
    /// Standard deviation of the shots on each axis, mm
    #[arg(long, value_name = "MM", value_parser = millimetres, help_heading = "What was shot")]
    pub scatter: Option<f64>,
    /// Mark each arrow (1, 2, … with vanes, A, B, … without) and give it a nock and vanes of colours drawn from the first seed;
    /// the session file tells them
    #[arg(long, help_heading = "What was shot")]
    pub arrows: bool,
    /// Also write a session.json that says what was shot
    #[arg(long, help_heading = "What was shot")]
    pub with_session: bool,
    /// For the session file: the hand that draws the string
    #[arg(long, value_name = "right|left", help_heading = "What was shot")]
    pub hand: Option<HandArg>,
    /// For the session file: shooting distance, in metres (`30`, `30m`) or yards (`30yd`)
    #[arg(long, value_name = "METRES", value_parser = distance, help_heading = "What was shot")]
    pub distance: Option<f64>,
    /// Distance of the camera from the face, in metres
    #[arg(long, value_name = "METRES", help_heading = "How it is photographed")]
    pub camera: Option<f64>,
    /// Angle between the view and the face's normal, in degrees
    #[arg(long, value_name = "DEGREES", help_heading = "How it is photographed")]
    pub tilt: Option<f64>,
    /// The light
    #[arg(long, value_enum, help_heading = "How it is photographed")]
    pub light: Option<LightArg>,
    /// Noise as a multiple of that in good light; 0 for none
    #[arg(long, value_name = "TIMES", help_heading = "How it is photographed")]
    pub noise: Option<f64>,
    /// Old holes and wear of the face, from 0 (fresh) to 1
    #[arg(long, value_name = "SHARE", help_heading = "How it is photographed")]
    pub wear: Option<f64>,
    /// Size of the picture in pixels, like 4032x3024
    #[arg(long, value_name = "WxH", value_parser = size, help_heading = "How it is photographed")]
    pub size: Option<(u32, u32)>,
}

/// A light on the command line.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum LightArg {
    /// Sun over the shoulder.
    Sun,
    /// Low sun, long shadows.
    LowSun,
    /// Even cloud.
    Overcast,
    /// Lamps of a hall.
    Hall,
    /// Sun, and a person's shadow on the face.
    Person,
}

impl From<LightArg> for LightKind {
    fn from(light: LightArg) -> Self {
        match light {
            LightArg::Sun => Self::Sun,
            LightArg::LowSun => Self::LowSun,
            LightArg::Overcast => Self::Overcast,
            LightArg::Hall => Self::Hall,
            LightArg::Person => Self::Person,
        }
    }
}

fn size(text: &str) -> Result<(u32, u32), String> {
    text.split_once(['x', 'X', '×'])
        .and_then(|(w, h)| Some((w.trim().parse().ok()?, h.trim().parse().ok()?)))
        .ok_or_else(|| "give width and height in pixels, like 4032x3024".to_owned())
}
