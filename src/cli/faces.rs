//! `bossmark faces`.

use super::args::Faces;
use super::outputs;
use super::status::CliError;
use super::terminal::{Answers, Terminal};
use crate::face::spec::{self, FaceSpec};
use crate::store::OutputKind;
use crate::text::plain;
use serde_json::{Value, json};

/// Schema of the list of faces.
const SCHEMA: &str = "bossmark/faces/1";

/// Runs the command.
pub(super) fn run(args: &Faces, terminal: &mut Terminal) -> Result<(), CliError> {
    outputs::check(
        &[(args.output.out.as_ref(), OutputKind::of_schema(SCHEMA))],
        &[],
    )?;
    let known = spec::known();
    let document = json!({
        "schema": SCHEMA,
        "faces": known.iter().map(face).collect::<Vec<Value>>(),
    });
    let mut answers = Answers::new(&args.output);
    answers.give(terminal, &document, || {
        if args.sources {
            plain::faces_with_sources(known)
        } else {
            plain::faces(known)
        }
    })?;
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
