//! The face plot: both groups on the face in millimetres, the offset, and how sure it is.

use super::svg_kit::{Drawing, Embedding, nice_length, num};
use crate::geometry::FacePoint;
use crate::reading::{Offset, Reading};
use crate::record::{ArrowKind, End};
use crate::text::Locale;
use crate::text::terms::letter;
use crate::timeline::{FaceLook, Ink};

/// Side of the square plot, in the drawing's own units.
const SIDE: f64 = 480.0;
/// Room for the legend below it.
const LEGEND: f64 = 58.0;
/// Least probability of an outlier that is named in the drawing.
const MIN_NAMED_PROBABILITY: f64 = 0.5;
/// Probability that the drawn region holds the offset.
const REGION: f64 = 0.95;
/// Half of the smallest stretch of face that is shown, in tolerances: less would make scatter look like an offset.
const MIN_VIEW: f64 = 2.2;
/// Half of it where no tolerance is known, mm.
const MIN_VIEW_MM: f64 = 110.0;

/// A shot as plotted, relative to its spot's centre.
#[derive(Clone, Debug, PartialEq)]
pub struct Shot {
    /// Where it went, mm.
    pub at: FacePoint,
    /// Its kind.
    pub kind: ArrowKind,
    /// True where a person should look again.
    pub unsure: bool,
    /// True where the reading takes it for a bad shot.
    pub outlier: bool,
    /// True where the reading finds its arrow odd.
    pub odd: bool,
    /// What it is called where it stands out: "F4 of end 2", "arrow 7".
    pub name: Option<String>,
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
                let outliers = &reading.outliers;
                let outlier = outliers.iter().any(|f| {
                    f.end == number && f.id == e.id && f.p_outlier > MIN_NAMED_PROBABILITY
                });
                let arrows = &reading.arrows;
                let odd = arrows
                    .iter()
                    .any(|a| Some(&a.arrow) == e.arrow.as_ref() && a.p_odd > MIN_NAMED_PROBABILITY);
                let end_number = end.session.end.unwrap_or_else(|| u64::from(number));
                let name = match (&e.arrow, odd) {
                    (Some(arrow), true) => Some(format!("arrow {arrow}")),
                    _ if outlier && ends.len() == 1 => Some(format!("{}{}", letter(e.kind), e.id)),
                    _ if outlier => Some(format!("{}{}, end {end_number}", letter(e.kind), e.id)),
                    _ => None,
                };
                shots.push(Shot {
                    at: FacePoint::new(e.x_mm - centre[0], e.y_mm - centre[1]),
                    kind: e.kind,
                    unsure: !e.counts(),
                    outlier,
                    odd,
                    name,
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
    fn middle(&self, kind: ArrowKind) -> Option<FacePoint> {
        let counts = |s: &&Shot| s.kind == kind && !s.unsure && !s.outlier;
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
        let from = self.middle(ArrowKind::Fletched)?;
        let to = match self.offset {
            Some(o) => FacePoint::new(from.x + o.x_mm, from.y + o.y_mm),
            None => self.middle(ArrowKind::Bare)?,
        };
        Some((from, to))
    }

    /// The plot as an SVG element or document. `id` keeps apart several plots on one page (letters and digits).
    #[must_use]
    pub fn svg(&self, id: &str, embedding: Embedding, locale: Locale) -> String {
        let view = Window::around(self);
        let mut d = Drawing::new(SIDE, SIDE + LEGEND, id, embedding);
        d.describe(&self.title, &self.description(locale));
        d.clip(0.0, 0.0, SIDE, SIDE);
        d.rect(0.0, 0.0, SIDE, SIDE, "bm-ground");
        self.zones(&mut d, &view);
        self.region(&mut d, &view);
        self.tolerance(&mut d, &view);
        for shot in &self.shots {
            let (x, y) = view.place(shot.at);
            let size = if shot.unsure { 7.0 } else { 9.0 };
            mark(&mut d, x, y, shot.kind, shot.unsure, size);
            if shot.outlier {
                d.circle(x, y, 16.0, "bm-flier");
            }
            if shot.odd {
                d.rect(x - 15.0, y - 15.0, 30.0, 30.0, "bm-odd");
            }
        }
        self.offset_arrow(&mut d, &view);
        self.names(&mut d, &view);
        scale_bar(&mut d, &view, locale);
        let outside = |s: &&Shot| s.unsure && !view.shows(s.at);
        let outside = self.shots.iter().filter(outside).count();
        if outside > 0 {
            let words = format!("{outside} unsure outside");
            d.text(SIDE - 12.0, SIDE - 12.0, &words, "bm-text bm-on bm-end");
        }
        d.unclip();
        d.rect(0.5, 0.5, SIDE - 1.0, SIDE - 1.0, "bm-frame");
        self.legend(&mut d, locale);
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
        let (Some(region), Some((_, to))) =
            (self.offset.and_then(|o| o.region(REGION)), self.arrow())
        else {
            return;
        };
        let (x, y) = view.place(to);
        let [a, b] = region.semi_axes_mm.map(|v| v * view.scale);
        d.ellipse(x, y, a, b, -region.angle_rad.to_degrees(), "bm-region");
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

    /// The names of what stands out, each where it hides least.
    fn names(&self, d: &mut Drawing, view: &Window) {
        let mut taken: Vec<[f64; 4]> = self
            .shots
            .iter()
            .map(|s| {
                let (x, y) = view.place(s.at);
                [x - 12.0, y - 12.0, x + 12.0, y + 12.0]
            })
            .collect();
        for shot in &self.shots {
            let Some(name) = &shot.name else { continue };
            let (x, y) = view.place(shot.at);
            let w = 7.4 * name.chars().map(|_| 1.0).sum::<f64>();
            let places = (0..24_i32).map(|i| {
                let t = f64::from(i % 8) * std::f64::consts::TAU / 8.0;
                let far = f64::from(i / 8);
                let reach = 20.0 + 16.0 * far;
                let (cx, cy) = (x + t.cos() * (reach + w / 2.0), y + t.sin() * (reach + 6.0));
                let space = [cx - w / 2.0, cy - 8.0, cx + w / 2.0, cy + 8.0];
                let out = outside(space, SIDE);
                let hidden: f64 = taken.iter().map(|o| overlap(space, *o)).sum();
                (hidden + 4.0 * out + 40.0 * far + f64::from(i % 8), space)
            });
            let Some((_, space)) = places.min_by(|a, b| a.0.total_cmp(&b.0)) else {
                continue;
            };
            let (cx, cy) = ((space[0] + space[2]) / 2.0, (space[1] + space[3]) / 2.0);
            d.text(cx, cy + 4.5, name, "bm-name bm-on bm-mid");
            taken.push(space);
        }
    }

    fn legend(&self, d: &mut Drawing, locale: Locale) {
        let y = SIDE + 20.0;
        mark(d, 14.0, y, ArrowKind::Fletched, false, 9.0);
        d.text(29.0, y + 5.0, "fletched", "bm-text");
        mark(d, 112.0, y, ArrowKind::Bare, false, 9.0);
        d.text(127.0, y + 5.0, "bare", "bm-text");
        let mut x = 186.0;
        if self.shots.iter().any(|s| s.kind == ArrowKind::Unknown) {
            mark(d, x, y, ArrowKind::Unknown, false, 9.0);
            d.text(x + 15.0, y + 5.0, "not known", "bm-text");
            x += 112.0;
        }
        if self.shots.iter().any(|s| s.unsure) {
            d.circle(x, y, 9.0, "bm-unsure");
            d.text(x + 15.0, y + 5.0, "unsure", "bm-text");
            x += 90.0;
        }
        if self.shots.iter().any(|s| s.outlier) {
            d.circle(x, y, 9.0, "bm-flier");
            d.text(x + 15.0, y + 5.0, "odd shot", "bm-text");
            x += 100.0;
        }
        if self.shots.iter().any(|s| s.odd) {
            d.rect(x - 8.0, y - 8.0, 16.0, 16.0, "bm-odd");
            d.text(x + 15.0, y + 5.0, "odd arrow", "bm-text");
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
            let words = format!("in tune: {}", locale.length(t, 0));
            d.text(368.0, y + 5.0, &words, "bm-text");
        }
    }

    fn description(&self, locale: Locale) -> String {
        let count = |kind| self.shots.iter().filter(|s| s.kind == kind).count();
        let mut out = format!(
            "Target face with {} fletched and {} bare shafts.",
            count(ArrowKind::Fletched),
            count(ArrowKind::Bare)
        );
        if let Some((from, to)) = self.arrow() {
            let (dx, dy) = (to.x - from.x, to.y - from.y);
            out.push_str(&format!(
                " The middle of the bare shafts lies {} {} and {} {} of the middle of the fletched ones.",
                locale.length(dx.abs(), 0),
                if dx < 0.0 { "left" } else { "right" },
                locale.length(dy.abs(), 0),
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
        // unsure ones must not blow up the picture; those outside are counted in it
        let sure = plot.shots.iter().filter(|s| !s.unsure);
        let mut points: Vec<FacePoint> = sure.map(|s| s.at).collect();
        if let Some((from, to)) = plot.arrow() {
            points.push(to);
            let t = plot.tolerance_mm.unwrap_or(0.0);
            points.push(FacePoint::new(from.x - t, from.y - t));
            points.push(FacePoint::new(from.x + t, from.y + t));
        }
        if let (Some(r), Some((_, to))) = (plot.offset.and_then(|o| o.region(REGION)), plot.arrow())
        {
            let reach = r.semi_axes_mm[0];
            points.push(FacePoint::new(to.x - reach, to.y - reach));
            points.push(FacePoint::new(to.x + reach, to.y + reach));
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
            .map_or(MIN_VIEW_MM, |t| MIN_VIEW * t)
            .min(plot.face.outer_radius_mm().max(1.0) * 1.05);
        let half = (((x1 - x0).max(y1 - y0) / 2.0) * 1.12 + 8.0).clamp(least.max(1.0), 1e6);
        Self {
            centre: FacePoint::new((x0 + x1) / 2.0, (y0 + y1) / 2.0),
            scale: SIDE / (2.0 * half),
            half_mm: half,
        }
    }

    fn shows(&self, p: FacePoint) -> bool {
        (p.x - self.centre.x).abs() < self.half_mm && (p.y - self.centre.y).abs() < self.half_mm
    }

    fn place(&self, p: FacePoint) -> (f64, f64) {
        (
            SIDE / 2.0 + (p.x - self.centre.x) * self.scale,
            SIDE / 2.0 - (p.y - self.centre.y) * self.scale,
        )
    }
}

/// A shot's mark: shape and letter tell the kind, colour only repeats it.
pub(super) fn mark(d: &mut Drawing, x: f64, y: f64, kind: ArrowKind, unsure: bool, r: f64) {
    let (class, class_letter) = match kind {
        ArrowKind::Fletched => ("bm-f", "bm-letter-f"),
        ArrowKind::Bare => ("bm-b", "bm-letter-b"),
        ArrowKind::Unknown => ("bm-u", "bm-letter-u"),
    };
    match kind {
        ArrowKind::Fletched => d.circle(x, y, r, class),
        ArrowKind::Bare => d.rect(
            x - r + 1.0,
            y - r + 1.0,
            2.0 * r - 2.0,
            2.0 * r - 2.0,
            class,
        ),
        ArrowKind::Unknown => d.path(
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
    let small = if unsure { " bm-tiny" } else { "" };
    let lower = if unsure { 3.2 } else { 4.2 };
    d.text(
        x,
        y + lower,
        letter(kind),
        &format!("{class_letter}{small}"),
    );
    if unsure {
        d.circle(x, y, 1.55 * r, "bm-unsure");
    }
}

/// A shot's mark without its letter, for drawings where it only says the kind.
pub(super) fn mark_small(d: &mut Drawing, x: f64, y: f64, kind: ArrowKind, r: f64) {
    if kind == ArrowKind::Bare {
        d.rect(x - r, y - r, 2.0 * r, 2.0 * r, "bm-b");
    } else {
        d.circle(x, y, r, "bm-f");
    }
}

fn overlap(a: [f64; 4], b: [f64; 4]) -> f64 {
    let w = a[2].min(b[2]) - a[0].max(b[0]);
    let h = a[3].min(b[3]) - a[1].max(b[1]);
    w.max(0.0) * h.max(0.0)
}

/// How much of a space lies outside the square plot.
fn outside(space: [f64; 4], side: f64) -> f64 {
    let area = (space[2] - space[0]) * (space[3] - space[1]);
    area - overlap(space, [0.0, 0.0, side, side])
}

fn scale_bar(d: &mut Drawing, view: &Window, locale: Locale) {
    let length = nice_length(view.half_mm * 0.5);
    let (x, y) = (14.0, SIDE - 14.0);
    let px = length * view.scale;
    let words = locale.length(length, 0);
    for class in ["bm-halo", "bm-bar"] {
        d.path(&format!("M{} {}v-5h{}v5", num(x), num(y), num(px)), class);
    }
    d.text(x + px + 8.0, y + 2.0, &words, "bm-text bm-on");
}
