//! The gaps of one item.
//!
//! An item with sides has two places, left and right; one without has one. Each place is looked at
//! by itself, then places that tell the same are joined into one gap.

use std::collections::HashSet;

use crate::exam::{Exam, Standing};
use crate::grade::growth::Score;
use crate::grade::{self, Outcome};
use crate::lexicon::model::{Item, ItemId, Lexicon, Need, Protocol};
use crate::reading::types::{Doubt, Finding, Side, Status};

use super::{Gap, GapKind, settle, words};

/// The items in the order their gaps are listed, with the protocol's need: those of the protocol,
/// then the rest of the lexicon (a finding the protocol never asked for can still be doubtful).
pub fn in_order(protocol: Option<&Protocol>, lex: &Lexicon) -> Vec<(ItemId, Option<Need>)> {
    let mut out: Vec<(ItemId, Option<Need>)> = protocol
        .into_iter()
        .flat_map(|p| p.items.iter().map(|(item, need, _)| (*item, Some(*need))))
        .collect();
    let seen: HashSet<ItemId> = out.iter().map(|(item, _)| *item).collect();
    out.extend((0..lex.items.len()).filter(|i| !seen.contains(i)).map(|i| (i, None)));
    out
}

/// What one item comes to.
pub struct OfItem {
    /// Its gaps.
    pub list: Vec<Gap>,
    /// Whether every place was found and can count.
    pub whole: bool,
}

/// The places at which an item is looked for.
pub fn places(item: &Item) -> &'static [Option<Side>] {
    if item.sided { &[Some(Side::Left), Some(Side::Right)] } else { &[None] }
}

/// What is known of one place.
pub enum Place<'a> {
    /// Observed, or tried and not elicited.
    Found,
    /// A side was found, and it was not said which: it may be this one.
    PerhapsFound,
    /// Left for later, and nothing said of it since.
    Later { at_ms: u64, words: &'a str },
    /// Said not to be done.
    Skipped(&'a Standing),
    /// Nothing.
    Nothing,
}

/// Looks at one place of an item.
pub fn place<'a>(exam: &'a Exam, lex: &Lexicon, item: ItemId, side: Option<Side>) -> Place<'a> {
    let here = |f: &Finding| match f.side {
        // A finding in the middle, or an item without sides, speaks of the whole item.
        None | Some(Side::Both | Side::Midline) => true,
        Some(Side::Unstated) => f.status == Status::Skipped,
        s => s == side,
    };
    let of = || exam.of(item).filter(|s| here(&s.finding));
    if of().any(|s| s.finding.status == Status::Observed) {
        return Place::Found;
    }
    let unnamed = || {
        exam.of(item)
            .map(|s| &s.finding)
            .filter(|f| f.side == Some(Side::Unstated) && f.status != Status::Skipped)
    };
    // The last word counts: what was tried or skipped and then left for later is still to do.
    let later = exam.left.iter().rfind(|l| {
        l.item == item
            && (l.side.is_none() || l.side == side)
            && of().all(|s| match s.finding.status {
                Status::NotObtained => s.finding.id.phrase <= l.seq,
                _ => s.finding.id.phrase < l.seq,
            })
            && !unnamed().any(|f| f.id.phrase > l.seq)
    });
    if let Some(l) = later {
        let at_ms = exam.event(l.seq).map_or(0, |e| e.phrase.start_ms);
        return Place::Later { at_ms, words: &l.words };
    }
    if of().any(|s| s.finding.status == Status::NotObtained) {
        return Place::Found;
    }
    if unnamed().next().is_some() {
        return Place::PerhapsFound;
    }
    if let Some(s) = of().last() {
        return Place::Skipped(s);
    }
    // The state of the one examined is kept as a track; once it was said, the item is found.
    if lex.state_item == Some(item) && !exam.states.is_empty() {
        return Place::Found;
    }
    Place::Nothing
}

/// All gaps of an item.
pub fn of_item(exam: &Exam, lex: &Lexicon, item: ItemId, need: Option<Need>) -> OfItem {
    let it = &lex.items[item];
    let required = need == Some(Need::Required);
    let at: Vec<(Option<Side>, Place<'_>)> =
        places(it).iter().map(|&side| (side, place(exam, lex, item, side))).collect();
    let found = |p: &Place<'_>| matches!(p, Place::Found | Place::PerhapsFound);
    let any = at.iter().any(|(_, p)| found(p));
    let mut whole = at.iter().all(|(_, p)| found(p));
    let mut list: Vec<Gap> = Vec::new();
    for (side, p) in &at {
        if let Some(gap) = missing(exam, lex, item, *side, p, any, required) {
            list.push(gap);
        }
    }
    join_sides(&mut list, it, |gap| retell(exam, lex, item, gap));
    for s in exam.of(item).filter(|s| s.finding.status != Status::Skipped) {
        let before = list.len();
        of_finding(&mut list, exam, s, lex);
        // A reason closes the gap, yet does not make the finding count.
        whole &= !list[before..].iter().any(|g| g.kind == GapKind::WrongState);
    }
    list.extend(exam.holds.iter().filter(|h| h.item == item && h.too_short).map(|h| Gap {
        kind: GapKind::ShortHold,
        item: Some(item),
        side: h.side,
        reason: None,
        text: format!(
            "{}: held {}, at least {} s are wanted",
            words::item(item, h.side, lex),
            words::seconds(h.ms),
            it.hold.as_ref().map_or(0.0, |r| r.at_least)
        ),
        settle: String::new(),
        open: false,
    }));
    for s in exam.of(item).filter(|s| s.finding.status == Status::Skipped) {
        // "Not done" said with doubt is a doubt too.
        doubts(&mut list, s, false, lex);
    }
    OfItem { list, whole }
}

/// The reason a person gave afterwards for this place, the last one counting.
fn reason_given(exam: &Exam, item: ItemId, side: Option<Side>) -> Option<String> {
    exam.reasons
        .iter()
        .rfind(|r| {
            r.item == item
                && match (r.side, side) {
                    (None | Some(Side::Both), _) => true,
                    // The whole item is meant: a reason for one side is not one for both.
                    (Some(_), None | Some(Side::Both | Side::Midline | Side::Unstated)) => false,
                    (a, b) => a == b,
                }
        })
        .map(|r| format!("{} ({})", r.reason, r.who))
}

fn missing(
    exam: &Exam,
    lex: &Lexicon,
    item: ItemId,
    side: Option<Side>,
    p: &Place<'_>,
    other_found: bool,
    required: bool,
) -> Option<Gap> {
    let announced = exam.announced.iter().any(|a| a.item == item);
    let (kind, said) = match p {
        Place::Found | Place::PerhapsFound => return None,
        Place::Later { .. } => (GapKind::LeftForLater, None),
        // Whether it was said at all is in doubt, and the doubt is told.
        Place::Skipped(s) if !s.finding.is_sure() => return None,
        Place::Skipped(s) => match &s.finding.reason {
            Some(r) => (GapKind::NotDone, Some(r.clone())),
            None => (GapKind::SkippedWithoutReason, None),
        },
        Place::Nothing if other_found => (GapKind::OneSideOnly, None),
        Place::Nothing if announced => (GapKind::Announced, None),
        Place::Nothing if required => (GapKind::NotDone, None),
        Place::Nothing => return None,
    };
    let given = reason_given(exam, item, side);
    let reason = said.or(given);
    let kind = match (kind, &reason) {
        (GapKind::SkippedWithoutReason, Some(_)) => GapKind::NotDone,
        (k, _) => k,
    };
    // What the protocol does not require may be skipped without a word.
    let open = reason.is_none() && (required || kind != GapKind::SkippedWithoutReason);
    let mut gap = Gap {
        kind,
        item: Some(item),
        side,
        reason,
        text: String::new(),
        settle: String::new(),
        open,
    };
    retell(exam, lex, item, &mut gap);
    Some(gap)
}

/// Joins the gaps of left and right into one when they tell the same.
fn join_sides(list: &mut Vec<Gap>, item: &Item, retell: impl Fn(&mut Gap)) {
    if item.sided
        && let [l, r] = list.as_mut_slice()
        && l.kind == r.kind
        && l.reason == r.reason
    {
        l.side = None;
        retell(l);
        list.truncate(1);
    }
}

/// Words and command of a gap, by its kind and side.
fn retell(exam: &Exam, lex: &Lexicon, item: ItemId, gap: &mut Gap) {
    let it = &lex.items[item];
    let name = words::item(item, gap.side, lex);
    let told = match gap.kind {
        GapKind::SkippedWithoutReason => "said not to be done, without a reason".into(),
        GapKind::OneSideOnly => {
            let found = gap.side.and_then(Side::opposite).map_or("one side", Side::word);
            format!("not done, only the {found}")
        }
        GapKind::Announced => {
            let at = exam.announced.iter().rfind(|a| a.item == item).map_or(0, |a| a.at_ms);
            let stimuli = exam
                .timeline
                .iter()
                .filter(|e| e.reading.at_hand == Some(item))
                .map(|e| e.reading.stimuli.len())
                .sum::<usize>();
            let counted = match stimuli {
                0 => String::new(),
                n => format!("; stimuli counted: {n}, and the series did not end"),
            };
            format!("announced at {} and never judged{counted}", words::clock(at))
        }
        GapKind::LeftForLater => match place(exam, lex, item, gap.side.or(places(it)[0])) {
            Place::Later { at_ms, words } => {
                format!("left for later at {} (\"{words}\") and never done", words::clock(at_ms))
            }
            _ => "left for later and never done".into(),
        },
        _ => "not done".into(),
    };
    gap.text = match &gap.reason {
        Some(r) => format!("{name}: {told}; reason: {r}"),
        None => format!("{name}: {told}"),
    };
    gap.settle = if gap.open { settle::reason(it, gap.side) } else { String::new() };
}

/// The gaps of one finding.
fn of_finding(list: &mut Vec<Gap>, exam: &Exam, s: &Standing, lex: &Lexicon) {
    let f = &s.finding;
    let it = &lex.items[f.item];
    let name = words::item(f.item, f.side, lex);
    let gap = |kind, text, settle, open| Gap {
        kind,
        item: Some(f.item),
        side: f.side,
        reason: None,
        text,
        settle: if open { settle } else { String::new() },
        open,
    };
    if f.status == Status::NotObtained {
        let why = f.reason.as_ref().map_or(String::new(), |r| format!(": {r}"));
        list.push(Gap {
            reason: f.reason.clone(),
            ..gap(
                GapKind::NotObtained,
                format!("{name}: tried and not elicited{why}"),
                String::new(),
                false,
            )
        });
    }
    if f.status == Status::Observed && f.value.is_none() && f.number.is_none() && f.range.is_none()
    {
        let at = words::clock(f.at_ms);
        list.push(gap(
            GapKind::NoValue,
            format!("{name}: examined at {at}, no value said"),
            settle::value(f.id, it),
            true,
        ));
    }
    if s.in_wrong_state(lex) {
        let reason = reason_given(exam, f.item, f.side);
        let state = s.state.map_or("", |k| lex.states[k].name.as_str());
        let valid: Vec<&str> =
            it.valid_states.iter().map(|&k| lex.states[k].name.as_str()).collect();
        let tail = reason.as_ref().map_or(String::new(), |r| format!(": {r}"));
        list.push(Gap {
            reason: reason.clone(),
            ..gap(
                GapKind::WrongState,
                format!(
                    "{name}: {} in the state {state}, not valid: judged in {}{tail}",
                    words::found(f, lex),
                    words::either(&valid)
                ),
                settle::reason(it, f.side),
                reason.is_none(),
            )
        });
    }
    let implausible = it.number.as_ref().filter(|n| {
        let [low, high] = n.plausible;
        let out = |x: f64| x < low || x > high;
        f.number.is_some_and(out) || f.range.is_some_and(|(a, b)| out(a) || out(b))
    });
    if let Some(n) = implausible {
        let [low, high] = n.plausible;
        let settled = s.settled_by.as_ref();
        let tail = settled.map_or(String::new(), |who| format!("; kept by {who}"));
        let unit = &lex.units[n.unit].say;
        list.push(gap(
            GapKind::OutOfRange,
            format!(
                "{name}: {} is outside the plausible {low} to {high}{unit}{tail}",
                words::found(f, lex)
            ),
            settle::keep(f),
            settled.is_none(),
        ));
    }
    let far = score(exam, s, lex).filter(|g| g.stands.is_none());
    if let Some(score) = far.filter(|_| implausible.is_none()) {
        let z = score
            .points
            .iter()
            .map(|p| p.z)
            .fold(0.0_f64, |a, b| if b.abs() > a.abs() { b } else { a });
        let settled = s.settled_by.as_ref();
        let tail = settled.map_or(String::new(), |who| format!("; kept by {who}"));
        list.push(gap(
            GapKind::Implausible,
            format!(
                "{name}: {} is implausible, z {z:+.1} by {}{tail}",
                words::found(f, lex),
                lex.references[score.reference].name
            ),
            settle::as_read(f),
            settled.is_none(),
        ));
    }
    doubts(list, s, implausible.is_some(), lex);
}

/// The growth score of a finding that has one.
fn score(exam: &Exam, s: &Standing, lex: &Lexicon) -> Option<Score> {
    lex.items[s.finding.item].growth.as_ref()?;
    let all = grade::growth(exam, lex, &grade::ages(&exam.header));
    match all.into_iter().find(|g| g.finding == s.finding.id)?.outcome {
        Outcome::Scored(score) => Some(score),
        _ => None,
    }
}

/// The doubts of a finding as one gap. `told`: an implausible number was told already
/// and is not told twice.
fn doubts(list: &mut Vec<Gap>, s: &Standing, told: bool, lex: &Lexicon) {
    let f = &s.finding;
    let doubts: Vec<String> = f
        .doubts
        .iter()
        .filter(|d| !(told && matches!(d, Doubt::Implausible(_))))
        .map(Doubt::to_string)
        .collect();
    if doubts.is_empty() {
        return;
    }
    let side_open = f.doubts.iter().any(|d| matches!(d, Doubt::SideNotSaid | Doubt::SidesNotNamed));
    list.push(Gap {
        kind: GapKind::Unsettled,
        item: Some(f.item),
        side: f.side,
        reason: None,
        text: format!(
            "{}: {} ({}) is not settled: {}",
            words::item(f.item, f.side, lex),
            words::found(f, lex),
            f.id,
            doubts.join("; ")
        ),
        settle: match (side_open, doubts.len()) {
            (true, 1) => settle::side(f.id),
            (true, _) => settle::side_and_rest(f),
            (false, _) => settle::as_read(f),
        },
        open: true,
    });
}
