//! A note on paper: A4, PDF/A-2b, with the font in the file, and on every sheet which exam it is,
//! how it stands, the journal's digest and how many sheets there are.

use std::io::Read;

use chrono::{DateTime, Datelike, FixedOffset, Timelike};
use krilla::Document;
use krilla::SerializeSettings;
use krilla::configure::{Archival, ConfigurationBuilder};
use krilla::geom::Point;
use krilla::metadata::Metadata;
use krilla::page::PageSettings;
use krilla::surface::Surface;
use krilla::text::{Font, TextDirection};

use super::note::Block;
use crate::lexicon::files::carried;

/// Points (1/72 inch) of A4: 210 by 297 mm (ISO 216).
const WIDTH: f32 = 595.28;
const HEIGHT: f32 = 841.89;
/// Points left free on each side.
const MARGIN: f32 = 56.0;
/// Points of the letters, and from one line to the next.
const SIZE: f32 = 9.5;
const LINE: f32 = 13.0;
/// Points of the letters at head and foot.
const SMALL: f32 = 7.5;
/// Points by which the text of a list entry stands in.
const HANG: f32 = 12.0;

/// What stands on every sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sheet {
    /// Code of the exam.
    pub code: String,
    /// How it stands: signed or not, what is open.
    pub status: String,
    /// Digest of the journal; none on a de-identified sheet.
    pub digest: Option<String>,
    /// Title of the document.
    pub title: String,
    /// When the file was made; of a de-identified one no more than the year.
    pub made: DateTime<FixedOffset>,
}

/// A font for measuring and for drawing.
struct Face {
    font: Font,
    face: ttf_parser::Face<'static>,
    per_em: f32,
}

/// A font carried in the program, unpacked once: a face for measuring borrows from it.
fn unpacked(name: &str) -> Result<&'static [u8], String> {
    use std::sync::Mutex;
    static DONE: Mutex<Vec<(String, &'static [u8])>> = Mutex::new(Vec::new());
    let mut done = DONE.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    if let Some((_, bytes)) = done.iter().find(|(n, _)| n == name) {
        return Ok(bytes);
    }
    let mut bytes = Vec::new();
    flate2::read::GzDecoder::new(carried(name))
        .read_to_end(&mut bytes)
        .map_err(|e| format!("the font {name} cannot be unpacked: {e}"))?;
    let bytes: &'static [u8] = Vec::leak(bytes);
    done.push((name.to_owned(), bytes));
    Ok(bytes)
}

impl Face {
    fn load(name: &str) -> Result<Face, String> {
        let bytes = unpacked(name)?;
        let bad = || format!("the font {name} cannot be read");
        let face = ttf_parser::Face::parse(bytes, 0).map_err(|_| bad())?;
        let font = Font::new(bytes.into(), 0).ok_or_else(bad)?;
        let per_em = f32::from(face.units_per_em());
        Ok(Face { font, face, per_em })
    }

    /// Text as the font can show it: what it has no letter for is written as its number, so that
    /// nothing is left out unseen.
    fn shown(&self, text: &str) -> String {
        let mut out = String::with_capacity(text.len());
        for c in text.chars() {
            if c.is_whitespace() {
                out.push(' ');
            } else if self.face.glyph_index(c).is_some() {
                out.push(c);
            } else {
                out.push_str(&format!("[U+{:04X}]", c as u32));
            }
        }
        out
    }

    /// Points that a text of shown letters takes, at most: kerning only ever brings letters closer
    /// here, or moves them by less than the right margin holds.
    fn width(&self, text: &str, size: f32) -> f32 {
        let units: u32 = text
            .chars()
            .filter_map(|c| self.face.glyph_index(c))
            .map(|g| u32::from(self.face.glyph_hor_advance(g).unwrap_or(0)))
            .sum();
        #[allow(clippy::cast_precision_loss)] // a line is some thousand units
        let units = units as f32;
        units * size / self.per_em
    }

    /// Lines no wider than `room`; a word wider than that is cut.
    fn lines(&self, text: &str, size: f32, room: f32) -> Vec<String> {
        let mut out: Vec<String> = Vec::new();
        let mut line = String::new();
        for word in self.shown(text).split_whitespace() {
            for piece in self.pieces(word, size, room) {
                let longer = match line.is_empty() {
                    true => piece.clone(),
                    false => format!("{line} {piece}"),
                };
                if self.width(&longer, size) <= room {
                    line = longer;
                } else {
                    out.push(std::mem::replace(&mut line, piece));
                }
            }
        }
        if !line.is_empty() {
            out.push(line);
        }
        out
    }

    fn pieces(&self, word: &str, size: f32, room: f32) -> Vec<String> {
        let mut out = vec![String::new()];
        for c in word.chars() {
            let longer = out.last().map_or(String::new(), |l| format!("{l}{c}"));
            match out.last_mut() {
                Some(last) if self.width(&longer, size) <= room => *last = longer,
                _ => out.push(c.to_string()),
            }
        }
        out.retain(|p| !p.is_empty());
        out
    }
}

/// A line with its place on a sheet.
struct Placed {
    x: f32,
    y: f32,
    bold: bool,
    size: f32,
    text: String,
}

/// Lays the blocks out on sheets.
fn lay_out(blocks: &[Block], plain: &Face, bold: &Face) -> Vec<Vec<Placed>> {
    let (top, bottom) = (MARGIN + 2.0 * LINE, HEIGHT - MARGIN - LINE);
    let room = WIDTH - 2.0 * MARGIN;
    let mut sheets: Vec<Vec<Placed>> = vec![Vec::new()];
    let mut y = top;
    for (k, b) in blocks.iter().enumerate() {
        let (face, is_bold, size, indent, text) = match b {
            Block::Title(t) => (bold, true, SIZE + 1.0, 0.0, t),
            // The first paragraph is the name of the document.
            Block::Para(t) if k == 0 => (bold, true, SIZE + 3.0, 0.0, t),
            Block::Para(t) | Block::Sign(t) => (plain, false, SIZE, 0.0, t),
            Block::Point(t) => (plain, false, SIZE, HANG, t),
        };
        let lines = face.lines(text, size, room - indent);
        y += match b {
            Block::Title(_) => LINE * 0.7,
            Block::Sign(_) => LINE * 2.0,
            _ if k == 0 => 0.0,
            _ => 2.0,
        };
        // A title stands on the sheet of what it is the title of.
        let needed = match b {
            Block::Title(_) => LINE * 3.0,
            _ => LINE,
        };
        for (n, line) in lines.into_iter().enumerate() {
            if y + if n == 0 { needed } else { LINE } > bottom {
                sheets.push(Vec::new());
                y = top;
            }
            let Some(sheet) = sheets.last_mut() else { continue };
            y += LINE;
            if n == 0 && indent > 0.0 {
                sheet.push(Placed { x: MARGIN, y, bold: false, size, text: "•".into() });
            }
            sheet.push(Placed { x: MARGIN + indent, y, bold: is_bold, size, text: line });
        }
        if k == 0 {
            y += 4.0;
        }
    }
    sheets
}

/// The file.
///
/// # Errors
/// In words, should the fonts or the writer fail, which only a broken build can bring about.
pub fn file(blocks: &[Block], on_every: &Sheet) -> Result<Vec<u8>, String> {
    let plain = Face::load("fonts/DejaVuSans.ttf.gz")?;
    let bold = Face::load("fonts/DejaVuSans-Bold.ttf.gz")?;
    let sheets = lay_out(blocks, &plain, &bold);
    let how = ConfigurationBuilder::new()
        .with_archival_validator(Archival::A2_B)
        .finish()
        .map_err(|e| format!("PDF/A cannot be kept to: {e:?}"))?;
    let mut doc = Document::new_with(SerializeSettings {
        configuration: how,
        ..SerializeSettings::default()
    });
    let about = Metadata::new()
        .title(format!("{} {}", on_every.title, on_every.code))
        .language("en".into())
        .creator(format!("cotside {}", env!("CARGO_PKG_VERSION")))
        .document_id(on_every.code.clone())
        .creation_date(date(&on_every.made));
    doc.set_metadata(about);
    let size = PageSettings::from_wh(WIDTH, HEIGHT).ok_or("A4 is no size for a page")?;
    let count = sheets.len();
    for (n, lines) in sheets.iter().enumerate() {
        let mut page = doc.start_page_with(size.clone());
        let mut on = page.surface();
        edges(&mut on, on_every, n + 1, count, &plain, &bold);
        for l in lines {
            let face = if l.bold { &bold } else { &plain };
            draw(&mut on, face, l.x, l.y, l.size, &l.text);
        }
        on.finish();
        page.finish();
    }
    doc.finish().map_err(|e| format!("the PDF cannot be written: {e:?}"))
}

fn draw(on: &mut Surface<'_>, face: &Face, x: f32, y: f32, size: f32, text: &str) {
    let font = face.font.clone();
    on.draw_text(Point::from_xy(x, y), font, size, text, false, TextDirection::LeftToRight);
}

/// Head and foot of a sheet.
fn edges(on: &mut Surface<'_>, s: &Sheet, n: usize, of: usize, plain: &Face, bold: &Face) {
    let right = |face: &Face, text: &str| WIDTH - MARGIN - face.width(text, SMALL);
    let head = plain.shown(&format!("Exam {}", s.code));
    draw(on, bold, MARGIN, MARGIN, SMALL, &head);
    let page = format!("sheet {n} of {of}");
    draw(on, plain, right(plain, &page), MARGIN, SMALL, &page);
    let status = bold.shown(&s.status);
    draw(on, bold, MARGIN, MARGIN + SMALL + 3.0, SMALL, &status);
    if let Some(digest) = &s.digest {
        let foot = format!("Journal SHA-256 {digest}");
        draw(on, plain, MARGIN, HEIGHT - MARGIN + SMALL, SMALL, &foot);
    }
}

fn date(t: &DateTime<FixedOffset>) -> krilla::metadata::DateTime {
    let small = |n: u32| u8::try_from(n).unwrap_or(0);
    let minutes = t.offset().local_minus_utc() / 60;
    krilla::metadata::DateTime::new(u16::try_from(t.year()).unwrap_or(0))
        .month(small(t.month()))
        .day(small(t.day()))
        .hour(small(t.hour()))
        .minute(small(t.minute()))
        .second(small(t.second()))
        .utc_offset_hour(i8::try_from(minutes / 60).unwrap_or(0))
        .utc_offset_minute(small((minutes % 60).unsigned_abs()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_keep_to_their_room_and_lose_no_letter() {
        let face = Face::load("fonts/DejaVuSans.ttf.gz").unwrap();
        let text = "Überprüft: naïve Ödeme, Ψ and Жёлтый and \
                    averyveryveryverylongwordthatnolinecouldeverhold 中";
        let lines = face.lines(text, SIZE, 90.0);
        assert!(lines.iter().all(|l| face.width(l, SIZE) <= 90.0), "{lines:?}");
        let bare = |t: &str| t.split_whitespace().collect::<String>();
        assert_eq!(bare(&lines.join(" ")), bare(text).replace('中', "[U+4E2D]"));
    }

    #[test]
    fn sheets_end_above_the_foot() {
        let plain = Face::load("fonts/DejaVuSans.ttf.gz").unwrap();
        let bold = Face::load("fonts/DejaVuSans-Bold.ttf.gz").unwrap();
        let blocks: Vec<Block> = (0..120)
            .map(|n| match n % 9 {
                0 => Block::Title(format!("Part {n}")),
                _ => Block::Point("some words of a finding ".repeat(n % 7)),
            })
            .collect();
        let sheets = lay_out(&blocks, &plain, &bold);
        assert!(sheets.len() > 3);
        for p in sheets.iter().flatten() {
            assert!(p.y > MARGIN + LINE && p.y < HEIGHT - MARGIN, "{} at {}", p.text, p.y);
        }
        // No title at the end of a sheet.
        assert!(sheets.iter().all(|s| s.last().is_some_and(|l| !l.bold)));
    }
}
