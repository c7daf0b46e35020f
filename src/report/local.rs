//! Finished texts for readers elsewhere: dates in their order, and pages of which only the text is touched.

use jiff::civil::Date;

/// Order of a date's parts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DateOrder {
    /// 2026-05-03.
    YearFirst,
    /// 3 May 2026.
    DayFirst,
    /// May 3, 2026.
    MonthFirst,
}

/// Names of the months: a number alone would be read as a day by half of the readers.
const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// A text with its dates (`2026-05-03`, a word of their own) in another order. Anything else stays.
#[must_use]
pub fn in_dates(text: &str, order: DateOrder) -> String {
    if order == DateOrder::YearFirst {
        return text.to_owned();
    }
    let mut out = String::with_capacity(text.len());
    for word in text.split_inclusive(char::is_whitespace) {
        let core = word
            .trim()
            .trim_matches([',', '.', ':', ';', '(', ')', '\u{201c}', '\u{201d}']);
        match written(core, order) {
            Some(date) => out.push_str(&word.replacen(core, &date, 1)),
            None => out.push_str(word),
        }
    }
    out
}

fn written(word: &str, order: DateOrder) -> Option<String> {
    if word.len() != "2026-05-03".len() {
        return None;
    }
    let date: Date = word.parse().ok()?;
    let month = usize::try_from(date.month()).ok()?;
    let month = MONTHS.get(month.checked_sub(1)?)?;
    Some(match order {
        DateOrder::YearFirst => word.to_owned(),
        DateOrder::DayFirst => format!("{} {month} {}", date.day(), date.year()),
        DateOrder::MonthFirst => format!("{month} {}, {}", date.day(), date.year()),
    })
}

/// A page or drawing with each stretch of text between its tags changed; tags, attributes and styles stay.
#[must_use]
pub fn between_tags(page: &str, change: impl Fn(&str) -> String) -> String {
    let mut out = String::with_capacity(page.len());
    let mut left = page;
    let mut in_style = false;
    while let Some(open) = left.find('<') {
        let (text, rest) = left.split_at(open);
        if in_style || text.trim().is_empty() {
            out.push_str(text);
        } else {
            out.push_str(&change(text));
        }
        let end = rest.find('>').map_or(rest.len(), |i| i + 1);
        let (tag, after) = rest.split_at(end);
        in_style = tag.starts_with("<style");
        out.push_str(tag);
        left = after;
    }
    out.push_str(left);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_turned_and_look_alikes_are_not() {
        let text = "Report, 2026-05-03 to 2026-12-24: see IMG_2026-05-03.jpg (2026-13-01).";
        assert_eq!(
            in_dates(text, DateOrder::DayFirst),
            "Report, 3 May 2026 to 24 December 2026: see IMG_2026-05-03.jpg (2026-13-01)."
        );
        assert!(
            in_dates(text, DateOrder::MonthFirst).contains("May 3, 2026 to December 24, 2026:")
        );
        assert_eq!(in_dates(text, DateOrder::YearFirst), text);
    }

    #[test]
    fn only_text_between_tags_is_changed() {
        let page = "<style>a 1 mm</style><p title=\"1 mm\">1 mm <b>2 mm</b></p>\n";
        assert_eq!(
            between_tags(page, |t| t.replace("mm", "in")),
            "<style>a 1 mm</style><p title=\"1 mm\">1 in <b>2 in</b></p>\n"
        );
    }
}
