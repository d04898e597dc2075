//! The exam in the order it happened, drawn to scale: strips of equal length, one below the other.

use std::collections::BTreeSet;

use super::drawing::{Drawing, MARK, Rows, WORDS, cut, wide};
use super::status;
use crate::exam::{Event, Exam, How, Standing};
use crate::grade::Graded;
use crate::journal::{AudioMark, Mark};
use crate::lexicon::Lexicon;
use crate::reading::types::Side;
use crate::report::explain::printable;
use crate::report::words;

/// A name beside a mark: where it begins, how it is anchored, its words.
type Name = (f64, &'static str, String);

/// Width of a strip, in its units.
const WIDTH: f64 = 960.0;
/// Where time begins, right of the names of the lanes.
const LEFT: f64 = 92.0;
/// Where it ends.
const RIGHT: f64 = 950.0;
/// Height of a bar.
const BAR: f64 = 16.0;
/// From one row of marks to the next.
const PITCH: f64 = 17.0;
/// Shortest and longest part of an exam in one strip, seconds.
const STRIP_S: [u64; 2] = [60, 600];
/// Strips an exam is laid into, where their length allows.
const STRIPS: u64 = 4;
/// Widest name beside a mark.
const NAME: f64 = 150.0;

/// A strip of the exam, and the stretch it shows, milliseconds.
struct Strip {
    from: u64,
    to: u64,
    d: Drawing,
    y: f64,
}

/// What is drawn.
pub struct Of<'a> {
    /// The exam.
    pub exam: &'a Exam,
    /// Its grades.
    pub graded: &'a Graded,
    /// What happened to hearing.
    pub marks: &'a [AudioMark],
    /// The lexicon at hand.
    pub lex: &'a Lexicon,
}

/// Length of a strip, seconds, for an exam of that length.
fn strip_seconds(end_ms: u64) -> u64 {
    let part = (end_ms / 1000).div_ceil(STRIPS).max(1);
    part.div_ceil(30).saturating_mul(30).clamp(STRIP_S[0], STRIP_S[1])
}

/// The strips as SVG, in order.
pub fn strips(of: &Of<'_>) -> Vec<String> {
    let x = of.exam;
    let last = of.marks.iter().map(|m| m.to_ms).max().unwrap_or(0).max(x.end_ms);
    let added = x.findings.iter().map(|s| s.finding.at_ms + 1).max().unwrap_or(0);
    let end = last.max(added).max(1);
    let length = strip_seconds(end) * 1000;
    // A journal may claim any time; a strip in which nothing happened is not drawn.
    let phrases = x.timeline.iter().flat_map(|e| [e.phrase.start_ms, e.phrase.end_ms]);
    let found = x.findings.iter().map(|s| s.finding.at_ms);
    let heard = of.marks.iter().flat_map(|m| [m.from_ms, m.to_ms]);
    let strips: BTreeSet<u64> = phrases.chain(found).chain(heard).map(|ms| ms / length).collect();
    strips
        .into_iter()
        .map(|k| strip(of, k * length, k.saturating_add(1).saturating_mul(length)))
        .collect()
}

fn strip(of: &Of<'_>, from: u64, to: u64) -> String {
    let label = format!(
        "The exam from {} to {}, drawn to scale; the table of phrases says the same",
        words::clock(from),
        words::clock(to)
    );
    let d = Drawing { class: "course", width: WIDTH, label, ..Drawing::default() };
    let mut s = Strip { from, to, d, y: 0.0 };
    s.axis();
    s.states(of);
    s.sections(of);
    s.findings(of, "left", |s| matches!(s, Some(Side::Left | Side::Both)));
    s.findings(of, "no side", |s| matches!(s, None | Some(Side::Midline | Side::Unstated)));
    s.findings(of, "right", |s| matches!(s, Some(Side::Right | Side::Both)));
    s.phrases(of);
    s.holds(of);
    s.changes(of);
    s.sound(of);
    s.d.height = s.y + 4.0;
    s.d.svg()
}

impl Strip {
    /// Where a moment stands, kept inside the strip.
    fn x(&self, ms: u64) -> f64 {
        let ms = ms.clamp(self.from, self.to);
        #[allow(clippy::cast_precision_loss)] // milliseconds of one strip
        let part = (ms - self.from) as f64 / (self.to - self.from) as f64;
        LEFT + part * (RIGHT - LEFT)
    }

    fn touches(&self, from: u64, to: u64) -> bool {
        from < self.to && to >= self.from
    }

    fn holds_moment(&self, ms: u64) -> bool {
        (self.from..self.to).contains(&ms)
    }

    /// A lane of that height under the last.
    fn lane(&mut self, name: &str, height: f64) -> f64 {
        let top = self.y + 3.0;
        self.d.text("lane", (LEFT - 12.0, top + WORDS), "end", name);
        self.d.line("rule", &[(LEFT, top + height + 1.5), (RIGHT, top + height + 1.5)]);
        self.y = top + height;
        top
    }

    fn axis(&mut self) {
        let s = (self.to - self.from) / 1000;
        let step = [5, 10, 15, 30, 60, 120].into_iter().find(|t| s / t <= 16).unwrap_or(300);
        for k in 0..=s / step {
            let ms = self.from + k * step * 1000;
            let x = self.x(ms);
            let anchor = if ms == self.to { "end" } else { "start" };
            // The last label stands left of its line, where the one before leaves room.
            if ms < self.to {
                self.d.text("time", (x + 3.0, WORDS), anchor, &words::clock(ms));
            }
            self.d.line("tick", &[(x, 4.0), (x, WORDS + 5.0)]);
        }
        self.y = WORDS + 4.0;
    }

    /// Bars with their names: inside where they fit, else in rows below.
    fn named(&mut self, lane: &str, list: &[(u64, u64, &'static str, String, Option<u64>)]) {
        let list: Vec<_> = list.iter().filter(|b| self.touches(b.0, b.1)).collect();
        if list.is_empty() {
            return;
        }
        let mut rows = Rows::default();
        let placed: Vec<(f64, f64, Option<usize>)> = list
            .iter()
            .map(|(a, b, _, name, _)| {
                let (x, to) = (self.x(*a), self.x(*b));
                let wide = wide(name, WORDS) + 8.0;
                if wide <= to - x {
                    return (x, to, None);
                }
                // A name that would run over the edge is moved to the left of it.
                let at = x.min(RIGHT - wide).max(LEFT);
                (at, to, Some(rows.place(at, at + wide)))
            })
            .collect();
        let below = if placed.iter().any(|p| p.2.is_some()) { rows.count() } else { 0 };
        #[allow(clippy::cast_precision_loss)] // a few rows
        let height = BAR + below as f64 * PITCH;
        let top = self.lane(lane, height);
        for ((a, b, class, name, seq), (at, _, row)) in list.iter().zip(placed) {
            let (x, to) = (self.x(*a), self.x(*b));
            let title = format!("{name}, {} to {}", words::clock(*a), words::clock(*b));
            self.d.bar(class, [x, top, to - x, BAR], *seq, title);
            match row {
                None => self.d.text("inside", (x + 4.0, top + WORDS - 0.5), "start", name),
                Some(k) => {
                    #[allow(clippy::cast_precision_loss)] // a few rows
                    let y = top + BAR + k as f64 * PITCH + WORDS;
                    self.d.text("under", (at + 2.0, y), "start", name);
                }
            }
        }
    }

    fn states(&mut self, of: &Of<'_>) {
        // A state given afterwards was said in no phrase.
        let said = |seq: u64| of.exam.event(seq).map(|e| e.seq);
        let list: Vec<_> = of
            .exam
            .states
            .iter()
            .enumerate()
            .map(|(k, s)| {
                let class = if k % 2 == 0 { "b-state" } else { "b-state other" };
                (s.from_ms, s.to_ms, class, words::state_name(s.state, of.lex), said(s.seq))
            })
            .collect();
        self.named("state", &list);
    }

    fn sections(&mut self, of: &Of<'_>) {
        let list: Vec<_> = super::stretches(of.exam)
            .into_iter()
            .enumerate()
            .map(|(k, (section, a, b))| {
                let class = if k % 2 == 0 { "b-section" } else { "b-section other" };
                (a, b, class, of.lex.sections[section].name.clone(), None)
            })
            .collect();
        self.named("section", &list);
    }

    fn findings(&mut self, of: &Of<'_>, lane: &str, here: impl Fn(Option<Side>) -> bool) {
        let mut list: Vec<(&Standing, status::Status)> = of
            .exam
            .findings
            .iter()
            .zip(&of.graded.grades)
            .filter(|(s, _)| here(s.finding.side) && self.holds_moment(s.finding.at_ms))
            .map(|(s, g)| (s, status::of(s, Some(*g))))
            .collect();
        list.sort_by_key(|(s, _)| (s.finding.at_ms, s.finding.id));
        let mut rows = Rows::default();
        let placed: Vec<(f64, usize, Option<Name>)> = list
            .iter()
            .map(|(s, st)| {
                let x = self.x(s.finding.at_ms).clamp(LEFT + MARK, RIGHT - MARK);
                if !st.stands_out() {
                    return (x, rows.place(x - 7.0, x + 7.0), None);
                }
                let name = cut(&words::item(s.finding.item, of.lex), NAME, WORDS);
                let wide = wide(&name, WORDS) + 6.0;
                match x + 9.0 + wide <= RIGHT {
                    true => {
                        let row = rows.place(x - 7.0, x + 9.0 + wide);
                        (x, row, Some((x + 9.0, "start", name)))
                    }
                    false => {
                        let row = rows.place(x - 9.0 - wide, x + 7.0);
                        (x, row, Some((x - 9.0, "end", name)))
                    }
                }
            })
            .collect();
        #[allow(clippy::cast_precision_loss)] // a few rows
        let height = rows.count() as f64 * PITCH;
        let top = self.lane(lane, height);
        for ((s, st), (x, row, name)) in list.into_iter().zip(placed) {
            #[allow(clippy::cast_precision_loss)] // a few rows
            let y = top + row as f64 * PITCH + PITCH / 2.0;
            let title = format!("{}, {}", words::finding(&s.finding, of.lex), st.word());
            self.d.glyph(st.shape(), (x, y), Some(s.finding.id.phrase), title);
            if let Some((at, anchor, name)) = name {
                self.d.text("name", (at, y + 4.5), anchor, &name);
            }
        }
    }

    fn phrases(&mut self, of: &Of<'_>) {
        let top = self.lane("phrases", BAR);
        for e in &of.exam.timeline {
            let (a, b) = (e.phrase.start_ms, e.phrase.end_ms);
            if !self.touches(a, b) {
                continue;
            }
            let title = format!("{} {}", words::clock(a), printable(&e.phrase.text));
            let (x, to) = (self.x(a), self.x(b));
            self.d.bar(class(e), [x, top, (to - x).max(2.0), BAR], Some(e.seq), title);
        }
    }

    fn holds(&mut self, of: &Of<'_>) {
        let list: Vec<_> = of
            .exam
            .holds
            .iter()
            .filter_map(|h| {
                let to = of.exam.event(h.seq)?.phrase.start_ms;
                let class = if h.too_short { "b-hold short" } else { "b-hold" };
                let name = format!("{}, {}", words::duration(h.ms), words::item(h.item, of.lex));
                Some((to.saturating_sub(h.ms), to, class, name, Some(h.seq)))
            })
            .collect();
        self.named("held", &list);
    }

    /// From what no longer stands to what took its place.
    fn changes(&mut self, of: &Of<'_>) {
        let list: Vec<_> = of
            .exam
            .gone
            .iter()
            .filter(|g| g.how != How::Superseded)
            .filter_map(|g| {
                let name = words::item(g.finding.item, of.lex);
                let from = g.finding.at_ms;
                match of.exam.event(g.at_seq) {
                    Some(e) => {
                        Some((from, e.phrase.start_ms.max(from), "b-change", name, Some(e.seq)))
                    }
                    // Decided afterwards: it stands where it was said.
                    None if g.how == How::Settled => Some((from, from, "b-change", name, None)),
                    None => None,
                }
            })
            .collect();
        self.named("changed", &list);
    }

    fn sound(&mut self, of: &Of<'_>) {
        let list: Vec<_> = of
            .marks
            .iter()
            .filter_map(|m| {
                let (class, name) = match m.mark {
                    Mark::GapInHearing => ("b-deaf", "not heard"),
                    Mark::OwnPlayback => ("b-own", "own playback"),
                    Mark::Start | Mark::Stop => return None,
                };
                Some((m.from_ms, m.to_ms, class, name.to_owned(), None))
            })
            .collect();
        self.named("sound", &list);
    }
}

/// How a phrase is drawn.
fn class(e: &Event) -> &'static str {
    match (e.paused, e.reading.findings.iter().any(|f| !f.is_sure())) {
        (true, _) => "b-paused",
        (_, true) => "b-doubt",
        _ if e.reading.findings.is_empty() => "b-phrase none",
        _ => "b-phrase",
    }
}
