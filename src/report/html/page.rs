//! A page in the making.

use crate::report::escape;
use crate::text::Locale;

pub(super) struct Page {
    out: String,
    /// How its lengths and dates are written.
    pub(super) locale: Locale,
}

impl Page {
    pub(super) const fn new(locale: Locale) -> Self {
        Self {
            out: String::new(),
            locale,
        }
    }

    /// Markup of our own.
    pub(super) fn raw(&mut self, markup: &str) {
        self.out.push_str(markup);
    }

    /// Text from anywhere.
    pub(super) fn text(&mut self, text: &str) {
        self.out.push_str(&escape(text));
    }

    /// A sentence for those who read the report: without commands to type.
    pub(super) fn prose(&mut self, text: &str) {
        self.text(&without_commands(text));
    }

    /// An element of this class (may be empty) that holds text.
    pub(super) fn el(&mut self, tag: &str, class: &str, text: &str) {
        self.open(tag, class);
        self.prose(text);
        self.close(tag);
    }

    pub(super) fn open(&mut self, tag: &str, class: &str) {
        self.raw("<");
        self.raw(tag);
        if !class.is_empty() {
            self.raw(" class=\"");
            self.raw(class);
            self.raw("\"");
        }
        self.raw(">");
    }

    pub(super) fn close(&mut self, tag: &str) {
        self.raw("</");
        self.raw(tag);
        self.raw(">\n");
    }

    /// Names and what there is to say about each.
    pub(super) fn facts(&mut self, facts: &[(String, String)]) {
        if facts.is_empty() {
            return;
        }
        self.raw("<dl class=\"facts\">\n");
        for (name, text) in facts {
            self.raw("<div>");
            self.el("dt", "", name);
            self.el("dd", "", text);
            self.raw("</div>\n");
        }
        self.raw("</dl>\n");
    }

    /// A list of cautions, each text once; nothing where there are none.
    pub(super) fn cautions(&mut self, heading: &str, texts: &[String]) {
        if texts.is_empty() {
            return;
        }
        self.raw("<div class=\"cautions\">");
        self.el("p", "label", heading);
        self.raw("<ul>");
        for (place, text) in texts.iter().enumerate() {
            if !texts[..place].contains(text) {
                self.el("li", "", text);
            }
        }
        self.raw("</ul></div>\n");
    }

    pub(super) fn finish(self) -> String {
        self.out
    }
}

/// A sentence without the commands that a terminal would take: " with `bossmark confirm`" goes, "`bossmark advise`" becomes "the
/// program", " (or --distance)" goes.
fn without_commands(text: &str) -> String {
    let parts: Vec<&str> = text.split('`').collect();
    let mut out = String::new();
    // an odd number of ticks marks nothing
    if parts.len().is_multiple_of(2) {
        out.push_str(text);
    } else {
        for (i, part) in parts.iter().enumerate() {
            if i.is_multiple_of(2) || !part.starts_with("bossmark") {
                out.push_str(part);
            } else if out.ends_with(" with ") {
                out.truncate(out.len() - " with ".len());
            } else {
                out.push_str("the program");
            }
        }
    }
    while let Some(at) = out.find(" (or --") {
        let Some(end) = out[at..].find(')') else {
            break;
        };
        out.replace_range(at..=at + end, "");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn commands_leave_whole_sentences() {
        for (said, read) in [
            (
                "Check the marks with `bossmark confirm` before cutting.",
                "Check the marks before cutting.",
            ),
            ("`bossmark advise` joins them.", "the program joins them."),
            (
                "Add distance_m to the session (or --distance).",
                "Add distance_m to the session.",
            ),
            ("one ` tick", "one ` tick"),
        ] {
            assert_eq!(without_commands(said), read);
        }
    }
}
