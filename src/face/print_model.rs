//! Where the edges of the print are to be expected: data of `calibration/print-model.json`.
//!
//! A zone's nominal radius is the outer edge of its bounding line (or its middle or inner edge, as the face says). A line
//! within one colour is seen at its middle; where a colour change brightens past a dark line, the line's outer edge is seen,
//! whether the line is printed there or not; a change that darkens is seen at either edge.

use super::colour::printed_linear;
use super::spec::{Boundary, FaceSpec, LineSide};
use crate::imaging::luminance;
use serde::Deserialize;
use std::sync::LazyLock;

#[derive(Clone, Copy, Debug, Deserialize)]
struct Normal {
    mm: f64,
    sd_mm: f64,
}

#[derive(Clone, Copy, Debug, Deserialize)]
struct Document {
    line_width: Normal,
    line_middle: Normal,
    outer_edge: Normal,
    outer_edge_past_dip: Normal,
    either_edge: Normal,
    paper: Normal,
    centre_mark: CentreMark,
    sheet_scales: [SheetScale; SHEET_SCALES],
}

/// Number of scales of deformation that are compared.
pub(super) const SHEET_SCALES: usize = 3;

/// How far a sheet may be from what the rulebook prints on a plane.
#[derive(Clone, Copy, Debug, Deserialize)]
struct SheetScale {
    /// Standard deviation of each term of the sheet's shape, mm for a face of 1 m; larger faces bend as much in proportion.
    sheet_mm_per_m: f64,
    /// Standard deviation of a ring's radius, share of it.
    print: f64,
}

/// The "+" printed in the middle.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
pub(super) struct CentreMark {
    /// Length of an arm from the middle, mm.
    pub(super) arm_mm: f64,
}

/// The mark in the middle of a face; `None` stands for a broken build.
pub(super) fn centre_mark() -> Option<CentreMark> {
    PRINT.map(|p| p.centre_mark)
}

static PRINT: LazyLock<Option<Document>> =
    LazyLock::new(|| serde_json::from_str(include_str!("../../calibration/print-model.json")).ok());

/// Where one boundary is expected to be seen: at its nominal radius + `of_line` · width of the lines + `mm`, ± `sd_mm`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct EdgePrior {
    pub(super) of_line: f64,
    pub(super) mm: f64,
    pub(super) sd_mm: f64,
}

impl EdgePrior {
    /// Expected offset from the nominal radius, mm, for lines of that width.
    pub(super) fn offset_mm(&self, line_mm: f64) -> f64 {
        self.of_line * line_mm + self.mm
    }
}

/// What is expected of all boundaries of a face.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct PrintModel {
    pub(super) edges: Vec<EdgePrior>,
    /// The prior of an edge whose kind isn't known.
    either: EdgePrior,
    /// Width of the printed lines, mm: mean and standard deviation.
    pub(super) line_mm: (f64, f64),
    /// How far the sheet stands off the face plane: standard deviation of each term of its shape, mm.
    pub(super) sheet_sd_mm: f64,
}

/// The print model of a face; the built-in file always parses (tested), `None` stands for a broken build.
pub(super) fn print_model(spec: &FaceSpec) -> Option<PrintModel> {
    let data = (*PRINT)?;
    // place of the line's middle and outer edge against the nominal radius, in widths
    let (middle, outer) = match spec.line.side {
        LineSide::Inside => (-0.5, 0.0),
        LineSide::Centred => (0.0, 0.5),
        LineSide::Outside => (0.5, 1.0),
    };
    let prior = |of_line: f64, n: Normal| EdgePrior {
        of_line,
        mm: n.mm,
        sd_mm: n.sd_mm,
    };
    let either = prior(middle, data.either_edge);
    let edges = spec
        .boundaries()
        .iter()
        .map(|b| match b {
            b if b.is_line() => prior(middle, data.line_middle),
            b => match rise(b) {
                Some(Rise::Plain) => prior(outer, data.outer_edge),
                Some(Rise::PastDip) => prior(outer, data.outer_edge_past_dip),
                None => either,
            },
        })
        .collect();
    Some(PrintModel {
        edges,
        either,
        sheet_sd_mm: data.paper.sd_mm,
        line_mm: (
            data.line_width.mm.min(spec.line.width_mm),
            data.line_width.sd_mm,
        ),
    })
}

impl PrintModel {
    /// What is expected of a sheet that hangs in way number `k`: 0 is flat and printed as the rulebook has it.
    pub(super) fn with_sheet_scale(&self, spec: &FaceSpec, k: usize) -> Self {
        let Some(how) = PRINT.and_then(|p| p.sheet_scales.get(k).copied()) else {
            return self.clone();
        };
        let boundaries = spec.boundaries();
        let edges = self.edges.iter().zip(&boundaries).map(|(e, b)| EdgePrior {
            sd_mm: e.sd_mm.hypot(how.print * b.radius_mm),
            ..*e
        });
        Self {
            edges: edges.collect(),
            either: self.either,
            line_mm: self.line_mm,
            sheet_sd_mm: self
                .sheet_sd_mm
                .max(how.sheet_mm_per_m * spec.reach_mm() / 500.0),
        }
    }

    /// The same where only some boundaries were seen sharply.
    pub(super) fn where_sharp(&self, sharp: &[bool]) -> Self {
        let edges = self.edges.iter().zip(sharp);
        Self {
            edges: edges
                .map(|(e, sharp)| if *sharp { *e } else { self.either })
                .collect(),
            ..self.clone()
        }
    }
}

/// How grey brightens outwards across a boundary.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Rise {
    /// From the line's own darkness: the line, if there is one, looks like what lies inside it.
    Plain,
    /// Past a line darker than either side; blur moves the steepest place outwards.
    PastDip,
}

/// Least difference of luminance by which a line is darker than what lies inside it for the profile to have a dip.
const MIN_DIP_LUMINANCE: f32 = 0.05;

/// How the boundary brightens; `None` where it darkens, or where the line is brighter than what lies inside it.
fn rise(b: &Boundary) -> Option<Rise> {
    let [inside, outside, line] =
        [b.inside, b.outside, b.line].map(|c| luminance(printed_linear(c)));
    if inside >= outside || line > inside {
        None
    } else if inside - line > MIN_DIP_LUMINANCE {
        Some(Rise::PastDip)
    } else {
        Some(Rise::Plain)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::face::spec;

    #[test]
    fn a_dark_line_is_seen_at_its_outer_edge_where_colours_brighten() {
        let print_model = print_model(spec::by_name("wa-80").unwrap()).unwrap();
        let of = |b: usize| print_model.edges[b];
        // the line between 10 and 9, at its middle
        assert!((of(1).of_line + 0.5).abs() < 1e-12);
        // red to blue and black to white
        assert!(of(4).of_line.abs() < 1e-12 && of(8).of_line.abs() < 1e-12);
        assert!(of(8).sd_mm < of(4).sd_mm && of(4).sd_mm < of(2).sd_mm);
        // yellow to red darkens: either edge
        assert!((of(2).of_line + 0.5).abs() < 1e-12);
    }

    #[test]
    fn a_white_line_before_white_paper_may_be_seen_at_either_edge() {
        let b = Boundary {
            radius_mm: 400.0,
            inside: spec::Colour::Black,
            outside: spec::Colour::White,
            line: spec::Colour::White,
            tolerance_mm: 3.0,
        };
        assert!(rise(&b).is_none());
    }
}
