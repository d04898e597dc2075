//! The exam as a page: what is open, the table, the course, the scores, the note, every phrase.
//!
//! Pure rendering: exam and computed results in, HTML out. The same page is served, where a person
//! can settle what is open, and written as a file, where it can only be read. Whatever was said is
//! escaped by the templates; nothing is put into a page unescaped but what this room made itself.

pub mod compare;
pub mod drawing;
mod note;
pub mod status;
mod table;
mod timeline;

use askama::Template;
use base64::Engine as _;
use sha2::{Digest as _, Sha256};

use crate::capture::Alternative;
use crate::exam::{Event, Exam};
use crate::gaps::{GapKind, Gaps};
use crate::grade::{Graded, Overview};
use crate::journal::AudioMark;
use crate::lexicon::Lexicon;
use crate::report::explain::{self, printable};
use crate::report::{arithmetic, changes, scales, text, watch, words};

use status::Status;

/// The style of every page.
pub const STYLE: &str = include_str!("templates/page.css");
/// The script of the served page.
pub const SCRIPT: &str = include_str!("templates/page.js");
/// The page's own icon.
pub const ICON: &str = include_str!("templates/icon.svg");

/// One thing a person can choose for a matter.
#[derive(Debug, Clone)]
pub struct Choice {
    /// Place in the list, from 1; the key of that number chooses it.
    pub number: usize,
    /// What it stands for.
    pub label: String,
    /// Whether a side must be said with it.
    pub side_open: bool,
}

/// What was said about a matter.
#[derive(Debug, Clone)]
pub struct Said {
    /// Phrase, by its number in the journal.
    pub seq: u64,
    /// When, `m:ss`.
    pub clock: String,
    /// The words.
    pub words: String,
    /// What the recogniser heard besides.
    pub also: Vec<String>,
    /// Whether its sound is kept.
    pub audible: bool,
}

/// A number that can be given.
#[derive(Debug, Clone)]
pub struct NumberAsked {
    /// Unit in words; empty for a count.
    pub unit: String,
    /// The plausible range in words.
    pub plausible: String,
    /// As read.
    pub value: String,
}

/// One thing that is open, or that a person wants to correct or add.
#[derive(Debug, Clone, Default)]
pub struct Matter {
    /// Name on the page.
    pub id: String,
    /// What it is about, sent back with a decision.
    pub about: String,
    /// The heading.
    pub title: String,
    /// How it stands: unsettled, or not done.
    pub shape: &'static str,
    /// The word for it.
    pub word: String,
    /// What was said.
    pub said: Option<Said>,
    /// As it was read, with the finding's number.
    pub read: Option<String>,
    /// Why it is not settled.
    pub doubts: Vec<String>,
    /// Whether a side can be said.
    pub sided: bool,
    /// The side as read.
    pub side: &'static str,
    /// The alternatives.
    pub choices: Vec<Choice>,
    /// A number, where the item takes one.
    pub number: Option<NumberAsked>,
    /// When it was seen, where no phrase says it.
    pub at: Option<String>,
    /// The reading that can be kept as it is.
    pub keep: Option<String>,
    /// Whether it can be set aside as no finding.
    pub none: bool,
    /// Whether a reason can be given for not doing it.
    pub reason: bool,
    /// How many other items were not done, whose reason may be the same.
    pub others: usize,
    /// A decision that can be taken back.
    pub undo: Option<u64>,
    /// The command that settles what the page cannot.
    pub command: Option<String>,
    /// Whether a person asked for it: a correction or an addition.
    pub asked_for: bool,
}

/// A decision that was made.
#[derive(Debug, Clone)]
pub struct Made {
    /// Its entry in the journal.
    pub seq: u64,
    /// What was decided.
    pub text: String,
    /// Who and when.
    pub by: String,
    /// Whether it was taken back.
    pub undone: bool,
}

/// What a person is told in answer.
#[derive(Debug, Clone, Default)]
pub struct Message {
    /// The words.
    pub text: String,
    /// Whether something was refused or is not as it was.
    pub attention: bool,
}

/// What only the served page has.
#[derive(Debug, Clone)]
pub struct Live {
    /// Initials of whoever decides.
    pub who: String,
    /// The last message; empty when there is none.
    pub message: Message,
    /// The last decision that holds, which one key takes back.
    pub last: Option<u64>,
    /// Items that can be added: id and name.
    pub items: Vec<(String, String)>,
}

/// All that a page is made from.
pub struct Page<'a> {
    /// The exam.
    pub exam: &'a Exam,
    /// Grades.
    pub graded: &'a Graded,
    /// Scales and counts.
    pub overview: &'a Overview,
    /// Gaps.
    pub gaps: &'a Gaps,
    /// The note, as printed.
    pub note: &'a str,
    /// What happened to hearing.
    pub marks: &'a [AudioMark],
    /// Digest of the journal, hex.
    pub digest: &'a str,
    /// Who signed the exam and when; nothing in a signed exam changes any more.
    pub signed: Option<&'a str>,
    /// The lexicon at hand.
    pub lex: &'a Lexicon,
    /// What is open; corrections and additions asked for stand first.
    pub matters: Vec<Matter>,
    /// Decisions, in the order of the journal.
    pub made: Vec<Made>,
    /// Phrases whose sound is kept.
    pub audible: Vec<u64>,
    /// What only the served page has.
    pub live: Option<Live>,
}

impl Page<'_> {
    /// Whether anything can be decided on this page.
    fn writes(&self) -> bool {
        self.live.is_some() && self.signed.is_none()
    }
}

/// A row of the table of stretches.
struct Track {
    what: &'static str,
    from: String,
    to: String,
    text: String,
}

/// A phrase in the list of all.
struct Heard {
    seq: u64,
    clock: String,
    to: String,
    words: String,
    speaker: String,
    also: Vec<String>,
    section: String,
    state: String,
    read: Vec<(&'static str, &'static str, String)>,
    plain: &'static str,
    rows: Vec<explain::Row>,
    audible: bool,
}

/// A scale with its arithmetic.
struct Scale {
    title: String,
    headline: String,
    settled: bool,
    steps: Vec<arithmetic::Step>,
}

#[derive(Template)]
#[template(path = "body.html", config = "src/report/page/askama.toml")]
struct Body<'a> {
    p: &'a Page<'a>,
    facts: Vec<String>,
    warnings: Vec<String>,
    clock: Vec<String>,
    verdict: String,
    open: usize,
    legend: Vec<Status>,
    sections: Vec<table::Section>,
    apart: Vec<String>,
    patterns: Vec<String>,
    strips: Vec<String>,
    tracks: Vec<Track>,
    closed: Vec<String>,
    times: Vec<(String, String)>,
    scores: Vec<Scale>,
    silent: Vec<String>,
    note: Vec<note::Block>,
    changes: Vec<(String, String)>,
    phrases: Vec<Heard>,
}

#[derive(Template)]
#[template(path = "page.html", config = "src/report/page/askama.toml")]
struct Whole<'a> {
    title: String,
    live: Option<&'a Live>,
    policy: String,
    style: String,
    body: String,
}

/// Stretches of the exam by section: section, from, to.
fn stretches(x: &Exam) -> Vec<(usize, u64, u64)> {
    let mut out: Vec<(usize, u64, u64)> = Vec::new();
    for e in x.timeline.iter().filter(|e| !e.paused) {
        let Some(section) = e.section else { continue };
        match out.last_mut() {
            Some(last) if last.0 == section => last.2 = e.phrase.end_ms.max(last.2),
            _ => {
                if let Some(last) = out.last_mut() {
                    last.2 = e.phrase.start_ms.max(last.1);
                }
                out.push((section, e.phrase.start_ms, e.phrase.end_ms));
            }
        }
    }
    out
}

/// The part of the page that changes with every decision.
pub fn body(p: &Page<'_>) -> String {
    let (x, lex) = (p.exam, p.lex);
    let (mut facts, missing) = words::header(&x.header);
    facts.insert(0, format!("started {}", words::wall(&x.header.started)));
    facts.push(p.graded.ages.text(lex.gestation));
    facts.push(format!("protocol: {}", words::protocol(x, lex)));
    if !missing.is_empty() {
        facts.push(format!("not told: {}", missing.join(", ")));
    }
    let open = p.matters.iter().filter(|m| !m.asked_for).count();
    let mut warnings: Vec<String> =
        words::protocol_warning(x, &p.graded.ages, lex).into_iter().collect();
    if !x.ended {
        warnings.push("the log was not finished".into());
    }
    let verdict = format!(
        "{} of {} required items done, {} left out with a reason; {}",
        p.gaps.done,
        p.gaps.required,
        p.gaps.with_reason,
        if p.gaps.met { "the protocol is met" } else { "the protocol is not met" }
    );
    let apart = crate::grade::asymmetries(x, lex)
        .iter()
        .map(|a| {
            let unsure = if a.settled { "" } else { " (not settled)" };
            let name = &lex.items[a.item].name;
            format!("{name}: {}{unsure}", super::measures::apart(a, lex))
        })
        .collect();
    let patterns = p
        .graded
        .patterns
        .iter()
        .filter_map(|pattern| super::measures::pattern(pattern, x, lex))
        .collect();
    let (scores, silent) = scores(p);
    Body {
        facts,
        warnings,
        clock: watch::sentences(x, &p.graded.ages, lex),
        verdict,
        open,
        legend: status::ALL.to_vec(),
        sections: table::sections(p),
        apart,
        patterns,
        strips: timeline::strips(&timeline::Of { exam: x, graded: p.graded, marks: p.marks, lex }),
        tracks: tracks(p),
        closed: p.gaps.list.iter().filter(|g| !g.open).map(|g| printable(&g.text)).collect(),
        times: x
            .section_times
            .iter()
            .map(|t| (lex.sections[t.section].name.clone(), words::duration(t.ms)))
            .collect(),
        scores,
        silent,
        note: note::blocks(p.note),
        changes: changes::spoken_and_settled(x, lex),
        phrases: x.timeline.iter().map(|e| heard(p, e)).collect(),
        p,
    }
    .render()
    // Writing to a string does not fail.
    .unwrap_or_default()
}

fn tracks(p: &Page<'_>) -> Vec<Track> {
    use crate::journal::Mark;
    let (x, lex) = (p.exam, p.lex);
    let row = |what, from: u64, to: u64, text: String| {
        (from, Track { what, from: words::clock(from), to: words::clock(to), text })
    };
    let states = x.states.iter().map(|s| {
        let how = if s.implied { " (implied)" } else { "" };
        let text = format!("{}{how}", words::state_name(s.state, lex));
        row("state", s.from_ms, s.to_ms, text)
    });
    let sections = stretches(x)
        .into_iter()
        .map(|(s, a, b)| row("section", a, b, lex.sections[s].name.clone()));
    let holds = x.holds.iter().filter_map(|h| {
        let to = x.event(h.seq)?.phrase.start_ms;
        let text = format!("{}: {}", lex.items[h.item].name, text::held(h, lex));
        Some(row("held", to.saturating_sub(h.ms), to, text))
    });
    let sound = p.marks.iter().map(|m| {
        let (what, text) = match m.mark {
            Mark::Start => ("sound", "hearing started"),
            Mark::Stop => ("sound", "hearing stopped"),
            Mark::GapInHearing => ("sound", "not heard"),
            Mark::OwnPlayback => ("sound", "own playback; nothing heard then is a phrase"),
        };
        row(what, m.from_ms, m.to_ms, text.to_owned())
    });
    let mut all: Vec<(u64, Track)> =
        states.chain(sections).chain(holds).chain(sound).collect::<Vec<_>>();
    all.sort_by_key(|(from, _)| *from);
    all.into_iter().map(|(_, t)| t).collect()
}

fn heard(p: &Page<'_>, e: &Event) -> Heard {
    let (x, lex) = (p.exam, p.lex);
    let read: Vec<(&'static str, &'static str, String)> = e
        .reading
        .findings
        .iter()
        .map(|f| {
            let stands = x.findings.iter().position(|s| s.finding.id == f.id);
            match stands {
                Some(k) => {
                    let s = &x.findings[k];
                    let st = status::of(s, p.graded.grades.get(k).copied());
                    (st.shape(), st.word(), words::finding(&s.finding, lex))
                }
                None => {
                    let lives = x.findings.iter().any(|s| s.phrases.contains(&f.id.phrase));
                    let word = if lives { "told with another" } else { "stands no longer" };
                    ("gone", word, words::finding(f, lex))
                }
            }
        })
        .collect();
    let r = &e.reading;
    let plain = match () {
        () if e.paused => "said while the log was paused: kept, not read",
        () if !read.is_empty() => "",
        () if !r.strikes.is_empty() => "takes back what was said",
        () if !r.states.is_empty() => "a state",
        () if !r.announced.is_empty() => "announces an item",
        () if !r.deferred.is_empty() => "left for later",
        () if !r.acts.is_empty() || !r.stimuli.is_empty() => "something done",
        () if !r.controls.is_empty() => "a command",
        () if !r.sections.is_empty() => "a section",
        () if !r.set_aside.is_empty() => "set aside",
        () => "no finding",
    };
    Heard {
        seq: e.seq,
        clock: words::clock(e.phrase.start_ms),
        to: words::clock(e.phrase.end_ms),
        words: printable(&e.phrase.text),
        speaker: e.phrase.speaker.as_deref().map(printable).unwrap_or_default(),
        also: also(e),
        section: e.section.map_or(String::new(), |s| lex.sections[s].name.clone()),
        state: e.state.map_or(String::new(), |s| words::state_name(s, lex)),
        read,
        plain,
        rows: explain::rows(x, lex, p.graded, e),
        audible: p.audible.contains(&e.seq),
    }
}

/// What else the recogniser heard in a phrase.
pub fn also(e: &Event) -> Vec<String> {
    // The same words with other marks are no other candidate. A point within a number is no mark.
    let words = |text: &str| -> Vec<String> {
        let of = text.split_whitespace().map(|w| w.trim_matches(|c: char| !c.is_alphanumeric()));
        of.filter(|w| !w.is_empty()).map(str::to_lowercase).collect()
    };
    let mut seen = vec![words(&e.phrase.text), Vec::new()];
    let fresh = |a: &&Alternative| {
        let of = words(&a.text);
        let new = !seen.contains(&of);
        seen.push(of);
        new
    };
    e.phrase.alternatives.iter().filter(fresh).map(|a| printable(&a.text)).collect()
}

/// The scales of which anything is known, and the names of the rest.
fn scores(p: &Page<'_>) -> (Vec<Scale>, Vec<String>) {
    use crate::grade::scales::Status as Of;
    let (mut known, mut silent) = (Vec::new(), Vec::new());
    for k in 0..p.overview.scales.len() {
        for s in arithmetic::told(p.overview, k) {
            let scale = &p.overview.scales[k];
            if s.status == Of::Empty {
                silent.push(scale.name.clone());
                continue;
            }
            known.push(Scale {
                title: scales::title(s, scale),
                headline: scales::headline(s, scale),
                settled: s.status == Of::Determined,
                steps: arithmetic::steps(p.exam, p.lex, s, scale),
            });
        }
    }
    (known, silent)
}

/// The page as served: style and script are asked for from the server.
pub fn served(p: &Page<'_>) -> String {
    let body = body(p);
    Whole {
        title: title(p.exam),
        live: p.live.as_ref(),
        policy: String::new(),
        style: String::new(),
        body,
    }
    .render()
    .unwrap_or_default()
}

/// The page as a file of its own: nothing outside it is asked for, and nothing in it runs.
pub fn file(p: &Page<'_>) -> String {
    let running = format!("exam {}, journal {}", p.exam.header.code, p.digest);
    standalone(title(p.exam), &running, body(p))
}

fn title(x: &Exam) -> String {
    format!("Exam {}", x.header.code)
}

/// A page without a server around a body. `running` stands on every sheet of paper.
pub(super) fn standalone(title: String, running: &str, body: String) -> String {
    let style = style(running);
    let hash = base64::engine::general_purpose::STANDARD.encode(Sha256::digest(&style));
    let policy = format!("default-src 'none'; style-src 'sha256-{hash}'");
    Whole { title, live: None, policy, style, body }.render().unwrap_or_default()
}

/// The style, with what is printed on every sheet.
pub fn style(running: &str) -> String {
    // Codes and digests hold letters, digits and dashes alone; whatever else there is, is left out,
    // so that nothing ends the string.
    let safe: String =
        running.chars().filter(|c| c.is_ascii_alphanumeric() || " ,.-".contains(*c)).collect();
    format!("{STYLE}\n@page {{ @bottom-left {{ content: \"{safe}\"; }} }}\n")
}

/// Whether a gap is that of something that was not done.
pub fn not_done(kind: GapKind) -> bool {
    matches!(
        kind,
        GapKind::NotDone
            | GapKind::SkippedWithoutReason
            | GapKind::OneSideOnly
            | GapKind::Announced
            | GapKind::LeftForLater
    )
}
