//! Accuracy on real photographs that a person annotated: `real-truth/1` files, or confirmed end records.
//!
//! What a person sees in a photograph has no millimetres. So all errors are given in thousandths of the printed diameter (of a
//! spot, where there are several): points on changes of colour against the nominal radius there, by the record's own camera;
//! entries matched one to one in the picture. A confirmed record is a truth for its entries and their kinds. Its camera came from
//! the program, so it is none for the rings.

use crate::score::{distance, plane_from_px};
use anyhow::{Context, Result, bail};
use bossmark::face::spec::{self, Colour, FaceSpec};
use bossmark::measure::{self, MeasureOptions, PhotoPoint, Pick};
use bossmark::record::history::is_confirmed;
use bossmark::record::{ArrowKind, CameraRecord, End, Session};
use bossmark::store;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Instant;

/// An entry belongs to an annotated one at most this far away, thousandths of the printed diameter.
const GATE: f64 = 25.0;
/// So many times that around a doubtful entry, whose place is doubtful too.
const DOUBTFUL_GATE: f64 = 1.6;
/// Rings farther off than this, thousandths, belong to another face or to none.
const ANOTHER_FACE: f64 = 30.0;
/// Share of a photo's ring points that are better than the figure given.
const BETTER: f64 = 0.68;
/// Entries below this confidence are not counted; from the second on they must be right.
const COUNTS: f64 = 0.5;
const SURE: f64 = 0.9;

/// Faces that stand for a pattern of print: a photograph doesn't show the size.
const PATTERNS: [(&str, &str); 5] = [
    ("ten-zone", "wa-122"),
    ("six-zone", "wa-80-6zone"),
    ("five-zone", "wa-80-5zone"),
    ("three-spot", "wa-40-3spot"),
    ("field", "field-60"),
];

/// What a person saw in a photograph.
#[derive(Clone, Debug, Deserialize)]
pub(crate) struct RealTruth {
    pub photo: String,
    /// A pattern, or the name of a face.
    face: String,
    /// How well the photograph shows the end: `good`, `fair`, or `out` for one that no figure counts.
    fit: String,
    #[serde(default)]
    boundaries: BTreeMap<String, Vec<[f64; 2]>>,
    #[serde(default)]
    entries: Vec<RealEntry>,
    /// A place in the annotated face, where several are in the picture.
    at: Option<[f64; 2]>,
    /// Shafts that are surely there, but nobody can say where.
    #[serde(default)]
    more_unseen: usize,
}

#[derive(Clone, Debug, Deserialize)]
struct RealEntry {
    px: [f64; 2],
    #[serde(default)]
    kind: ArrowKind,
    /// False where it is hidden or doubtful: it isn't asked for, and excuses an entry there.
    #[serde(default = "yes")]
    sure: bool,
}

const fn yes() -> bool {
    true
}

impl RealTruth {
    /// The face that it is measured as.
    fn spec(&self) -> Option<&'static FaceSpec> {
        let stands = PATTERNS.iter().find(|(pattern, _)| *pattern == self.face);
        spec::by_name(stands.map_or(self.face.as_str(), |(_, name)| name))
    }
}

/// Everything that is found out about one photograph.
#[derive(Clone, Debug, Default)]
pub(crate) struct RealScore {
    pub(crate) photo: String,
    pub(crate) fit: String,
    pub(crate) found: bool,
    /// Thousandths that 68 % of the ring points are better than.
    pub(crate) rings: Option<f64>,
    /// Annotated shafts that must be found, and those that were.
    pub(crate) sure: usize,
    pub(crate) hit: usize,
    pub(crate) falses: usize,
    pub(crate) tag_right: usize,
    pub(crate) tag_wrong: usize,
    pub(crate) tag_open: usize,
    pub(crate) confident: usize,
    pub(crate) confident_right: usize,
    pub(crate) all_right: bool,
    /// Errors of matched entries, thousandths.
    pub(crate) entries: Vec<f64>,
    pub(crate) seconds: f64,
    pub(crate) failed: Option<String>,
}

/// A photograph and what is known of it.
pub(crate) struct Case {
    path: PathBuf,
    truth: RealTruth,
    spec: FaceSpec,
}

/// The photographs of `photos` that have a truth in `truth`; without such a folder those that have a confirmed record beside them.
/// The sentences say what was passed over.
pub(crate) fn cases(photos: &Path, truth: Option<&Path>) -> Result<(Vec<Case>, Vec<String>)> {
    let (mut cases, mut passed) = (Vec::new(), Vec::new());
    for (path, truth) in truth.map_or_else(|| of_records(photos), |t| of_files(photos, t))? {
        let Some(spec) = truth.spec() else {
            passed.push(format!(
                "{}: face `{}` isn't known here",
                truth.photo, truth.face
            ));
            continue;
        };
        if !path.is_file() {
            passed.push(format!("{} is not in {}", truth.photo, photos.display()));
            continue;
        }
        let spec = spec.clone();
        cases.push(Case { path, truth, spec });
    }
    if cases.is_empty() {
        bail!(
            "nothing to compare in {}: put annotations into a second folder, or confirm the ends there (`bossmark confirm {}`)",
            photos.display(),
            photos.display()
        );
    }
    Ok((cases, passed))
}

fn of_files(photos: &Path, folder: &Path) -> Result<Vec<(PathBuf, RealTruth)>> {
    let listed = std::fs::read_dir(folder).with_context(|| format!("{}", folder.display()))?;
    let mut files: Vec<PathBuf> = listed
        .collect::<std::io::Result<Vec<_>>>()?
        .into_iter()
        .map(|e| e.path())
        // NAME.json, no NAME.end.json
        .filter(|p| p.extension().is_some_and(|e| e == "json"))
        .filter(|p| {
            p.file_stem()
                .is_some_and(|s| !s.to_string_lossy().contains('.'))
        })
        .collect();
    files.sort();
    files
        .iter()
        .map(|p| {
            let text = std::fs::read_to_string(p).with_context(|| format!("{}", p.display()))?;
            let truth: RealTruth = serde_json::from_str(&text)
                .with_context(|| format!("{} is no real-truth/1", p.display()))?;
            let name = Path::new(&truth.photo).file_name().unwrap_or_default();
            Ok((photos.join(name), truth))
        })
        .collect()
}

fn of_records(folder: &Path) -> Result<Vec<(PathBuf, RealTruth)>> {
    let mut out = Vec::new();
    for file in store::records(folder).with_context(|| format!("{}", folder.display()))? {
        let end = store::record_at(&file).with_context(|| format!("{}", file.display()))?;
        let Some(end) = end.filter(is_confirmed) else {
            continue;
        };
        let photo = store::photo_of(&file, &end);
        if let Some((photo, truth)) = photo.zip(of_record(&end)) {
            out.push((photo, truth));
        }
    }
    Ok(out)
}

/// What a confirmed record says of its photo; `None` for an end that was measured otherwise.
fn of_record(end: &End) -> Option<RealTruth> {
    let face = end.face.as_ref()?;
    let taken = face.seen.iter().flatten().find(|f| f.taken);
    let entry = |e: &bossmark::record::Entry| {
        Some(RealEntry {
            px: e.px?,
            kind: e.kind,
            sure: true,
        })
    };
    Some(RealTruth {
        photo: end.photo.as_ref()?.file.clone(),
        face: face.name.clone(),
        fit: "own".to_owned(),
        boundaries: BTreeMap::new(),
        entries: end.entries.iter().map(entry).collect::<Option<_>>()?,
        at: taken.map(|f| f.px),
        more_unseen: 0,
    })
}

impl Case {
    /// Name of the photo.
    pub(crate) fn photo(&self) -> &str {
        &self.truth.photo
    }

    /// Measures the photograph, with nothing known but the face (and which one it is), and compares.
    pub(crate) fn score(&self) -> Result<RealScore> {
        let bytes =
            std::fs::read(&self.path).with_context(|| format!("{}", self.path.display()))?;
        let options = MeasureOptions {
            pick: self.truth.at.map(|at| Pick::At(PhotoPoint::Pixel(at))),
            ..MeasureOptions::default()
        };
        let start = Instant::now();
        let measured = measure::measure(
            &bytes,
            &self.truth.photo,
            &self.spec,
            Session::default(),
            &options,
            &mut |_| {},
        );
        let seconds = start.elapsed().as_secs_f64();
        let score = match measured {
            Ok(measured) => compare(&self.truth, &self.spec, &measured.end),
            Err(error) => RealScore {
                failed: Some(error.to_string()),
                ..nothing_found(&self.truth)
            },
        };
        Ok(RealScore { seconds, ..score })
    }
}

fn nothing_found(truth: &RealTruth) -> RealScore {
    RealScore {
        photo: truth.photo.clone(),
        fit: truth.fit.clone(),
        sure: truth.entries.iter().filter(|e| e.sure).count(),
        ..RealScore::default()
    }
}

/// Compares a record with what a person saw.
fn compare(truth: &RealTruth, spec: &FaceSpec, end: &End) -> RealScore {
    let mut r = nothing_found(truth);
    let Some(camera) = &end.camera else {
        return r;
    };
    r.rings = rings(truth, spec, camera);
    r.found = r.rings.is_none_or(|rings| rings < ANOTHER_FACE);
    if r.found {
        entries(&mut r, truth, spec, end, camera);
    }
    r
}

/// How far the annotated changes of colour lie from where the camera has them, thousandths.
fn rings(truth: &RealTruth, spec: &FaceSpec, camera: &CameraRecord) -> Option<f64> {
    let points: Vec<([f64; 2], f64)> = truth
        .boundaries
        .iter()
        .filter_map(|(name, points)| Some((radius_mm(spec, name)?, points)))
        .flat_map(|(radius, points)| {
            points
                .iter()
                .map(move |p| (plane_from_px(camera, *p), radius))
        })
        .collect();
    let off = |centre: [f64; 2]| -> Vec<f64> {
        let errors = points.iter().map(|(p, r)| (distance(*p, centre) - r).abs());
        errors.collect()
    };
    // of several spots the one that was annotated: where the points fit best
    let best = spec.spots_mm.iter().map(|s| off([s.x, s.y]));
    let mut errors = best.min_by(|a, b| a.iter().sum::<f64>().total_cmp(&b.iter().sum()))?;
    errors.sort_by(f64::total_cmp);
    let at = bossmark::math::floor_index(BETTER * errors.len() as f64);
    errors.get(at).map(|e| e * per_mm(spec))
}

/// Thousandths of the printed diameter that a millimetre is.
fn per_mm(spec: &FaceSpec) -> f64 {
    1000.0 / (2.0 * spec.outer_radius_mm())
}

/// Radius of a boundary by its name: the colours on both sides (`gold_red`), or the outermost (`outer`, `blue_outer`). `None` for
/// other names, which stand for what no zone's colour shows.
fn radius_mm(spec: &FaceSpec, name: &str) -> Option<f64> {
    let colour = |word: &str| {
        let word = if word == "gold" { "yellow" } else { word };
        Colour::ALL.into_iter().find(|c| c.name() == word)
    };
    let last = spec.zones.last()?;
    let outer = match name.split_once('_') {
        Some((inside, "outer")) => colour(inside) == Some(last.colour),
        _ => name == "outer",
    };
    if outer {
        return (!spec.trimmed).then(|| last.radius_mm());
    }
    let (inside, outside) = name.split_once('_')?;
    let (inside, outside) = (colour(inside)?, colour(outside)?);
    let all = spec.boundaries();
    let found = all
        .iter()
        .find(|b| b.inside == inside && b.outside == outside);
    found.map(|b| b.radius_mm)
}

fn entries(
    r: &mut RealScore,
    truth: &RealTruth,
    spec: &FaceSpec,
    end: &End,
    camera: &CameraRecord,
) {
    // pixels over the scale at one place, so that however the camera maps them to millimetres a place is a place
    let scale = truth
        .entries
        .first()
        .map_or(1.0, |e| px_per_mm(camera, e.px));
    let scaled = |p: [f64; 2]| [p[0] / scale, p[1] / scale];
    let ours: Vec<([f64; 2], ArrowKind, f64)> = end
        .entries
        .iter()
        .map(|e| (e, e.confidence.unwrap_or(1.0)))
        .filter(|(_, confidence)| *confidence >= COUNTS)
        .filter_map(|(e, confidence)| Some((scaled(e.px?), e.kind, confidence)))
        .collect();
    let (sure, doubtful): (Vec<&RealEntry>, Vec<&RealEntry>) =
        truth.entries.iter().partition(|e| e.sure);
    let at = |list: &[&RealEntry]| list.iter().map(|e| scaled(e.px)).collect::<Vec<_>>();
    let gate = GATE / per_mm(spec);
    let found: Vec<[f64; 2]> = ours.iter().map(|o| o.0).collect();
    let matched = pairs(&found, &at(&sure), gate);
    let rest: Vec<usize> = (0..ours.len())
        .filter(|i| matched.iter().all(|m| m.0 != *i))
        .collect();
    let left: Vec<[f64; 2]> = rest.iter().map(|i| found[*i]).collect();
    let excused = pairs(&left, &at(&doubtful), DOUBTFUL_GATE * gate).len() + truth.more_unseen;
    r.hit = matched.len();
    r.falses = rest.len().saturating_sub(excused);
    for (i, j, off) in matched {
        let (_, kind, confidence) = ours[i];
        let annotated = sure[j].kind;
        let right = annotated == ArrowKind::Unknown || kind == annotated;
        if annotated != ArrowKind::Unknown {
            match kind {
                ArrowKind::Unknown => r.tag_open += 1,
                _ if right => r.tag_right += 1,
                _ => r.tag_wrong += 1,
            }
        }
        if confidence >= SURE {
            r.confident += 1;
            r.confident_right += usize::from(right);
        }
        r.entries.push(off * per_mm(spec));
    }
    let sure_of_rest = rest.iter().filter(|i| ours[**i].2 >= SURE).count();
    r.confident += sure_of_rest.saturating_sub(excused);
    r.all_right = r.hit == r.sure && r.falses + r.tag_wrong + r.tag_open == 0;
}

/// Pixels a millimetre at a place, across and along alike (root of the area).
fn px_per_mm(camera: &CameraRecord, [x, y]: [f64; 2]) -> f64 {
    const STEP: f64 = 2.0;
    let [a, b, c] = [[x, y], [x + STEP, y], [x, y + STEP]].map(|p| plane_from_px(camera, p));
    let area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
    STEP / area.abs().max(1e-9).sqrt()
}

/// One-to-one pairs within a gate, the nearest first: (index in found, index in true, distance).
fn pairs(found: &[[f64; 2]], truth: &[[f64; 2]], gate: f64) -> Vec<(usize, usize, f64)> {
    let mut all: Vec<(usize, usize, f64)> = (0..found.len())
        .flat_map(|i| (0..truth.len()).map(move |j| (i, j, distance(found[i], truth[j]))))
        .filter(|(_, _, d)| *d <= gate)
        .collect();
    all.sort_by(|a, b| a.2.total_cmp(&b.2).then((a.0, a.1).cmp(&(b.0, b.1))));
    let mut out: Vec<(usize, usize, f64)> = Vec::new();
    for pair in all {
        if out.iter().all(|p| p.0 != pair.0 && p.1 != pair.1) {
            out.push(pair);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use bossmark::record::EntryState;
    use serde_json::{Value, json};
    use std::fs;
    use std::sync::LazyLock;

    const PHOTO: &str = "evening-1.jpg";

    fn sample(name: &str) -> PathBuf {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        root.join("sample-photos/evening").join(name)
    }

    /// The photo's exact truth, written as a person would annotate it.
    fn annotated() -> Value {
        let text = fs::read_to_string(sample("evening-1.truth.json")).unwrap();
        let exact: Value = serde_json::from_str(&text).unwrap();
        let list = |name: &str| exact[name].as_array().unwrap().clone();
        let outer: Vec<Value> = list("ring_probe").iter().map(|p| p["px"].clone()).collect();
        let entries: Vec<Value> = list("shafts")
            .iter()
            .map(|s| json!({"px": s["entry_px"], "kind": s["kind"], "nock_px": s["nock_px"], "sure": true}))
            .collect();
        json!({"photo": PHOTO, "face": "wa-80", "fit": "good", "boundaries": {"outer": outer, "white_line_1": [[0, 0]]},
            "entries": entries, "more_unseen": 0, "remarks": "none"})
    }

    fn read(truth: Value) -> RealTruth {
        serde_json::from_value(truth).unwrap()
    }

    /// What the program makes of the photo.
    static MEASURED: LazyLock<End> = LazyLock::new(|| {
        let bytes = fs::read(sample(PHOTO)).unwrap();
        let (spec, options) = (spec::by_name("wa-80").unwrap(), MeasureOptions::default());
        measure::measure(
            &bytes,
            PHOTO,
            spec,
            Session::default(),
            &options,
            &mut |_| {},
        )
        .unwrap()
        .end
    });

    fn compared(truth: &RealTruth) -> RealScore {
        compare(truth, truth.spec().unwrap(), &MEASURED)
    }

    #[test]
    fn what_is_exact_is_all_right() {
        let score = compared(&read(annotated()));
        assert!(score.found && score.all_right, "{score:?}");
        assert_eq!((score.hit, score.sure, score.tag_right), (6, 6, 6));
        assert!(score.rings.unwrap() < 2.0, "{score:?}");
        assert!(score.entries.iter().all(|e| *e < 5.0), "{score:?}");
    }

    #[test]
    fn mistakes_are_counted_as_what_they_are() {
        let mut truth = read(annotated());
        // another kind, another place, a kind that nobody saw
        truth.entries[0].kind = match truth.entries[0].kind {
            ArrowKind::Bare => ArrowKind::Fletched,
            _ => ArrowKind::Bare,
        };
        truth.entries[1].px[0] += 400.0;
        truth.entries[2].kind = ArrowKind::Unknown;
        let score = compared(&truth);
        assert_eq!((score.hit, score.falses), (5, 1), "{score:?}");
        assert_eq!(
            (score.tag_right, score.tag_wrong, score.tag_open),
            (3, 1, 0)
        );
        assert!(!score.all_right);
        // a doubtful one isn't asked for and excuses what is found there; so does a shaft that nobody could point at
        let mut truth = read(annotated());
        truth.entries[1].sure = false;
        let score = compared(&truth);
        assert_eq!(
            (score.hit, score.sure, score.falses),
            (5, 5, 0),
            "{score:?}"
        );
        truth.entries.remove(1);
        truth.more_unseen = 1;
        assert_eq!(compared(&truth).falses, 0);
        // rings of another size are those of another face
        let mut truth = read(annotated());
        let outer = truth.boundaries.remove("outer").unwrap();
        truth.boundaries.insert("black_white".to_owned(), outer);
        let score = compared(&truth);
        assert!(
            !score.found && score.rings.unwrap() > 90.0 && score.hit == 0,
            "{score:?}"
        );
    }

    #[test]
    fn boundaries_have_the_names_of_their_colours() {
        let radius = |face: &str, name: &str| radius_mm(spec::by_name(face).unwrap(), name);
        assert_eq!(radius("wa-122", "gold_red"), Some(122.0));
        assert_eq!(radius("wa-122", "outer"), Some(610.0));
        assert_eq!(radius("wa-80-5zone", "blue_outer"), Some(200.0));
        assert_eq!(radius("field-60", "yellow_black"), Some(60.0));
        assert_eq!(radius("national-field-65", "black_white"), Some(65.0));
        assert_eq!(radius("national-field-65", "black_outer"), Some(325.0));
        // no change of colour, another face's, and a cut edge
        assert_eq!(radius("field-60", "white_line_1"), None);
        assert_eq!(radius("wa-80-5zone", "blue_black"), None);
        assert_eq!(radius("wa-80-6zone-trimmed", "blue_outer"), None);
        for (pattern, name) in PATTERNS {
            assert!(spec::by_name(name).is_some(), "{pattern}");
        }
    }

    #[test]
    fn folders_are_read_and_what_is_missing_is_said() {
        let folder = tempfile::tempdir().unwrap();
        let (photos, truths) = (folder.path().join("photos"), folder.path().join("truth"));
        fs::create_dir(&photos).unwrap();
        fs::create_dir(&truths).unwrap();
        let put = |name: &str, photo: &str, face: &str| {
            let mut truth = annotated();
            truth["photo"] = json!(photo);
            truth["face"] = json!(face);
            fs::write(truths.join(name), truth.to_string()).unwrap();
        };
        put("a.json", PHOTO, "ten-zone");
        put("b.json", "elsewhere.jpg", "ten-zone");
        put("c.json", PHOTO, "other");
        fs::copy(sample(PHOTO), photos.join(PHOTO)).unwrap();
        let (found, passed) = cases(&photos, Some(&truths)).unwrap();
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].spec.name, "wa-122");
        assert_eq!(passed.len(), 2, "{passed:?}");
        assert!(cases(&photos, None).is_err(), "no confirmed record yet");
    }

    #[test]
    fn a_confirmed_record_is_the_truth_of_its_entries() {
        let folder = tempfile::tempdir().unwrap();
        fs::copy(sample(PHOTO), folder.path().join(PHOTO)).unwrap();
        let record = folder.path().join("evening-1.end.json");
        let mut end = MEASURED.clone();
        fs::write(&record, serde_json::to_string(&end).unwrap()).unwrap();
        assert!(
            cases(folder.path(), None).is_err(),
            "proposals are no truth"
        );
        for entry in &mut end.entries {
            entry.state = EntryState::Confirmed;
        }
        fs::write(&record, serde_json::to_string(&end).unwrap()).unwrap();
        let (found, _) = cases(folder.path(), None).unwrap();
        let score = found[0].score().unwrap();
        assert!(
            score.found && score.all_right && score.rings.is_none(),
            "{score:?}"
        );
        let figures = crate::real_figures::figures(&[score]);
        assert_eq!(figures.get("all.recall"), Some(&1.0));
        assert!(figures.keys().all(|name| name.starts_with("all.")));
    }
}
