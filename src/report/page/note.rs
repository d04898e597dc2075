//! The note as it will read, laid out anew for the width of the page.

use crate::report::words::WIDTH;

/// A part of the note.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Block {
    /// A heading.
    Heading(String),
    /// Points of a list.
    List(Vec<String>),
    /// A paragraph.
    Text(String),
}

/// The note's lines put together again where they were broken for a terminal. Not a word changes.
pub fn blocks(note: &str) -> Vec<Block> {
    let mut out: Vec<Block> = Vec::new();
    // The last line that was taken in, where the next may go on.
    let mut before: Option<&str> = None;
    for line in note.lines() {
        if line.trim().is_empty() {
            before = None;
            continue;
        }
        let words = line.trim();
        let first = words.split_whitespace().next().map_or(0, |w| w.chars().count());
        // A line was broken only where the next word had no room.
        let broken =
            |b: &str| b.chars().count() + 1 + first > WIDTH && !b.ends_with("____________________");
        let goes_on = before.is_some_and(|b| broken(b) || line.starts_with("  "));
        before = Some(line);
        match out.last_mut() {
            _ if is_heading(words) => {
                out.push(Block::Heading(words.to_owned()));
                before = None;
            }
            Some(Block::List(points)) if words.starts_with("- ") => {
                points.push(words[2..].to_owned());
            }
            _ if words.starts_with("- ") => out.push(Block::List(vec![words[2..].to_owned()])),
            Some(Block::List(points)) if goes_on => add(points.last_mut(), words),
            Some(Block::Text(text)) if goes_on => add(Some(text), words),
            _ => out.push(Block::Text(words.to_owned())),
        }
    }
    out
}

fn add(to: Option<&mut String>, words: &str) {
    if let Some(text) = to {
        text.push(' ');
        text.push_str(words);
    }
}

/// Headings of the note are in capitals.
fn is_heading(line: &str) -> bool {
    line.chars().any(char::is_uppercase) && !line.chars().any(char::is_lowercase)
}
