//! A drawing: bars, lines, marks and words at places of its own, and the packing that keeps the
//! words apart. Every drawing has a table beside it that says the same.

use askama::Template;

/// Size of the words in a drawing, in its units.
pub const WORDS: f64 = 13.0;
/// Width of a letter, as a part of the size: more than the mean of the usual screen letters, so
/// that what is kept apart here is apart in any of them.
const LETTER: f64 = 0.62;
/// Size of a mark.
pub const MARK: f64 = 12.0;

/// A rectangle.
#[derive(Debug, Clone)]
pub struct Bar {
    /// Class, which gives it its tone and pattern.
    pub class: &'static str,
    /// Left edge.
    pub x: String,
    /// Upper edge.
    pub y: String,
    /// Width.
    pub w: String,
    /// Height.
    pub h: String,
    /// The phrase heard by a click.
    pub seq: Option<u64>,
    /// What it stands for.
    pub title: String,
}

/// A line through points.
#[derive(Debug, Clone)]
pub struct Stroke {
    /// Class.
    pub class: &'static str,
    /// Points, `x,y` with blanks between.
    pub points: String,
}

/// A mark: its shape says how something stands.
#[derive(Debug, Clone)]
pub struct Glyph {
    /// Shape.
    pub kind: &'static str,
    /// Left edge.
    pub x: String,
    /// Upper edge.
    pub y: String,
    /// Width and height.
    pub size: String,
    /// The phrase heard by a click.
    pub seq: Option<u64>,
    /// What it stands for.
    pub title: String,
}

/// Words.
#[derive(Debug, Clone)]
pub struct Words {
    /// Class.
    pub class: &'static str,
    /// Where the anchor stands.
    pub x: String,
    /// Base line.
    pub y: String,
    /// `start`, `middle` or `end`.
    pub anchor: &'static str,
    /// The words.
    pub text: String,
}

/// A drawing.
#[derive(Debug, Clone, Default)]
pub struct Drawing {
    /// Class.
    pub class: &'static str,
    /// Width, in its own units.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// What it shows, for those who cannot see it.
    pub label: String,
    /// Rectangles, the lowest first.
    pub bars: Vec<Bar>,
    /// Lines.
    pub lines: Vec<Stroke>,
    /// Marks.
    pub glyphs: Vec<Glyph>,
    /// Words.
    pub texts: Vec<Words>,
}

#[derive(Template)]
#[template(path = "svg.html", config = "src/report/page/askama.toml")]
struct Svg<'a> {
    d: &'a Drawing,
}

/// A number of the drawing, to a tenth.
pub fn n(x: f64) -> String {
    let text = format!("{x:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// About how wide words are.
pub fn wide(text: &str, size: f64) -> f64 {
    // Letters of a screen: no text here is long enough to overflow.
    #[allow(clippy::cast_precision_loss)]
    let letters = text.chars().count() as f64;
    letters * size * LETTER
}

/// The words, cut to a width with an ellipsis.
pub fn cut(text: &str, width: f64, size: f64) -> String {
    if wide(text, size) <= width {
        return text.to_owned();
    }
    let mut out = String::new();
    for c in text.chars() {
        if wide(&out, size) + 2.0 * size * LETTER > width {
            break;
        }
        out.push(c);
    }
    format!("{}…", out.trim_end())
}

impl Drawing {
    /// Adds a rectangle.
    pub fn bar(&mut self, class: &'static str, at: [f64; 4], seq: Option<u64>, title: String) {
        let [x, y, w, h] = at;
        self.bars.push(Bar { class, x: n(x), y: n(y), w: n(w.max(1.0)), h: n(h), seq, title });
    }

    /// Adds a line.
    pub fn line(&mut self, class: &'static str, points: &[(f64, f64)]) {
        let points: Vec<String> =
            points.iter().map(|(x, y)| format!("{},{}", n(*x), n(*y))).collect();
        self.lines.push(Stroke { class, points: points.join(" ") });
    }

    /// Adds a mark around a point.
    pub fn glyph(&mut self, kind: &'static str, at: (f64, f64), seq: Option<u64>, title: String) {
        let (x, y) = (n(at.0 - MARK / 2.0), n(at.1 - MARK / 2.0));
        self.glyphs.push(Glyph { kind, x, y, size: n(MARK), seq, title });
    }

    /// Adds words.
    pub fn text(&mut self, class: &'static str, at: (f64, f64), anchor: &'static str, text: &str) {
        let (x, y) = (n(at.0), n(at.1));
        self.texts.push(Words { class, x, y, anchor, text: text.to_owned() });
    }

    /// The drawing as SVG.
    pub fn svg(&self) -> String {
        // Writing to a string does not fail.
        Svg { d: self }.render().unwrap_or_default()
    }
}

/// Rows into which stretches are laid so that none of a row overlap.
#[derive(Debug, Default)]
pub struct Rows {
    taken: Vec<Vec<(f64, f64)>>,
}

impl Rows {
    /// The first row with room from `from` to `to`; it is taken.
    pub fn place(&mut self, from: f64, to: f64) -> usize {
        let free = |row: &Vec<(f64, f64)>| row.iter().all(|(a, b)| to <= *a || *b <= from);
        let k = self.taken.iter().position(free).unwrap_or(self.taken.len());
        if k == self.taken.len() {
            self.taken.push(Vec::new());
        }
        self.taken[k].push((from, to));
        k
    }

    /// How many rows there are; at least one.
    pub fn count(&self) -> usize {
        self.taken.len().max(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_of_one_row_never_overlap() {
        let mut rows = Rows::default();
        let list = [(0.0, 10.0), (5.0, 15.0), (10.0, 20.0), (12.0, 13.0), (-5.0, 0.0)];
        let placed: Vec<usize> = list.iter().map(|(a, b)| rows.place(*a, *b)).collect();
        assert_eq!(placed, [0, 1, 0, 2, 0]);
        for (k, row) in placed.iter().enumerate() {
            for (j, other) in placed.iter().enumerate().filter(|(j, o)| *j < k && *o == row) {
                let ((a, b), (c, d)) = (list[k], list[j]);
                assert!(b <= c || d <= a, "{k} and {j} overlap in row {other}");
            }
        }
    }

    #[test]
    fn words_that_are_cut_say_so_and_fit() {
        assert_eq!(cut("short", 200.0, WORDS), "short");
        let text = cut("a rather long name of a thing examined", 80.0, WORDS);
        assert!(text.ends_with('…') && wide(&text, WORDS) <= 80.0 + WORDS, "{text}");
    }
}
