//! The face plot: both groups on the face in millimetres, the offset, and how sure it is.

use super::marked::{is_unsure, letter};
use super::svg_kit::{Drawing, Embedding, nice_length, num, text_of_mm};
use super::{FaceLook, Ink};
use crate::reading::{Offset, Reading};
use crate::record::{End, EntryKind};
use crate::units::FacePoint;

/// Side of the square plot, in the drawing's own units.
const SIDE: f64 = 480.0;
/// Room for the legend below it.
const LEGEND: f64 = 58.0;
/// Squared radius of the region that holds a normal vector of two with probability 0.95: the 0.95 quantile of χ² with two
/// degrees of freedom, −2 ln 0.05.
const CHI2_95: f64 = 5.991_464_547_107_98;
/// Half of the smallest stretch of face that is shown, in tolerances: less would make scatter look like an offset.
const LEAST_VIEW: f64 = 2.2;
/// Half of it where no tolerance is known, mm.
const LEAST_VIEW_MM: f64 = 110.0;

/// A shot as plotted, relative to its spot's centre.
#[derive(Clone, Debug, PartialEq)]
pub struct Shot {
    /// Where it went, mm.
    pub at: FacePoint,
    /// Its kind.
    pub kind: EntryKind,
    /// True where a person should look again.
    pub unsure: bool,
    /// True where the reading takes it for a bad shot.
    pub flier: bool,
}

/// What a face plot shows.
#[derive(Clone, Debug, PartialEq)]
pub struct FacePlot {
    /// Zones of one spot, the innermost first.
    pub face: FaceLook,
    /// The shots of all ends.
    pub shots: Vec<Shot>,
    /// Bare minus fletched, as read.
    pub offset: Option<Offset>,
    /// Tolerance at the distance shot, mm.
    pub tolerance_mm: Option<f64>,
    /// What the plot is called.
    pub title: String,
}

impl FacePlot {
    /// The plot of a run: all its ends on one face, each entry relative to its spot.
    #[must_use]
    pub fn of_run(ends: &[&End], reading: &Reading, face: Option<&FaceLook>, title: &str) -> Self {
        let record = ends.iter().find_map(|e| e.face.as_ref());
        let face = face
            .cloned()
            .or_else(|| record.map(FaceLook::of_record))
            .unwrap_or_else(|| FaceLook::plain(0.0));
        let mut shots = Vec::new();
        for (number, end) in (1_u32..).zip(ends) {
            for e in &end.entries {
                let centre = face.centre_of(e.spot);
                shots.push(Shot {
                    at: FacePoint::new(e.x_mm - centre[0], e.y_mm - centre[1]),
                    kind: e.kind,
                    unsure: is_unsure(e),
                    flier: reading
                        .fliers
                        .iter()
                        .any(|f| f.end == number && f.id == e.id && f.p_flier > 0.5),
                });
            }
        }
        Self {
            face,
            shots,
            offset: reading.offset,
            tolerance_mm: reading.tolerance_mm,
            title: title.to_owned(),
        }
    }

    /// The middle of the fletched shots that count, mm; of those of `kind` in general.
    fn middle(&self, kind: EntryKind) -> Option<FacePoint> {
        let counts = |s: &&Shot| s.kind == kind && !s.unsure && !s.flier;
        let used: Vec<&Shot> = self.shots.iter().filter(counts).collect();
        let n = used.iter().map(|_| 1.0).sum::<f64>();
        (n > 0.0).then(|| {
            FacePoint::new(
                used.iter().map(|s| s.at.x).sum::<f64>() / n,
                used.iter().map(|s| s.at.y).sum::<f64>() / n,
            )
        })
    }

    /// Where the arrow starts and ends: from the middle of the fletched shots to where the reading sees the bare ones.
    fn arrow(&self) -> Option<(FacePoint, FacePoint)> {
        let from = self.middle(EntryKind::Fletched)?;
        let to = match self.offset {
            Some(o) => FacePoint::new(from.x + o.x_mm, from.y + o.y_mm),
            None => self.middle(EntryKind::Bare)?,
        };
        Some((from, to))
    }

    /// The plot as an SVG element or document. `id` keeps apart several plots on one page (letters and digits).
    #[must_use]
    pub fn svg(&self, id: &str, embedding: Embedding) -> String {
        let view = Window::around(self);
        let mut d = Drawing::new(SIDE, SIDE + LEGEND, id, embedding);
        d.describe(&self.title, &self.description());
        d.clip(0.0, 0.0, SIDE, SIDE);
        d.rect(0.0, 0.0, SIDE, SIDE, "bm-ground");
        self.zones(&mut d, &view);
        self.region(&mut d, &view);
        self.tolerance(&mut d, &view);
        for shot in &self.shots {
            let (x, y) = view.place(shot.at);
            mark(&mut d, x, y, shot.kind, shot.unsure, 9.0);
            if shot.flier {
                d.circle(x, y, 16.0, "bm-flier");
            }
        }
        self.offset_arrow(&mut d, &view);
        scale_bar(&mut d, &view);
        d.unclip();
        d.rect(0.5, 0.5, SIDE - 1.0, SIDE - 1.0, "bm-frame");
        self.legend(&mut d);
        d.finish()
    }

    fn zones(&self, d: &mut Drawing, view: &Window) {
        let (x, y) = view.place(FacePoint::default());
        for zone in self.face.zones.iter().rev() {
            let class = match zone.ink {
                Ink::Gold => "bm-zone bm-gold",
                Ink::Red => "bm-zone bm-red",
                Ink::Blue => "bm-zone bm-blue",
                Ink::Black => "bm-zone bm-black",
                Ink::White => "bm-zone bm-white",
            };
            d.circle(x, y, zone.radius_mm * view.scale, class);
        }
        d.line(x - 6.0, y, x + 6.0, y, "bm-centre");
        d.line(x, y - 6.0, x, y + 6.0, "bm-centre");
    }

    fn tolerance(&self, d: &mut Drawing, view: &Window) {
        let (Some(t), Some((from, _))) = (self.tolerance_mm, self.arrow()) else {
            return;
        };
        let (x, y) = view.place(from);
        let half = t * view.scale;
        d.rect(x - half, y - half, 2.0 * half, 2.0 * half, "bm-halo-box");
        d.rect(x - half, y - half, 2.0 * half, 2.0 * half, "bm-tolerance");
    }

    fn region(&self, d: &mut Drawing, view: &Window) {
        let (Some(o), Some((_, to))) = (self.offset, self.arrow()) else {
            return;
        };
        let (x, y) = view.place(to);
        let (a, b, turn) = ellipse_of(o.cov_mm2);
        let (a, b) = (a * view.scale, b * view.scale);
        d.ellipse(x, y, a, b, -turn.to_degrees(), "bm-region");
    }

    fn offset_arrow(&self, d: &mut Drawing, view: &Window) {
        let Some((from, to)) = self.arrow() else {
            return;
        };
        let (x0, y0) = view.place(from);
        let (x1, y1) = view.place(to);
        d.arrow(x0, y0, x1, y1, 13.0, "bm-arrow");
        for class in ["bm-halo", "bm-middle-f"] {
            d.line(x0 - 9.0, y0, x0 + 9.0, y0, class);
            d.line(x0, y0 - 9.0, x0, y0 + 9.0, class);
        }
    }

    fn legend(&self, d: &mut Drawing) {
        let y = SIDE + 20.0;
        mark(d, 14.0, y, EntryKind::Fletched, false, 9.0);
        d.text(29.0, y + 5.0, "fletched", "bm-text");
        mark(d, 112.0, y, EntryKind::Bare, false, 9.0);
        d.text(127.0, y + 5.0, "bare", "bm-text");
        let mut x = 186.0;
        if self.shots.iter().any(|s| s.kind == EntryKind::Unknown) {
            mark(d, x, y, EntryKind::Unknown, false, 9.0);
            d.text(x + 15.0, y + 5.0, "not known", "bm-text");
            x += 112.0;
        }
        if self.shots.iter().any(|s| s.unsure) {
            d.circle(x, y, 9.0, "bm-unsure");
            d.text(x + 15.0, y + 5.0, "unsure", "bm-text");
            x += 90.0;
        }
        if self.shots.iter().any(|s| s.flier) {
            d.circle(x, y, 9.0, "bm-flier");
            d.text(x + 15.0, y + 5.0, "odd shot", "bm-text");
        }
        if self.arrow().is_none() {
            return;
        }
        let y = SIDE + 46.0;
        d.arrow(4.0, y, 26.0, y, 9.0, "bm-arrow");
        d.text(34.0, y + 5.0, "middle to middle", "bm-text");
        if self.offset.is_some() {
            d.ellipse(186.0, y, 13.0, 8.0, 0.0, "bm-region");
            d.text(206.0, y + 5.0, "95 % sure within", "bm-text");
        }
        if let Some(t) = self.tolerance_mm {
            d.rect(340.0, y - 8.0, 20.0, 16.0, "bm-tolerance");
            let words = format!("in tune: {}", text_of_mm(t));
            d.text(368.0, y + 5.0, &words, "bm-text");
        }
    }

    fn description(&self) -> String {
        let count = |kind| self.shots.iter().filter(|s| s.kind == kind).count();
        let mut out = format!(
            "Target face with {} fletched and {} bare shafts.",
            count(EntryKind::Fletched),
            count(EntryKind::Bare)
        );
        if let Some((from, to)) = self.arrow() {
            let (dx, dy) = (to.x - from.x, to.y - from.y);
            out.push_str(&format!(
                " The middle of the bare shafts lies {} {} and {} {} of the middle of the fletched ones.",
                text_of_mm(dx.abs()),
                if dx < 0.0 { "left" } else { "right" },
                text_of_mm(dy.abs()),
                if dy < 0.0 { "below" } else { "above" },
            ));
        }
        out
    }
}

/// The stretch of the face plane that is shown.
struct Window {
    centre: FacePoint,
    /// Drawing units per mm.
    scale: f64,
    half_mm: f64,
}

impl Window {
    fn around(plot: &FacePlot) -> Self {
        let mut points: Vec<FacePoint> = plot.shots.iter().map(|s| s.at).collect();
        if let Some((from, to)) = plot.arrow() {
            points.push(to);
            let t = plot.tolerance_mm.unwrap_or(0.0);
            points.push(FacePoint::new(from.x - t, from.y - t));
            points.push(FacePoint::new(from.x + t, from.y + t));
        }
        if let (Some(o), Some((_, to))) = (plot.offset, plot.arrow()) {
            let (rx, ry) = (CHI2_95.sqrt() * o.sd_x_mm, CHI2_95.sqrt() * o.sd_y_mm);
            points.push(FacePoint::new(to.x - rx, to.y - ry));
            points.push(FacePoint::new(to.x + rx, to.y + ry));
        }
        points.retain(|p| p.x.is_finite() && p.y.is_finite());
        // the middle of the face always stays in view
        points.push(FacePoint::default());
        let bound = |pick: fn(f64, f64) -> f64, of: fn(&FacePoint) -> f64| {
            points.iter().map(of).fold(0.0, pick)
        };
        let (x0, x1) = (bound(f64::min, |p| p.x), bound(f64::max, |p| p.x));
        let (y0, y1) = (bound(f64::min, |p| p.y), bound(f64::max, |p| p.y));
        let least = plot
            .tolerance_mm
            .map_or(LEAST_VIEW_MM, |t| LEAST_VIEW * t)
            .min(plot.face.outer_radius_mm().max(1.0) * 1.05);
        let half = (((x1 - x0).max(y1 - y0) / 2.0) * 1.12 + 8.0).clamp(least.max(1.0), 1e6);
        Self {
            centre: FacePoint::new((x0 + x1) / 2.0, (y0 + y1) / 2.0),
            scale: SIDE / (2.0 * half),
            half_mm: half,
        }
    }

    fn place(&self, p: FacePoint) -> (f64, f64) {
        (
            SIDE / 2.0 + (p.x - self.centre.x) * self.scale,
            SIDE / 2.0 - (p.y - self.centre.y) * self.scale,
        )
    }
}

/// Half axes (mm) and turn (rad, counter-clockwise) of the region that holds the offset with probability 0.95.
fn ellipse_of(cov: [[f64; 2]; 2]) -> (f64, f64, f64) {
    let (a, b, c) = (cov[0][0], (cov[0][1] + cov[1][0]) / 2.0, cov[1][1]);
    let mean = (a + c) / 2.0;
    let spread = ((a - c) / 2.0).hypot(b);
    let turn = 0.5 * (2.0 * b).atan2(a - c);
    let axis = |v: f64| (v.max(0.0) * CHI2_95).sqrt();
    (axis(mean + spread), axis(mean - spread), turn)
}

/// A shot's mark: shape and letter tell the kind, colour only repeats it.
pub(super) fn mark(d: &mut Drawing, x: f64, y: f64, kind: EntryKind, unsure: bool, r: f64) {
    let (class, class_letter) = match kind {
        EntryKind::Fletched => ("bm-f", "bm-letter-f"),
        EntryKind::Bare => ("bm-b", "bm-letter-b"),
        EntryKind::Unknown => ("bm-u", "bm-letter-u"),
    };
    match kind {
        EntryKind::Fletched => d.circle(x, y, r, class),
        EntryKind::Bare => d.rect(
            x - r + 1.0,
            y - r + 1.0,
            2.0 * r - 2.0,
            2.0 * r - 2.0,
            class,
        ),
        EntryKind::Unknown => d.path(
            &format!(
                "M{} {}L{} {}L{} {}L{} {}Z",
                num(x),
                num(y - 1.2 * r),
                num(x + 1.2 * r),
                num(y),
                num(x),
                num(y + 1.2 * r),
                num(x - 1.2 * r),
                num(y)
            ),
            class,
        ),
    }
    d.text(x, y + 4.2, letter(kind), class_letter);
    if unsure {
        d.circle(x, y, 1.55 * r, "bm-unsure");
    }
}

fn scale_bar(d: &mut Drawing, view: &Window) {
    let length = nice_length(view.half_mm * 0.5);
    let (x, y) = (14.0, SIDE - 14.0);
    let px = length * view.scale;
    let words = text_of_mm(length);
    for class in ["bm-halo", "bm-bar"] {
        d.path(&format!("M{} {}v-5h{}v5", num(x), num(y), num(px)), class);
    }
    d.text(x + px + 8.0, y + 2.0, &words, "bm-text bm-on");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn region_of_a_round_covariance_is_round() {
        let (a, b, _) = ellipse_of([[100.0, 0.0], [0.0, 100.0]]);
        assert!((a - 24.477).abs() < 1e-3 && (b - a).abs() < 1e-9);
    }

    #[test]
    fn region_leans_with_the_covariance() {
        // eigenvalues 150 and 50 along the diagonals
        let (a, b, turn) = ellipse_of([[100.0, 50.0], [50.0, 100.0]]);
        assert!((a * a / CHI2_95 - 150.0).abs() < 1e-9 && (b * b / CHI2_95 - 50.0).abs() < 1e-9);
        assert!((turn.to_degrees() - 45.0).abs() < 1e-9);
    }
}
