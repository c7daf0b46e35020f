//! Documents as text for people: 80 columns, no meaning by colour.

pub use super::lists::{faces, faces_with_sources, overview};

use super::layout::{heading, notes, paragraph, paragraph_after, printable};
use super::numbers::{capital, number, percent_in_table, several, sureness};
use super::record::{counts, standing};
use super::terms::{FaceSide, kind_name, letter, lever_name};
use super::{
    Locale, Sentence, at_side, calls, change, facts, group_size, headline, more_shots,
    next_heading, plain_means, sentence, shift, verdict,
};
use crate::advice::{Advice, Axis, Expect, ExplanationItem, Learned, Step};
use crate::math::rounded;
use crate::reading::{ArrowPlace, Group, Reading};
use crate::record::{
    ArrowKind, CameraRecord, End, Entry, EntryState, FittedTo, SettingChange, ShotCount,
    UprightSource, entries_to_check,
};
use crate::timeline::{Problem, TrendPoint};

/// An end record: what was found on the photo.
#[must_use]
pub fn end(record: &End) -> String {
    let mut out = String::new();
    let file = record
        .photo
        .as_ref()
        .map_or("end without a photo", |p| p.file.as_str());
    let face = record.face.as_ref().map_or_else(String::new, |f| {
        format!(" on {} ({} mm)", f.name, number(f.diameter_mm, 1))
    });
    paragraph(&mut out, 0, &format!("{file}: {}{face}", counts(record)));
    if let Some(failure) = &record.failure {
        paragraph(&mut out, 2, &failure.text);
        record_notes(&mut out, record);
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
    let unsure: Vec<String> = entries_to_check(record)
        .iter()
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
    record_notes(&mut out, record);
    out
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
    let number = |v: f64, decimals: u8| number(rounded(v, decimals.into()), decimals.into());
    format!(
        "seen from {} m, {} degrees from the side; {} fit to {} px; up is known from {up} (\u{b1} {} degrees)",
        number(c.distance_mm / 1000.0, 2),
        number(c.tilt_deg, 0),
        rings,
        number(c.fit_rms_px, 2),
        number(c.upright.sd_deg, 1),
    )
}

fn entry(e: &Entry) -> String {
    let kind = kind_name(e.kind);
    let state = match e.state {
        EntryState::Proposed => "proposed",
        EntryState::Confirmed => "confirmed",
    };
    // the larger of the two axes of the error ellipse, for a single figure
    let sd = e.cov_mm2.map_or_else(String::new, |c| {
        let (mean, half) = ((c[0][0] + c[1][1]) / 2.0, (c[0][0] - c[1][1]) / 2.0);
        format!("{:.1}", (mean + half.hypot(c[0][1])).max(0.0).sqrt())
    });
    let sure = e.confidence.map_or_else(String::new, percent_in_table);
    let mark = format!("{}{}", letter(e.kind), e.id);
    let arrow = match (&e.arrow, &e.arrow_proposed) {
        (Some(arrow), _) => arrow.clone(),
        (None, Some(p)) => format!("{}? ({})", p.arrow, percent_in_table(p.p)),
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
pub fn reading(r: &Reading, locale: Locale) -> String {
    let mut out = String::new();
    heading(&mut out, &verdict(r));
    paragraph(&mut out, 2, &sentence(r, locale));
    if r.offset.is_some() {
        out.push('\n');
        for (axis, call, p) in calls(r) {
            let sure = p.map_or_else(String::new, |p| format!(", {} sure", sureness(p)));
            out.push_str(&format!("  {axis:<15} {call}{sure}\n"));
        }
        out.push_str(&format!("  {:<15} {}\n", "From", super::reading::shots(r)));
        if let Some(t) = r.tolerance_mm {
            let text = format!("within {} on each axis", locale.length(t, 0));
            out.push_str(&format!("  {:<15} {text}\n", "In tune"));
        }
        if let Some(s) = &r.scatter {
            out.push_str(&format!(
                "  {:<15} fletched {} and {}, bare {} and {} (across, up)\n",
                "Scatter",
                locale.length_without_unit(s.fletched_sd_mm[0], 0),
                locale.length(s.fletched_sd_mm[1], 0),
                locale.length_without_unit(s.bare_sd_mm[0], 0),
                locale.length(s.bare_sd_mm[1], 0),
            ));
        }
    }
    if let Some(o) = &r.offset {
        let text = format!(
            "the offset to {} across and {} up (standard deviation)",
            locale.length(o.sd_x_mm, 0),
            locale.length(o.sd_y_mm, 0)
        );
        out.push_str(&format!("  {:<15} {text}\n", "Known so far"));
        if let Some(text) = plain_means(r, locale) {
            paragraph_after(&mut out, &format!("  {:<15} ", "Plain means"), &text);
        }
    }
    if let Some(g) = &r.groups {
        for (name, group) in [("Fletched group", &g.fletched), ("Bare group", &g.bare)] {
            if let Some(group) = group {
                paragraph_after(
                    &mut out,
                    &format!("  {name:<15} "),
                    &group_in_full(group, locale),
                );
            }
        }
    }
    sorted_arrows(&mut out, &r.sorted, locale);
    if let Some(m) = &r.more_shots {
        paragraph_after(&mut out, "  To decide it: ", &more_shots(m, locale));
    }
    let cautions = r.cautions.iter().map(|c| c.text(locale));
    notes(&mut out, "Mind this:", cautions);
    out
}

/// Each arrow with where it lands, the nearest to the middle of its kind first, and whether it is odd.
fn sorted_arrows(out: &mut String, sorted: &[ArrowPlace], locale: Locale) {
    for kind in [ArrowKind::Fletched, ArrowKind::Bare] {
        let mut places = sorted.iter().filter(|place| place.kind == kind).peekable();
        if places.peek().is_none() {
            continue;
        }
        let name = kind_name(kind);
        out.push_str(&format!(
            "\n  {} arrows, the nearest to their middle first\n",
            capital(name)
        ));
        for place in places {
            let at = [Axis::Horizontal, Axis::Vertical]
                .into_iter()
                .zip(place.offset_mm);
            let at: Vec<String> = at
                .map(|(axis, mm)| {
                    format!(
                        "{} {}",
                        locale.length(mm.abs(), 0),
                        FaceSide::of(axis, mm).name()
                    )
                })
                .collect();
            out.push_str(&format!(
                "    {:<6} {}, give or take {}{}\n",
                printable(&place.arrow),
                at.join(" and "),
                locale.length(place.sd_mm, 0),
                oddness(place.p_odd),
            ));
        }
    }
}

/// What is said of an arrow by the probability that it is odd.
fn oddness(p_odd: f64) -> String {
    if p_odd > 0.5 {
        format!(": odd, {} sure", sureness(p_odd))
    } else if p_odd > 0.2 {
        ": perhaps odd, another end will show".to_owned()
    } else {
        String::new()
    }
}

/// "84 mm between the farthest two (usual for such scatter: 97 mm, give or take 30 mm), mean radius 42 mm, …".
fn group_in_full(g: &Group, locale: Locale) -> String {
    let mm = |value: f64| locale.length(value, 0);
    format!(
        "{} between the farthest two (usual for such scatter: {}, give or take {}), mean radius {}, give or take {}; all \
         shots as they lie",
        mm(g.extreme_spread_mm),
        mm(g.extreme_spread_expected_mm),
        mm(g.extreme_spread_expected_sd_mm),
        mm(g.mean_radius_mm),
        mm(g.mean_radius_error_mm),
    )
}

/// An advice: where the bow stands, what to do next, what else could be done, what was learned.
#[must_use]
pub fn advice(a: &Advice, locale: Locale) -> String {
    let mut out = String::new();
    // cautions of the reading stand with the step, once
    let mut bare_reading = a.reading.clone();
    bare_reading.cautions.clear();
    // the step says itself whether and why to shoot more; a change makes a new count of it
    if a.next.is_some() {
        bare_reading.more_shots = None;
    }
    out.push_str(&reading(&bare_reading, locale));
    let of_reading = a.reading.failure.as_ref().map(|f| f.text(locale));
    let failure = a.failure.as_ref().map(|f| f.text(locale));
    if let Some(text) = failure.filter(|text| Some(text) != of_reading.as_ref()) {
        out.push('\n');
        paragraph(&mut out, 2, &text);
    }
    if let Some(next) = &a.next {
        out.push('\n');
        heading(&mut out, &next_heading(a));
        step(&mut out, next, locale);
        for also in &a.also {
            out.push_str("  together with\n");
            step(&mut out, also, locale);
        }
    }
    let of_steps = a.next.iter().chain(&a.also).flat_map(|s| &s.cautions);
    let cautions = of_steps.chain(&a.cautions).map(|c| c.text(locale));
    let of_reading = a.reading.cautions.iter().map(|c| c.text(locale));
    notes(&mut out, "Mind this:", cautions.chain(of_reading));
    if !a.others.is_empty() {
        out.push('\n');
        heading(&mut out, "Other ways, instead of it");
        for (i, other) in (1_u32..).zip(&a.others) {
            paragraph_after(&mut out, &format!("  {i}. "), &headline(other, locale));
            for (name, text) in facts(other, locale) {
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
            out.push_str(&learned(row, locale));
        }
    }
    out
}

fn step(out: &mut String, s: &Step, locale: Locale) {
    paragraph(out, 2, &headline(s, locale));
    for (name, text) in facts(s, locale) {
        paragraph_after(out, &format!("    {name}: "), &text);
    }
}

fn learned(row: &Learned, locale: Locale) -> String {
    let from = match row.from_changes {
        0 => "rules of thumb alone".to_owned(),
        1 => "1 change".to_owned(),
        n => format!("{n} changes"),
    };
    let unit = match row.unit.as_str() {
        "mm" => locale.length(1.0, 0),
        unit => format!("1 {unit}"),
    };
    let name = format!("{}, {unit}", lever_name(row.change));
    let [mm, sd, before] = [row.mm_per_unit, row.sd, row.prior_mm_per_unit].map(|v| rounded(v, 1));
    format!(
        "  {name:<22} {:>7} {} \u{b1} {:<6} (before: {})  {from}\n",
        locale.length_without_unit(mm, 1),
        locale.unit(),
        locale.length_without_unit(sd, 1),
        locale.length(before, 1),
    )
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
        let tail = match &record.failure {
            Some(f) => format!("could not be measured: {}", f.text),
            None => standing(record),
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
        let files = several(problems.len(), "file");
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
            ShotCount::of(e).is_some_and(|count| !count.agrees()) || !entries_to_check(e).is_empty()
        })
        .map(|(file, _)| *file)
        .collect();
    let mut text = format!(
        "{} in {} that nobody has looked at yet",
        several(entries, "entry").replace("entrys", "entries"),
        several(waiting.len(), "end"),
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
pub fn history(label: &str, points: &[TrendPoint], locale: Locale) -> String {
    let mut out = String::new();
    heading(&mut out, label);
    let mut setup = 0;
    for p in points {
        if p.number != setup {
            setup = p.number;
            out.push('\n');
            let changes: Vec<String> = p.changes.iter().map(|c| change(c, locale)).collect();
            let changed = if changes.is_empty() {
                String::new()
            } else {
                format!(": {}", changes.join("; "))
            };
            paragraph(&mut out, 0, &format!("Set-up {setup}{changed}"));
        }
        let r = &p.reading;
        let day = locale.date(p.day.as_deref().unwrap_or("no date"));
        let distance = r
            .distance_m
            .map_or_else(String::new, |d| format!(" at {} m", number(d, 1)));
        let ends = several(usize::try_from(r.ends).unwrap_or(0), "end");
        let where_to = match &r.offset {
            None => "no offset".to_owned(),
            Some(o) => format!(
                "bare {} (\u{b1} {}), {} (\u{b1} {})",
                at_side(Axis::Horizontal, o.x_mm, locale),
                locale.length_without_unit(o.sd_x_mm, 0),
                at_side(Axis::Vertical, o.y_mm, locale),
                locale.length_without_unit(o.sd_y_mm, 0),
            ),
        };
        let mut groups = String::new();
        if let Some(g) = &r.groups {
            for (name, group) in [("fletched", g.fletched), ("bare", g.bare)] {
                if let Some(group) = group {
                    groups.push_str(&format!(
                        "; {name} mean radius {}",
                        locale.length(group.mean_radius_mm, 0)
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
    locale: Locale,
) -> String {
    let mut out = String::new();
    let [a, b] = numbers;
    heading(&mut out, &format!("Set-up {b} against set-up {a}"));
    if changes.is_empty() {
        paragraph(&mut out, 2, "Nothing is known to differ between them.");
    }
    for made in changes {
        paragraph_after(&mut out, "  - ", &capital(&change(made, locale)));
    }
    for (number, reading) in numbers.iter().zip(readings) {
        out.push('\n');
        paragraph(
            &mut out,
            0,
            &format!("Set-up {number}: {}", verdict(reading)),
        );
        paragraph(&mut out, 2, &sentence(reading, locale));
        if let Some(g) = &reading.groups {
            for (name, group) in [("Fletched group", g.fletched), ("Bare group", g.bare)] {
                if let Some(group) = group {
                    paragraph_after(
                        &mut out,
                        &format!("  {name}: "),
                        &group_size(&group, locale),
                    );
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
                shift(moved, locale)
            ),
        );
    }
    out
}

/// The chain of items that led to an advice.
#[must_use]
pub fn reasons(items: &[ExplanationItem], locale: Locale) -> String {
    let mut out = "\nHow that comes about\n".to_owned();
    for thought in items {
        paragraph_after(&mut out, "  - ", &thought.text(locale));
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

fn record_notes(out: &mut String, record: &End) {
    notes(out, "Notes:", record.notes.iter().map(|n| n.text.clone()));
}
