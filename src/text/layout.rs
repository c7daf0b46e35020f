//! Lines of text in 80 columns.

/// Columns of the text.
const WIDTH: usize = 80;

/// A line of its own.
pub(super) fn heading(out: &mut String, text: &str) {
    paragraph(out, 0, text);
}

/// A list of texts, each once.
pub(super) fn notes(out: &mut String, heading: &str, notes: impl Iterator<Item = String>) {
    let mut said: Vec<String> = Vec::new();
    for text in notes {
        if said.contains(&text) {
            continue;
        }
        if said.is_empty() {
            out.push_str(&format!("\n  {heading}\n"));
        }
        paragraph_after(out, "  - ", &text);
        said.push(text);
    }
}

/// Text in lines of at most [`WIDTH`] columns, each indented.
pub(super) fn paragraph(out: &mut String, indent: usize, text: &str) {
    paragraph_after(out, &" ".repeat(indent), text);
}

/// The same behind a lead; further lines are indented as far as the lead (within reason).
pub(super) fn paragraph_after(out: &mut String, lead: &str, text: &str) {
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
pub(super) fn printable(text: &str) -> String {
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
