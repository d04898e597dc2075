//! What an exam says of one sign: the scores that are still possible, what fed them, and why
//! anything is missing.

use super::model::{Rule, Scale, Sign};
use super::schema::Sides;
use crate::exam::{Exam, Standing};
use crate::journal::Sex;
use crate::lexicon::Lexicon;
use crate::reading::types::{FindingId, Side, Status};

/// One sign as read.
#[derive(Debug, Clone, PartialEq)]
pub struct SignRead {
    /// Scores still possible, ascending; never empty.
    pub possible: Vec<i32>,
    /// Every score the sign can have in this subject.
    pub all: Vec<i32>,
    /// Findings that feed it.
    pub fed: Vec<Fed>,
    /// Value a person entered, when one counts.
    pub entered: Option<Entered>,
    /// What is missing or cannot be used, and why.
    pub lacks: Vec<Lack>,
}

impl SignRead {
    /// Whether something is known of it.
    pub fn is_known(&self) -> bool {
        !self.fed.is_empty() || self.entered.is_some()
    }
}

/// A finding that feeds a sign.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fed {
    /// The finding.
    pub finding: FindingId,
    /// The side it was taken for.
    pub side: Option<Side>,
    /// Scores it leaves possible, ascending.
    pub scores: Vec<i32>,
    /// Whether the rule for two sides lets it count.
    pub counts: bool,
}

/// A value a person entered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entered {
    /// The score.
    pub score: i32,
    /// Initials.
    pub who: String,
    /// Journal entry.
    pub seq: u64,
}

/// Something missing or not usable.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lack {
    /// Why.
    pub why: Why,
    /// Side, when one of two.
    pub side: Option<Side>,
    /// Finding, when there is one.
    pub finding: Option<FindingId>,
}

/// Why something is missing or not usable.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Why {
    /// Nothing was said of it.
    NotExamined,
    /// Said not to be done.
    NotDone,
    /// Tried and not elicited, and the scale does not say what that scores.
    NotElicited,
    /// A person still has to decide what the finding is.
    Unsettled,
    /// Made in a state in which the item cannot be judged: index of the state.
    WrongState(usize),
    /// Examined, and the scale has no score for what was said.
    NoScore,
    /// No value was entered.
    NotEntered,
    /// What was entered is no score of the sign.
    BadEntry(String),
    /// Two sources say things that cannot both be.
    Contradiction(String),
}

impl Why {
    /// The reason in words.
    pub fn text(&self, lex: &Lexicon) -> String {
        match self {
            Why::NotExamined => "not examined".into(),
            Why::NotDone => "not done".into(),
            Why::NotElicited => "tried, not elicited".into(),
            Why::Unsettled => "not settled".into(),
            Why::WrongState(s) => format!("not valid in this state ({})", lex.states[*s].name),
            Why::NoScore => "what was said has no score here".into(),
            Why::NotEntered => "not entered".into(),
            Why::BadEntry(text) | Why::Contradiction(text) => text.clone(),
        }
    }

    /// One word for other programs.
    pub fn code(&self) -> &'static str {
        match self {
            Why::NotExamined => "not-examined",
            Why::NotDone => "not-done",
            Why::NotElicited => "not-elicited",
            Why::Unsettled => "unsettled",
            Why::WrongState(_) => "wrong-state",
            Why::NoScore => "no-score",
            Why::NotEntered => "not-entered",
            Why::BadEntry(_) => "bad-entry",
            Why::Contradiction(_) => "contradiction",
        }
    }

    /// Whether something is there that cannot be used, rather than nothing at all.
    pub fn is_invalid(&self) -> bool {
        !matches!(self, Why::NotExamined | Why::NotDone | Why::NotEntered)
    }
}

/// What stands at one place of an item.
enum Place {
    Known(Vec<Fed>),
    Unknown(Lack),
}

impl Place {
    fn scores(&self, all: &[i32]) -> Vec<i32> {
        match self {
            Place::Known(fed) => union(fed.iter().map(|f| f.scores.as_slice())),
            Place::Unknown(_) => all.to_vec(),
        }
    }
}

fn union<'a>(sets: impl Iterator<Item = &'a [i32]>) -> Vec<i32> {
    let mut out: Vec<i32> = sets.flatten().copied().collect();
    out.sort_unstable();
    out.dedup();
    out
}

/// The value entered for a sign (or the total) last, at a time or none.
pub fn entry<'x>(
    exam: &'x Exam,
    scale: &Scale,
    sign: &str,
    at: Option<u32>,
) -> Option<&'x crate::exam::Input> {
    exam.inputs.iter().rfind(|i| i.scale == scale.id && i.sign == sign && i.at == at)
}

/// The score that an entered text means: a whole number, or the name of a level.
///
/// # Errors
/// Says what is taken.
pub fn score(scale: &Scale, sign: &Sign, sex: Option<Sex>, text: &str) -> Result<i32, String> {
    let all = sign.scores(sex);
    let level = match &scale.rule {
        Rule::Count(c) if sign.group.is_some() => c.levels.iter().position(|l| l == text),
        _ => None,
    };
    let n = level.and_then(|l| i32::try_from(l).ok()).or_else(|| text.trim().parse().ok());
    n.filter(|n| all.contains(n)).ok_or_else(|| {
        let known: Vec<String> = all.iter().map(ToString::to_string).collect();
        format!("`{text}` is no score of {} (scores: {})", sign.id, known.join(", "))
    })
}

/// Reads one sign at one time.
pub fn read(scale: &Scale, sign: &Sign, at: Option<u32>, exam: &Exam, lex: &Lexicon) -> SignRead {
    let sex = exam.header.sex;
    let all = sign.scores(sex);
    let mut out = match sign.item {
        Some(item) => from_findings(sign, item, &all, exam, lex),
        None => SignRead {
            possible: all.clone(),
            all: all.clone(),
            fed: Vec::new(),
            entered: None,
            lacks: Vec::new(),
        },
    };
    also(&mut out, sign, exam);
    let entry = entry(exam, scale, &sign.id, at).filter(|_| sign.entered);
    match entry.map(|e| (e, score(scale, sign, sex, &e.value))) {
        None if sign.item.is_none() => {
            out.lacks.push(Lack { why: Why::NotEntered, side: None, finding: None });
        }
        None => {}
        Some((_, Err(text))) => {
            out.lacks.push(Lack { why: Why::BadEntry(text), side: None, finding: None });
        }
        Some((e, Ok(n))) => {
            if out.fed.is_empty() || out.possible.contains(&n) {
                out.possible = vec![n];
                out.entered = Some(Entered { score: n, who: e.who.clone(), seq: e.seq });
            } else {
                // Neither is taken over the other: a person decides, by a settlement or an undo.
                let text =
                    format!("{n} was entered by {}, and the finding scores otherwise", e.who);
                out.lacks.push(Lack {
                    why: Why::Contradiction(text),
                    side: None,
                    finding: out.fed.first().map(|f| f.finding),
                });
                out.possible.clone_from(&out.all);
                out.fed.iter_mut().for_each(|f| f.counts = false);
            }
        }
    }
    out
}

/// Findings of other items that may show the sign raise it, and never lower it.
fn also(out: &mut SignRead, sign: &Sign, exam: &Exam) {
    for a in &sign.also {
        let shows = |s: &&Standing| {
            let f = &s.finding;
            f.status == Status::Observed && f.value.as_ref().is_some_and(|v| a.values.contains(v))
        };
        for s in exam.of(a.item).filter(shows) {
            let mut raised: Vec<i32> = out
                .possible
                .iter()
                .flat_map(|&own| a.scores.iter().map(move |&other| own.max(other)))
                .collect();
            if s.finding.is_sure() {
                out.fed.push(Fed {
                    finding: s.finding.id,
                    side: s.finding.side,
                    scores: a.scores.clone(),
                    counts: true,
                });
            } else {
                // It may yet turn out to be none.
                raised.extend(&out.possible);
                out.lacks.push(Lack {
                    why: Why::Unsettled,
                    side: None,
                    finding: Some(s.finding.id),
                });
            }
            raised.sort_unstable();
            raised.dedup();
            out.possible = raised;
        }
    }
}

fn from_findings(sign: &Sign, item: usize, all: &[i32], exam: &Exam, lex: &Lexicon) -> SignRead {
    let sex = exam.header.sex;
    let here = |side| place(sign, item, side, sex, exam, lex);
    let (possible, places) = match sign.sides {
        None => {
            let p = here(None);
            (p.scores(all), vec![(p, true)])
        }
        Some(rule) => {
            let (l, r) = (here(Some(Side::Left)), here(Some(Side::Right)));
            two_sides(sign, rule, l, r, all)
        }
    };
    let mut out =
        SignRead { possible, all: all.to_vec(), fed: Vec::new(), entered: None, lacks: Vec::new() };
    for (p, counts) in places {
        match p {
            Place::Known(fed) => {
                out.fed.extend(fed.into_iter().map(|f| Fed { counts: f.counts && counts, ..f }));
            }
            Place::Unknown(lack) => out.lacks.push(lack),
        }
    }
    join_sides(&mut out);
    out
}

/// Left and right by the scale's rule: the scores possible, and which side counts.
fn two_sides(
    sign: &Sign,
    rule: Sides,
    left: Place,
    right: Place,
    all: &[i32],
) -> (Vec<i32>, Vec<(Place, bool)>) {
    // A side not yet decided on may still say anything; one that was not looked at, or could not
    // be judged, leaves the other to speak for both where the scale says so.
    let silent = |p: &Place| {
        matches!(p, Place::Unknown(l) if matches!(
            l.why,
            Why::NotExamined | Why::NotDone | Why::NotElicited | Why::WrongState(_)
        ))
    };
    let known = |p: &Place| matches!(p, Place::Known(_));
    let (a, b) = (left.scores(all), right.scores(all));
    if sign.one_side_enough && known(&left) && silent(&right) {
        return (a, vec![(left, true), (right, false)]);
    }
    if sign.one_side_enough && known(&right) && silent(&left) {
        return (b, vec![(left, false), (right, true)]);
    }
    let pairs = |pick: fn(i32, i32) -> i32| {
        let mut out: Vec<i32> =
            a.iter().flat_map(|&x| b.iter().map(move |&y| pick(x, y))).collect();
        out.sort_unstable();
        out.dedup();
        out
    };
    let possible = match rule {
        Sides::Lower => pairs(i32::min),
        Sides::Higher => pairs(i32::max),
        Sides::Left => a.clone(),
        Sides::Right => b.clone(),
        Sides::Either => union([a.as_slice(), b.as_slice()].into_iter()),
    };
    let meets = |s: &[i32]| s.iter().any(|x| possible.contains(x));
    let (l, r) = match rule {
        Sides::Left => (true, false),
        Sides::Right => (false, true),
        _ => (meets(&a), meets(&b)),
    };
    (possible, vec![(left, l), (right, r)])
}

/// One finding of both sides, and one lack of both, are told once.
fn join_sides(out: &mut SignRead) {
    if let [l, r] = out.fed.as_slice()
        && l.finding == r.finding
        && l.scores == r.scores
    {
        let one = Fed { side: Some(Side::Both), counts: l.counts || r.counts, ..l.clone() };
        out.fed = vec![one];
    }
    if let [l, r] = out.lacks.as_slice()
        && l.why == r.why
        && l.finding == r.finding
        && l.side.and_then(Side::opposite) == r.side
        && l.side.is_some()
    {
        let one = Lack { side: None, ..l.clone() };
        out.lacks = vec![one];
    }
}

fn place(
    sign: &Sign,
    item: usize,
    side: Option<Side>,
    sex: Option<Sex>,
    exam: &Exam,
    lex: &Lexicon,
) -> Place {
    let lack = |why, finding| Place::Unknown(Lack { why, side, finding });
    let here: Vec<&Standing> = exam.of(item).filter(|s| s.finding.covers(side)).collect();
    // A finding whose side was not said may be of this side.
    let unsaid = || exam.of(item).find(|s| s.finding.side == Some(Side::Unstated));
    if here.is_empty() {
        return match unsaid() {
            Some(s) if side.is_some() => match (s.finding.status, s.finding.is_sure()) {
                (Status::Skipped, true) => lack(Why::NotDone, Some(s.finding.id)),
                _ => lack(Why::Unsettled, Some(s.finding.id)),
            },
            _ => lack(Why::NotExamined, None),
        };
    }
    if let Some(s) = here.iter().find(|s| !s.finding.is_sure()) {
        return lack(Why::Unsettled, Some(s.finding.id));
    }
    let mut fed: Vec<Fed> = Vec::new();
    for s in &here {
        match scores_of(sign, sex, s, lex) {
            Ok(scores) => {
                fed.push(Fed { finding: s.finding.id, side, scores, counts: true });
            }
            Err(why) => return lack(why, Some(s.finding.id)),
        }
    }
    Place::Known(fed)
}

/// The scores one finding leaves possible.
fn scores_of(sign: &Sign, sex: Option<Sex>, s: &Standing, lex: &Lexicon) -> Result<Vec<i32>, Why> {
    let f = &s.finding;
    if f.status == Status::Skipped {
        return Err(Why::NotDone);
    }
    if let Some(state) = s.state.filter(|_| s.in_wrong_state(lex)) {
        return Err(Why::WrongState(state));
    }
    let rows = |fits: &dyn Fn(&super::model::Row) -> bool| {
        let mut out: Vec<i32> = sign.rows(sex).filter(|r| fits(r)).map(|r| r.score).collect();
        out.sort_unstable();
        out.dedup();
        out
    };
    if f.status == Status::NotObtained {
        let scores = rows(&|r| r.not_elicited);
        return if scores.is_empty() { Err(Why::NotElicited) } else { Ok(scores) };
    }
    let by_value = f
        .value
        .as_ref()
        .map(|v| rows(&|r| r.values.contains(v)))
        .filter(|scores| !scores.is_empty());
    let by_number = f
        .number
        .map(|n| (n, n))
        .or(f.range)
        .map(|(low, high)| rows(&|r| r.numbers.iter().any(|n| n.meets(low, high))))
        .filter(|scores| !scores.is_empty());
    match (by_value, by_number) {
        (None, None) => Err(Why::NoScore),
        (Some(one), None) | (None, Some(one)) => Ok(one),
        (Some(a), Some(b)) => {
            let both: Vec<i32> = a.into_iter().filter(|x| b.contains(x)).collect();
            if both.is_empty() {
                return Err(Why::Contradiction("value and number score differently".into()));
            }
            Ok(both)
        }
    }
}
