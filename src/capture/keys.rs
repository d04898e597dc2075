//! Phrases typed at the bedside: a line under the fingers, timed from its first key.

use super::phrase::{Phrase, Source};

/// One press, as far as a line of words is concerned.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Press {
    /// A character.
    Char(char),
    /// Takes back the last character.
    Backspace,
    /// Takes back the last word.
    BackWord,
    /// Takes back the whole line.
    Clear,
    /// Logs the line.
    Enter,
}

/// The line being typed.
///
/// ```
/// use cotside::capture::keys::{Line, Press};
///
/// let mut line = Line::default();
/// assert_eq!(line.press(Press::Char('h'), 4_000), None);
/// assert_eq!(line.press(Press::Char('i'), 4_200), None);
/// let phrase = line.press(Press::Enter, 5_000).unwrap();
/// assert_eq!((phrase.text.as_str(), phrase.start_ms, phrase.end_ms), ("hi", 4_000, 5_000));
/// ```
#[derive(Debug, Default, Clone)]
pub struct Line {
    text: String,
    first_key_ms: Option<u64>,
}

impl Line {
    /// What is typed so far.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// When its first key was pressed, milliseconds on the exam clock.
    pub fn first_key_ms(&self) -> Option<u64> {
        self.first_key_ms
    }

    /// Takes a press at `at_ms` on the exam clock; gives the phrase when it was logged.
    ///
    /// A line of blanks is no phrase. A line taken back whole begins anew with the next key.
    pub fn press(&mut self, press: Press, at_ms: u64) -> Option<Phrase> {
        match press {
            Press::Char(c) if c.is_control() => {}
            Press::Char(c) => {
                self.first_key_ms.get_or_insert(at_ms);
                self.text.push(c);
            }
            Press::Backspace => {
                self.text.pop();
            }
            Press::BackWord => {
                let kept = self.text.trim_end();
                let cut = kept.rfind(char::is_whitespace).map_or(0, |i| i + 1);
                self.text.truncate(cut);
            }
            Press::Clear => self.text.clear(),
            Press::Enter => {
                let line = std::mem::take(self);
                return typed(&line.text, line.first_key_ms.unwrap_or(at_ms), at_ms);
            }
        }
        if self.text.is_empty() {
            self.first_key_ms = None;
        }
        None
    }
}

/// A typed line as a phrase; nothing when it holds only blanks.
///
/// `start_ms` and `end_ms` are on the exam clock.
pub fn typed(text: &str, start_ms: u64, end_ms: u64) -> Option<Phrase> {
    let text = text.trim();
    (!text.is_empty()).then(|| Phrase {
        text: text.to_owned(),
        start_ms,
        end_ms: end_ms.max(start_ms),
        source: Source::Keys,
        line: None,
        speaker: None,
        alternatives: Vec::new(),
        words: Vec::new(),
        certainty: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn press_all(line: &mut Line, text: &str, from_ms: u64) {
        for (k, c) in text.chars().enumerate() {
            assert_eq!(line.press(Press::Char(c), from_ms + 100 * k as u64), None);
        }
    }

    #[test]
    fn a_line_taken_back_whole_is_timed_from_its_next_first_key() {
        let mut line = Line::default();
        press_all(&mut line, "ab", 1_000);
        line.press(Press::Backspace, 1_300);
        line.press(Press::Backspace, 1_400);
        assert_eq!(line.first_key_ms(), None);
        press_all(&mut line, "cd", 9_000);
        assert_eq!(line.press(Press::Enter, 9_500).unwrap().start_ms, 9_000);
    }

    #[test]
    fn a_word_is_taken_back_with_the_blanks_behind_it() {
        let mut line = Line::default();
        press_all(&mut line, "one two  ", 0);
        line.press(Press::BackWord, 2_000);
        assert_eq!(line.text(), "one ");
        line.press(Press::BackWord, 2_100);
        assert_eq!(line.text(), "");
    }

    #[test]
    fn a_blank_line_is_no_phrase() {
        let mut line = Line::default();
        press_all(&mut line, "   ", 0);
        assert_eq!(line.press(Press::Enter, 500), None);
        assert_eq!(line.press(Press::Enter, 600), None);
    }

    #[test]
    fn control_characters_never_enter_a_line() {
        let mut line = Line::default();
        line.press(Press::Char('\u{1b}'), 10);
        assert_eq!((line.text(), line.first_key_ms()), ("", None));
    }
}
