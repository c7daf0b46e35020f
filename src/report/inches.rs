//! Texts for people in inches: every length in millimetres of a finished text, in its place.

use crate::geometry::MM_PER_INCH;
use crate::math::rounded;

/// Lengths are given to a tenth of an inch, below one inch to a hundredth.
const FEW: (f64, i32, i32) = (1.0, 2, 1);

/// A text with its millimetres in inches: "61 mm" becomes "2.4 in", "(± 11, ± 9)" with lengths becomes "(± 0.43, ± 0.35)", and
/// so do the numbers before "and", "by" or "to" of a length. Anything else stays.
#[must_use]
pub fn in_inches(text: &str) -> String {
    let mut tokens = split(text);
    for at in 0..tokens.len() {
        // "61", " ", "mm"
        if core(&tokens[at]) == "mm" && at >= 2 && is_space(&tokens[at - 1]) {
            if convert(&mut tokens, at - 2) {
                tokens[at] = tokens[at].replace("mm", "in");
                convert_before(&mut tokens, at - 2);
            }
        } else if core(&tokens[at]) == "\u{b1}" {
            // "(±", " ", "11,", " ", "±": the uncertainty of an offset; others stand with their unit
            let sign = |token: Option<&String>| token.is_some_and(|t| core(t) == "\u{b1}");
            let second = at >= 4 && sign(tokens.get(at - 4));
            if second || sign(tokens.get(at + 4)) {
                convert(&mut tokens, at + 2);
            }
        }
    }
    tokens.concat()
}

/// Numbers that share the unit: "12 and 14 mm", "64 by 51 mm", "20 to 100 mm".
fn convert_before(tokens: &mut [String], mut at: usize) {
    while at >= 4
        && matches!(core(&tokens[at - 2]), "and" | "by" | "to")
        && core(&tokens[at - 4]).parse::<f64>().is_ok()
    {
        at -= 4;
        if !convert(tokens, at) {
            return;
        }
    }
}

/// Converts the number in a token; false if there is none.
fn convert(tokens: &mut [String], at: usize) -> bool {
    let Some(token) = tokens.get_mut(at) else {
        return false;
    };
    let number = core(token).to_owned();
    let Ok(mm) = number.parse::<f64>() else {
        return false;
    };
    let inches = mm / MM_PER_INCH;
    let (limit, small, large) = FEW;
    let digits = if inches.abs() < limit { small } else { large };
    *token = token.replacen(&number, &format!("{}", rounded(inches, digits)), 1);
    true
}

/// Words and the space between them, alternating.
fn split(text: &str) -> Vec<String> {
    let mut tokens: Vec<String> = Vec::new();
    for character in text.chars() {
        match tokens.last_mut() {
            Some(last) if is_space(last) == character.is_whitespace() => last.push(character),
            _ => tokens.push(character.to_string()),
        }
    }
    tokens
}

fn is_space(token: &str) -> bool {
    token.chars().all(char::is_whitespace)
}

/// A word without brackets and stops round it.
fn core(token: &str) -> &str {
    token
        .trim_start_matches(['(', '+'])
        .trim_end_matches([')', ',', ';', '.', ':'])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_become_inches_and_nothing_else() {
        for (mm, inches) in [
            (
                "On average the bare shafts hit 61 mm right of and 18 mm below the fletched ones at 30 m (\u{b1} 11, \u{b1} 9).",
                "On average the bare shafts hit 2.4 in right of and 0.71 in below the fletched ones at 30 m (\u{b1} 0.43, \u{b1} 0.35).",
            ),
            (
                "fletched 12 and 14 mm, bare 64 by 51 mm; from 20 to 100 mm.",
                "fletched 0.47 and 0.55 in, bare 2.5 by 2 in; from 0.79 to 3.9 in.",
            ),
            ("within 50\n  mm (84 %)", "within 2\n  in (84 %)"),
            (
                "3 fletched and 3 bare shots in 1 end",
                "3 fletched and 3 bare shots in 1 end",
            ),
            (
                "seen from 2.5 m (\u{b1} 0.8 degrees)",
                "seen from 2.5 m (\u{b1} 0.8 degrees)",
            ),
            ("weak and mm", "weak and mm"),
        ] {
            assert_eq!(in_inches(mm), inches);
        }
    }
}
