//! Protocol against exam: what is missing, what cannot count as it stands, what a person must
//! still decide.
//!
//! A pure function of exam and lexicon. Nothing passes silently: whatever keeps the exam from being
//! whole is one line for people and the command that settles it.

mod items;
mod left;
mod settle;
mod words;

pub use left::{LeftToDo, ToDo, left_to_do};

use serde::Serialize;

use crate::exam::Exam;
use crate::lexicon::model::{ItemId, Lexicon, Need, Protocol};
use crate::reading::types::Side;

/// A field of the header that people give.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Field {
    /// Sex.
    Sex,
    /// Time of birth.
    Born,
    /// Gestational age at birth.
    Ga,
    /// Initials of whoever examines.
    By,
    /// Protocol examined by.
    Protocol,
}

/// What kind of gap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum GapKind {
    /// A field of the header was not told.
    HeaderMissing(Field),
    /// A field of the header cannot be right.
    HeaderWrong(Field),
    /// The lexicon at hand is not the one the exam was begun with.
    LexiconDiffers,
    /// Not done; closed when a reason was given.
    NotDone,
    /// Said not to be done, without a reason.
    SkippedWithoutReason,
    /// Tried and not elicited: a finding, listed so that it is seen.
    NotObtained,
    /// One side was found and nothing is known of the other.
    OneSideOnly,
    /// Named and never judged.
    Announced,
    /// Left for later and never done.
    LeftForLater,
    /// Examined, and neither value nor number said.
    NoValue,
    /// Made in a state in which the item cannot be judged.
    WrongState,
    /// A number outside the plausible range.
    OutOfRange,
    /// A measurement too far from its growth reference to be one.
    Implausible,
    /// A position was held shorter than the rule allows; closed, for the finding stands.
    ShortHold,
    /// A finding with doubts.
    Unsettled,
    /// A settlement that could not be applied.
    StraySettlement,
}

/// One gap.
#[derive(Debug, Clone, PartialEq)]
pub struct Gap {
    /// What kind.
    pub kind: GapKind,
    /// Item, when it is about one.
    pub item: Option<ItemId>,
    /// Side it is about; `None` for the whole item.
    pub side: Option<Side>,
    /// Reason given, in the speaker's or settler's words.
    pub reason: Option<String>,
    /// One plain line for people.
    pub text: String,
    /// The command that settles it; `EXAM`, `VALUE` and words in capitals are to be filled in.
    /// Empty when there is nothing to settle.
    pub settle: String,
    /// Whether it still stands in the way of a complete exam.
    pub open: bool,
}

/// What an item that the protocol requires came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Came {
    /// Found on every side, without an open gap.
    Done,
    /// Left out or not to count, in whole or on one side, with a reason.
    LeftOut,
    /// With an open gap.
    Open,
}

impl Came {
    /// The word for it, as exports write it.
    pub fn word(self) -> &'static str {
        match self {
            Came::Done => "done",
            Came::LeftOut => "left-out",
            Came::Open => "open",
        }
    }
}

/// All gaps of an exam.
#[derive(Debug, Clone, PartialEq)]
pub struct Gaps {
    /// Name of the protocol counted against, for people; empty when there is none.
    pub protocol: String,
    /// Its id.
    pub protocol_id: Option<String>,
    /// The gaps: open ones first, each part in protocol order.
    pub list: Vec<Gap>,
    /// Whether no gap is open.
    pub met: bool,
    /// How many items the protocol requires. `required = done + with_reason +` items with an open
    /// gap.
    pub required: usize,
    /// How many of them are found on every side and have no open gap.
    pub done: usize,
    /// How many have no open gap, and were left out or cannot count, in whole or on one side, with
    /// a reason.
    pub with_reason: usize,
    /// The items the protocol requires, in its order, each with what it came to.
    pub items: Vec<(ItemId, Came)>,
}

impl Gaps {
    /// The gaps that still stand in the way.
    pub fn open(&self) -> impl Iterator<Item = &Gap> {
        self.list.iter().filter(|g| g.open)
    }
}

/// A gap and its place in the list: header, lexicon, items in protocol order, settlements.
type Placed = (usize, Gap);

/// Holds an exam against its protocol.
pub fn gaps(exam: &Exam, lex: &Lexicon) -> Gaps {
    let protocol = lex.protocol(exam.header.protocol.as_deref());
    let mut placed: Vec<Placed> = header(exam, lex, protocol).map(|g| (0, g)).collect();
    if !exam.same_lexicon {
        placed.push((1, lexicon_differs(exam, lex)));
    }
    let mut came: Vec<(ItemId, Came)> = Vec::new();
    for (place, (item, need)) in items::in_order(protocol, lex).into_iter().enumerate() {
        let of = items::of_item(exam, lex, item, need);
        if need == Some(Need::Required) {
            let open = of.list.iter().any(|g| g.open);
            came.push((
                item,
                match (open, of.whole) {
                    (true, _) => Came::Open,
                    (false, true) => Came::Done,
                    (false, false) => Came::LeftOut,
                },
            ));
        }
        placed.extend(of.list.into_iter().map(|g| (place + 2, g)));
    }
    placed.extend(exam.stray.iter().map(|s| {
        let gap = Gap {
            kind: GapKind::StraySettlement,
            item: None,
            side: None,
            reason: None,
            text: format!("settlement {} could not be applied: {}", s.seq, s.why),
            settle: settle::undo(s.seq),
            open: true,
        };
        (usize::MAX, gap)
    }));
    placed.sort_by_key(|(place, g)| (!g.open, *place, g.side, g.kind));
    let list: Vec<Gap> = placed.into_iter().map(|(_, g)| g).collect();
    Gaps {
        protocol: protocol.map_or_else(String::new, |p| p.name.clone()),
        protocol_id: protocol.map(|p| p.id.clone()),
        met: list.iter().all(|g| !g.open),
        list,
        required: came.len(),
        done: came.iter().filter(|(_, c)| *c == Came::Done).count(),
        with_reason: came.iter().filter(|(_, c)| *c == Came::LeftOut).count(),
        items: came,
    }
}

fn header<'a>(
    exam: &'a Exam,
    lex: &'a Lexicon,
    protocol: Option<&'a Protocol>,
) -> impl Iterator<Item = Gap> + 'a {
    let h = &exam.header;
    let missing = |field: Field, text: &str| {
        (GapKind::HeaderMissing(field), text.to_owned(), settle::header(field, lex))
    };
    let mut out = Vec::new();
    // Sex and time of birth are asked for where ages by gestation apply: of a subject without a
    // gestation neither is known to matter.
    if h.sex.is_none() && lex.gestation {
        out.push(missing(Field::Sex, "sex not given"));
    }
    match h.born {
        None if lex.gestation || lex.term_days.is_some() => {
            out.push(missing(Field::Born, "time of birth not given"))
        }
        Some(born) if h.started < born => out.push((
            GapKind::HeaderWrong(Field::Born),
            format!(
                "the exam starts ({}) before the time of birth given ({})",
                h.started.to_rfc3339(),
                born.to_rfc3339()
            ),
            settle::header(Field::Born, lex),
        )),
        None | Some(_) => {}
    }
    if h.ga.is_none() && lex.gestation {
        out.push(missing(Field::Ga, "gestational age not given"));
    }
    if h.by.as_deref().is_none_or(|by| by.trim().is_empty()) {
        out.push(missing(Field::By, "examiner not given"));
    }
    match (&h.protocol, protocol) {
        (Some(_), Some(_)) => {}
        (Some(id), None) => out.push((
            GapKind::HeaderWrong(Field::Protocol),
            format!("the lexicon has no protocol `{id}`, so nothing was counted"),
            settle::header(Field::Protocol, lex),
        )),
        (None, Some(p)) => out.push(missing(
            Field::Protocol,
            &format!("no protocol was named; counted against the usual one, {}", p.name),
        )),
        // A lexicon without protocols asks for none.
        (None, None) => {}
    }
    out.into_iter().map(|(kind, text, settle)| Gap {
        kind,
        item: None,
        side: None,
        reason: None,
        text,
        settle,
        open: true,
    })
}

fn lexicon_differs(exam: &Exam, lex: &Lexicon) -> Gap {
    let was = &exam.header.lexicon;
    Gap {
        kind: GapKind::LexiconDiffers,
        item: None,
        side: None,
        reason: None,
        text: format!(
            "read with another lexicon than it was begun with: `{}` {}, now `{}` {}",
            was.name,
            &was.sha256.to_string()[..12],
            lex.name,
            lex.digest.get(..12).unwrap_or(&lex.digest)
        ),
        settle: settle::lexicon(),
        open: true,
    }
}
