//! The marked photo: fitted rings, entries with their tags, and the middle of both groups, drawn on the upright picture.

use super::canvas::{
    self, BARE, Canvas, FLETCHED, LIGHT, Paint, UNKNOWN, arrow, circle, cross, dashed_circle,
    diamond, square,
};
pub use super::encode::{Format, bytes};
use super::font;
use super::view::{View, rings};
use crate::geometry::{FacePoint, ImagePoint};
use crate::math::floor_index;
use crate::record::{ArrowKind, CameraRecord, End, Entry, SheetRecord};
use crate::text::terms::letter;
use crate::timeline::FaceLook;
use image::codecs::jpeg::JpegEncoder;
use image::imageops::{self, FilterType};
use image::{ImageResult, RgbImage};

/// Long side of a marked photo in the report, px, and its JPEG quality, best first. Down to the last a shaft's entry can
/// still be seen.
const REPORT_SIZES: [(u32, u8); 6] = [
    (1100, 74),
    (1000, 70),
    (900, 66),
    (800, 62),
    (700, 58),
    (560, 50),
];
/// Marks in the report are larger by this, since its pictures are shown reduced.
const REPORT_MARKS: f64 = 1.3;
/// Unsure marks are smaller than the others by this, so that they don't drown them.
const UNSURE_SIZE: f64 = 0.75;
/// How far beyond the outermost ring a close-up reaches, in radii.
const CLOSE_UP_RADII: f64 = 1.06;
/// Places that are tried for a label: directions around its mark, and distances from it.
const DIRECTIONS: i32 = 16;
const DISTANCES: i32 = 6;
/// A close-up narrower or lower than this shows nothing: then the whole photo is shown, px.
const MIN_CROP_SIDE_PX: u32 = 32;
/// How much of the photo is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Framing {
    /// All of it.
    Whole,
    /// The face and what stands in it, as far as the record says where that is.
    CloseUp,
}

/// The upright photo with everything that was found drawn on it, reduced to `long_side` px where it is larger.
///
/// `upright` is the photo in display orientation, whose pixels the record speaks of. Rings are drawn where the record has
/// a camera; entries where they have a place in the picture or can be projected. The middle of each group and the arrow
/// from the fletched to the bare one are drawn on faces with one centre.
#[must_use]
pub fn draw(
    upright: &RgbImage,
    end: &End,
    face: &FaceLook,
    framing: Framing,
    long_side: Option<u32>,
) -> RgbImage {
    draw_scaled(upright, end, face, framing, long_side, 1.0)
}

fn draw_scaled(
    upright: &RgbImage,
    end: &End,
    face: &FaceLook,
    framing: Framing,
    long_side: Option<u32>,
    marks_scale: f64,
) -> RgbImage {
    let whole = View::whole(
        end.camera.as_ref().map(CameraRecord::camera),
        end.camera
            .as_ref()
            .and_then(|c| c.sheet.as_ref())
            .map(SheetRecord::sheet),
    );
    let (picture, view) = match framing {
        Framing::Whole => (upright.clone(), whole),
        Framing::CloseUp => close_up(upright, end, face, whole),
    };
    let (picture, factor) = reduced(picture, long_side);
    let view = View { factor, ..view };
    let mut canvas = Canvas::new(picture);
    canvas.scale_marks(marks_scale);
    rings(&mut canvas, &view, face);
    let marks = marks(end, &view, &canvas);
    let offset = (face.spots_mm.len() < 2)
        .then(|| offset(&mut canvas, &view, end))
        .flatten();
    for mark in &marks {
        shape(&mut canvas, mark.at, mark.kind, mark.unsure);
    }
    let middles = [ArrowKind::Fletched, ArrowKind::Bare]
        .into_iter()
        .filter_map(|kind| view.of_face(middle(end, kind)?));
    let labels = labels(&mut canvas, &marks, middles);
    legend(&mut canvas, &marks, &labels, offset);
    canvas.image
}

/// Cuts the photo to the face with a margin, and to every shaft in full.
fn close_up(upright: &RgbImage, end: &End, face: &FaceLook, whole: View) -> (RgbImage, View) {
    let mut points: Vec<ImagePoint> = Vec::new();
    for spot in &face.spots_mm {
        let rim = whole.ring(*spot, CLOSE_UP_RADII * face.outer_radius_mm());
        points.extend(rim.into_iter().flatten());
    }
    for e in &end.entries {
        points.extend(whole.of_entry(e));
        let ends = e.segment_px.into_iter().flatten();
        points.extend(ends.map(|[x, y]| ImagePoint::new(x, y)));
    }
    let (w, h) = (f64::from(upright.width()), f64::from(upright.height()));
    let margin = 0.015 * w.max(h);
    let left = points.iter().map(|p| p.x).fold(w, f64::min) - margin;
    let right = points.iter().map(|p| p.x).fold(0.0, f64::max) + margin;
    let top = points.iter().map(|p| p.y).fold(h, f64::min) - margin;
    let low = points.iter().map(|p| p.y).fold(0.0, f64::max) + margin;
    let cut = |v: f64| u32::try_from(floor_index(v.max(0.0))).unwrap_or(u32::MAX);
    let (x0, y0) = (cut(left), cut(top));
    let (x1, y1) = (
        cut(right).min(upright.width()),
        cut(low).min(upright.height()),
    );
    if x1 <= x0.saturating_add(MIN_CROP_SIDE_PX) || y1 <= y0.saturating_add(MIN_CROP_SIDE_PX) {
        return (upright.clone(), whole);
    }
    let picture = imageops::crop_imm(upright, x0, y0, x1 - x0, y1 - y0).to_image();
    let origin = ImagePoint::new(f64::from(x0), f64::from(y0));
    (picture, View { origin, ..whole })
}

/// The marked close-up as the report holds it: a JPEG of at most `most_bytes`, as large and as good as they allow.
///
/// # Errors
/// An encoding error of the image library (a picture without pixels).
pub fn for_report(
    upright: &RgbImage,
    end: &End,
    face: &FaceLook,
    most_bytes: usize,
) -> ImageResult<Vec<u8>> {
    let mut out = Vec::new();
    for (side, quality) in REPORT_SIZES {
        let picture = draw_scaled(
            upright,
            end,
            face,
            Framing::CloseUp,
            Some(side),
            REPORT_MARKS,
        );
        out.clear();
        picture.write_with_encoder(JpegEncoder::new_with_quality(&mut out, quality))?;
        if out.len() <= most_bytes {
            break;
        }
    }
    Ok(out)
}

/// The picture no larger than asked for, and by how much it was reduced.
fn reduced(picture: RgbImage, long_side: Option<u32>) -> (RgbImage, f64) {
    let (w, h) = picture.dimensions();
    let long = w.max(h);
    match long_side {
        Some(side) if side > 0 && long > side => {
            let factor = f64::from(long) / f64::from(side);
            let to = |v: u32| {
                u32::try_from(floor_index((f64::from(v) / factor).round())).map_or(1, |v| v.max(1))
            };
            let small = imageops::resize(&picture, to(w), to(h), FilterType::Triangle);
            (small, factor)
        }
        _ => (picture, 1.0),
    }
}

/// An entry as it is drawn.
struct Mark {
    at: ImagePoint,
    kind: ArrowKind,
    unsure: bool,
    label: String,
}

fn marks(end: &End, view: &View, canvas: &Canvas) -> Vec<Mark> {
    let inside = |p: &ImagePoint| {
        p.x > -20.0 && p.y > -20.0 && p.x < canvas.width() + 20.0 && p.y < canvas.height() + 20.0
    };
    end.entries
        .iter()
        .filter_map(|e| {
            let at = view.of_entry(e)?;
            let unsure = !e.counts();
            let tail = if unsure { "?" } else { "" };
            Some(Mark {
                at,
                kind: e.kind,
                unsure,
                label: match e.kind {
                    ArrowKind::Unknown => format!("?{}", e.id),
                    kind => format!("{}{}{tail}", letter(kind), e.id),
                },
            })
        })
        .filter(|m| inside(&m.at))
        .collect()
}

/// Draws one entry's mark: its middle stays a single light dot, so that the place can be checked.
fn shape(canvas: &mut Canvas, at: ImagePoint, kind: ArrowKind, unsure: bool) {
    let u = canvas.unit() * if unsure { UNSURE_SIZE } else { 1.0 };
    match kind {
        ArrowKind::Fletched => {
            canvas.stroke(&[vec![at]], 13.0 * u, canvas::DARK);
            canvas.stroke(&[vec![at]], 10.8 * u, LIGHT);
            canvas.stroke(&[vec![at]], 8.4 * u, FLETCHED);
        }
        ArrowKind::Bare => canvas.outlined(&[square(at, 5.5 * u)], 2.2 * u, 0.9 * u, BARE),
        ArrowKind::Unknown => canvas.outlined(&[diamond(at, 7.5 * u)], 2.2 * u, 0.9 * u, UNKNOWN),
    }
    canvas.stroke(&[vec![at]], 2.4 * u, LIGHT);
    if unsure {
        let dashes = dashed_circle(at, 13.0 * u, 8);
        canvas.stroke(&dashes, 4.0 * u, canvas::DARK);
        canvas.stroke(&dashes, 1.8 * u, LIGHT);
    }
}

/// A rectangle of the picture that is taken.
#[derive(Clone, Copy)]
struct OccupiedBox {
    x0: f64,
    y0: f64,
    x1: f64,
    y1: f64,
}

impl OccupiedBox {
    fn around(p: ImagePoint, half: f64) -> Self {
        Self {
            x0: p.x - half,
            y0: p.y - half,
            x1: p.x + half,
            y1: p.y + half,
        }
    }

    fn overlap(&self, other: &Self) -> f64 {
        let w = self.x1.min(other.x1) - self.x0.max(other.x0);
        let h = self.y1.min(other.y1) - self.y0.max(other.y0);
        w.max(0.0) * h.max(0.0)
    }
}

/// Draws each entry's letter and number where it hides least, and returns what is taken.
fn labels(
    canvas: &mut Canvas,
    marks: &[Mark],
    middles: impl Iterator<Item = ImagePoint>,
) -> Vec<OccupiedBox> {
    let u = canvas.unit();
    let mut taken: Vec<OccupiedBox> = marks
        .iter()
        .map(|m| m.at)
        .chain(middles)
        .map(|at| OccupiedBox::around(at, 9.0 * u))
        .collect();
    let n = marks.iter().map(|_| 1.0).sum::<f64>().max(1.0);
    let centroid = ImagePoint::new(
        marks.iter().map(|m| m.at.x).sum::<f64>() / n,
        marks.iter().map(|m| m.at.y).sum::<f64>() / n,
    );
    for mark in marks {
        let height = 13.0 * u * if mark.unsure { UNSURE_SIZE } else { 1.0 };
        let w = font::width(&mark.label, height);
        let frame = OccupiedBox {
            x0: 0.0,
            y0: 0.0,
            x1: canvas.width(),
            y1: canvas.height(),
        };
        let best = (0..DIRECTIONS * DISTANCES)
            .map(|i| {
                let t = f64::from(i % DIRECTIONS) * std::f64::consts::TAU / f64::from(DIRECTIONS);
                let far = f64::from(i / DIRECTIONS);
                let reach = u * (15.0 + 16.0 * far);
                let centre = ImagePoint::new(
                    mark.at.x + t.cos() * (reach + w / 2.0),
                    mark.at.y + t.sin() * (reach + height / 3.0),
                );
                let space = OccupiedBox {
                    x0: centre.x - w / 2.0 - 4.0 * u,
                    y0: centre.y - height / 2.0 - 4.0 * u,
                    x1: centre.x + w / 2.0 + 4.0 * u,
                    y1: centre.y + height / 2.0 + 4.0 * u,
                };
                let area = (space.x1 - space.x0) * (space.y1 - space.y0);
                let hidden: f64 = taken.iter().map(|o| space.overlap(o)).sum();
                let outside = area - space.overlap(&frame);
                // away from the centroid of the marks: a label between the marks of a tight group says little
                let inward =
                    (mark.at.x - centroid.x) * t.cos() + (mark.at.y - centroid.y) * t.sin();
                let inward = if inward < 0.0 { 0.12 } else { 0.0 };
                let cost = 1.5 * hidden
                    + 3.0 * outside
                    + area * (0.15 * far + inward + 0.005 * f64::from(i % DIRECTIONS));
                (cost, space)
            })
            .min_by(|a, b| a.0.total_cmp(&b.0));
        let Some((_, space)) = best else { continue };
        let corner = ImagePoint::new(space.x0 + 4.0 * u, space.y0 + 4.0 * u);
        let middle = ImagePoint::new((space.x0 + space.x1) / 2.0, (space.y0 + space.y1) / 2.0);
        if middle.distance(mark.at) > w / 2.0 + 28.0 * u {
            canvas.stroke(&[vec![mark.at, middle]], 1.0 * u, LIGHT);
        }
        canvas.text(&mark.label, corner, height, LIGHT);
        taken.push(space);
    }
    taken
}

/// The middle of the entries of a kind that count: known kind, confirmed or of enough confidence.
pub(super) fn middle(end: &End, kind: ArrowKind) -> Option<FacePoint> {
    let used: Vec<&Entry> = end
        .entries
        .iter()
        .filter(|e| e.kind == kind && e.counts())
        .collect();
    let n = used.iter().map(|_| 1.0).sum::<f64>();
    (n > 0.0).then(|| {
        FacePoint::new(
            used.iter().map(|e| e.x_mm).sum::<f64>() / n,
            used.iter().map(|e| e.y_mm).sum::<f64>() / n,
        )
    })
}

/// Draws the middle of each group and the arrow between them; returns bare minus fletched, mm.
fn offset(canvas: &mut Canvas, view: &View, end: &End) -> Option<FacePoint> {
    let u = canvas.unit();
    let fletched = middle(end, ArrowKind::Fletched);
    let bare = middle(end, ArrowKind::Bare);
    let at = |p: Option<FacePoint>| p.and_then(|p| view.of_face(p));
    if let (Some(a), Some(b)) = (at(fletched), at(bare)) {
        canvas.outlined(
            &arrow(a, b, 15.0 * u),
            2.4 * u,
            1.0 * u,
            Paint::solid([255, 225, 60]),
        );
    }
    for (p, paint, round) in [(at(fletched), FLETCHED, true), (at(bare), BARE, false)] {
        let Some(p) = p else { continue };
        let frame = if round {
            circle(p, 9.0 * u)
        } else {
            square(p, 8.5 * u)
        };
        let mut paths = cross(p, 9.0 * u);
        paths.push(frame);
        canvas.outlined(&paths, 1.3 * u, 0.7 * u, paint);
    }
    let (f, b) = (fletched?, bare?);
    Some(FacePoint::new(b.x - f.x, b.y - f.y))
}

/// The legend's rows: a mark and its words.
fn legend(canvas: &mut Canvas, marks: &[Mark], taken: &[OccupiedBox], offset: Option<FacePoint>) {
    let u = canvas.unit();
    let height = 10.5 * u;
    let count = |kind| {
        let counted = |m: &&Mark| m.kind == kind && !m.unsure;
        marks.iter().filter(counted).count()
    };
    let unsure = marks.iter().filter(|m| m.unsure).count();
    let mut rows: Vec<(Row, String)> = Vec::new();
    for (kind, word) in [
        (ArrowKind::Fletched, "F FLETCHED"),
        (ArrowKind::Bare, "B BARE SHAFT"),
        (ArrowKind::Unknown, "? KIND NOT KNOWN"),
    ] {
        let n = count(kind);
        if n > 0 || kind != ArrowKind::Unknown {
            rows.push((Row::Kind(kind), format!("{word}: {n}")));
        }
    }
    if unsure > 0 {
        rows.push((Row::Unsure, format!("UNSURE, LOOK AGAIN: {unsure}")));
    }
    if let Some(d) = offset {
        rows.push((Row::Arrow, format!("BARE MIDDLE {}", direction(d))));
    }
    let row_height = 23.0 * u;
    let wide = rows
        .iter()
        .map(|(_, t)| font::width(t, height))
        .fold(0.0, f64::max)
        + 52.0 * u;
    let tall = rows.iter().map(|_| row_height).sum::<f64>() + 12.0 * u;
    let Some(space) = quietest_corner(canvas, taken, wide, tall, 10.0 * u) else {
        return;
    };
    canvas.panel(
        ImagePoint::new(space.x0, space.y0),
        ImagePoint::new(space.x1, space.y1),
        Paint::translucent([16, 20, 26], 0.72),
    );
    let mut y = space.y0 + 6.0 * u + row_height / 2.0;
    for (row, text) in rows {
        let at = ImagePoint::new(space.x0 + 22.0 * u, y);
        match row {
            Row::Kind(kind) => shape(canvas, at, kind, false),
            Row::Unsure => {
                let dashes = dashed_circle(at, 8.0 * u, 8);
                canvas.stroke(&dashes, 1.8 * u, LIGHT);
            }
            Row::Arrow => {
                let (a, b) = (
                    ImagePoint::new(at.x - 11.0 * u, y),
                    ImagePoint::new(at.x + 11.0 * u, y),
                );
                canvas.stroke(&arrow(a, b, 9.0 * u), 2.4 * u, Paint::solid([255, 225, 60]));
            }
        }
        let corner = ImagePoint::new(space.x0 + 42.0 * u, y - height / 2.0);
        canvas.text(&text, corner, height, LIGHT);
        y += row_height;
    }
}

enum Row {
    Kind(ArrowKind),
    Unsure,
    Arrow,
}

/// "62 mm RIGHT, 15 mm LOW": whole millimetres are what a person can see.
fn direction(d: FacePoint) -> String {
    let side = if d.x < 0.0 { "LEFT" } else { "RIGHT" };
    let height = if d.y < 0.0 { "LOW" } else { "HIGH" };
    format!(
        "{:.0} mm {side}, {:.0} mm {height}",
        d.x.abs().round(),
        d.y.abs().round()
    )
}

fn quietest_corner(
    canvas: &Canvas,
    taken: &[OccupiedBox],
    wide: f64,
    tall: f64,
    margin: f64,
) -> Option<OccupiedBox> {
    let right = (canvas.width() - wide - margin).max(0.0);
    let low = (canvas.height() - tall - margin).max(0.0);
    [
        (margin, margin),
        (right, margin),
        (margin, low),
        (right, low),
    ]
    .into_iter()
    .map(|(x, y)| {
        let space = OccupiedBox {
            x0: x,
            y0: y,
            x1: x + wide,
            y1: y + tall,
        };
        let hidden: f64 = taken.iter().map(|t| space.overlap(t)).sum();
        (hidden, space)
    })
    .min_by(|a, b| a.0.total_cmp(&b.0))
    .map(|(_, space)| space)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formats_follow_the_ending() {
        assert_eq!(Format::of_name("a.PNG"), Some(Format::Png));
        assert_eq!(Format::of_name("a.b.jpeg"), Some(Format::Jpeg));
        assert_eq!(Format::of_name("png"), None);
        assert_eq!(Format::of_name("a.heic"), None);
    }

    #[test]
    fn reducing_keeps_shape_and_never_enlarges() {
        let picture = RgbImage::new(4032, 3024);
        let (small, factor) = reduced(picture, Some(1200));
        assert_eq!(small.dimensions(), (1200, 900));
        assert!((factor - 3.36).abs() < 1e-12);
        let (same, factor) = reduced(RgbImage::new(40, 30), Some(1200));
        assert_eq!(same.dimensions(), (40, 30));
        assert!((factor - 1.0).abs() < 1e-12);
    }

    #[test]
    fn offset_is_said_as_the_archer_sees_it() {
        assert_eq!(
            direction(FacePoint::new(-61.6, 15.2)),
            "62 mm LEFT, 15 mm HIGH"
        );
    }
}
