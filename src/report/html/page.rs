//! A page in the making.

use crate::report::escape;
use crate::text::Locale;

pub(super) struct Page {
    out: String,
    /// How its lengths and dates are written; it names no commands.
    pub(super) locale: Locale,
}

impl Page {
    pub(super) const fn new(locale: Locale) -> Self {
        Self {
            out: String::new(),
            locale: locale.without_commands(),
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

    /// An element of this class (may be empty) that holds text.
    pub(super) fn el(&mut self, tag: &str, class: &str, text: &str) {
        self.open(tag, class);
        self.text(text);
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
