//! The reason given for leaving an item out, in the speaker's words.

use crate::lexicon::family::Family;
use crate::lexicon::matcher::Naming;
use crate::lexicon::text::Break;

use super::heard::Heard;
use super::pieces::Segment;

/// The reason for what a segment leaves out, if one was given: after a *because*, by a reason the
/// lexicon knows, or in the clause that follows the omission.
pub(super) fn reason_in(h: &Heard<'_>, seg: &Segment) -> Option<String> {
    after_because(h, seg).or_else(|| known_reason(h)).or_else(|| clause_after(h, seg))
}

/// The words of a stretch; what was drawn together is written so.
fn words(h: &Heard<'_>, from: usize, to: usize) -> String {
    h.cut.words(from, to).replace(" 's", "'s").replace(" 'd", "'d")
}

/// One past the last token of the comma group that begins at `from`.
fn end_of_group(h: &Heard<'_>, from: usize) -> usize {
    let groups = &h.cut.groups;
    (from..groups.len()).find(|&i| groups[i] != groups[from]).unwrap_or(groups.len())
}

/// "… because …"
fn after_because(h: &Heard<'_>, seg: &Segment) -> Option<String> {
    let tokens = &h.cut.tokens;
    let because =
        h.cut.atoms.iter().find(|a| a.is(h.lex, Family::Because) && a.sentence >= seg.sentence)?;
    let to = (because.to..tokens.len())
        .find(|&i| tokens[i].brk.is_some_and(|b| b != Break::Comma))
        .unwrap_or(tokens.len());
    Some(words(h, because.to, to)).filter(|t| !t.is_empty())
}

/// A reason of the lexicon: the clause it stands in.
fn known_reason(h: &Heard<'_>) -> Option<String> {
    let a = h.cut.atoms.iter().find(|a| a.is_reason(h.lex))?;
    let from = h.cut.groups.iter().position(|g| *g == a.group).unwrap_or(a.from);
    Some(words(h, from, end_of_group(h, from)))
}

/// Whatever follows the omission in a clause of its own, unless that names an item.
fn clause_after(h: &Heard<'_>, seg: &Segment) -> Option<String> {
    let cut = h.cut;
    let omission = cut.atoms.iter().rfind(|a| {
        a.sentence == seg.sentence && (a.is(h.lex, Family::Skip) || a.is(h.lex, Family::WeakSkip))
    })?;
    let from = (0..cut.tokens.len())
        .find(|&i| cut.groups[i] > omission.group && cut.tokens[i].brk.is_none())?;
    let names_item = cut.atoms.iter().any(|a| {
        a.group == cut.groups[from] && a.items(h.lex).iter().any(|(_, n, _)| *n != Naming::Weak)
    });
    let text = words(h, from, end_of_group(h, from));
    (!names_item && !text.is_empty()).then_some(text)
}
