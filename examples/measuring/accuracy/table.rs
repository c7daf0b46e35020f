//! Figures over many photos, and the tables that show them.

use crate::camera::CameraScore;
use crate::score::{Match, PhotoScore};
use std::collections::BTreeMap;

/// 95 % point of chi-square with two degrees of freedom (facts of any statistics table).
const CHI2_95: f64 = 5.991;
/// Median absolute deviation → standard deviation of a normal.
const ROBUST: f64 = 1.4826;

/// Groups of photos with a face and arrows.
pub(crate) const GROUPS: [&str; 3] = ["plain", "unkind", "all"];

/// The figures of a group, in the order they are printed, with what they are.
pub(crate) const FIGURES: [(&str, &str); 41] = [
    ("photos", "photos in the group"),
    ("failures", "photos without a proper record"),
    ("contract_breaks", "photos whose record contradicts itself"),
    ("face_found", "share of photos with the face found"),
    ("everything_right", "share of photos with everything right"),
    (
        "probe_rms_median",
        "mm, median over photos of the rms over ring points",
    ),
    ("probe_rms_p90", "mm"),
    ("probe_rms_max", "mm"),
    ("probe_max_max", "mm, worst single ring point"),
    ("upright_median", "degrees, absolute"),
    ("upright_p90", "degrees"),
    ("upright_max", "degrees"),
    (
        "upright_foreseen",
        "share of uprights within 3 of their own sds",
    ),
    (
        "camera_photos",
        "photos whose camera is compared with the truth",
    ),
    (
        "camera_norm_sd",
        "ring point errors over their own sds, robust sd (1 when true)",
    ),
    (
        "camera_foreseen",
        "share of cameras whose rms is within 3 of their own sds",
    ),
    (
        "focal_error_median",
        "share of the true focal length, absolute",
    ),
    ("shafts", "true shafts that must be found"),
    ("misses", "of these, not found"),
    ("falses", "entries without a shaft"),
    ("recall", "share of shafts found"),
    ("precision", "share of counted entries that are shafts"),
    ("entry_median", "mm, entry error of matched shafts"),
    ("entry_p95", "mm"),
    ("entry_max", "mm"),
    ("tag_accuracy", "share of matched shafts with the right tag"),
    ("lean_given", "share of matched shafts with a lean"),
    ("lean_right_median", "degrees, median absolute error"),
    ("lean_up_median", "degrees, median absolute error"),
    (
        "offset_given",
        "share of photos with both tags among the entries",
    ),
    ("offset_median", "mm, error of bare minus fletched"),
    ("offset_p90", "mm"),
    ("offset_max", "mm"),
    (
        "offset_as_is_median",
        "mm, the same without taking the turn out",
    ),
    ("confident", "entries with confidence >= 0.9"),
    ("confident_right", "share of these that are right"),
    ("cov_given", "share of matched entries with a covariance"),
    ("norm_median", "normalised error, median (0.83 when true)"),
    ("norm_sd", "normalised error, robust sd (0.47 when true)"),
    ("inside95", "share of entries inside their 95 % ellipse"),
    (
        "px_mismatch_max",
        "mm, largest gap between an entry and its own px",
    ),
];

/// The figures of the negatives.
pub(crate) const NEGATIVE_FIGURES: [(&str, &str); 8] = [
    ("photos", "negatives"),
    ("failures", "negatives without a proper record"),
    ("right", "share that is right"),
    ("no_face", "negatives without a face"),
    ("no_face_right", "share of these that is right"),
    ("no_arrows", "negatives with a face and no arrows"),
    ("no_arrows_right", "share of these that is right"),
    ("entries", "entries with confidence >= 0.5, all together"),
];

/// Figures under their dotted names; absent where there is nothing to take them from.
pub(crate) type Figures = BTreeMap<String, f64>;

/// Linear between order statistics.
pub(crate) fn quantile(values: &[f64], q: f64) -> Option<f64> {
    let mut v = values.to_vec();
    v.sort_by(f64::total_cmp);
    let last = v.len().checked_sub(1)?;
    let x = q * last as f64;
    let i = bossmark::math::floor_index(x);
    Some(v[i] + (x - i as f64) * (v[(i + 1).min(last)] - v[i]))
}

/// All figures of all groups.
pub(crate) fn figures(scores: &[PhotoScore]) -> Figures {
    let mut out = Figures::new();
    for group in GROUPS {
        let of: Vec<&PhotoScore> = scores
            .iter()
            .filter(|s| s.group == group || group == "all" && s.negative.is_none())
            .collect();
        for (name, value) in of_group(&of) {
            if let Some(value) = value {
                out.insert(format!("{group}.{name}"), value);
            }
        }
    }
    let of: Vec<&PhotoScore> = scores.iter().filter(|s| s.negative.is_some()).collect();
    for (name, value) in of_negatives(&of) {
        if let Some(value) = value {
            out.insert(format!("negatives.{name}"), value);
        }
    }
    out
}

fn share(part: usize, whole: usize) -> Option<f64> {
    (whole > 0).then(|| part as f64 / whole as f64)
}

fn max(values: &[f64]) -> Option<f64> {
    values.iter().copied().max_by(f64::total_cmp)
}

fn of_group(of: &[&PhotoScore]) -> Vec<(&'static str, Option<f64>)> {
    let count = |n: usize| Some(n as f64);
    let number =
        |f: fn(&PhotoScore) -> Option<f64>| of.iter().filter_map(|s| f(s)).collect::<Vec<f64>>();
    let n = of.len();
    let claims: Vec<&Match> = of.iter().flat_map(|s| &s.matches).collect();
    let got: Vec<&&Match> = claims.iter().filter(|m| m.must).collect();
    let shafts: usize = of.iter().map(|s| s.shafts).sum();
    let falses: usize = of.iter().map(|s| s.falses).sum();
    let rms = number(|s| s.probe_rms_mm);
    let worst = number(|s| s.probe_max_mm);
    let up = number(|s| s.upright_deg.map(f64::abs));
    let cameras: Vec<&CameraScore> = of.iter().filter_map(|s| s.camera.as_ref()).collect();
    let normalised: Vec<f64> = cameras
        .iter()
        .flat_map(|c| &c.normalised)
        .map(|v| v.abs())
        .collect();
    let focal: Vec<f64> = cameras.iter().map(|c| (c.focal - 1.0).abs()).collect();
    let off = number(|s| s.offset_error_mm);
    let as_is = number(|s| s.offset_as_is_error_mm);
    let gap = number(|s| s.px_mismatch_mm);
    let err: Vec<f64> = got.iter().map(|m| m.error_mm).collect();
    let lean: Vec<[f64; 2]> = got.iter().filter_map(|m| m.lean_error_deg).collect();
    let lean_of = |i: usize| quantile(&lean.iter().map(|l| l[i].abs()).collect::<Vec<_>>(), 0.5);
    let chi2: Vec<f64> = claims.iter().filter_map(|m| m.chi2).collect();
    let norm: Vec<f64> = chi2.iter().map(|c| (c.max(0.0) / 2.0).sqrt()).collect();
    let mid = quantile(&norm, 0.5);
    let sure: usize = of.iter().map(|s| s.confident).sum();
    vec![
        ("photos", count(n)),
        (
            "failures",
            count(of.iter().filter(|s| s.failure.is_some()).count()),
        ),
        (
            "contract_breaks",
            count(of.iter().filter(|s| !s.breaks.is_empty()).count()),
        ),
        (
            "face_found",
            share(of.iter().filter(|s| s.face_found).count(), n),
        ),
        (
            "everything_right",
            share(of.iter().filter(|s| s.everything_right()).count(), n),
        ),
        ("probe_rms_median", quantile(&rms, 0.5)),
        ("probe_rms_p90", quantile(&rms, 0.9)),
        ("probe_rms_max", max(&rms)),
        ("probe_max_max", max(&worst)),
        ("upright_median", quantile(&up, 0.5)),
        ("upright_p90", quantile(&up, 0.9)),
        ("upright_max", max(&up)),
        (
            "upright_foreseen",
            share(
                cameras.iter().filter(|c| c.upright_foreseen()).count(),
                cameras.len(),
            ),
        ),
        ("camera_photos", count(cameras.len())),
        (
            "camera_norm_sd",
            quantile(&normalised, 0.5).map(|v| v * ROBUST),
        ),
        (
            "camera_foreseen",
            share(
                cameras.iter().filter(|c| c.foreseen()).count(),
                cameras.len(),
            ),
        ),
        ("focal_error_median", quantile(&focal, 0.5)),
        ("shafts", count(shafts)),
        ("misses", count(of.iter().map(|s| s.missed.len()).sum())),
        ("falses", count(falses)),
        ("recall", share(got.len(), shafts)),
        ("precision", share(got.len(), got.len() + falses)),
        ("entry_median", quantile(&err, 0.5)),
        ("entry_p95", quantile(&err, 0.95)),
        ("entry_max", max(&err)),
        (
            "tag_accuracy",
            share(got.iter().filter(|m| m.tag_right).count(), got.len()),
        ),
        ("lean_given", share(lean.len(), got.len())),
        ("lean_right_median", lean_of(0)),
        ("lean_up_median", lean_of(1)),
        ("offset_given", share(off.len(), n)),
        ("offset_median", quantile(&off, 0.5)),
        ("offset_p90", quantile(&off, 0.9)),
        ("offset_max", max(&off)),
        ("offset_as_is_median", quantile(&as_is, 0.5)),
        ("confident", count(sure)),
        (
            "confident_right",
            share(of.iter().map(|s| s.confident_right).sum(), sure),
        ),
        ("cov_given", share(chi2.len(), claims.len())),
        ("norm_median", mid),
        (
            "norm_sd",
            mid.and_then(|m| {
                quantile(&norm.iter().map(|v| (v - m).abs()).collect::<Vec<_>>(), 0.5)
            })
            .map(|v| v * ROBUST),
        ),
        (
            "inside95",
            share(chi2.iter().filter(|c| **c <= CHI2_95).count(), chi2.len()),
        ),
        ("px_mismatch_max", max(&gap)),
    ]
}

fn of_negatives(of: &[&PhotoScore]) -> Vec<(&'static str, Option<f64>)> {
    let kind = |k: &str| {
        of.iter()
            .filter(|s| s.negative.as_deref() == Some(k))
            .copied()
            .collect::<Vec<_>>()
    };
    let right = |v: &[&PhotoScore]| share(v.iter().filter(|s| s.right).count(), v.len());
    let (no_face, no_arrows) = (kind("no face"), kind("no arrows"));
    vec![
        ("photos", Some(of.len() as f64)),
        (
            "failures",
            Some(of.iter().filter(|s| s.failure.is_some()).count() as f64),
        ),
        ("right", right(of)),
        ("no_face", Some(no_face.len() as f64)),
        ("no_face_right", right(&no_face)),
        ("no_arrows", Some(no_arrows.len() as f64)),
        ("no_arrows_right", right(&no_arrows)),
        (
            "entries",
            Some(of.iter().map(|s| s.entries).sum::<usize>() as f64),
        ),
    ]
}

pub(crate) fn show(v: Option<f64>) -> String {
    v.map_or_else(
        || "-".to_owned(),
        |v| {
            if (v - v.round()).abs() < 1e-12 && v.abs() >= 2.0 {
                format!("{v:.0}")
            } else {
                format!("{v:.3}")
            }
        },
    )
}

/// One line a photo.
pub(crate) fn photo_table(scores: &[PhotoScore]) -> String {
    let width = scores.iter().map(|s| s.photo.len()).max().unwrap_or(5);
    let mut out = format!(
        "{:<width$} {:<9} {:<11} {:>6} {:>7} {:>7} {:>8} {:>6} {:>5} {:>6} {:>6} {:>7}\n",
        "photo",
        "group",
        "outcome",
        "s",
        "rms mm",
        "max mm",
        "upright",
        "found",
        "false",
        "tags",
        "err mm",
        "offset"
    );
    for s in scores {
        let outcome = match (&s.failure, &s.negative) {
            (Some(f), _) => f.as_str(),
            (None, Some(_)) => {
                if s.right {
                    "right"
                } else {
                    "WRONG"
                }
            }
            (None, None) if !s.face_found => "no face",
            (None, None) => {
                if s.everything_right() {
                    "all right"
                } else {
                    "found"
                }
            }
        };
        let err: Vec<f64> = s
            .matches
            .iter()
            .filter(|m| m.must)
            .map(|m| m.error_mm)
            .collect();
        let two = |v: Option<f64>| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.2}"));
        let (found, tags) = if s.negative.is_some() {
            ("-".to_owned(), "-".to_owned())
        } else {
            (
                format!("{}/{}", s.found(), s.shafts),
                format!("{}/{}", s.tags_right(), s.found()),
            )
        };
        let falses = if s.negative.is_some() {
            s.entries
        } else {
            s.falses
        };
        out += &format!(
            "{:<width$} {:<9} {:<11} {:>6.2} {:>7} {:>7} {:>8} {:>6} {:>5} {:>6} {:>6} {:>7}\n",
            s.photo,
            s.group,
            outcome,
            s.seconds,
            two(s.probe_rms_mm),
            two(s.probe_max_mm),
            two(s.upright_deg),
            found,
            falses,
            tags,
            two(quantile(&err, 0.5)),
            two(s.offset_error_mm)
        );
    }
    out
}

/// One line a photo of what the camera stage gave.
pub(crate) fn camera_table(scores: &[PhotoScore]) -> String {
    let width = scores.iter().map(|s| s.photo.len()).max().unwrap_or(5);
    let mut out = format!(
        "{:<width$} {:<9} {:>6} {:>5} {:>7} {:>7} {:>8} {:>7} {:<10} {:>6}  notes\n",
        "photo", "group", "s", "tilt", "rms mm", "in sd", "upright", "sd", "from", "focal"
    );
    for s in scores {
        let Some(c) = &s.camera else {
            out += &format!(
                "{:<width$} {:<9} {:>6.2} {}\n",
                s.photo,
                s.group,
                s.seconds,
                if s.face_found { "face" } else { "no face" }
            );
            continue;
        };
        out += &format!(
            "{:<width$} {:<9} {:>6.2} {:>5.1} {:>7.3} {:>7.2} {:>8.3} {:>7.3} {:<10} {:>6.3}  {}\n",
            s.photo,
            s.group,
            s.stages.last().map_or(0.0, |t| t.1),
            c.tilt_deg,
            c.rms_mm,
            c.over_sd,
            c.upright_deg,
            c.upright_sd_deg,
            c.upright_from,
            c.focal,
            c.notes.join(" ")
        );
    }
    out
}

/// The camera's figures of all groups side by side.
pub(crate) fn camera_totals(figures: &Figures) -> String {
    let mut out = String::new();
    for (name, what) in FIGURES {
        if !["photos", "face_", "probe_", "upright_", "camera_", "focal_"]
            .iter()
            .any(|start| name.starts_with(start))
        {
            continue;
        }
        let [a, b, c] = GROUPS.map(|g| show(figures.get(&format!("{g}.{name}")).copied()));
        out += &format!("{name:<20} {a:>9} {b:>9} {c:>9}   {what}\n");
    }
    out
}

/// Errors of the upright by what it was taken from, beside the standard deviations stated.
pub(crate) fn upright_table(scores: &[PhotoScore]) -> String {
    let mut by_source: BTreeMap<&str, Vec<(f64, f64)>> = BTreeMap::new();
    for c in scores.iter().filter_map(|s| s.camera.as_ref()) {
        let errors = by_source.entry(&c.upright_from).or_default();
        errors.push((c.upright_deg.abs(), c.upright_deg.abs() / c.upright_sd_deg));
    }
    let mut out = format!(
        "{:<12} {:>6} {:>8} {:>8} {:>9} {:>7} {:>8} {:>8}\n",
        "upright from", "photos", "median °", "90 % °", "rms in sd", "< 1 sd", "< 2 sd", "worst sd"
    );
    for (source, errors) in by_source {
        let n = errors.len() as f64;
        let (deg, sds): (Vec<f64>, Vec<f64>) = errors.iter().copied().unzip();
        let within = |k: f64| sds.iter().filter(|s| **s < k).count() as f64 / n;
        let rms = (sds.iter().map(|s| s * s).sum::<f64>() / n).sqrt();
        out += &format!(
            "{source:<12} {n:>6} {:>8.3} {:>8.3} {rms:>9.2} {:>7.2} {:>8.2} {:>8.2}\n",
            quantile(&deg, 0.5).unwrap_or_default(),
            quantile(&deg, 0.9).unwrap_or_default(),
            within(1.0),
            within(2.0),
            quantile(&sds, 1.0).unwrap_or_default()
        );
    }
    out
}

/// The figures of some groups side by side as a table in Markdown, those left out that no group has.
pub(crate) fn markdown(
    figures: &Figures,
    groups: &[&str],
    rows: &[(&'static str, &'static str)],
) -> String {
    let line = |cells: Vec<String>| format!("| {} |\n", cells.join(" | "));
    let mut out = line(
        std::iter::once(String::new())
            .chain(groups.iter().map(|g| (*g).to_owned()))
            .collect(),
    );
    out += &line(vec!["---".to_owned(); groups.len() + 1]);
    for (name, what) in rows {
        let values: Vec<Option<f64>> = groups
            .iter()
            .map(|g| figures.get(&format!("{g}.{name}")).copied())
            .collect();
        if values.iter().any(Option::is_some) {
            let what = std::iter::once(format!("`{name}`: {what}"));
            out += &line(what.chain(values.into_iter().map(show)).collect());
        }
    }
    out
}

/// The figures of photos with known truth in Markdown.
pub(crate) fn markdown_totals(figures: &Figures) -> String {
    markdown(figures, &GROUPS, &FIGURES)
        + "\n"
        + &markdown(figures, &["negatives"], &NEGATIVE_FIGURES)
}

/// The figures of all groups side by side.
pub(crate) fn totals_table(figures: &Figures) -> String {
    let mut out = format!(
        "{:<20} {:>9} {:>9} {:>9}\n",
        "", GROUPS[0], GROUPS[1], GROUPS[2]
    );
    for (name, what) in FIGURES {
        let [a, b, c] = GROUPS.map(|g| show(figures.get(&format!("{g}.{name}")).copied()));
        out += &format!("{name:<20} {a:>9} {b:>9} {c:>9}   {what}\n");
    }
    out.push('\n');
    for (name, what) in NEGATIVE_FIGURES {
        out += &format!(
            "{:<28} {:>9}   {what}\n",
            format!("negatives.{name}"),
            show(figures.get(&format!("negatives.{name}")).copied())
        );
    }
    out
}

/// Median and largest seconds of each stage.
pub(crate) fn stage_table(scores: &[PhotoScore]) -> String {
    let mut names: Vec<&'static str> = Vec::new();
    for (name, _) in scores.iter().flat_map(|s| &s.stages) {
        if !names.contains(name) {
            names.push(name);
        }
    }
    let mut out = format!("{:<20} {:>9} {:>9}\n", "stage", "median s", "max s");
    for name in names {
        let t: Vec<f64> = scores
            .iter()
            .flat_map(|s| &s.stages)
            .filter(|(n, _)| *n == name)
            .map(|(_, t)| *t)
            .collect();
        out += &format!(
            "{name:<20} {:>9} {:>9}\n",
            show(quantile(&t, 0.5)),
            show(max(&t))
        );
    }
    out
}

/// Floors (`plain.recall >= 0.8`, one a line, `#` comments) that the figures undercut, each as a sentence.
pub(crate) fn undercut(figures: &Figures, floors: &str) -> Result<Vec<String>, String> {
    let mut out = Vec::new();
    for line in floors
        .lines()
        .map(|l| l.split('#').next().unwrap_or("").trim())
        .filter(|l| !l.is_empty())
    {
        let parts: Vec<&str> = line.split_whitespace().collect();
        let [name, op, bound] = parts[..] else {
            return Err(format!(
                "cannot read the floor `{line}`: write NAME >= NUMBER"
            ));
        };
        let bound: f64 = bound
            .parse()
            .map_err(|_| format!("cannot read the number of the floor `{line}`"))?;
        let value = figures.get(name).copied();
        let holds = match op {
            ">=" => value.is_some_and(|v| v >= bound),
            "<=" => value.is_some_and(|v| v <= bound),
            _ => {
                return Err(format!(
                    "cannot read the floor `{line}`: only >= and <= are known"
                ));
            }
        };
        if !holds {
            out.push(format!("{line}: is {}", show(value)));
        }
    }
    Ok(out)
}
