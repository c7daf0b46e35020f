//! Figures of real photographs, by class, and how they are printed.

use crate::real::RealScore;
use crate::table::{Figures, markdown, show};

/// The figures of a class, in the order they are printed, with what they are.
const FIGURES: [(&str, &str); 18] = [
    ("photos", "photographs"),
    ("failures", "photographs that could not be decoded"),
    ("face_found", "share with the annotated face found"),
    (
        "rings_median",
        "thousandths that 68 % of a photo's ring points are better than, median over photographs",
    ),
    ("rings_p90", "the same, 90 %"),
    ("shafts", "annotated shafts that must be found"),
    ("recall", "share of these found"),
    ("recall_where_found", "the same where the face was found"),
    ("precision", "share of counted entries that are shafts"),
    ("entry_median", "thousandths, error of matched entries"),
    ("tags", "matched shafts whose kind was seen"),
    ("tag_right", "share of these with the right kind"),
    ("tag_wrong", "share with the other kind"),
    ("confident", "entries with confidence >= 0.9"),
    ("confident_right", "share of these that are right"),
    (
        "all_right",
        "share of photographs with shafts in which all is right",
    ),
    ("seconds_median", "seconds to measure a photograph"),
    ("seconds_max", "seconds"),
];

/// Those that count something.
const COUNTED: [&str; 5] = ["photos", "failures", "shafts", "tags", "confident"];

/// The classes of photographs that figures are given of. What a club confirmed itself is in the last one only.
const CLASSES: [&str; 3] = ["good", "fair", "all"];

/// All figures of all classes.
pub(crate) fn figures(scores: &[RealScore]) -> Figures {
    let mut out = Figures::new();
    for class in CLASSES {
        let of: Vec<&RealScore> = scores
            .iter()
            .filter(|s| s.fit == class || class == "all" && s.fit != "out")
            .collect();
        if of.is_empty() {
            continue;
        }
        for (name, value) in FIGURES.iter().map(|f| f.0).zip(of_class(&of)) {
            if let Some(value) = value {
                out.insert(format!("{class}.{name}"), value);
            }
        }
    }
    out
}

/// The figures of one class, in the order of [`FIGURES`].
fn of_class(of: &[&RealScore]) -> [Option<f64>; 18] {
    let sum = |f: fn(&RealScore) -> usize| of.iter().map(|s| f(s)).sum::<usize>();
    let count = |n: usize| Some(n as f64);
    // where there is nothing to be a share of, none was right
    let share = |part: usize, whole: usize| Some(part as f64 / whole.max(1) as f64);
    let found: Vec<&&RealScore> = of.iter().filter(|s| s.found).collect();
    let in_found = |f: fn(&RealScore) -> usize| found.iter().map(|s| f(s)).sum::<usize>();
    let rings: Vec<f64> = found.iter().filter_map(|s| s.rings).collect();
    let off: Vec<f64> = found.iter().flat_map(|s| s.entries.clone()).collect();
    let seconds: Vec<f64> = of.iter().map(|s| s.seconds).collect();
    let (shafts, hits) = (sum(|s| s.sure), sum(|s| s.hit));
    let tags = sum(|s| s.tag_right) + sum(|s| s.tag_wrong) + sum(|s| s.tag_open);
    let with_shafts = of.iter().filter(|s| s.sure > 0).count();
    [
        count(of.len()),
        count(sum(|s| usize::from(s.failed.is_some()))),
        share(found.len(), of.len()),
        at_share(&rings, 0.5),
        at_share(&rings, 0.9),
        count(shafts),
        share(hits, shafts),
        share(in_found(|s| s.hit), in_found(|s| s.sure)),
        share(hits, hits + sum(|s| s.falses)),
        at_share(&off, 0.5),
        count(tags),
        share(sum(|s| s.tag_right), tags),
        share(sum(|s| s.tag_wrong), tags),
        count(sum(|s| s.confident)),
        share(sum(|s| s.confident_right), sum(|s| s.confident)),
        share(sum(|s| usize::from(s.sure > 0 && s.all_right)), with_shafts),
        at_share(&seconds, 0.5),
        at_share(&seconds, 1.0),
    ]
}

/// The value below which a share of them lies: one of them, none between two.
fn at_share(values: &[f64], share: f64) -> Option<f64> {
    let mut v = values.to_vec();
    v.sort_by(f64::total_cmp);
    let at = bossmark::math::floor_index(share * v.len() as f64);
    v.get(at.min(v.len().saturating_sub(1))).copied()
}

/// One line a photograph.
pub(crate) fn photo_table(scores: &[RealScore]) -> String {
    let width = scores
        .iter()
        .map(|s| s.photo.len())
        .max()
        .unwrap_or(0)
        .max(5);
    let mut out = format!(
        "{:<width$} {:<5} {:<5} {:>6} {:>7} {:>5} {:>6} {:>6} {:>5} {:>5} {:>6} {:>6}\n",
        "photo",
        "class",
        "face",
        "rings",
        "found",
        "false",
        "right",
        "wrong",
        "open",
        "sure",
        "entry",
        "s"
    );
    for s in scores {
        let two = |v: Option<f64>| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.2}"));
        out += &format!(
            "{:<width$} {:<5} {:<5} {:>6} {:>7} {:>5} {:>6} {:>6} {:>5} {:>5} {:>6} {:>6.2} {}\n",
            s.photo,
            s.fit,
            if s.found { "yes" } else { "no" },
            two(s.rings),
            format!("{}/{}", s.hit, s.sure),
            s.falses,
            s.tag_right,
            s.tag_wrong,
            s.tag_open,
            format!("{}/{}", s.confident_right, s.confident),
            two(at_share(&s.entries, 0.5)),
            s.seconds,
            s.failed.as_deref().unwrap_or("")
        );
    }
    out
}

/// The figures in Markdown.
pub(crate) fn markdown_totals(figures: &Figures) -> String {
    markdown(figures, &CLASSES, &FIGURES)
}

/// The figures of all classes side by side.
pub(crate) fn totals_table(figures: &Figures) -> String {
    let [a, b, c] = CLASSES;
    let mut out = format!("{:<20} {a:>9} {b:>9} {c:>9}\n", "");
    for (name, what) in FIGURES {
        let [a, b, c] = CLASSES.map(|class| {
            let value = figures.get(&format!("{class}.{name}")).copied();
            match value.filter(|_| COUNTED.contains(&name)) {
                Some(count) => format!("{count:.0}"),
                None => show(value),
            }
        });
        out += &format!("{name:<20} {a:>9} {b:>9} {c:>9}   {what}\n");
    }
    out
}
