//! Turns scale files into [`Scale`]s, or says what is wrong with them, all at once.

use std::collections::{HashMap, HashSet};

use super::model::{self, Cited, Rule, Scale};
use super::schema::{self, Method};
use crate::lexicon::Lexicon;
use crate::lexicon::files::SourceFile;
use crate::lexicon::model::{STATED_ABNORMAL, STATED_NORMAL};
use crate::lexicon::schema::Text;
use crate::problem::{Problem, nearest};

/// Most levels, groups, signs and the largest score a scale may have. The number of ways in which
/// missing signs can turn out grows with them; published scales stay far below.
const MOST_LEVELS: usize = 4;
const MOST_GROUPS: usize = 40;
const MOST_SIGNS: usize = 200;
const LARGEST_SCORE: i32 = 1000;

/// Name under which a whole total is entered.
pub const TOTAL: &str = "total";

/// The scales of a lexicon, in the order of their file names.
///
/// # Errors
/// Every problem found, each with file, line and column.
pub fn of_lexicon(lex: &Lexicon) -> Result<Vec<Scale>, Vec<Problem>> {
    load(lex, &lex.scale_files)
}

/// Scales from files.
///
/// # Errors
/// Every problem found, each with file, line and column.
pub fn load(lex: &Lexicon, files: &[SourceFile]) -> Result<Vec<Scale>, Vec<Problem>> {
    let mut problems = Vec::new();
    let mut scales: Vec<Scale> = Vec::new();
    for file in files {
        let parsed = match toml::from_str::<schema::File>(&file.text) {
            Ok(p) => p,
            Err(e) => {
                let byte = e.span().map_or(0, |s| s.start);
                problems.push(file.problem(byte, e.message().trim().to_owned()).help(
                    "the tables and fields are described in DEVELOPERS.md, section Scale format",
                ));
                continue;
            }
        };
        let mut c = Checker { file, lex, local: HashMap::new(), problems: Vec::new() };
        if scales.iter().any(|s| s.id == *parsed.scale.id.get_ref()) {
            c.at(
                &parsed.scale.id,
                format!("there is already a scale `{}`", parsed.scale.id.get_ref()),
                "give it another id".into(),
            );
        }
        let scale = c.scale(&parsed);
        match c.problems.is_empty() {
            true => scales.extend(scale),
            false => problems.extend(c.problems),
        }
    }
    if problems.is_empty() { Ok(scales) } else { Err(problems) }
}

struct Checker<'a> {
    file: &'a SourceFile,
    lex: &'a Lexicon,
    /// Sources the file names itself.
    local: HashMap<String, String>,
    problems: Vec<Problem>,
}

impl Checker<'_> {
    fn at<T>(&mut self, place: &toml::Spanned<T>, message: String, help: String) {
        self.problems.push(self.file.problem(place.span().start, message).help(help));
    }

    fn known(&mut self, text: &Text, what: &str, known: &[&str]) -> Option<usize> {
        let found = known.iter().position(|k| k == text.get_ref());
        if found.is_none() {
            let help = match nearest(text.get_ref(), known.iter().copied()) {
                Some(n) => format!("did you mean `{n}`?"),
                None if known.is_empty() => format!("the file has no {what}"),
                None if known.len() > 20 => format!("`cotside lexicon items` lists every {what}"),
                None => format!("known: {}", known.join(", ")),
            };
            self.at(text, format!("there is no {what} `{}`", text.get_ref()), help);
        }
        found
    }

    /// An id that stands for itself on the command line.
    fn id(&mut self, text: &Text, what: &str, seen: &mut HashSet<String>) {
        let id = text.get_ref();
        let plain = !id.is_empty()
            && id.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-');
        if !plain {
            self.at(
                text,
                format!("`{id}` is no id"),
                "use small letters a to z, digits and dashes".into(),
            );
        } else if !seen.insert(id.clone()) {
            self.at(
                text,
                format!("the {what} `{id}` is defined twice"),
                "give one of them another id, or take it out".into(),
            );
        }
    }

    fn cited(
        &mut self,
        source: Option<&Text>,
        verified: Option<bool>,
        from: Option<&Cited>,
    ) -> Cited {
        let Some(text) = source else {
            let from = from.cloned();
            let mut c = from.unwrap_or(Cited { cite: "no source".into(), verified: false });
            c.verified = verified.unwrap_or(c.verified);
            return c;
        };
        let id = text.get_ref();
        let cite = self.local.get(id).or_else(|| self.lex.sources.get(id)).cloned();
        let cite = cite.unwrap_or_else(|| {
            let known: Vec<&str> =
                self.local.keys().chain(self.lex.sources.keys()).map(String::as_str).collect();
            let near =
                nearest(id, known).map_or(String::new(), |n| format!("did you mean `{n}`? Or "));
            let message = format!("there is no source `{id}`");
            let help = format!("{near}add [[source]] with id and cite to this file");
            self.problems.push(self.file.problem(text.span().start, message).help(help));
            id.clone()
        });
        Cited { cite, verified: verified.unwrap_or(false) }
    }

    fn scale(&mut self, f: &schema::File) -> Option<Scale> {
        let h = &f.scale;
        for s in &f.source {
            self.local.insert(s.id.get_ref().clone(), s.cite.clone());
        }
        self.id(&h.id, "scale", &mut HashSet::new());
        let cited = self.cited(Some(&h.source), Some(h.verified), None);
        let protocols: Vec<&str> = self.lex.protocols.iter().map(|p| p.id.as_str()).collect();
        for p in &h.protocols {
            self.known(p, "protocol", &protocols);
        }
        for pair in h.times.windows(2) {
            if pair[0].get_ref() >= pair[1].get_ref() {
                self.at(
                    &pair[1],
                    "the times do not ascend".into(),
                    "write the earlier first".into(),
                );
            }
        }
        let mut seen = HashSet::new();
        for g in &f.group {
            self.id(&g.id, "group", &mut seen);
        }
        let groups: Vec<&str> = f.group.iter().map(|g| g.id.get_ref().as_str()).collect();
        let mut seen = HashSet::new();
        let signs: Vec<model::Sign> = f
            .sign
            .iter()
            .map(|s| {
                self.id(&s.id, "sign", &mut seen);
                self.sign(s, &groups, !h.times.is_empty(), &cited)
            })
            .collect();
        if signs.is_empty() {
            self.at(&h.id, "the scale scores nothing".into(), "add [[sign]] tables".into());
        }
        if signs.len() > MOST_SIGNS || groups.len() > MOST_GROUPS {
            self.at(
                &h.id,
                format!("the scale has {} signs and {} groups", signs.len(), groups.len()),
                format!("at most {MOST_SIGNS} signs and {MOST_GROUPS} groups are taken"),
            );
        }
        let rule = self.rule(f, &groups, &cited);
        let has_result = matches!(&rule, Some(Rule::Sum(s)) if s.derived.is_some());
        let gates = f.gate.iter().map(|g| self.gate(g, has_result, &cited)).collect();
        Some(Scale {
            id: h.id.get_ref().clone(),
            name: h.name.clone(),
            cited,
            notes: h.notes.clone(),
            protocols: h.protocols.iter().map(|p| p.get_ref().clone()).collect(),
            times: h.times.iter().map(|t| *t.get_ref()).collect(),
            time_unit: h.time_unit.clone(),
            rule: rule?,
            gates,
            groups: f
                .group
                .iter()
                .map(|g| model::Group { id: g.id.get_ref().clone(), name: g.name.clone() })
                .collect(),
            signs,
        })
    }

    fn gate(&mut self, g: &schema::Gate, has_result: bool, cited: &Cited) -> model::Gate {
        let place = g.fact.clone();
        match (g.at_least, g.at_most) {
            (None, None) => {
                self.at(&place, "the gate has no bound".into(), "add at_least or at_most".into())
            }
            (Some(a), Some(b)) if a > b => self.at(
                &place,
                format!("the gate runs from {a} down to {b}"),
                "at_least is the smaller".into(),
            ),
            _ => {}
        }
        if g.result_below.is_some() && !has_result {
            self.at(
                &place,
                "result_below without a [sum.result]".into(),
                "take it out, or say what the total stands for".into(),
            );
        }
        model::Gate {
            fact: *g.fact.get_ref(),
            at_least: g.at_least,
            at_most: g.at_most,
            effect: g.effect,
            result_below: g.result_below,
            say: g.say.clone(),
            cited: self.cited(g.source.as_ref(), g.verified, Some(cited)),
        }
    }

    fn sign(
        &mut self,
        s: &schema::Sign,
        groups: &[&str],
        timed: bool,
        cited: &Cited,
    ) -> model::Sign {
        let items: Vec<&str> = self.lex.items.iter().map(|i| i.id.as_str()).collect();
        let item = s.item.as_ref().and_then(|i| self.known(i, "item", &items));
        if s.id.get_ref() == TOTAL {
            self.at(
                &s.id,
                format!("`{TOTAL}` is the name of the sum"),
                "give the sign another id".into(),
            );
        }
        if let (Some(i), true) = (&s.item, timed) {
            self.at(
                i,
                "a finding belongs to the exam, not to a time of this scale".into(),
                "take out item, or times in [scale]".into(),
            );
        }
        let sided = item.is_some_and(|i| self.lex.items[i].sided);
        match (&s.sides, sided) {
            (None, true) => self.at(
                &s.id,
                format!(
                    "the item of sign `{}` has sides, and no rule says which counts",
                    s.id.get_ref()
                ),
                "add sides = \"lower\", \"higher\", \"left\", \"right\" or \"either\"".into(),
            ),
            (Some(place), false) => self.at(
                place,
                format!("the sign `{}` has no sides", s.id.get_ref()),
                "take sides out".into(),
            ),
            _ => {}
        }
        let group = s.group.as_ref().and_then(|g| self.known(g, "group", groups));
        let mut seen: HashSet<(i32, Option<crate::journal::Sex>)> = HashSet::new();
        let mut rows: Vec<model::Row> = Vec::new();
        for r in &s.score {
            let score = *r.score.get_ref();
            if !seen.insert((score, r.sex)) {
                self.at(
                    &r.score,
                    format!("the score {score} of sign `{}` is defined twice", s.id.get_ref()),
                    "write one [[sign.score]] for each score".into(),
                );
            }
            if score.abs() > LARGEST_SCORE {
                self.at(
                    &r.score,
                    format!("the score {score} is too large"),
                    format!("scores run from -{LARGEST_SCORE} to {LARGEST_SCORE}"),
                );
            }
            self.row(r, item, s);
            rows.push(model::Row {
                score,
                say: r.say.clone(),
                sex: r.sex,
                values: r.values.iter().map(|v| v.get_ref().clone()).collect(),
                numbers: r.numbers.iter().map(|n| *n.get_ref()).collect(),
                not_elicited: r.not_elicited,
                cited: self.cited(r.source.as_ref(), r.verified, Some(cited)),
            });
        }
        if rows.is_empty() {
            self.at(
                &s.id,
                format!("the sign `{}` has no score", s.id.get_ref()),
                "add [[sign.score]] tables with score and say".into(),
            );
        }
        for (sex, word) in [(crate::journal::Sex::Female, "f"), (crate::journal::Sex::Male, "m")] {
            if !rows.is_empty() && rows.iter().all(|r| r.sex.is_some_and(|s| s != sex)) {
                self.at(
                    &s.id,
                    format!("the sign `{}` has no score for sex = \"{word}\"", s.id.get_ref()),
                    "one sign holds the scores of both sexes".into(),
                );
            }
        }
        rows.sort_by_key(|r| r.score);
        model::Sign {
            id: s.id.get_ref().clone(),
            name: s.name.clone(),
            group,
            item,
            sides: s.sides.as_ref().map(|s| *s.get_ref()),
            one_side_enough: s.one_side_enough,
            entered: s.entered || s.item.is_none(),
            note: s.note.clone(),
            also: s.also.iter().filter_map(|a| self.also(a, &rows, timed)).collect(),
            rows,
        }
    }

    /// Findings of another item that can raise a sign.
    fn also(&mut self, a: &schema::Also, rows: &[model::Row], timed: bool) -> Option<model::Also> {
        if timed {
            self.at(
                &a.item,
                "a finding belongs to the exam, not to a time of this scale".into(),
                "take also out, or times in [scale]".into(),
            );
        }
        let mut scores = a.scores.get_ref().clone();
        scores.sort_unstable();
        scores.dedup();
        if scores.is_empty() || scores.iter().any(|s| rows.iter().all(|r| r.score != *s)) {
            self.at(
                &a.scores,
                "these are not all scores of the sign".into(),
                "name scores that stand in its [[sign.score]] tables".into(),
            );
        }
        let ids: Vec<&str> = self.lex.items.iter().map(|i| i.id.as_str()).collect();
        let item = self.known(&a.item, "item", &ids)?;
        let known: Vec<&str> =
            self.lex.items[item].values.iter().map(|v| v.code.as_str()).collect();
        for v in &a.values {
            self.known(v, "value", &known);
        }
        let values = a.values.iter().map(|v| v.get_ref().clone()).collect();
        Some(model::Also { item, values, scores })
    }

    fn row(&mut self, r: &schema::Score, item: Option<usize>, s: &schema::Sign) {
        if let Some(i) = item {
            let it = &self.lex.items[i];
            let mut known: Vec<&str> = it.values.iter().map(|v| v.code.as_str()).collect();
            known.extend([STATED_NORMAL, STATED_ABNORMAL]);
            for v in &r.values {
                self.known(v, "value", &known);
            }
        }
        let takes = item.is_some_and(|i| self.lex.items[i].number.is_some());
        for n in &r.numbers {
            if !takes && s.item.is_some() {
                self.at(
                    n,
                    "the item takes no number".into(),
                    "take numbers out, or name values".into(),
                );
            } else if n.get_ref().is_senseless() {
                self.at(
                    n,
                    "no number, or every number, lies in this stretch".into(),
                    "write { at = 90 }, or bounds: from and to with, above and below without the number itself".into(),
                );
            }
        }
        let fed = !r.values.is_empty() || !r.numbers.is_empty() || r.not_elicited;
        if fed && s.item.is_none() {
            self.at(
                &r.score,
                format!("the sign `{}` names no item, so no finding can feed it", s.id.get_ref()),
                "add item to the sign, or take values, numbers and not_elicited out".into(),
            );
        }
    }

    fn rule(&mut self, f: &schema::File, groups: &[&str], cited: &Cited) -> Option<Rule> {
        let method = f.scale.method.clone();
        match (method.get_ref(), &f.sum, &f.count) {
            (Method::Sum, _, Some(_)) | (Method::Count, Some(_), _) => {
                self.at(
                    &method,
                    "[sum] and [count] belong to the methods of those names".into(),
                    "keep the table of the scale's own method".into(),
                );
                None
            }
            (Method::Sum, None, None) => {
                Some(Rule::Sum(model::Sum { total_given: false, derived: None, bands: Vec::new() }))
            }
            (Method::Sum, Some(s), None) => Some(Rule::Sum(self.sum(s, cited))),
            (Method::Count, None, None) => {
                self.at(
                    &method,
                    "a counted scale needs a [count] table".into(),
                    "add [count] with levels, needed and unmet".into(),
                );
                None
            }
            (Method::Count, None, Some(c)) => self.count(c, f, groups).map(Rule::Count),
        }
    }

    fn sum(&mut self, s: &schema::Sum, cited: &Cited) -> model::Sum {
        if let Some(d) = &s.result {
            let rows = d.table.get_ref();
            let ascending = rows.windows(2).all(|w| w[0].0 < w[1].0);
            if rows.len() < 2 || !ascending || rows.iter().any(|r| !r.1.is_finite()) {
                self.at(
                    &d.table,
                    "the table's totals do not ascend, or it has fewer than two rows".into(),
                    "write table = [[0, 24.0], [5, 26.0]]".into(),
                );
            }
        }
        let mut bands: Vec<model::Band> = Vec::new();
        for b in &s.band {
            let from = *b.from.get_ref();
            if from > b.to || bands.iter().any(|o| o.from <= b.to && from <= o.to) {
                self.at(
                    &b.from,
                    "this band is empty, or overlaps another".into(),
                    "each total belongs to one band at most".into(),
                );
            }
            let cited = self.cited(b.source.as_ref(), b.verified, Some(cited));
            bands.push(model::Band { from, to: b.to, say: b.say.clone(), cited });
        }
        let derived = s.result.as_ref().map(|d| model::Derived {
            name: d.name.clone(),
            unit: d.unit.clone(),
            decimals: d.decimals,
            table: d.table.get_ref().clone(),
        });
        model::Sum { total_given: s.total_given, derived, bands }
    }

    fn count(
        &mut self,
        c: &schema::Count,
        f: &schema::File,
        groups: &[&str],
    ) -> Option<model::Count> {
        let levels = c.levels.get_ref().clone();
        if !(2..=MOST_LEVELS).contains(&levels.len()) {
            self.at(
                &c.levels,
                format!("{} levels", levels.len()),
                format!("name 2 to {MOST_LEVELS} levels, the first of them for no sign"),
            );
        }
        if !(1..=groups.len()).contains(c.needed.get_ref()) {
            self.at(
                &c.needed,
                format!("{} of {} groups can never be counted", c.needed.get_ref(), groups.len()),
                "needed is at least 1 and at most the number of groups".into(),
            );
        }
        let tie = c.tie.as_ref().and_then(|t| self.known(t, "group", groups));
        let ids: Vec<&str> = f.sign.iter().map(|s| s.id.get_ref().as_str()).collect();
        let names: Vec<&str> = levels.iter().map(String::as_str).collect();
        let alone = c.alone.as_ref().and_then(|a| {
            let (sign, level) =
                (self.known(&a.sign, "sign", &ids), self.known(&a.gives, "level", &names));
            Some((sign?, a.from, level?))
        });
        for (k, s) in f.sign.iter().enumerate() {
            let is_alone = alone.is_some_and(|(a, ..)| a == k);
            if s.group.is_some() == is_alone {
                let (wrong, right) = match is_alone {
                    true => ("belongs to a group and suffices alone", "take its group out"),
                    false => ("belongs to no group, so it is never counted", "add group"),
                };
                self.at(&s.id, format!("the sign `{}` {wrong}", s.id.get_ref()), right.into());
            }
            for r in s.score.iter().filter(|_| !is_alone) {
                if usize::try_from(*r.score.get_ref()).map_or(true, |n| n >= levels.len()) {
                    self.at(
                        &r.score,
                        format!("the score {} is no level", r.score.get_ref()),
                        format!("levels run from 0 to {}", levels.len().saturating_sub(1)),
                    );
                }
            }
        }
        for (k, g) in f.group.iter().enumerate() {
            let used =
                f.sign.iter().any(|s| s.group.as_ref().is_some_and(|x| x.get_ref() == groups[k]));
            if !used {
                self.at(
                    &g.id,
                    format!("no sign belongs to the group `{}`", g.id.get_ref()),
                    "give a sign this group, or take it out".into(),
                );
            }
        }
        Some(model::Count {
            levels,
            needed: *c.needed.get_ref(),
            tie,
            unmet: c.unmet.clone(),
            alone,
        })
    }
}
