//! Documents as text for people: 80 columns, no meaning by colour.

use super::marked::{is_unsure, letter};
use super::{steps, words};
use crate::advice::{Advice, Expect, Learned, Step};
use crate::evening::{Problem, TrendPoint};
use crate::face::spec::FaceSpec;
use crate::reading::{self, Group, Reading};
use crate::record::{
    CameraRecord, End, Entry, EntryKind, EntryState, FittedTo, Note, SettingChange, UprightSource,
};

/// Columns of the text.
const WIDTH: usize = 80;

/// An end record: what was found on the photo.
#[must_use]
pub fn end(record: &End) -> String {
    let mut out = String::new();
    let file = record
        .photo
        .as_ref()
        .map_or("end without a photo", |p| p.file.as_str());
    let face = record.face.as_ref().map_or_else(String::new, |f| {
        format!(" on {} ({} mm)", f.name, words::number(f.diameter_mm, 1))
    });
    paragraph(
        &mut out,
        0,
        &format!("{file}: {}{face}", words::counts(record)),
    );
    if let Some(failure) = &record.failure {
        paragraph(&mut out, 2, &failure.text);
        notes(&mut out, "Notes:", &record.notes.iter().collect::<Vec<_>>());
        return out;
    }
    if let Some(c) = &record.camera {
        paragraph(&mut out, 2, &camera(c));
    }
    if !record.entries.is_empty() {
        out.push_str("\n  mark  kind       right mm     up mm   +/- mm     sure  state");
        let arrows = |e: &Entry| e.arrow.is_some() || e.arrow_proposed.is_some();
        let arrows = record.entries.iter().any(arrows);
        out.push_str(if arrows { "      arrow\n" } else { "\n" });
    }
    for e in &record.entries {
        out.push_str(&entry(e));
    }
    let unsure: Vec<String> = record
        .entries
        .iter()
        .filter(|e| is_unsure(e) || is_open_kind(e))
        .map(|e| format!("{}{}", letter(e.kind), e.id))
        .collect();
    if !unsure.is_empty() {
        out.push('\n');
        paragraph(
            &mut out,
            2,
            &format!("Look at these again: {}", unsure.join(", ")),
        );
    }
    notes(&mut out, "Notes:", &record.notes.iter().collect::<Vec<_>>());
    out
}

/// True where a person has yet to say what kind of shaft it is.
fn is_open_kind(e: &Entry) -> bool {
    e.kind == EntryKind::Unknown && e.state == EntryState::Proposed
}

fn camera(c: &CameraRecord) -> String {
    let up = match c.upright.from {
        UprightSource::PaperEdge => "the paper's edge",
        UprightSource::BossEdge => "the boss's edge",
        UprightSource::Layout => "the layout of the spots",
        UprightSource::CentreMark => "the mark at the centre",
        UprightSource::Camera => "how the phone was held",
        UprightSource::Person => "a person",
        UprightSource::Fused => "several signs that agree",
    };
    let rings = match c.fitted_to {
        None => "rings",
        Some(FittedTo::Points) => "points marked by a person",
    };
    format!(
        "seen from {} m, {} degrees from the side; {} fit to {} px; up is known from {up} (\u{b1} {} degrees)",
        words::number(c.distance_mm / 1000.0, 2),
        words::number(c.tilt_deg, 0),
        rings,
        words::number(c.fit_rms_px, 2),
        words::number(c.upright.sd_deg, 1),
    )
}

fn entry(e: &Entry) -> String {
    let kind = match e.kind {
        EntryKind::Fletched => "fletched",
        EntryKind::Bare => "bare",
        EntryKind::Unknown => "not known",
    };
    let state = match e.state {
        EntryState::Proposed => "proposed",
        EntryState::Confirmed => "confirmed",
    };
    // the larger of the two axes of the error ellipse, for a single figure
    let sd = e.cov_mm2.map_or_else(String::new, |c| {
        let (mean, half) = ((c[0][0] + c[1][1]) / 2.0, (c[0][0] - c[1][1]) / 2.0);
        format!("{:.1}", (mean + half.hypot(c[0][1])).max(0.0).sqrt())
    });
    let sure = e.confidence.map_or_else(String::new, |c| {
        format!("{} %", words::number(100.0 * c, 0))
    });
    let mark = format!("{}{}", letter(e.kind), e.id);
    let arrow = match (&e.arrow, &e.arrow_proposed) {
        (Some(arrow), _) => arrow.clone(),
        (None, Some(p)) => format!("{}? ({} %)", p.arrow, words::number(100.0 * p.p, 0)),
        (None, None) => String::new(),
    };
    let line = format!(
        "  {mark:<5} {kind:<9} {:>9.1} {:>9.1} {sd:>8} {sure:>8}  {state:<10} {arrow}",
        e.x_mm + 0.0,
        e.y_mm + 0.0,
    );
    format!("{}\n", line.trim_end())
}

/// A reading: which way the bow is out, how far, how sure.
#[must_use]
pub fn reading(r: &Reading) -> String {
    let mut out = String::new();
    heading(&mut out, &words::verdict(r));
    paragraph(&mut out, 2, &reading::sentence(r));
    if r.offset.is_some() {
        out.push('\n');
        for (axis, call, p) in words::calls(r) {
            let sure = p.map_or_else(String::new, |p| format!(", {} sure", words::percent(p)));
            out.push_str(&format!("  {axis:<15} {call}{sure}\n"));
        }
        out.push_str(&format!("  {:<15} {}\n", "From", shots(r)));
        if let Some(t) = r.tolerance_mm {
            let text = format!("within {} mm on each axis", words::number(t, 0));
            out.push_str(&format!("  {:<15} {text}\n", "In tune"));
        }
        if let Some(s) = &r.scatter {
            out.push_str(&format!(
                "  {:<15} fletched {} and {} mm, bare {} and {} mm (across, up)\n",
                "Scatter",
                words::number(s.fletched_sd_mm[0], 0),
                words::number(s.fletched_sd_mm[1], 0),
                words::number(s.bare_sd_mm[0], 0),
                words::number(s.bare_sd_mm[1], 0),
            ));
        }
    }
    if let Some(o) = &r.offset {
        let text = format!(
            "the offset to {} mm across and {} mm up (standard deviation)",
            words::number(o.sd_x_mm, 0),
            words::number(o.sd_y_mm, 0)
        );
        out.push_str(&format!("  {:<15} {text}\n", "Known so far"));
        if let Some(text) = words::plain_means(r) {
            paragraph_after(&mut out, &format!("  {:<15} ", "Plain means"), &text);
        }
    }
    if let Some(g) = &r.groups {
        for (name, group) in [("Fletched group", &g.fletched), ("Bare group", &g.bare)] {
            if let Some(group) = group {
                paragraph_after(&mut out, &format!("  {name:<15} "), &group_size(group));
            }
        }
    }
    for f in &r.fliers {
        let text = format!(
            "Odd shot: entry {} of end {} ({} likely a bad one; it still counts, with little weight)",
            f.id,
            f.end,
            words::percent(f.p_flier)
        );
        paragraph(&mut out, 2, &text);
    }
    if let Some(m) = &r.more_shots {
        paragraph_after(&mut out, "  To decide it: ", &words::more_shots(m));
    }
    notes(
        &mut out,
        "Mind this:",
        &r.cautions.iter().collect::<Vec<_>>(),
    );
    out
}

/// "84 mm across (a round group of this scatter: 97 ± 30 mm), mean radius 42 ± 9 mm".
fn group_size(g: &Group) -> String {
    let mm = |value: f64| words::number(value, 0);
    format!(
        "{} mm between the farthest two (usual for such scatter: {} mm, give or take {} mm), mean radius {} mm, give or take {} mm; all \
         shots as they lie",
        mm(g.extreme_spread_mm),
        mm(g.extreme_spread_expected_mm),
        mm(g.extreme_spread_expected_sd_mm),
        mm(g.mean_radius_mm),
        mm(g.mean_radius_error_mm),
    )
}

fn shots(r: &Reading) -> String {
    let distance = r
        .distance_m
        .map_or_else(String::new, |d| format!(" at {} m", words::number(d, 1)));
    let ends = if r.ends == 1 { "end" } else { "ends" };
    format!(
        "{} fletched and {} bare shots in {} {ends}{distance}",
        r.fletched, r.bare, r.ends
    )
}

/// An advice: where the bow stands, what to do next, what else could be done, what was learned.
#[must_use]
pub fn advice(a: &Advice) -> String {
    let mut out = String::new();
    // cautions of the reading stand with the step, once
    let mut bare_reading = a.reading.clone();
    bare_reading.cautions.clear();
    // the step says itself whether and why to shoot more; a change makes a new count of it
    if a.next.is_some() {
        bare_reading.more_shots = None;
    }
    out.push_str(&reading(&bare_reading));
    if let Some(failure) = a
        .failure
        .as_ref()
        .filter(|f| a.reading.failure.as_ref() != Some(*f))
    {
        out.push('\n');
        paragraph(&mut out, 2, &failure.text);
    }
    if let Some(next) = &a.next {
        out.push('\n');
        heading(&mut out, "Do this next");
        step(&mut out, next, 2);
        for also in &a.also {
            out.push_str("  together with\n");
            step(&mut out, also, 2);
        }
    }
    let cautions: Vec<&Note> = a
        .next
        .iter()
        .chain(&a.also)
        .flat_map(|s| &s.cautions)
        .chain(&a.cautions)
        .chain(&a.reading.cautions)
        .collect();
    notes(&mut out, "Mind this:", &cautions);
    if !a.others.is_empty() {
        out.push('\n');
        heading(&mut out, "Other ways, instead of it");
        for (i, other) in (1_u32..).zip(&a.others) {
            paragraph_after(&mut out, &format!("  {i}. "), &steps::headline(other));
            for (name, text) in steps::facts(other) {
                if name == "Why" || name == "Expect" {
                    paragraph_after(&mut out, &format!("     {name}: "), &text);
                }
            }
        }
    }
    if !a.learned.is_empty() {
        out.push('\n');
        heading(&mut out, "What this bow has taught (shift at 30 m)");
        for row in &a.learned {
            out.push_str(&learned(row));
        }
    }
    out
}

fn step(out: &mut String, s: &Step, indent: usize) {
    paragraph(out, indent, &steps::headline(s));
    for (name, text) in steps::facts(s) {
        let lead = format!("{:indent$}  {name}: ", "");
        paragraph_after(out, &lead, &text);
    }
}

fn learned(row: &Learned) -> String {
    let from = match row.from_changes {
        0 => "rules of thumb alone".to_owned(),
        1 => "1 change".to_owned(),
        n => format!("{n} changes"),
    };
    let name = format!("{}, 1 {}", steps::name(row.change), row.unit);
    format!(
        "  {name:<22} {:>7} mm \u{b1} {:<6} (before: {} mm)  {from}\n",
        words::number(row.mm_per_unit, 1),
        words::number(row.sd, 1),
        words::number(row.prior_mm_per_unit, 1),
    )
}

/// The target faces that are known.
#[must_use]
pub fn faces(known: &[FaceSpec]) -> String {
    let mut out = String::new();
    for face in known {
        heading(&mut out, &face.name);
        paragraph(&mut out, 2, &face.words);
        let spots = match face.spots_mm.len() {
            0 | 1 => String::new(),
            n => format!(", {n} spots"),
        };
        let rings: Vec<String> = face
            .zones
            .iter()
            .map(|z| words::number(z.diameter_mm, 1))
            .collect();
        paragraph(
            &mut out,
            2,
            &format!("rings, mm across{spots}: {}", rings.join(" ")),
        );
        for (what, source) in &face.sources {
            paragraph_after(&mut out, &format!("  {what}: "), source);
        }
        out.push('\n');
    }
    out
}

/// What was told of the numbers, where the photo shows others.
fn told_otherwise(record: &End) -> String {
    let differs = record.notes.iter().any(|n| n.code == "count-differs");
    match (record.session.fletched, record.session.bare) {
        (Some(f), Some(b)) if differs => format!(" (told: {f} and {b}, so look again)"),
        _ => String::new(),
    }
}

/// What came of a day's photos.
#[derive(Clone, Debug, Default)]
pub struct DayInShort<'a> {
    /// Each end with its file, in order.
    pub ends: Vec<(&'a str, &'a End)>,
    /// Files that could not be used.
    pub problems: &'a [Problem],
    /// How many photos were measured now.
    pub measured: usize,
    /// How many had been done before.
    pub kept: usize,
    /// How many show a photo again that is there under another name.
    pub again: usize,
    /// The commands with which a person looks at what waits for one.
    pub confirm: Vec<String>,
}

/// A day in short: each file in a line, what was done, and what needs a person, with the command for it.
#[must_use]
pub fn day(day: &DayInShort) -> String {
    let DayInShort { ends, problems, .. } = day;
    let mut out = String::new();
    for (file, record) in ends {
        let again = |e: &&Entry| is_unsure(e) || is_open_kind(e);
        let unsure = record.entries.iter().filter(again).count();
        let tail = match (&record.failure, unsure) {
            (Some(f), _) => format!("could not be measured: {}", f.text),
            (None, n) => {
                let told = told_otherwise(record);
                let look = if n == 0 {
                    String::new()
                } else {
                    format!("; {n} to look at again")
                };
                format!("{}{told}{look}", words::counts(record))
            }
        };
        paragraph_after(&mut out, &format!("{file}: "), &tail);
    }
    for p in *problems {
        paragraph_after(&mut out, &format!("{}: ", p.file), &p.text);
    }
    let mut done = vec![format!("{} measured now", day.measured)];
    if day.kept > 0 {
        done.push(format!("{} done before", day.kept));
    }
    if day.again > 0 {
        done.push(format!("{} there twice", day.again));
    }
    if !problems.is_empty() {
        let files = words::several(problems.len(), "file");
        done.push(format!("{files} could not be used"));
    }
    out.push('\n');
    paragraph(
        &mut out,
        0,
        &format!("Photos and records: {}.", done.join(", ")),
    );
    needs_a_person(&mut out, day);
    out
}

fn needs_a_person(out: &mut String, day: &DayInShort) {
    let open = |end: &End| {
        let proposed = end.entries.iter();
        proposed.filter(|e| e.state == EntryState::Proposed).count()
    };
    let waiting: Vec<&(&str, &End)> = day.ends.iter().filter(|(_, e)| open(e) > 0).collect();
    let entries: usize = waiting.iter().map(|(_, e)| open(e)).sum();
    if entries == 0 {
        return;
    }
    out.push('\n');
    heading(out, "What needs a person");
    let first: Vec<&str> = waiting
        .iter()
        .filter(|(_, e)| {
            !told_otherwise(e).is_empty()
                || e.entries.iter().any(|e| is_unsure(e) || is_open_kind(e))
        })
        .map(|(file, _)| *file)
        .collect();
    let mut text = format!(
        "{} in {} that nobody has looked at yet",
        words::several(entries, "entry").replace("entrys", "entries"),
        words::several(waiting.len(), "end"),
    );
    if !first.is_empty() {
        text.push_str(&format!("; first of all {}", first.join(", ")));
    }
    paragraph(out, 2, &format!("{text}:"));
    for command in &day.confirm {
        out.push_str(&format!("    {}\n", printable(command)));
    }
}

/// The set-ups of a bow over the dates: what was changed, where the offset stood, how large the groups were.
#[must_use]
pub fn history(label: &str, points: &[TrendPoint]) -> String {
    let mut out = String::new();
    heading(&mut out, label);
    let mut number = 0;
    for p in points {
        if p.number != number {
            number = p.number;
            out.push('\n');
            let changes: Vec<String> = p.changes.iter().map(steps::made).collect();
            let changed = if changes.is_empty() {
                String::new()
            } else {
                format!(": {}", changes.join("; "))
            };
            paragraph(&mut out, 0, &format!("Set-up {number}{changed}"));
        }
        let r = &p.reading;
        let day = p.day.as_deref().unwrap_or("no date");
        let distance = r
            .distance_m
            .map_or_else(String::new, |d| format!(" at {} m", words::number(d, 1)));
        let ends = words::several(usize::try_from(r.ends).unwrap_or(0), "end");
        let where_to = match &r.offset {
            None => "no offset".to_owned(),
            Some(o) => format!(
                "bare {} mm {} (\u{b1} {}), {} mm {} (\u{b1} {})",
                words::number(o.x_mm.abs(), 0),
                words::side(words::Axis::Horizontal, o.x_mm),
                words::number(o.sd_x_mm, 0),
                words::number(o.y_mm.abs(), 0),
                words::side(words::Axis::Vertical, o.y_mm),
                words::number(o.sd_y_mm, 0),
            ),
        };
        let mut groups = String::new();
        if let Some(g) = &r.groups {
            for (name, group) in [("fletched", g.fletched), ("bare", g.bare)] {
                if let Some(group) = group {
                    groups.push_str(&format!(
                        "; {name} mean radius {} mm",
                        words::number(group.mean_radius_mm, 0)
                    ));
                }
            }
        }
        paragraph_after(
            &mut out,
            &format!("  {day}  "),
            &format!("{ends}{distance}: {where_to}{groups}"),
        );
    }
    out
}

/// Two set-ups side by side.
#[must_use]
pub fn compared(
    changes: &[SettingChange],
    readings: &[Reading; 2],
    moved: Option<&Expect>,
    numbers: [usize; 2],
) -> String {
    let mut out = String::new();
    let [a, b] = numbers;
    heading(&mut out, &format!("Set-up {b} against set-up {a}"));
    if changes.is_empty() {
        paragraph(&mut out, 2, "Nothing is known to differ between them.");
    }
    for change in changes {
        paragraph_after(&mut out, "  - ", &words::capital(&steps::made(change)));
    }
    for (number, reading) in numbers.iter().zip(readings) {
        out.push('\n');
        paragraph(
            &mut out,
            0,
            &format!("Set-up {number}: {}", words::verdict(reading)),
        );
        paragraph(&mut out, 2, &reading::sentence(reading));
        if let Some(g) = &reading.groups {
            for (name, group) in [("Fletched group", g.fletched), ("Bare group", g.bare)] {
                if let Some(group) = group {
                    paragraph_after(&mut out, &format!("  {name}: "), &words::group_size(&group));
                }
            }
        }
    }
    if let Some(moved) = moved {
        out.push('\n');
        paragraph(
            &mut out,
            0,
            &format!(
                "From {a} to {b} the bare shafts went {}, against the fletched ones. The number after \u{b1} is one standard \
                 deviation of the difference; less than twice that may be chance.",
                steps::shift(moved)
            ),
        );
    }
    out
}

/// A text of its own in lines, behind a lead.
#[must_use]
pub fn wrapped(lead: &str, text: &str) -> String {
    let mut out = String::new();
    paragraph_after(&mut out, "", &format!("{lead}{text}"));
    out
}

fn heading(out: &mut String, text: &str) {
    paragraph(out, 0, text);
}

fn notes(out: &mut String, heading: &str, notes: &[&Note]) {
    let mut said: Vec<&str> = Vec::new();
    for note in notes {
        if said.contains(&note.text.as_str()) {
            continue;
        }
        if said.is_empty() {
            out.push_str(&format!("\n  {heading}\n"));
        }
        paragraph_after(out, "  - ", &note.text);
        said.push(&note.text);
    }
}

/// Text in lines of at most [`WIDTH`] columns, each indented.
fn paragraph(out: &mut String, indent: usize, text: &str) {
    paragraph_after(out, &" ".repeat(indent), text);
}

/// The same behind a lead; further lines are indented as far as the lead (within reason).
fn paragraph_after(out: &mut String, lead: &str, text: &str) {
    let hang = match lead.chars().count() {
        n if n > 24 => 4,
        n => n,
    };
    let mut line = lead.to_owned();
    let mut empty = true;
    for word in printable(text).split_whitespace() {
        let room = line.chars().count() + word.chars().count() + usize::from(!empty);
        if room > WIDTH && !empty {
            out.push_str(line.trim_end());
            out.push('\n');
            line = " ".repeat(hang);
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    out.push_str(line.trim_end());
    out.push('\n');
}

/// Without control characters: a label must not steer somebody's terminal.
fn printable(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_wrapped_and_hang() {
        let mut out = String::new();
        paragraph_after(&mut out, "  - ", &"word ".repeat(40));
        for line in out.lines() {
            assert!(line.chars().count() <= WIDTH);
        }
        assert!(
            out.starts_with("  - word")
                && out
                    .lines()
                    .nth(1)
                    .is_some_and(|l| l.starts_with("    word"))
        );
    }

    #[test]
    fn escape_sequences_lose_their_force() {
        let mut out = String::new();
        paragraph(&mut out, 0, "bow\u{1b}[31m red");
        assert!(!out.contains('\u{1b}'));
    }
}
