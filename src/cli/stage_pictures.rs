//! The pictures that `measure` draws: the marked photo, and one after each stage.

use super::args::Measure;
use super::photo_task::PhotoTask;
use super::status::CliError;
use crate::geometry::camera::Camera;
use crate::measure::Measurement;
use crate::report::debug;
use crate::report::marked::{self, Format, Framing};
use crate::store;
use crate::timeline::FaceLook;
use image::RgbImage;
use std::path::Path;

/// Draws the pictures that the flags ask for.
pub(super) fn draw(
    args: &Measure,
    task: &PhotoTask,
    measurement: &Measurement,
) -> Result<(), CliError> {
    let look = FaceLook::from(&task.face);
    if let Some(path) = &args.marked {
        let format = Format::of_name(&store::name_of(path)).unwrap_or(Format::Png);
        let picture = marked::draw(
            &measurement.photo.pixels,
            &measurement.end,
            &look,
            Framing::Whole,
            None,
        );
        save_picture(path, &picture, format)?;
    }
    if let Some(folder) = &args.debug_dir {
        let prefix = if args.photos.len() > 1 {
            format!("{}-", store::name_of(&task.path))
        } else {
            String::new()
        };
        draw_stages(folder, &prefix, measurement, &look)?;
    }
    Ok(())
}

fn save_picture(path: &Path, picture: &RgbImage, format: Format) -> Result<(), CliError> {
    let bytes = marked::bytes(picture, format)
        .map_err(|e| CliError::file(format!("the picture can't be written ({e})")).about(path))?;
    store::save_output(path, &bytes).map_err(|e| CliError::from(e).about(path))
}

/// The cameras of the other faces in the photo, with the faces' numbers.
fn other_faces(measurement: &Measurement) -> Vec<(usize, Camera)> {
    let seen = measurement
        .end
        .face
        .iter()
        .flat_map(|f| f.seen.iter().flatten());
    let numbers = (1..).zip(seen).filter(|(_, f)| !f.taken).map(|(n, _)| n);
    numbers
        .zip(&measurement.others)
        .map(|(n, fit)| (n, fit.camera))
        .collect()
}

/// A picture after each stage: upright photo, edges and rings, rectified face, heat map of entries, result.
fn draw_stages(
    folder: &Path,
    prefix: &str,
    measurement: &Measurement,
    look: &FaceLook,
) -> Result<(), CliError> {
    store::make_folder(folder).map_err(|e| CliError::from(e).about(folder))?;
    let save = |name: &str, picture: &RgbImage| {
        save_picture(
            &folder.join(format!("{prefix}{name}")),
            picture,
            Format::Png,
        )
    };
    let pixels = &measurement.photo.pixels;
    save("01-upright.png", pixels)?;
    let Some(fit) = &measurement.fit else {
        return Ok(());
    };
    save(
        "02-edges.png",
        &debug::edges(
            pixels,
            &fit.camera,
            look,
            &fit.edges,
            &other_faces(measurement),
        ),
    )?;
    save(
        "03-rectified.png",
        &debug::rectified(pixels, &fit.camera, look),
    )?;
    let shafts = measurement.shafts.as_ref();
    let candidates: Vec<debug::EntryMark> = shafts
        .iter()
        .flat_map(|s| &s.candidates)
        .map(|c| debug::EntryMark {
            entry: c.entry,
            far: c.projected_nock,
            probability: c.probability,
        })
        .collect();
    let heat = shafts.and_then(|s| s.heat.as_ref());
    let map = heat.map(|h| debug::EntryHeatMap {
        width: h.width,
        height: h.height,
        x0_mm: h.left_mm,
        y1_mm: h.top_mm,
        mm_per_cell: h.cell_mm,
        values: &h.values,
    });
    let heat_map = debug::entry_heat_map(pixels, &fit.camera, look, map.as_ref(), &candidates);
    save("04-shafts.png", &heat_map)?;
    let result = marked::draw(pixels, &measurement.end, look, Framing::Whole, None);
    save("05-result.png", &result)
}
