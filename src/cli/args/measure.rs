//! The flags of `measure`.

use super::common::{Output, SessionArgs};
use crate::measure::{PhotoPoint, Pick};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// `bossmark measure`.
#[derive(Args, Debug)]
pub struct Measure {
    /// Photos (JPEG or PNG)
    #[arg(required_unless_present = "points_template", value_name = "PHOTO")]
    pub photos: Vec<PathBuf>,
    /// Target face: a name from `bossmark faces`, or a face file
    #[arg(long, value_name = "FACE")]
    pub face: Option<String>,
    /// Instead of --face, the size of the face (80cm): its pattern is read from the photo
    #[arg(long, value_name = "SIZE", value_parser = size_mm, conflicts_with_all = ["face", "points", "points_template"])]
    pub size: Option<f64>,
    /// Of several faces take the one nearest to this point of the upright photo: pixels (1200,900), or shares of its
    /// width and height (0.3,0.5)
    #[arg(long, value_name = "X,Y", value_parser = at, allow_hyphen_values = true, conflicts_with = "which")]
    pub at: Option<Pick>,
    /// Of several faces take this one, as the record counts them
    #[arg(long, value_name = "N", value_parser = which)]
    pub which: Option<Pick>,
    /// Which way is up on the face: two points of the upright photo that stand above each other, the lower first (an edge of
    /// the paper, a plumb line); pixels, or shares of its width and height, as for --at
    #[arg(long, value_name = "X1,Y1,X2,Y2", value_parser = up, allow_hyphen_values = true, conflicts_with = "points")]
    pub up: Option<Up>,
    /// Lens profile, or a folder of them [default: the session file's, else NAME.lens.json beside the photo]
    #[arg(long, value_name = "FILE|DIR")]
    pub lens: Option<PathBuf>,
    /// Fit the camera to points of the face that you marked in the photo, instead of the rings (JSON or CSV)
    #[arg(long, value_name = "FILE", conflicts_with_all = ["at", "which"])]
    pub points: Option<PathBuf>,
    /// Print a points file to fill in for this face
    #[arg(long, value_name = "json|csv", num_args = 0..=1, default_missing_value = "json",
        conflicts_with_all = ["photos", "points", "at", "which", "up", "lens"])]
    pub points_template: Option<TableArg>,
    /// Output.
    #[command(flatten)]
    pub output: Output,
    /// Write the photo with rings, entries and tags drawn on it (.jpg or .png)
    #[arg(long, value_name = "FILE")]
    pub marked: Option<PathBuf>,
    /// Write an image after each stage into this folder
    #[arg(long, value_name = "DIR")]
    pub debug_dir: Option<PathBuf>,
    /// Say on stderr how long each stage took
    #[arg(long)]
    pub times: bool,
    /// Session.
    #[command(flatten)]
    pub session: SessionArgs,
}

/// Formats of a points file.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TableArg {
    /// JSON.
    Json,
    /// A table, for a spreadsheet.
    Csv,
}

/// `X,Y`: where the face stands that is meant.
fn at(text: &str) -> Result<Pick, String> {
    match points(text).as_deref() {
        Some([place]) => Ok(Pick::At(*place)),
        _ => Err(
            "give pixels, like 1200,900, or shares of width and height, like 0.3,0.5".to_owned(),
        ),
    }
}

/// The two points of `--up`.
type Up = [PhotoPoint; 2];

fn up(text: &str) -> Result<Up, String> {
    match points(text).as_deref() {
        Some([low, high]) => Ok([*low, *high]),
        _ => Err(
            "give two points, the lower first, in pixels, like 820,2900,790,340, or in shares of width and height, like 0.2,0.9,0.2,0.1".to_owned(),
        ),
    }
}

/// Points in a photo, x and y of each in turn: fractions where every number is between 0 and 1, else pixels.
fn points(text: &str) -> Option<Vec<PhotoPoint>> {
    let numbers: Vec<f64> = text
        .split(',')
        .map(|n| n.trim().parse::<f64>().ok().filter(|v| v.is_finite()))
        .collect::<Option<_>>()?;
    let (pairs, rest) = numbers.as_chunks::<2>();
    let shares = numbers.iter().all(|n| (0.0..=1.0).contains(n));
    let place = |p: &[f64; 2]| {
        if shares {
            PhotoPoint::Fraction(*p)
        } else {
            PhotoPoint::Pixel(*p)
        }
    };
    rest.is_empty().then(|| pairs.iter().map(place).collect())
}

/// A face's diameter, mm: `80cm`, `800mm`, or centimetres without a unit.
fn size_mm(text: &str) -> Result<f64, String> {
    let text = text.trim().to_lowercase();
    let (number, mm) = match (text.strip_suffix("mm"), text.strip_suffix("cm")) {
        (Some(number), _) => (number, 1.0),
        (_, Some(number)) => (number, 10.0),
        _ => (text.as_str(), 10.0),
    };
    match number.trim().parse::<f64>() {
        Ok(n) if (50.0..=5000.0).contains(&(n * mm)) => Ok(n * mm),
        _ => Err("give the diameter of the face, like 80cm".to_owned()),
    }
}

fn which(text: &str) -> Result<Pick, String> {
    match text.trim().parse::<usize>() {
        Ok(n) if n > 0 => Ok(Pick::Number(n)),
        _ => Err("give the number of a face, from 1".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_pixels_or_shares() {
        assert_eq!(
            at("1200,900"),
            Ok(Pick::At(PhotoPoint::Pixel([1200.0, 900.0])))
        );
        assert_eq!(
            at("0.3, 0.5"),
            Ok(Pick::At(PhotoPoint::Fraction([0.3, 0.5])))
        );
        assert_eq!(which("2"), Ok(Pick::Number(2)));
        assert!(at("1200").is_err() && at("a,b").is_err() && which("0").is_err());
        let [low, high] = up("820,2900,790,340").unwrap();
        assert_eq!(low, PhotoPoint::Pixel([820.0, 2900.0]));
        assert_eq!(high, PhotoPoint::Pixel([790.0, 340.0]));
        // shares only where all four are
        let [low, _] = up("0.2,0.9,0.2,0.1").unwrap();
        assert_eq!(low, PhotoPoint::Fraction([0.2, 0.9]));
        let [low, _] = up("0.2,0.9,0.2,1.1").unwrap();
        assert_eq!(low, PhotoPoint::Pixel([0.2, 0.9]));
        assert!(up("1,2,3").is_err() && up("1,2").is_err() && up("1,2,3,4,5,6").is_err());
    }
}
