//! One shape for "this input is wrong": where, what, and what would be right.
//!
//! Every reader of user-supplied text (timed text, lexicon, journal, arguments) reports
//! [`Problem`]s; the command line prints them all and exits non-zero. A problem names the file,
//! the line and the column (both from 1), so an editor can jump there.

use std::fmt;

/// Something wrong in an input, with its place and a suggestion.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// File as the user named it; `-` for standard input.
    pub file: String,
    /// Line, counted from 1; 0 when the whole file is meant.
    pub line: usize,
    /// Column in characters, counted from 1; 0 when the whole line is meant.
    pub column: usize,
    /// What is wrong: the rule broken and the value found.
    pub message: String,
    /// What would be right, or what to do next.
    pub help: Option<String>,
    /// The line itself, when known, so it can be shown with a caret.
    pub excerpt: Option<String>,
}

impl Problem {
    /// A problem with a whole file.
    pub fn in_file(file: impl Into<String>, message: impl Into<String>) -> Self {
        Problem {
            file: file.into(),
            line: 0,
            column: 0,
            message: message.into(),
            help: None,
            excerpt: None,
        }
    }

    /// A problem at a line (and column, 0 for the whole line), both counted from 1.
    pub fn at(
        file: impl Into<String>,
        line: usize,
        column: usize,
        message: impl Into<String>,
    ) -> Self {
        Problem { line, column, ..Problem::in_file(file, message) }
    }

    /// Adds what would be right.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// Adds the offending line's text.
    #[must_use]
    pub fn excerpt(mut self, text: impl Into<String>) -> Self {
        self.excerpt = Some(text.into());
        self
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        if self.line > 0 {
            write!(f, ":{}", self.line)?;
            if self.column > 0 {
                write!(f, ":{}", self.column)?;
            }
        }
        write!(f, ": {}", self.message)?;
        if let Some(text) = &self.excerpt {
            // A terminal must never be driven by what an input file contains, and a giant line
            // must not bury the message.
            let shown: String = text
                .chars()
                .take(120)
                .map(|c| if c.is_control() { '\u{fffd}' } else { c })
                .collect();
            let gutter = self.line.to_string();
            write!(f, "\n  {gutter} | {shown}")?;
            if self.column > 0 && self.column <= 120 {
                let pad = " ".repeat(gutter.len());
                write!(f, "\n  {pad} | {}^", " ".repeat(self.column - 1))?;
            }
        }
        if let Some(help) = &self.help {
            write!(f, "\n  help: {help}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Problem {}

/// The nearest of `known` to `word`, when near enough to be worth suggesting.
///
/// Distance is Damerau-Levenshtein in characters; at most a third of the word may differ.
/// A suggestion is only ever shown, never acted on.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let limit = (word.chars().count() / 3).max(1);
    known
        .into_iter()
        .map(|k| (strsim::damerau_levenshtein(word, k), k))
        .filter(|(d, _)| *d <= limit)
        // Of two as near, the first by the alphabet, whatever order they come in.
        .min_by_key(|(d, k)| (*d, *k))
        .map(|(_, k)| k)
}
