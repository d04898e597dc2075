//! Which parts of a phrase speak of the subject at hand, now, as a fact.
//!
//! Teaching, questions, yesterday, other subjects and things left for later are set aside clause by
//! clause. Setting aside never loses words: they stay on the timeline with the reason.

use std::cmp::Reverse;

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

/// Verbs that say what is always so, after "a" and a name.
const STATES_A_RULE: [&str; 13] = [
    "is", "are", "feels", "stops", "crosses", "means", "looks", "goes", "does", "lasts",
    "resolves", "needs", "comes",
];

/// Decides for every atom how it is to be taken.
pub fn judge(cut: &Cut, lex: &Lexicon) -> Vec<Taken> {
    let mut out = vec![Taken::default(); cut.atoms.len()];
    for sentence in (0..cut.ends.len()).filter_map(|s| Sentence::of(cut, s, lex)) {
        sentence.judge(&mut out);
    }
    set_aside_what_was(cut, &mut out, lex);
    out
}

/// "It was splayed; I now find it apposed": the contrast may stand in the sentence after.
fn set_aside_what_was(cut: &Cut, out: &mut [Taken], lex: &Lexicon) {
    for place in 1..cut.ends.len() {
        let (Some(was), Some(now)) =
            (Sentence::of(cut, place - 1, lex), Sentence::of(cut, place, lex))
        else {
            continue;
        };
        let is_now = |c: &Vec<usize>| now.has(c, Family::Present) && now.judges(c);
        let named_anew = now.clauses.iter().any(|c| now.names(c));
        if named_anew || !now.clauses.first().is_some_and(is_now) {
            continue;
        }
        for clause in was.clauses.iter().filter(|c| was.has(c, Family::Was) && was.judges(c)) {
            if !was.has(clause, Family::Present) {
                clause.iter().for_each(|&i| {
                    out[i].aside.get_or_insert(Aside::Past);
                });
            }
        }
    }
}

/// A sentence that means something.
struct Sentence<'a> {
    cut: &'a Cut,
    lex: &'a Lexicon,
    /// Its place in the phrase.
    place: usize,
    /// Its atoms, clause by clause.
    clauses: Vec<Vec<usize>>,
}

impl<'a> Sentence<'a> {
    fn of(cut: &'a Cut, place: usize, lex: &'a Lexicon) -> Option<Self> {
        let mut clauses: Vec<Vec<usize>> = Vec::new();
        let mut open: Option<(usize, usize)> = None;
        let mut buts = 0;
        for i in (0..cut.atoms.len()).filter(|&i| cut.atoms[i].sentence == place) {
            // A "but" ends the reach of what was said before it, as a comma does.
            let clause = (cut.atoms[i].group, buts);
            if open.replace(clause) == Some(clause)
                && let Some(last) = clauses.last_mut()
            {
                last.push(i);
            } else {
                clauses.push(vec![i]);
            }
            buts += usize::from(cut.atoms[i].is(lex, Family::But));
        }
        (!clauses.is_empty()).then_some(Sentence { cut, lex, place, clauses })
    }

    fn judge(&self, out: &mut [Taken]) {
        if let Some(aside) = self.set_aside_whole() {
            self.clauses.iter().flatten().for_each(|&i| out[i].aside = Some(aside));
            return;
        }
        self.set_aside_recalled(out);
        self.set_aside_remarks(out);
        self.set_aside_by(Family::Past, Aside::Past, out);
        self.set_aside_by(Family::OtherSubject, Aside::Other, out);
        self.set_aside_contrasts(out);
        self.set_aside_later(out);
        for clause in &self.clauses {
            if let Some(hedge) = self.find(clause, Family::Hedge) {
                clause.iter().for_each(|&i| out[i].hedge = Some(self.cut.said(hedge)));
            }
        }
    }

    /// The first atom of a clause that is of that family.
    fn find(&self, clause: &[usize], family: Family) -> Option<usize> {
        clause.iter().copied().find(|&i| self.cut.atoms[i].is(self.lex, family))
    }

    fn has(&self, clause: &[usize], family: Family) -> bool {
        self.find(clause, family).is_some()
    }

    fn judges(&self, clause: &[usize]) -> bool {
        clause.iter().any(|&i| is_judgement(self.cut, i, self.lex))
    }

    fn names(&self, clause: &[usize]) -> bool {
        clause.iter().any(|&i| names_item(self.cut, i, self.lex))
    }

    /// The words of the sentence, with their tokens.
    fn words(&self) -> impl Iterator<Item = (usize, &'a str)> {
        let (cut, place) = (self.cut, self.place);
        (0..cut.tokens.len())
            .filter(move |&i| cut.sentences[i] == place && cut.tokens[i].brk.is_none())
            .map(move |i| (i, cut.tokens[i].surface.as_str()))
    }

    /// Why the sentence as a whole is no finding, if it is none.
    fn set_aside_whole(&self) -> Option<Aside> {
        if self.cut.ends[self.place] == Some(Break::Question) {
            return Some(Aside::Question);
        }
        // "Don't test the suck after a feed": advice.
        let mut words = self.words().map(|(_, w)| w);
        let (first, second) = (words.next(), words.next());
        if first == Some("never") || (first, second) == (Some("do"), Some("not")) {
            return Some(Aside::Teach);
        }
        // "A cephalhaematoma stops at the suture": a rule, not a finding.
        let spoken_of_before = |token: usize| {
            self.clauses.iter().flatten().any(|&k| {
                self.cut.atoms[k].to <= token
                    && (is_judgement(self.cut, k, self.lex) || names_item(self.cut, k, self.lex))
            })
        };
        let rule = matches!(first, Some("a" | "an"))
            && self.words().any(|(i, w)| STATES_A_RULE.contains(&w) && spoken_of_before(i));
        rule.then_some(Aside::Teach)
    }

    /// "Did I say right hundred and ten": asked of what was said before, up to its judgement.
    fn set_aside_recalled(&self, out: &mut [Taken]) {
        let atoms: Vec<usize> = self.clauses.iter().flatten().copied().collect();
        if let Some(at) = atoms.iter().position(|&i| self.cut.atoms[i].is(self.lex, Family::Recall))
        {
            let quoted = atoms[at..].iter().position(|&i| is_judgement(self.cut, i, self.lex));
            let end = quoted.map_or(atoms.len(), |k| at + k + 1);
            atoms[at..end].iter().for_each(|&i| out[i].aside = Some(Aside::Question));
        }
    }

    /// Teaching remarks: what should, might or would be.
    fn set_aside_remarks(&self, out: &mut [Taken]) {
        let Some(at) = self.clauses.iter().position(|c| self.has(c, Family::Teach)) else { return };
        let remark = &self.clauses[at];
        let cue = self.find(remark, Family::Teach).map(|i| self.cut.said(i)).unwrap_or_default();
        let of_any =
            self.words().next().is_some_and(|(_, w)| ["a", "an", "any", "some"].contains(&w));
        // "hers is ninety, which is what it should be": the finding stands before.
        let comment = first_word_of_group(self.cut, self.cut.atoms[remark[0]].group)
            .is_some_and(|w| ["which", "as", "so", "and", "but", "it"].contains(&w));
        let mut ended = false;
        for (k, clause) in self.clauses.iter().enumerate() {
            let teach = self.has(clause, Family::Teach);
            // "Galant, he'd have to come out for that, so no."
            if !teach && (self.has(clause, Family::WeakSkip) || self.has(clause, Family::Skip)) {
                continue;
            }
            ended |= k > at && !teach && self.has(clause, Family::Present);
            let judged = self.judges(clause);
            let aside = if teach {
                true
            } else if k > at {
                !ended
            } else if of_any {
                true
            } else {
                let stands = judged && (comment || self.names(clause));
                if stands && !comment {
                    clause.iter().for_each(|&i| out[i].remark = Some(cue.clone()));
                }
                judged && !stands
            };
            if aside {
                clause.iter().for_each(|&i| out[i].aside = Some(Aside::Teach));
            }
        }
    }

    /// What the family speaks of: the past, or others. A word for now and here ends its reach.
    fn set_aside_by(&self, family: Family, aside: Aside, out: &mut [Taken]) {
        // A cue without a judgement opens the rest of the sentence: "Yesterday, the Moro was absent".
        let mut open = false;
        for clause in &self.clauses {
            let of = |f: Family| -> Vec<usize> {
                clause.iter().copied().filter(|&i| self.cut.atoms[i].is(self.lex, f)).collect()
            };
            let (cues, now) = (of(family), of(Family::Present));
            match (&cues[..], &now[..]) {
                ([], []) if open => clause.iter().for_each(|&i| out[i].aside = Some(aside)),
                ([], []) => {}
                ([], _) => open = false,
                (_, []) => {
                    clause.iter().for_each(|&i| out[i].aside = Some(aside));
                    open |= !self.judges(clause);
                }
                _ => {
                    self.part_by_cue(clause, &cues, &now).for_each(|i| out[i].aside = Some(aside));
                    open = false;
                }
            }
        }
    }

    /// Both times in one clause: the atoms that go with a cue, not with a word for now. Each goes
    /// with the nearest on that side where the clause has them, seen from its first judgement.
    fn part_by_cue<'s>(
        &'s self,
        clause: &'s [usize],
        cues: &'s [usize],
        now: &'s [usize],
    ) -> impl Iterator<Item = usize> + 's {
        let first_cue = cues[0].min(now[0]);
        let first_judgement = clause.iter().copied().find(|&i| is_judgement(self.cut, i, self.lex));
        let cue_first = first_judgement.is_none_or(|j| first_cue < j);
        clause.iter().copied().filter(move |&i| {
            let nearest = |list: &[usize]| {
                let on_side = |c: &&usize| if cue_first { **c <= i } else { **c >= i };
                // None is farther than any.
                list.iter().filter(on_side).map(|c| Reverse(c.abs_diff(i))).max()
            };
            nearest(cues) > nearest(now)
        })
    }

    /// "It was full, and now it's soft": the contrast makes the first the past.
    fn set_aside_contrasts(&self, out: &mut [Taken]) {
        for (k, clause) in self.clauses.iter().enumerate() {
            let contrast = self.has(clause, Family::Was)
                && !self.has(clause, Family::Present)
                && self.judges(clause)
                && self.clauses[k + 1..]
                    .iter()
                    .any(|later| self.has(later, Family::Present) && self.judges(later));
            if contrast {
                for &i in clause {
                    out[i].aside.get_or_insert(Aside::Past);
                }
            }
        }
    }

    /// "I'll leave the scarf until she settles" is for later; "I'll leave the gag" is not.
    fn set_aside_later(&self, out: &mut [Taken]) {
        let skip_said = self.clauses.iter().flatten().any(|&i| {
            self.cut.atoms[i].is(self.lex, Family::Skip) && !self.cut.said(i).contains("leav")
        });
        if skip_said {
            return;
        }
        for clause in self.clauses.iter().filter(|c| self.has(c, Family::Defer)) {
            for &i in clause {
                out[i].aside.get_or_insert(Aside::Later);
            }
        }
    }
}

/// Whether the atom can be a judgement: a value, a shared meaning or a number.
fn is_judgement(cut: &Cut, atom: usize, lex: &Lexicon) -> bool {
    let a = &cut.atoms[atom];
    a.number.is_some_and(|n| !n.idle)
        || a.meanings(lex).any(|(m, _)| matches!(m, Meaning::Value { .. } | Meaning::Concept(_)))
}

/// Whether the atom names an item outright.
fn names_item(cut: &Cut, atom: usize, lex: &Lexicon) -> bool {
    cut.atoms[atom].items(lex).iter().any(|(_, n, _)| *n != Naming::Weak)
}

fn first_word_of_group(cut: &Cut, group: usize) -> Option<&str> {
    (0..cut.tokens.len())
        .find(|&i| cut.groups[i] == group && cut.tokens[i].brk.is_none())
        .map(|i| cut.tokens[i].surface.as_str())
}
