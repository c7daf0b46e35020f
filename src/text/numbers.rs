//! Numbers as people write them.

use crate::math::round_i64;

/// A number with at most this many decimals and no trailing zeros, never −0. Without decimals halves are rounded away from zero, with
/// decimals by the digits of the binary fraction (0.125 to 0.12, since halves go to the even digit). "?" for what is no number.
pub(crate) fn number(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "?".to_owned();
    }
    if decimals == 0 {
        return format!("{}", value.round() + 0.0);
    }
    let text = format!("{value:.decimals$}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0" } else { text }.to_owned()
}

/// A probability in whole per cent, in a sentence: "64 %".
pub(super) fn percent(probability: f64) -> String {
    format!("{:.0} %", 100.0 * probability)
}

/// A probability in whole per cent, in a table; halves are rounded up.
pub(super) fn percent_in_table(probability: f64) -> String {
    format!("{} %", number(100.0 * probability, 0))
}

/// How sure something is, never 0 or 100 %: `over` and `under` say on which side of 99 and 1 % it lies.
pub(super) fn within_certainty(
    probability: f64,
    [over, under]: [&str; 2],
    percent: impl Fn(f64) -> String,
) -> String {
    let value = 100.0 * probability;
    if value > 99.0 {
        format!("{over} 99 %")
    } else if value < 1.0 {
        format!("{under} 1 %")
    } else {
        percent(probability)
    }
}

/// A probability in a sentence, never 0 or 100 %: "64 %", "over 99 %".
pub(super) fn chance(probability: f64) -> String {
    within_certainty(probability, ["over", "under"], percent)
}

/// How sure something is, in a list or a table: "97 %", "more than 99 %".
pub(crate) fn sureness(probability: f64) -> String {
    within_certainty(probability, ["more than", "less than"], percent_in_table)
}

/// Small counts as words.
pub(super) fn count(n: i64) -> String {
    const WORDS: [&str; 13] = [
        "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
        "eleven", "twelve",
    ];
    usize::try_from(n)
        .ok()
        .and_then(|i| WORDS.get(i))
        .map_or_else(|| n.to_string(), |word| (*word).to_owned())
}

/// "1 end", "2 ends".
pub(crate) fn several(n: usize, one: &str) -> String {
    let s = if n == 1 { "" } else { "s" };
    format!("{n} {one}{s}")
}

/// A number of ends, rounded, in words.
pub(super) fn ends(n: f64) -> String {
    let n = round_i64(n).max(1);
    format!("{} {}", count(n), if n == 1 { "end" } else { "ends" })
}

/// Quarter turns as turns: "half a turn", "one and a quarter turns".
pub(super) fn turns(quarters: i64) -> String {
    let (whole, rest) = (quarters.abs() / 4, quarters.abs() % 4);
    let part = ["", "a quarter", "a half", "three quarters"][usize::try_from(rest).unwrap_or(0)];
    match (whole, rest) {
        (0, 1) => "a quarter turn".to_owned(),
        (0, 2) => "half a turn".to_owned(),
        (0, _) => format!("{part} of a turn"),
        (1, 0) => "one turn".to_owned(),
        (n, 0) => format!("{} turns", count(n)),
        (n, _) => format!("{} and {part} turns", count(n)),
    }
}

/// With a capital first letter.
pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| {
        c.to_uppercase().collect::<String>() + chars.as_str()
    })
}

/// "probably fine (60 %), maybe weak (39 %)".
pub(super) fn maybe(parts: [(Option<f64>, &str); 3]) -> String {
    let mut known: Vec<(f64, &str)> = parts
        .into_iter()
        .filter_map(|(p, name)| Some((p?, name)))
        .collect();
    known.sort_by(|a, b| b.0.total_cmp(&a.0));
    let percent = |p: f64| format!("{} %", number((100.0 * p).min(99.0), 0));
    match known.as_slice() {
        [(p, first), (q, second), ..] if *p < 0.5 => format!(
            "{first} ({}) or {second} ({}), more shots will show",
            percent(*p),
            percent(*q)
        ),
        [(p, first), (q, second), ..] if *q >= 0.05 => format!(
            "probably {first} ({}), maybe {second} ({})",
            percent(*p),
            percent(*q)
        ),
        [(p, first), ..] => format!("probably {first} ({})", percent(*p)),
        [] => "not decided".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_and_counts() {
        assert_eq!(
            (number(-0.001, 1), number(2.50, 2), number(100.0, 0)),
            ("0".into(), "2.5".into(), "100".into())
        );
        assert_eq!(
            (count(12), count(13), several(1, "end")),
            ("twelve".into(), "13".into(), "1 end".into())
        );
    }

    /// Nothing is as sure as 0 or 100 %.
    #[test]
    fn probabilities_are_never_certain() {
        for (p, text) in [
            (0.64, "64 %"),
            (0.999, "more than 99 %"),
            (0.0, "less than 1 %"),
        ] {
            assert_eq!(sureness(p), text);
        }
    }

    #[test]
    fn turns_in_words() {
        let words: Vec<String> = [1, 2, 3, 4, 5, -6, 7, 8, 54].map(turns).to_vec();
        assert_eq!(
            words,
            [
                "a quarter turn",
                "half a turn",
                "three quarters of a turn",
                "one turn",
                "one and a quarter turns",
                "one and a half turns",
                "one and three quarters turns",
                "two turns",
                "13 and a half turns"
            ]
        );
    }
}
