//! Which parts of a phrase speak of this infant, now, as a fact.
//!
//! Teaching, questions, yesterday, other babies and things left for later are set aside clause by
//! clause. Setting aside never loses words: they stay on the timeline with the reason.

use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Meaning, Naming};
use crate::lexicon::model::Lexicon;
use crate::lexicon::text::Break;

use super::atoms::Cut;

/// Why a clause is set aside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Aside {
    /// Earlier than this examination.
    Past,
    /// Somebody else.
    Other,
    /// What should, might or would be.
    Teach,
    /// A question.
    Question,
    /// Left for later.
    Later,
}

impl Aside {
    /// For people.
    pub fn words(self) -> &'static str {
        match self {
            Aside::Past => "earlier than this exam",
            Aside::Other => "about somebody else",
            Aside::Teach => "a remark, not a finding",
            Aside::Question => "a question",
            Aside::Later => "left for later",
        }
    }
}

/// How each atom is to be taken.
#[derive(Debug, Clone, Default)]
pub struct Taken {
    /// Set aside, and why.
    pub aside: Option<Aside>,
    /// Words beside it that make it doubtful.
    pub hedge: Option<String>,
    /// A remark on the same breath.
    pub remark: Option<String>,
}

/// Decides for every atom how it is to be taken.
pub fn judge(cut: &Cut, lex: &Lexicon) -> Vec<Taken> {
    let mut out = vec![Taken::default(); cut.atoms.len()];
    let sentences = cut.ends.len();
    let text_of = |i: usize| words_of(cut, i);
    for s in 0..sentences {
        let idx: Vec<usize> =
            (0..cut.atoms.len()).filter(|&i| cut.atoms[i].sentence == s).collect();
        if idx.is_empty() {
            continue;
        }
        if cut.ends[s] == Some(Break::Question) {
            idx.iter().for_each(|&i| out[i].aside = Some(Aside::Question));
            continue;
        }
        // A "but" ends the reach of what was said before it, as a comma does.
        let buts =
            |i: usize| idx.iter().filter(|&&k| k < i && cut.atoms[k].is(lex, Family::But)).count();
        let group_of: Vec<usize> = (0..cut.atoms.len())
            .map(|i| if idx.contains(&i) { cut.atoms[i].group * 16 + buts(i).min(15) } else { 0 })
            .collect();
        let mut groups: Vec<usize> = idx.iter().map(|&i| group_of[i]).collect();
        groups.dedup();
        let in_group = |g: usize| {
            let of = &group_of;
            idx.iter().copied().filter(move |&i| of[i] == g)
        };
        let has = |g: usize, f: Family| in_group(g).find(|&i| cut.atoms[i].is(lex, f));
        let judged = |g: usize| in_group(g).any(|i| is_judgement(cut, i, lex));
        let named = |g: usize| in_group(g).any(|i| names_item(cut, i, lex));
        // "Don't test the suck after a feed": advice.
        let words: Vec<&str> = (0..cut.tokens.len())
            .filter(|&i| cut.sentences[i] == s && cut.tokens[i].brk.is_none())
            .take(2)
            .map(|i| cut.tokens[i].surface.as_str())
            .collect();
        if words == ["do", "not"] || words.first() == Some(&"never") {
            idx.iter().for_each(|&i| out[i].aside = Some(Aside::Teach));
            continue;
        }
        // "A cephalhaematoma stops at the suture": a rule, not a finding.
        let opens_with_a = first_word(cut, s).is_some_and(|w| w == "a" || w == "an");
        let rule = opens_with_a
            && (0..cut.tokens.len()).any(|i| {
                cut.sentences[i] == s
                    && [
                        "is", "are", "feels", "stops", "crosses", "means", "looks", "goes", "does",
                        "lasts", "resolves", "needs", "comes",
                    ]
                    .contains(&cut.tokens[i].surface.as_str())
                    && idx.iter().any(|&k| {
                        cut.atoms[k].to <= i
                            && (is_judgement(cut, k, lex) || names_item(cut, k, lex))
                    })
            });
        if rule {
            idx.iter().for_each(|&i| out[i].aside = Some(Aside::Teach));
            continue;
        }
        // --- remarks
        if let Some(tg) = groups.iter().copied().find(|&g| has(g, Family::Teach).is_some()) {
            let starts_indefinite = first_word(cut, s).is_some_and(|w| {
                ["a", "an", "any", "some", "some", "no"].contains(&w) && w != "no"
            });
            let cue = has(tg, Family::Teach).map(text_of).unwrap_or_default();
            let comment = first_word_of_group(cut, tg / 16)
                .is_some_and(|w| ["which", "as", "so", "and", "but", "it"].contains(&w));
            let mut ended = false;
            for &g in &groups {
                let teach = has(g, Family::Teach).is_some();
                // "Galant, he'd have to come out for that, so no."
                if !teach && (has(g, Family::WeakSkip).is_some() || has(g, Family::Skip).is_some())
                {
                    continue;
                }
                if g > tg && !teach && has(g, Family::Present).is_some() {
                    ended = true;
                }
                let aside = if teach {
                    // "hers is ninety, which is what it should be": the finding stands before.
                    true
                } else if g > tg {
                    !ended
                } else if starts_indefinite {
                    true
                } else if comment && judged(g) {
                    false
                } else if named(g) && judged(g) {
                    in_group(g).for_each(|i| out[i].remark = Some(cue.clone()));
                    false
                } else {
                    judged(g)
                };
                if aside {
                    in_group(g).for_each(|i| out[i].aside = Some(Aside::Teach));
                }
            }
        }
        // --- the past, and others
        for (family, aside) in [(Family::Past, Aside::Past), (Family::OtherSubject, Aside::Other)] {
            let mut open = false;
            for &g in &groups {
                let cues: Vec<usize> =
                    in_group(g).filter(|&i| cut.atoms[i].is(lex, family)).collect();
                let now: Vec<usize> =
                    in_group(g).filter(|&i| cut.atoms[i].is(lex, Family::Present)).collect();
                if cues.is_empty() {
                    if !now.is_empty() {
                        open = false;
                    }
                    if open {
                        in_group(g).for_each(|i| out[i].aside = Some(aside));
                    }
                    continue;
                }
                if now.is_empty() {
                    in_group(g).for_each(|i| out[i].aside = Some(aside));
                    // "Yesterday, the Moro was absent": the first clause opens the past for the
                    // rest of the sentence.
                    if !judged(g) {
                        open = true;
                    }
                    continue;
                }
                // Both times in one clause: each judgement goes with the cue on its side.
                let first_cue = cues[0].min(now[0]);
                let first_j = in_group(g).find(|&i| is_judgement(cut, i, lex));
                let before = first_j.is_none_or(|j| first_cue < j);
                for i in in_group(g) {
                    let cue = |list: &[usize]| {
                        if before {
                            list.iter()
                                .copied()
                                .filter(|&c| c <= i)
                                .max()
                                .map_or(-1, |c| c as isize)
                        } else {
                            list.iter()
                                .copied()
                                .filter(|&c| c >= i)
                                .min()
                                .map_or(isize::MIN, |c| -(c as isize))
                        }
                    };
                    if cue(&cues) > cue(&now) {
                        out[i].aside = Some(aside);
                    }
                }
                open = false;
            }
        }
        // "It was full, and now it's soft": the contrast makes the first the past.
        for (k, &g) in groups.iter().enumerate() {
            let contrast = has(g, Family::Was).is_some()
                && has(g, Family::Present).is_none()
                && judged(g)
                && groups[k + 1..].iter().any(|&h| has(h, Family::Present).is_some() && judged(h));
            if contrast {
                in_group(g).for_each(|i| {
                    out[i].aside.get_or_insert(Aside::Past);
                });
            }
        }
        // --- left for later
        // "I'll leave the scarf until she settles" is for later; "I'll leave the gag" is not.
        let skip_said = idx
            .iter()
            .any(|&i| cut.atoms[i].is(lex, Family::Skip) && !words_of(cut, i).contains("leav"));
        for &g in &groups {
            if !skip_said && has(g, Family::Defer).is_some() {
                in_group(g).for_each(|i| {
                    out[i].aside.get_or_insert(Aside::Later);
                });
            }
            if let Some(h) = has(g, Family::Hedge) {
                in_group(g).for_each(|i| out[i].hedge = Some(text_of(h)));
            }
        }
    }
    out
}

/// The words of an atom as said.
pub fn words_of(cut: &Cut, atom: usize) -> String {
    let a = &cut.atoms[atom];
    cut.tokens[a.from..a.to]
        .iter()
        .filter(|t| t.brk.is_none())
        .map(|t| t.surface.as_str())
        .collect::<Vec<_>>()
        .join(" ")
}

/// Whether the atom can be a judgement: a value, a shared meaning or a number.
pub fn is_judgement(cut: &Cut, atom: usize, lex: &Lexicon) -> bool {
    let a = &cut.atoms[atom];
    a.number.is_some_and(|n| !n.idle)
        || a.meanings(lex).any(|(m, _)| matches!(m, Meaning::Value { .. } | Meaning::Concept(_)))
}

/// Whether the atom names an item outright.
pub fn names_item(cut: &Cut, atom: usize, lex: &Lexicon) -> bool {
    cut.atoms[atom].items(lex).iter().any(|(_, n, _)| *n != Naming::Weak)
}

fn first_word(cut: &Cut, sentence: usize) -> Option<&str> {
    (0..cut.tokens.len())
        .find(|&i| cut.sentences[i] == sentence && cut.tokens[i].brk.is_none())
        .map(|i| cut.tokens[i].surface.as_str())
}

fn first_word_of_group(cut: &Cut, group: usize) -> Option<&str> {
    (0..cut.tokens.len())
        .find(|&i| cut.groups[i] == group && cut.tokens[i].brk.is_none())
        .map(|i| cut.tokens[i].surface.as_str())
}
