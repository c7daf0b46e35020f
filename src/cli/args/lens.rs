//! The flags of `lens`.

use super::common::Output;
use clap::{Args, Subcommand, ValueEnum};
use std::path::PathBuf;

/// `bossmark lens`: without an action, photos are fitted.
#[derive(Args, Debug)]
#[command(
    args_conflicts_with_subcommands = true,
    subcommand_negates_reqs = true,
    arg_required_else_help = true
)]
pub struct Lens {
    /// What to do.
    #[command(subcommand)]
    pub action: Option<LensAction>,
    /// Photos to fit.
    #[command(flatten)]
    pub fit: LensFit,
}

/// What `bossmark lens` does.
#[derive(Debug, Subcommand)]
pub enum LensAction {
    /// The sheet to print, as SVG
    Sheet(LensSheet),
    /// Photos of the sheet, or of any chessboard → lens profile
    Fit(LensFit),
}

/// `bossmark lens sheet`.
#[derive(Args, Debug)]
pub struct LensSheet {
    /// Paper to print on
    #[arg(long, value_name = "a4|letter", default_value = "a4")]
    pub paper: PaperArg,
    /// Write the SVG to this file [default: stdout]
    #[arg(short, long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Print the sheet's measures and the SVG as JSON
    #[arg(long)]
    pub json: bool,
}

/// `bossmark lens fit`.
#[derive(Args, Debug)]
pub struct LensFit {
    /// Photos (JPEG or PNG) of the sheet, or of any flat chessboard
    #[arg(required = true, value_name = "PHOTO")]
    pub photos: Vec<PathBuf>,
    /// Inner corners of the board, like 9x6 [default: as the photos show it]
    #[arg(long, value_name = "NxM", value_parser = corners)]
    pub corners: Option<[u32; 2]>,
    /// What the profile is called [default: what the photos say of the camera]
    #[arg(long, value_name = "NAME")]
    pub name: Option<String>,
    /// Output.
    #[command(flatten)]
    pub output: Output,
}

/// Paper on the command line.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum PaperArg {
    /// 297 × 210 mm.
    A4,
    /// 11 × 8.5 in.
    Letter,
}

fn corners(text: &str) -> Result<[u32; 2], String> {
    let numbers: Vec<u32> = text
        .split(['x', 'X', '×'])
        .filter_map(|n| n.trim().parse().ok())
        .filter(|n| (3..=100).contains(n))
        .collect();
    match numbers.as_slice() {
        [a, b] => Ok([*a, *b]),
        _ => Err(
            "give the inner corners across and down, like 9x6 for a board of 10 by 7 squares"
                .to_owned(),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Cli, Command};
    use clap::Parser as _;

    #[test]
    fn lens_fits_photos_with_and_without_the_word() {
        let parsed = |words: &[&str]| match Cli::try_parse_from(words) {
            Ok(Cli {
                command: Command::Lens(l),
            }) => Some((l.action.is_some(), l.fit.photos.len(), l.fit.corners)),
            _ => None,
        };
        assert_eq!(
            parsed(&["bossmark", "lens", "a.jpg", "b.jpg", "--corners", "9x6"]),
            Some((false, 2, Some([9, 6])))
        );
        assert_eq!(
            parsed(&["bossmark", "lens", "fit", "a.jpg"]),
            Some((true, 0, None))
        );
        assert_eq!(
            parsed(&["bossmark", "lens", "sheet"]),
            Some((true, 0, None))
        );
        assert_eq!(parsed(&["bossmark", "lens"]), None);
        assert_eq!(
            parsed(&["bossmark", "lens", "a.jpg", "--corners", "9"]),
            None
        );
    }
}
