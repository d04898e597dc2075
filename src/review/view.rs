//! An exam as it stands, as the page shows it: questions become matters with their choices.

use crate::exam::Event;
use crate::gaps::{GapKind, Gaps, gaps};
use crate::grade::asymmetries;
use crate::journal::{AudioMark, Chosen, Entry, Settlement};
use crate::lexicon::Lexicon;
use crate::lexicon::model::ItemId;
use crate::reading::types::{FindingId, Side};
use crate::report::explain::printable;
use crate::report::page::{Choice, Live, Made, Matter, Message, NumberAsked, Page, Said, also};
use crate::report::{changes, note, page, words};
use crate::settle::questions::{Key, Question, of_finding, of_missed, questions};
use crate::settle::{as_read, choices, is_whole, told, with_side};

use super::{State, sound};

/// What a person asked to correct or to add.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Asked {
    /// A finding that stands.
    Correct(FindingId),
    /// An item that no phrase holds.
    Add(ItemId),
}

/// What a page is made from besides the exam.
#[derive(Debug, Clone, Default)]
pub struct Wish<'a> {
    /// How the user names the exam, for commands shown.
    pub name: &'a str,
    /// Whoever decides; none for a page that can only be read.
    pub who: Option<&'a str>,
    /// What to tell.
    pub message: Message,
    /// A correction or addition asked for.
    pub asked: Option<Asked>,
    /// Phrases whose sound is kept.
    pub audible: Vec<u64>,
}

/// The name of a question, sent back with its answer.
pub fn about(q: &Question, lex: &Lexicon) -> String {
    match q.key {
        Key::Finding(id) => format!("finding:{id}"),
        Key::Add(item) => format!("add:{}", lex.items[item].id),
        Key::Gap(kind, item, side) => {
            let kind = serde_json::to_value(kind).ok();
            let kind = kind.as_ref().and_then(serde_json::Value::as_str).unwrap_or("gap");
            let side = side.map_or("whole", Side::word);
            format!("gap:{kind}:{}:{side}", lex.items[item].id)
        }
    }
}

/// The question of that name, whether it is open or was asked for.
pub fn question(name: &str, s: &State) -> Option<Question> {
    let (x, lex) = (&s.exam, &s.lex);
    if let Some(id) = name.strip_prefix("finding:") {
        let standing = x.finding(finding_id(id)?)?;
        return Some(of_finding(standing, lex));
    }
    if let Some(item) = name.strip_prefix("add:") {
        return Some(of_missed(lex.item(item)?, x, lex));
    }
    questions(x, lex).into_iter().find(|q| about(q, lex) == name)
}

/// A finding's number, such as `12.1`.
pub fn finding_id(text: &str) -> Option<FindingId> {
    let (phrase, index) = text.split_once('.')?;
    Some(FindingId { phrase: phrase.parse().ok()?, index: index.parse().ok()? })
}

/// What a question can be answered with: the choice, its words, and whether a side must be said.
pub fn answers(q: &Question, lex: &Lexicon) -> Vec<(Chosen, String, bool)> {
    let sides = choices::sides(q, lex).into_iter().map(|c| {
        let side = c.side.clone().unwrap_or_default();
        let f = choices::blank(q);
        (c, format!("{side}: {}", words::value(&f, lex)), false)
    });
    let values = choices::values(q, lex).into_iter().map(|c| {
        let open = lex.items[q.item].sided && c.side.is_none();
        let label = choices::value_alone(&c, q, lex);
        (c, label, open)
    });
    sides.chain(values).collect()
}

fn html_id(about: &str) -> String {
    let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    format!("m-{}", about.chars().map(plain).collect::<String>())
}

fn said(e: &Event, audible: &[u64]) -> Said {
    Said {
        seq: e.seq,
        clock: words::clock(e.phrase.start_ms),
        words: printable(&e.phrase.text),
        also: also(e),
        audible: audible.contains(&e.seq),
    }
}

fn number(q: &Question, lex: &Lexicon) -> Option<NumberAsked> {
    let n = lex.items[q.item].number.as_ref()?;
    let unit = lex.units[n.unit].say.trim().to_owned();
    let [low, high] = n.plausible;
    let value = match q.reading.as_ref().map(|f| (f.number, f.range)) {
        Some((Some(n), _)) => words::number(n),
        Some((None, Some((a, b)))) => format!("{} to {}", words::number(a), words::number(b)),
        _ => String::new(),
    };
    let plausible = format!("plausible: {} to {}", words::number(low), words::number(high));
    Some(NumberAsked { unit, plausible, value })
}

/// Whether a question is about something that was not done, whose reason others may share.
pub fn is_not_done(q: &Question) -> bool {
    q.reading.is_none() && matches!(q.key, Key::Gap(kind, ..) if page::not_done(kind))
}

fn matter(q: &Question, s: &State, wish: &Wish<'_>, undone: usize) -> Matter {
    let (x, lex) = (&s.exam, &s.lex);
    let name = about(q, lex);
    let unsettled = q.reading.as_ref().is_some_and(|f| !f.is_sure());
    let asked_for = !unsettled && matches!(q.key, Key::Finding(_) | Key::Add(_));
    let (shape, word) = match (q.key, unsettled) {
        (Key::Add(_), _) => ("unsettled", "to be added"),
        (Key::Finding(_), false) => ("unsettled", "to be corrected"),
        (Key::Finding(_), true) => ("unsettled", "unsettled"),
        (Key::Gap(kind, ..), _) if page::not_done(kind) => ("notdone", ""),
        (Key::Gap(GapKind::WrongState, ..), _) => ("notvalid", ""),
        (Key::Gap(..), _) => ("unsettled", ""),
    };
    let kept = q.reading.as_ref().map(|f| as_read(f, lex)).filter(|c| {
        is_whole(c, lex) || (lex.items[q.item].sided && is_whole(&with_side(c, Side::Left), lex))
    });
    Matter {
        id: html_id(&name),
        title: words::upper_first(&printable(&q.text)),
        shape,
        word: word.to_owned(),
        said: q.phrase.and_then(|seq| x.event(seq)).map(|e| said(e, &wish.audible)),
        read: q
            .reading
            .as_ref()
            .map(|f| format!("{} [{}]", printable(&words::finding(f, lex)), f.id)),
        doubts: q
            .reading
            .iter()
            .flat_map(|f| f.doubts.iter().map(|d| printable(&d.to_string())))
            .collect(),
        sided: lex.items[q.item].sided,
        side: q.side.map_or("", Side::word),
        choices: answers(q, lex)
            .into_iter()
            .enumerate()
            .map(|(k, (_, label, side_open))| Choice { number: k + 1, label, side_open })
            .collect(),
        number: number(q, lex),
        at: q.reading.is_none().then(|| words::clock(q.at_ms)),
        // Of a finding that is settled, nothing is left to keep.
        keep: kept.filter(|_| !asked_for).and(q.reading.as_ref()).map(|f| words::finding(f, lex)),
        none: q.reading.is_some(),
        reason: !matches!(q.key, Key::Add(_)),
        others: if is_not_done(q) { undone.saturating_sub(1) } else { 0 },
        undo: None,
        command: None,
        asked_for,
        about: name,
    }
}

/// What is open, corrections and additions asked for first.
fn matters(s: &State, g: &Gaps, wish: &Wish<'_>) -> Vec<Matter> {
    let (x, lex) = (&s.exam, &s.lex);
    let open = questions(x, lex);
    let undone = open.iter().filter(|q| is_not_done(q)).count();
    let asked = wish.asked.and_then(|a| match a {
        Asked::Correct(id) => x.finding(id).map(|f| of_finding(f, lex)),
        Asked::Add(item) => Some(of_missed(item, x, lex)),
    });
    // One that is open anyway stands once.
    let asked = asked.filter(|a| !open.iter().any(|q| q.key == a.key));
    let mut out: Vec<Matter> =
        asked.iter().chain(&open).map(|q| matter(q, s, wish, undone)).collect();
    let elsewhere = |k: GapKind| {
        matches!(k, GapKind::HeaderMissing(_) | GapKind::HeaderWrong(_) | GapKind::LexiconDiffers)
    };
    out.extend(g.open().filter(|g| elsewhere(g.kind)).enumerate().map(|(k, g)| Matter {
        id: format!("m-header-{k}"),
        title: words::upper_first(&printable(&g.text)),
        shape: "unsettled",
        command: s.signed.is_none().then(|| g.settle.replace("EXAM", wish.name)),
        ..Matter::default()
    }));
    out.extend(x.stray.iter().map(|stray| Matter {
        id: format!("m-entry-{}", stray.seq),
        title: format!("Entry {} could not be applied: {}", stray.seq, printable(&stray.why)),
        shape: "unsettled",
        undo: Some(stray.seq),
        ..Matter::default()
    }));
    if let Some(asked) = wish.asked {
        // What was asked for and is open already is brought to the front.
        let first = out.iter().position(|m| match asked {
            Asked::Correct(id) => m.about == format!("finding:{id}"),
            Asked::Add(item) => m.about == format!("add:{}", lex.items[item].id),
        });
        if let Some(k) = first {
            out[..=k].rotate_right(1);
        }
    }
    out
}

fn settlements(s: &State) -> impl Iterator<Item = (u64, &Settlement)> {
    s.lines.iter().filter_map(|l| match &l.entry {
        Entry::Settlement(of) => Some((l.seq, of)),
        _ => None,
    })
}

/// The last decision that holds and is itself no taking back.
fn last(s: &State) -> Option<u64> {
    let holds = |seq: u64| s.exam.decision(seq).is_some_and(|d| !d.undone);
    let own = |of: &Settlement| !matches!(of.decision, crate::journal::Decision::Undo { .. });
    settlements(s).filter(|(seq, of)| holds(*seq) && own(of)).last().map(|(seq, _)| seq)
}

/// Builds what a page is made from, and hands it to `render`.
pub fn with_page<T>(s: &State, wish: &Wish<'_>, render: impl FnOnce(&Page<'_>) -> T) -> T {
    let (x, lex) = (&s.exam, &s.lex);
    let g = gaps(x, lex);
    let note = match &s.signed {
        Some(signed) => signed.note.clone(),
        None => note::note(x, lex, &s.graded, &s.overview, &asymmetries(x, lex), &g),
    };
    let marks: Vec<AudioMark> = sound::marks(&s.lines);
    let made = settlements(s)
        .map(|(seq, of)| Made {
            seq,
            text: words::upper_first(&printable(&told::decision(of, x, lex))),
            by: changes::decided(seq, x).unwrap_or_default(),
            undone: x.decision(seq).is_some_and(|d| d.undone),
        })
        .collect();
    let live = wish.who.map(|who| Live {
        who: who.to_owned(),
        message: wish.message.clone(),
        last: last(s),
        items: lex.items.iter().map(|i| (i.id.clone(), i.name.clone())).collect(),
    });
    render(&Page {
        exam: x,
        graded: &s.graded,
        overview: &s.overview,
        gaps: &g,
        note: &note,
        marks: &marks,
        digest: &s.digest,
        signed: s.signed.as_ref().map(|signed| signed.by.as_str()),
        lex,
        matters: matters(s, &g, wish),
        made,
        audible: wish.audible.clone(),
        live,
    })
}
