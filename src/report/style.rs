//! The few styles of terminal output. Colour repeats what words already say, never more.
//!
//! Styles are written as escape codes always; the command line takes them out again where the
//! output is no terminal or `NO_COLOR` is set.

use anstyle::{AnsiColor, Style};

/// Headings.
pub const HEAD: Style = Style::new().bold();
/// What is beside the point.
pub const DIM: Style = Style::new().dimmed();
/// What a person must look at.
pub const ASK: Style = AnsiColor::Yellow.on_default().bold();
/// What is outside.
pub const OUT: Style = AnsiColor::Red.on_default().bold();

/// Text in a style.
pub fn paint(style: Style, text: &str) -> String {
    if text.is_empty() { String::new() } else { format!("{style}{text}{style:#}") }
}
