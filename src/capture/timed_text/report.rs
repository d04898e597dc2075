//! Gathers the faults and oddities of one file, with their places.

use crate::problem::Problem;
use std::collections::BTreeSet;

/// How many problems of a file are given one by one; the rest is given as a number.
///
/// A file in the wrong shape has a fault on every line, and a screenful says as much as all.
pub const MAX_PROBLEMS: usize = 20;

/// Characters of a line kept as the excerpt of a problem; [`Problem`] shows fewer still.
const EXCERPT_CHARS: usize = 160;

/// The first problems by place, and the number of all.
#[derive(Debug, Default)]
struct Tally {
    kept: Vec<Problem>,
    all: usize,
}

impl Tally {
    fn push(&mut self, problem: Problem) {
        self.all += 1;
        self.kept.push(problem);
        // Trimmed now and then, so that a huge file full of faults cannot fill the memory.
        if self.kept.len() >= 4 * MAX_PROBLEMS {
            self.trim();
        }
    }

    fn trim(&mut self) {
        self.kept.sort_by_key(|p| (p.line, p.column));
        self.kept.truncate(MAX_PROBLEMS);
    }

    fn finish(mut self, file: &str) -> Vec<Problem> {
        self.trim();
        let rest = self.all - self.kept.len();
        if rest > 0 {
            let noun = if rest == 1 { "problem" } else { "problems" };
            self.kept.push(Problem::in_file(file, format!("{rest} more {noun}, not shown")));
        }
        self.kept
    }
}

/// The faults (errors) and oddities (warnings) of one file.
#[derive(Debug)]
pub(super) struct Report<'a> {
    file: &'a str,
    lines: &'a [&'a str],
    errors: Tally,
    warnings: Tally,
    /// Lines that have their error: a second one on the same line is mostly an echo of the first.
    faulty: BTreeSet<usize>,
}

impl<'a> Report<'a> {
    /// A report on `file`, which has these lines.
    pub(super) fn new(file: &'a str, lines: &'a [&'a str]) -> Self {
        Report {
            file,
            lines,
            errors: Tally::default(),
            warnings: Tally::default(),
            faulty: BTreeSet::new(),
        }
    }

    /// A problem at `line` (from 1) and `byte` of that line (from 0; `None`: the whole line).
    fn place(&self, line: usize, byte: Option<usize>, message: String) -> Problem {
        let text = line.checked_sub(1).and_then(|i| self.lines.get(i)).copied().unwrap_or("");
        let column = byte.map_or(0, |byte| {
            text.char_indices().take_while(|(start, _)| *start < byte).count() + 1
        });
        Problem::at(self.file, line, column, message)
            .excerpt(text.chars().take(EXCERPT_CHARS).collect::<String>())
    }

    /// Notes a fault; only the first on a line counts.
    pub(super) fn error(
        &mut self,
        line: usize,
        byte: Option<usize>,
        message: impl Into<String>,
        help: impl Into<String>,
    ) {
        if self.faulty.insert(line) {
            let problem = self.place(line, byte, message.into()).help(help);
            self.errors.push(problem);
        }
    }

    /// Notes a fault of the file as a whole, unless a line has one already.
    pub(super) fn error_in_file(&mut self, message: impl Into<String>, help: impl Into<String>) {
        if self.errors.all == 0 {
            self.errors.push(Problem::in_file(self.file, message).help(help));
        }
    }

    /// Notes an oddity that lost nothing.
    pub(super) fn warn(
        &mut self,
        line: usize,
        byte: Option<usize>,
        message: impl Into<String>,
        help: Option<String>,
    ) {
        let mut problem = self.place(line, byte, message.into());
        problem.help = help;
        self.warnings.push(problem);
    }

    /// Whether this line has an error.
    pub(super) fn is_faulty(&self, line: usize) -> bool {
        self.faulty.contains(&line)
    }

    /// Ends with one more fault, of the file as a whole: `(message, help)`.
    pub(super) fn refuse(mut self, (message, help): (&str, &str)) -> Vec<Problem> {
        self.errors.push(Problem::in_file(self.file, message).help(help));
        self.errors.finish(self.file)
    }

    /// The warnings of a faultless file, or the errors.
    pub(super) fn finish(self) -> Result<Vec<Problem>, Vec<Problem>> {
        if self.errors.all > 0 {
            Err(self.errors.finish(self.file))
        } else {
            Ok(self.warnings.finish(self.file))
        }
    }
}
