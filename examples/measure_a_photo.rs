//! A photo → where each shaft enters the face, in millimetres with its uncertainty.
//!
//! `cargo run --release --example measure_a_photo -- sample-photos/evening/evening-1.jpg wa-80`

#![allow(clippy::print_stdout, reason = "a program that prints its findings")]

use anyhow::{Context, Result, anyhow};
use bossmark::face::spec;
use bossmark::measure::{MeasureOptions, measure};
use bossmark::record::Session;

fn main() -> Result<()> {
    let mut arguments = std::env::args().skip(1);
    let (photo, face) = arguments
        .next()
        .zip(arguments.next())
        .context("name a photo and the face on it, such as wa-80")?;
    let bytes = std::fs::read(&photo).with_context(|| format!("{photo} can't be read"))?;
    let spec = spec::by_name(&face).with_context(|| format!("no face is called {face}"))?;

    let measured = measure(
        &bytes,
        &photo,
        spec,
        Session::default(),
        &MeasureOptions::default(),
        &mut |_stage| (),
    )?;
    if let Some(failure) = measured.end.failure {
        return Err(anyhow!(failure.text));
    }
    // x to the right and y up from the middle of the face, as the archer sees it
    for entry in &measured.end.entries {
        println!("{:8.1} {:8.1}  {:?}", entry.x_mm, entry.y_mm, entry.kind);
    }
    Ok(())
}
