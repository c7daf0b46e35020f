//! What goes to stdout and to stderr, and the exit status.

use super::args::Output;
use super::status::{CliError, Status};
use crate::record::canonical;
use crate::store;
use serde::Serialize;
use std::io::{self, Write};
use std::path::Path;

/// Text without characters that a terminal obeys or that change the order of what is read: names of files and labels in records may
/// hold anything. Line feeds stay only in text of several lines.
#[must_use]
pub(super) fn harmless(text: &str, lines: bool) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if (lines && c == '\n') || !canonical::is_control(c) {
            out.push(c);
        } else {
            out.extend(c.escape_unicode());
        }
    }
    out
}

/// The two streams and the highest status so far.
#[derive(Debug, Default)]
pub(super) struct Terminal {
    status: Status,
    /// Whether stdout is closed. A closed pipe is not an error: its reader just needs no more.
    closed: bool,
}

impl Terminal {
    /// The highest status so far.
    #[must_use]
    pub(super) const fn status(&self) -> Status {
        self.status
    }

    /// Raises the status.
    pub(super) fn raise(&mut self, status: Status) {
        self.status = self.status.max(status);
    }

    /// Writes the answer to stdout.
    pub(super) fn answer(&mut self, bytes: &[u8]) {
        if self.closed {
            return;
        }
        let mut out = io::stdout().lock();
        match out.write_all(bytes).and_then(|()| out.flush()) {
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => self.closed = true,
            Err(error) => {
                self.closed = true;
                drop(out);
                self.error(&CliError::file(format!(
                    "stdout can't be written ({error}): write to a file with --out"
                )));
            }
        }
    }

    /// Writes text for people to stdout, ending in a line feed.
    pub(super) fn text(&mut self, text: &str) {
        let feed = if text.ends_with('\n') { "" } else { "\n" };
        self.answer(format!("{}{feed}", harmless(text, true)).as_bytes());
    }

    /// Writes a message to stderr that is not an error.
    pub(super) fn message(&mut self, text: &str) {
        // where stderr is gone nothing more can be written
        let _ = writeln!(io::stderr().lock(), "bossmark: {}", harmless(text, false));
    }

    /// Writes text for people to stderr, for an answer whose document goes to a file.
    pub(super) fn show(&mut self, text: &str) {
        let _ = writeln!(io::stderr().lock(), "{}", harmless(text.trim_end(), true));
    }

    /// Writes an error to stderr, and raises the status.
    pub(super) fn error(&mut self, error: &CliError) {
        self.message(&error.line());
        self.raise(error.status);
    }
}

/// Answers to be written to stdout or to one file.
#[derive(Debug)]
pub(super) struct Answers<'a> {
    output: &'a Output,
    lines: Vec<Vec<u8>>,
    pretty: Option<Vec<u8>>,
}

impl<'a> Answers<'a> {
    /// No answers yet.
    #[must_use]
    pub(super) const fn new(output: &'a Output) -> Self {
        Self {
            output,
            lines: Vec::new(),
            pretty: None,
        }
    }

    /// Whether documents go to stdout or a file, rather than text.
    #[must_use]
    pub(super) fn as_documents(&self) -> bool {
        self.output.json || self.output.out.is_some()
    }

    /// Gives one answer, as a document or as text, to stdout or for the file.
    ///
    /// # Errors
    /// When the document can't be written as JSON.
    pub(super) fn give(
        &mut self,
        terminal: &mut Terminal,
        document: &impl Serialize,
        text: impl FnOnce() -> String,
    ) -> Result<(), CliError> {
        let to_stdout = match &self.output.out {
            None => true,
            Some(path) => path == Path::new("-"),
        };
        if !to_stdout {
            self.lines.push(canonical::line(document)?);
            if self.pretty.is_none() {
                self.pretty = Some(canonical::pretty(document)?);
            }
            if !self.output.json {
                terminal.show(&text());
            }
        } else if self.as_documents() {
            terminal.answer(&canonical::line(document)?);
        } else {
            terminal.text(&text());
        }
        Ok(())
    }

    /// Writes the file, if one was asked for: a single document indented, several as JSON Lines.
    ///
    /// # Errors
    /// When the file can't be written, or holds records that must not be lost.
    pub(super) fn finish(self, proposals: bool) -> Result<(), CliError> {
        let Some(path) = self.output.out.as_deref().filter(|p| *p != Path::new("-")) else {
            return Ok(());
        };
        let bytes = match (self.lines.len(), self.pretty) {
            (0, _) | (_, None) => return Ok(()),
            (1, Some(pretty)) => pretty,
            _ => self.lines.concat(),
        };
        let saved = if proposals {
            store::save_proposals(path, &bytes)
        } else {
            store::save_output(path, &bytes)
        };
        saved.map_err(|e| CliError::from(e).about(path))
    }
}

#[cfg(test)]
mod tests {
    use super::harmless;

    #[test]
    fn what_a_terminal_would_obey_is_spelt_out() {
        assert_eq!(
            harmless("a\u{1b}[2J\u{9b}b\r\n", false),
            "a\\u{1b}[2J\\u{9b}b\\u{d}\\u{a}"
        );
        assert_eq!(harmless("näme\n\u{202e}gpj", true), "näme\n\\u{202e}gpj");
    }
}
