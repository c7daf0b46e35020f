//! `bossmark faces`.

use super::args::Faces;
use super::status::CliError;
use super::terminal::{Answers, Terminal};
use crate::face::spec::{self, FaceSpec};
use crate::text::plain;
use serde_json::{Value, json};

/// Runs the command.
pub(super) fn run(args: &Faces, terminal: &mut Terminal) -> Result<(), CliError> {
    let known = spec::known();
    let document = json!({
        "schema": "bossmark/faces/1",
        "faces": known.iter().map(face).collect::<Vec<Value>>(),
    });
    let mut answers = Answers::new(&args.output);
    answers.give(terminal, &document, || plain::faces(known))?;
    answers.finish(false)
}

fn face(face: &FaceSpec) -> Value {
    let rings: Vec<Value> = face
        .zones
        .iter()
        .map(|z| json!({"diameter_mm": 2.0 * z.radius_mm(), "tolerance_mm": z.tolerance_mm}))
        .collect();
    json!({
        "name": face.name,
        "words": face.words,
        "diameter_mm": face.diameter_mm,
        "spot_centres_mm": face.spots_mm.iter().map(|p| [p.x, p.y]).collect::<Vec<_>>(),
        "rings": rings,
        "sources": face.sources,
    })
}
