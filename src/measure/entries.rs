//! The entries of a record, and which arrow each may be.

use crate::colours;
use crate::face::spec::FaceSpec;
use crate::face::{self, FaceFit};
use crate::manual_points;
use crate::photo::Photo;
use crate::record::{ArrowProposal, End, Entry, Lean, MIN_COUNTED_CONFIDENCE, NamedArrow};
use crate::shaft::{self, ArrowLook, Shaft, Shafts};

/// The entries of a record, by descending confidence. Doubtful ones are included for a person to check, unless no shaft counts: a
/// face without arrows has no entries.
pub(super) fn entries(shafts: &Shafts, spec: &FaceSpec, fit: &FaceFit) -> Vec<Entry> {
    if !shafts
        .shafts
        .iter()
        .any(|s| s.confidence >= MIN_COUNTED_CONFIDENCE)
    {
        return Vec::new();
    }
    (1..)
        .zip(&shafts.shafts)
        .map(|(id, s)| entry(id, s, spec, fit))
        .collect()
}

/// Confidence of entries whose camera goes through points that don't belong together: below what counts.
const MISFIT_CONFIDENCE: f64 = 0.4;

/// Where the points marked by hand don't belong together, no entry is sure.
pub(super) fn doubt_misfit(entries: &mut [Entry], fit: &FaceFit) {
    if fit
        .notes
        .iter()
        .any(|n| n.code == manual_points::MISFIT_CODE)
    {
        for entry in entries {
            entry.confidence = entry.confidence.map(|c| c.min(MISFIT_CONFIDENCE));
        }
    }
}

fn entry(id: u64, s: &Shaft, spec: &FaceSpec, fit: &FaceFit) -> Entry {
    let sheet = fit.sheet.as_ref();
    let at = sheet.map_or(s.entry, |sheet| {
        sheet.on_print(s.entry, fit.camera.centre_mm())
    });
    let spot = (spec.spots_mm.len() > 1)
        .then(|| u32::try_from(spec.nearest_spot(at) + 1).unwrap_or(u32::MAX));
    Entry {
        id,
        x_mm: at.x,
        y_mm: at.y,
        cov_mm2: Some([
            [s.cov_mm2[(0, 0)], s.cov_mm2[(0, 1)]],
            [s.cov_mm2[(1, 0)], s.cov_mm2[(1, 1)]],
        ]),
        px: Some([s.entry_px.x, s.entry_px.y]),
        kind: s.kind,
        kind_probability: Some(s.kind_probability),
        confidence: Some(s.confidence),
        lean: s.lean.map(|l| Lean {
            right_deg: l.right_rad.to_degrees(),
            up_deg: l.up_rad.to_degrees(),
            sd_deg: l.sd_rad.to_degrees(),
        }),
        spot,
        thickness_mm: s.thickness_mm,
        segment_px: s.segment_px.map(|seg| seg.map(|p| [p.x, p.y])),
        ..Entry::default()
    }
}

/// Proposes which arrow each entry is, where the set-up describes the arrows.
pub(super) fn propose_arrows(
    end: &mut End,
    photo: &Photo,
    fit: &FaceFit,
    spec: &FaceSpec,
    shafts: &Shafts,
) {
    let setup = end.session.setup.as_ref();
    let Some(arrows) = setup.and_then(|s| s.arrows.as_ref()) else {
        return;
    };
    if arrows.is_empty() || end.entries.is_empty() {
        return;
    }
    // colours are compared with the white of the paper
    let Some(white) = face::white(&photo.pixels, &fit.camera, spec) else {
        return;
    };
    let looks: Vec<ArrowLook> = arrows.iter().map(arrow_look).collect();
    let found = shaft::identify(&photo.pixels, &fit.camera, white, &shafts.shafts, &looks);
    for (entry, proposal) in end.entries.iter_mut().zip(found) {
        entry.arrow_proposed = proposal.and_then(|p| {
            Some(ArrowProposal {
                arrow: arrows.get(p.arrow)?.arrow.trim().to_owned(),
                p: p.p,
            })
        });
    }
}

/// The look of a named arrow; colours with unknown names are left out.
fn arrow_look(arrow: &NamedArrow) -> ArrowLook {
    let named = |name: &String| colours::named(name);
    ArrowLook {
        kind: arrow.kind,
        nock: arrow.nock.as_ref().and_then(named),
        vanes: arrow.vanes.iter().flatten().filter_map(named).collect(),
    }
}
