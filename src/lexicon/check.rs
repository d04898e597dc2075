//! Checks of a lexicon that compiles: phrases that mean two things, values nobody can say, rows
//! without a source.

use std::collections::{BTreeMap, HashMap};

use super::compile::{Compiled, Written};
use super::files::Files;
use super::matcher::{Meaning, Naming, Saying};
use super::model::Lexicon;
use super::schema::{self, Text};
use crate::problem::{Problem, nearest};

/// All that is wrong with a compiled lexicon; empty when nothing is.
pub fn check(files: &Files, compiled: &Compiled) -> Vec<Problem> {
    let mut out = Vec::new();
    two_meanings(files, compiled, &mut out);
    names_as_values(files, compiled, &mut out);
    unreachable_values(files, compiled, &mut out);
    sources(files, compiled, &mut out);
    bands(files, compiled, &mut out);
    states(files, compiled, &mut out);
    protocols(files, compiled, &mut out);
    out
}

/// What a meaning is called in a message, and whether two such meanings clash.
fn label(m: Meaning, lex: &Lexicon) -> Option<String> {
    Some(match m {
        Meaning::Item(i, Naming::Plain | Naming::Plural) => format!("the item {}", lex.items[i].id),
        Meaning::Group(g) => format!("the group {}", lex.groups[g].id),
        Meaning::Value { item, value, how: Saying::Alone } => {
            format!("{} {} on its own", lex.items[item].id, lex.items[item].values[value].code)
        }
        Meaning::State { state, implied: false, sound: false } => {
            format!("the state {}", lex.states[state].code)
        }
        Meaning::Unit(u) => format!("the unit {}", lex.units[u].id),
        Meaning::Control(c) => format!("the control {}", lex.controls[c]),
        Meaning::Reason(r) => format!("the reason {}", lex.reasons[r].code),
        Meaning::Numbering(n) => format!("the numbering {}", lex.numberings[n].id),
        _ => return None,
    })
}

fn class(m: Meaning) -> u8 {
    match m {
        Meaning::Item(..) | Meaning::Group(_) => 0,
        Meaning::Value { .. } => 1,
        Meaning::State { .. } => 2,
        Meaning::Unit(_) => 3,
        Meaning::Control(_) => 4,
        Meaning::Reason(_) => 5,
        _ => 6,
    }
}

fn shown(files: &Files, w: &Written) -> String {
    let f = &files.files[w.file];
    let p = f.problem(w.byte, "");
    format!("{}:{}", p.file, p.line)
}

fn two_meanings(files: &Files, c: &Compiled, out: &mut Vec<Problem>) {
    let lex = &c.lexicon;
    let mut by_key: BTreeMap<&str, Vec<&Written>> = BTreeMap::new();
    for w in &c.written {
        by_key.entry(&w.key).or_default().push(w);
    }
    for (key, list) in by_key {
        let mut seen: Vec<(&Written, String)> = Vec::new();
        for w in &list {
            if let Some(l) = label(w.meaning, lex) {
                if let Some((first, other)) = seen.iter().find(|(f, o)| {
                    *o != l && class(f.meaning) == class(w.meaning) && f.exact == w.exact
                }) {
                    out.push(
                        files.files[w.file]
                            .problem(w.byte, format!("`{key}` means {l} here and {other} at {}", shown(files, first)))
                            .help("keep it in one place; a word that names several items is a weak name of each, or a group"),
                    );
                } else {
                    seen.push((w, l));
                }
            }
        }
        // Two values of one item.
        let mut values: HashMap<usize, (&Written, usize)> = HashMap::new();
        for w in &list {
            let Meaning::Value { item, value, how } = w.meaning else { continue };
            if how == Saying::Sound {
                continue;
            }
            match values.get(&item) {
                Some((first, v)) if *v != value && first.exact == w.exact => out.push(
                    files.files[w.file]
                        .problem(
                            w.byte,
                            format!(
                                "`{key}` means {} here and {} at {}, both of {}",
                                lex.items[item].values[value].code,
                                lex.items[item].values[*v].code,
                                shown(files, first),
                                lex.items[item].id
                            ),
                        )
                        .help("keep it under the value it means, or make the phrases longer"),
                ),
                Some(_) => {}
                None => {
                    values.insert(item, (w, value));
                }
            }
        }
    }
}

/// A value phrase that, fillers left out, is no more than its item's name would turn every mention
/// of the item into a finding.
fn names_as_values(files: &Files, c: &Compiled, out: &mut Vec<Problem>) {
    let lex = &c.lexicon;
    let mut names: HashMap<(usize, &str), ()> = HashMap::new();
    for w in &c.written {
        if let Meaning::Item(i, Naming::Plain | Naming::Plural | Naming::Weak) = w.meaning {
            names.insert((i, w.key.as_str()), ());
        }
    }
    for w in &c.written {
        // A phrase that says item and value together may also be a name of the item.
        if let Meaning::Value { item, value, how: Saying::InContext | Saying::Yields } = w.meaning
            // An exact form tells the verb from the name ("steps", "step").
            && !w.exact
            && names.contains_key(&(item, w.key.as_str()))
        {
            out.push(
                files.files[w.file]
                    .problem(
                        w.byte,
                        format!(
                            "`{}` is a name of {} and cannot also mean its value {}",
                            w.key, lex.items[item].id, lex.items[item].values[value].code
                        ),
                    )
                    .help("add a word that tells the value from the name; fillers do not count"),
            );
        }
    }
}

fn unreachable_values(files: &Files, c: &Compiled, out: &mut Vec<Problem>) {
    for (i, p) in c.parsed.iter().enumerate() {
        for it in &p.item {
            let is_state =
                c.lexicon.state_item.is_some_and(|s| c.lexicon.items[s].id == *it.id.get_ref());
            for v in &it.value {
                let graded = it.grades.values().any(|g| g.get_ref() == v.code.get_ref());
                let said = !(v.words.is_empty()
                    && v.alone.is_empty()
                    && v.yields.is_empty()
                    && v.concepts.is_empty());
                let by_state = is_state && c.lexicon.state(v.code.get_ref()).is_some();
                if !(said || graded || by_state) {
                    out.push(
                        files.files[i]
                            .problem(
                                v.code.span().start,
                                format!(
                                    "nobody can say the value `{}` of {}",
                                    v.code.get_ref(),
                                    it.id.get_ref()
                                ),
                            )
                            .help("give it words, alone, concepts or a grade"),
                    );
                }
            }
        }
    }
}

fn sources(files: &Files, c: &Compiled, out: &mut Vec<Problem>) {
    let known: Vec<&str> = c.lexicon.sources.keys().map(String::as_str).collect();
    let mut row = |file: usize,
                   what: String,
                   at: usize,
                   source: Option<&Text>,
                   verified: Option<bool>,
                   inherits: bool| {
        match source {
            None if !inherits => out.push(
                files.files[file]
                    .problem(at, format!("{what} has no source"))
                    .help("add source = \"…\" and verified = true or false; common practice has a source id of its own"),
            ),
            Some(s) if !known.contains(&s.get_ref().as_str()) => {
                let help = nearest(s.get_ref(), known.iter().copied())
                    .map_or("add a [[source]] row for it".to_owned(), |n| {
                        format!("did you mean `{n}`?")
                    });
                out.push(
                    files.files[file]
                        .problem(s.span().start, format!("there is no source `{}`", s.get_ref()))
                        .help(help),
                );
            }
            _ => {}
        }
        if verified.is_none() && !inherits {
            out.push(
                files.files[file]
                    .problem(at, format!("{what} does not say whether its source was read"))
                    .help(
                        "add verified = true, or verified = false for memory and common practice",
                    ),
            );
        }
    };
    for (i, p) in c.parsed.iter().enumerate() {
        for it in &p.item {
            let at = it.id.span().start;
            row(
                i,
                format!("the item `{}`", it.id.get_ref()),
                at,
                it.source.as_ref(),
                it.verified,
                false,
            );
            for v in &it.value {
                let at = v.code.span().start;
                row(i, String::new(), at, v.source.as_ref(), v.verified, true);
            }
            for b in it.expect.iter().chain(it.band.iter().flat_map(|b| &b.numbers)) {
                row(i, String::new(), at, b.source.as_ref(), b.verified, true);
            }
            for b in &it.band {
                row(i, String::new(), at, b.source.as_ref(), b.verified, true);
            }
            for r in it.growth.iter().flat_map(|g| &g.row) {
                row(i, String::new(), at, r.source.as_ref(), r.verified, true);
            }
            let rest = [
                it.growth.as_ref().map(|x| (&x.source, x.verified)),
                it.noise.as_ref().map(|x| (&x.source, x.verified)),
                it.mean.as_ref().map(|x| (&x.source, x.verified)),
                it.series.as_ref().map(|x| (&x.source, x.verified)),
            ];
            for (source, verified) in rest.into_iter().flatten() {
                row(i, String::new(), at, source.as_ref(), verified, true);
            }
        }
        for s in &p.state {
            let at = s.code.span().start;
            row(
                i,
                format!("the state `{}`", s.code.get_ref()),
                at,
                s.source.as_ref(),
                s.verified,
                false,
            );
        }
        for s in &p.code {
            let what = format!("the code `{}`", s.code);
            row(i, what, s.system.span().start, s.source.as_ref(), s.verified, false);
        }
        if let Some(b) = &p.bands {
            let at = b.age_hours.span().start;
            row(i, "this table of bands".into(), at, b.source.as_ref(), b.verified, false);
        }
        for s in &p.numbering {
            let at = s.id.span().start;
            row(
                i,
                format!("the numbering `{}`", s.id.get_ref()),
                at,
                s.source.as_ref(),
                s.verified,
                false,
            );
        }
        for s in &p.pattern {
            let at = s.id.span().start;
            let what = format!("the pattern `{}`", s.id.get_ref());
            row(i, what, at, s.source.as_ref(), s.verified, false);
        }
        for s in &p.never_lost {
            let at = s.id.span().start;
            let what = format!("the row of words never lost `{}`", s.id.get_ref());
            row(i, what, at, s.source.as_ref(), s.verified, false);
        }
        for s in &p.protocol {
            let at = s.id.span().start;
            row(
                i,
                format!("the protocol `{}`", s.id.get_ref()),
                at,
                s.source.as_ref(),
                s.verified,
                false,
            );
        }
        for s in &p.reason {
            let at = s.code.span().start;
            row(
                i,
                format!("the reason `{}`", s.code.get_ref()),
                at,
                s.source.as_ref(),
                s.verified,
                false,
            );
        }
    }
}

fn bands(files: &Files, c: &Compiled, out: &mut Vec<Problem>) {
    for (i, p) in c.parsed.iter().enumerate() {
        for it in &p.item {
            if !it.expect.is_empty() && it.number.is_none() {
                out.push(
                    files.files[i]
                        .problem(
                            it.id.span().start,
                            format!("{} has bands for a number but takes none", it.id.get_ref()),
                        )
                        .help("add number = { unit = \"…\", plausible = [.., ..] }, or drop the bands"),
                );
            }
            let span = |b: &schema::NumberExpect| {
                (b.from.unwrap_or(f64::NEG_INFINITY), b.to.unwrap_or(f64::INFINITY))
            };
            for list in std::iter::once(&it.expect).chain(it.band.iter().map(|b| &b.numbers)) {
                for (k, a) in list.iter().enumerate() {
                    let (lo, hi) = span(a);
                    if lo > hi {
                        out.push(
                            files.files[i]
                                .problem(
                                    it.id.span().start,
                                    format!("a band of {} goes from {lo} to {hi}", it.id.get_ref()),
                                )
                                .help("write the smaller bound as from"),
                        );
                    }
                    for b in &list[k + 1..] {
                        let (l2, h2) = span(b);
                        if a.is != b.is && lo.max(l2) <= hi.min(h2) {
                            out.push(
                                files.files[i]
                                    .problem(
                                        it.id.span().start,
                                        format!(
                                            "two bands of {} both hold {}",
                                            it.id.get_ref(),
                                            lo.max(l2)
                                        ),
                                    )
                                    .help("bounds are inclusive; leave a step between the bands"),
                            );
                        }
                    }
                }
            }
        }
    }
}

fn states(files: &Files, c: &Compiled, out: &mut Vec<Problem>) {
    let Some(item) = c.lexicon.state_item else { return };
    for (i, p) in c.parsed.iter().enumerate() {
        for s in &p.state {
            if c.lexicon.items[item].value(s.code.get_ref()).is_none() {
                out.push(
                    files.files[i]
                        .problem(
                            s.code.span().start,
                            format!(
                                "the state `{}` is no value of {}",
                                s.code.get_ref(),
                                c.lexicon.items[item].id
                            ),
                        )
                        .help("give the state item a value with the same code"),
                );
            }
        }
    }
}

fn protocols(files: &Files, c: &Compiled, out: &mut Vec<Problem>) {
    let list: Vec<(usize, &schema::Protocol)> = c
        .parsed
        .iter()
        .enumerate()
        .flat_map(|(i, p)| p.protocol.iter().map(move |r| (i, r)))
        .collect();
    let defaults: Vec<_> = list.iter().filter(|(_, p)| p.default).collect();
    if let Some((i, p)) = defaults.get(1) {
        out.push(
            files.files[*i]
                .problem(
                    p.id.span().start,
                    format!("`{}` is a second default protocol", p.id.get_ref()),
                )
                .help("only one protocol may have default = true"),
        );
    }
    if let Some((i, p)) = list.first().filter(|_| defaults.is_empty()) {
        out.push(
            files.files[*i]
                .problem(p.id.span().start, "no protocol is the default".to_owned())
                .help("add default = true to the one used when the header names none"),
        );
    }
}
