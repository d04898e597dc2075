//! What an atom says of an item: the value, number or grade it stands for, if it can be one.

use crate::lexicon::matcher::{Hit, Meaning, Saying};
use crate::lexicon::model::{ItemId, Lexicon, STATED_ABNORMAL, STATED_NORMAL};
use crate::lexicon::schema::Stated;

use super::atoms::{Atom, Cut};
use super::numbers::Spoken;
use super::types::Finding;

/// A judgement resolved for an item.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Judged {
    /// Value code.
    pub value: Option<String>,
    /// Number in the item's unit.
    pub number: Option<f64>,
    /// Range in the item's unit.
    pub range: Option<(f64, f64)>,
    /// Said only to be normal or abnormal.
    pub stated: bool,
    /// Gives way to a more telling value.
    pub yields: bool,
    /// By a shared meaning, not by a phrase of the item's own.
    pub by_concept: bool,
    /// The value says that the finding is in the middle.
    pub midline: bool,
    /// Out of the plausible range, in words.
    pub implausible: Option<String>,
    /// By sound, in words.
    pub by_sound: Option<String>,
    /// Denied: the value was ruled out, nothing was found.
    pub denied: bool,
    /// What the note says in place of the value, where less was said than the value says.
    pub wording: Option<String>,
    /// Lexicon phrase that matched.
    pub matched: String,
    /// A unit was said with the number.
    pub unit_said: bool,
}

impl Judged {
    /// What an earlier finding says, to be said again.
    pub fn of(f: &Finding) -> Judged {
        Judged {
            value: f.value.clone(),
            wording: f.wording.clone(),
            number: f.number,
            range: f.range,
            ..Judged::default()
        }
    }

    /// Whether there is a number or a range in it.
    pub fn is_numeric(&self) -> bool {
        self.number.is_some() || self.range.is_some()
    }

    /// Whether value, number and range agree with another's.
    pub fn same_value(&self, other: &Judged) -> bool {
        self.value == other.value && self.number == other.number && self.range == other.range
    }

    /// Whether the two together say more than each alone: a value with its number, or the same
    /// thing twice.
    pub fn completes(&self, other: &Judged) -> bool {
        self.same_value(other)
            || (!self.stated
                && !other.stated
                && self.is_numeric() != other.is_numeric()
                && self.value.is_some() != other.value.is_some())
    }
}

/// The value or number of an item that means "not there".
pub fn absence(item: ItemId, lex: &Lexicon) -> Option<Judged> {
    let it = &lex.items[item];
    let none = Judged { matched: "no".into(), by_concept: true, ..Judged::default() };
    if it.number.as_ref().is_some_and(|n| n.none_is_zero) {
        return Some(Judged { number: Some(0.0), ..none });
    }
    it.values
        .iter()
        .find(|v| v.concepts.iter().any(|&c| lex.concepts[c].id == "absent"))
        .map(|v| Judged { value: Some(v.code.clone()), ..none })
}

/// As [`resolve`], but by the whole stretch only, not by what it holds.
pub fn resolve_whole(
    cut: &Cut,
    atom: &Atom,
    item: ItemId,
    negated: bool,
    unit_known: bool,
    lex: &Lexicon,
) -> Option<Judged> {
    if atom.number.is_some() {
        return resolve(cut, atom, item, negated, unit_known, lex);
    }
    from_hits(&atom.hits, item, negated, lex)
}

/// Resolves an atom as a judgement of an item; `None` when it cannot be one.
pub fn resolve(
    cut: &Cut,
    atom: &Atom,
    item: ItemId,
    negated: bool,
    unit_known: bool,
    lex: &Lexicon,
) -> Option<Judged> {
    if let Some(n) = atom.number {
        return resolve_number(cut, atom, n, item, unit_known, lex)
            .map(|j| Judged { denied: negated, ..j });
    }
    // The whole stretch first, then what it holds.
    from_hits(&atom.hits, item, negated, lex)
        .or_else(|| {
            // "not a flicker" as a whole is no "flicker".
            let first = cut.tokens[atom.from].surface.as_str();
            let denied = ["no", "not", "without", "never", "nothing"].contains(&first);
            atom.inner
                .iter()
                .filter(|h| !denied || h.from == atom.from)
                .find_map(|h| from_hits(&[*h], item, negated, lex))
        })
        .map(|mut j| {
            if j.by_sound.is_none() {
                j.by_sound.clone_from(&atom.by_sound);
            }
            // "not dislocatable" says less than "a click".
            j.yields |= ["no ", "not ", "without "].iter().any(|n| j.matched.starts_with(n));
            j
        })
}

fn from_hits(hits: &[Hit], item: ItemId, negated: bool, lex: &Lexicon) -> Option<Judged> {
    let it = &lex.items[item];
    let mut best: Option<(u8, Judged)> = None;
    let mut keep = |rank: u8, j: Judged| {
        if best.as_ref().is_none_or(|(r, _)| rank < *r) {
            best = Some((rank, j));
        }
    };
    for h in hits {
        let matched = lex.matcher.phrase(h.entry);
        match lex.matcher.meaning(h) {
            Meaning::Value { item: i, value, how } if i == item => keep(
                match how {
                    Saying::InContext | Saying::Alone => 0,
                    Saying::Yields => 1,
                    Saying::Sound => 3,
                },
                Judged {
                    value: Some(it.values[value].code.clone()),
                    wording: it.values[value].less.get(&matched).cloned(),
                    yields: how == Saying::Yields,
                    midline: it.values[value].midline,
                    by_sound: (how == Saying::Sound).then(|| matched.clone()),
                    denied: negated,
                    matched,
                    ..Judged::default()
                },
            ),
            Meaning::State { state, sound, .. } if Some(item) == lex.state_item => {
                let code = &lex.states[state].code;
                if it.value(code).is_some() {
                    keep(
                        0,
                        Judged {
                            value: Some(code.clone()),
                            by_sound: sound.then(|| matched.clone()),
                            denied: negated,
                            matched,
                            ..Judged::default()
                        },
                    );
                }
            }
            Meaning::Concept(c) => {
                let mut concept = c;
                let mut denied = negated;
                if negated && let Some(o) = lex.concepts[c].negated {
                    concept = o;
                    denied = false;
                }
                if let Some(v) = it.values.iter().position(|v| v.concepts.contains(&concept)) {
                    keep(
                        2,
                        Judged {
                            value: Some(it.values[v].code.clone()),
                            wording: it.values[v].less.get(&lex.concepts[concept].id).cloned(),
                            by_concept: true,
                            // "there, but weak"
                            yields: lex.concepts[concept].id == "present",
                            midline: it.values[v].midline,
                            denied,
                            matched,
                            ..Judged::default()
                        },
                    );
                } else if lex.concepts[concept].id == "absent"
                    && it.number.as_ref().is_some_and(|n| n.none_is_zero)
                {
                    keep(
                        2,
                        Judged {
                            number: Some(0.0),
                            by_concept: true,
                            denied,
                            matched,
                            ..Judged::default()
                        },
                    );
                } else if let Some(stated) = lex.concepts[concept].stated {
                    keep(
                        4,
                        Judged {
                            value: Some(
                                match stated {
                                    Stated::Normal => STATED_NORMAL,
                                    Stated::Abnormal => STATED_ABNORMAL,
                                }
                                .to_owned(),
                            ),
                            by_concept: true,
                            stated: true,
                            yields: true,
                            denied,
                            matched,
                            ..Judged::default()
                        },
                    );
                }
            }
            _ => {}
        }
    }
    best.map(|(_, j)| j)
}

/// "State four": by the published numbering the phrase names, or the default one.
fn state_by_number(
    cut: &Cut,
    atom: &Atom,
    n: Spoken,
    item: ItemId,
    lex: &Lexicon,
) -> Option<Judged> {
    let named = cut.atoms.iter().flat_map(|a| &a.hits).find_map(|h| match lex.matcher.meaning(h) {
        Meaning::Numbering(k) => Some(k),
        _ => None,
    });
    let numbering = match named {
        Some(k) => &lex.numberings[k],
        None => lex.numberings.iter().find(|k| k.default)?,
    };
    if atom.unit.is_some() || n.high.is_some() || n.value.fract() != 0.0 || n.value > 99.0 {
        return None;
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // whole, 0 to 99
    let state = *numbering.states.get(&(n.value as u32))?;
    let code = &lex.states[state].code;
    lex.items[item].value(code)?;
    Some(Judged {
        value: Some(code.clone()),
        matched: format!("state {} ({})", n.value, numbering.id),
        by_sound: atom.by_sound.clone(),
        ..Judged::default()
    })
}

fn resolve_number(
    cut: &Cut,
    atom: &Atom,
    n: Spoken,
    item: ItemId,
    unit_known: bool,
    lex: &Lexicon,
) -> Option<Judged> {
    if n.idle {
        return None;
    }
    let it = &lex.items[item];
    if Some(item) == lex.state_item {
        return state_by_number(cut, atom, n, item, lex);
    }
    if let (None, Some(v)) = (atom.unit, grade(n.value, n.high, item, lex)) {
        return Some(Judged {
            value: Some(it.values[v].code.clone()),
            matched: format!("grade {}", n.value),
            by_sound: atom.by_sound.clone(),
            ..Judged::default()
        });
    }
    let num = it.number.as_ref()?;
    let factor = match atom.unit {
        None if num.unit_needed && !unit_known => return None,
        None => 1.0,
        Some(u) if u == num.unit => 1.0,
        Some(u) => match lex.units[u].converts {
            Some((to, f)) if to == num.unit => f,
            _ => return None,
        },
    };
    // Conversion keeps a tenth more than the item is measured to.
    // Only the noise of the machine's arithmetic is rounded away: a number said in another unit is
    // the same number.
    let scale = 1e6;
    let convert = |x: f64| if factor == 1.0 { x } else { (x * factor * scale).round() / scale };
    let value = convert(n.value);
    let high = n.high.map(convert);
    let [lo, hi] = num.plausible;
    let outside = |x: f64| x < lo || x > hi;
    let implausible = (outside(value) || high.is_some_and(outside))
        .then(|| format!("{value}{u} is outside {lo} to {hi}{u}", u = lex.units[num.unit].say));
    Some(Judged {
        number: high.is_none().then_some(value),
        range: high.map(|h| (value, h)),
        implausible,
        unit_said: atom.unit.is_some(),
        matched: "number".into(),
        by_sound: atom.by_sound.clone(),
        ..Judged::default()
    })
}

fn grade(value: f64, high: Option<f64>, item: ItemId, lex: &Lexicon) -> Option<usize> {
    if high.is_some() || value.fract() != 0.0 || !(0.0..=99.0).contains(&value) {
        return None;
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // 0..=99, whole
    lex.items[item].grades.get(&(value as u32)).copied()
}
