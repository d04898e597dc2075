//! Turns lexicon files into a [`Lexicon`], or says what is wrong with them, all at once.

use std::collections::{BTreeMap, HashMap, HashSet};

use rayon::prelude::*;

use super::family::Family;
use super::files::{Files, SourceFile};
use super::matcher::{Entry, Matcher, Meaning, Naming, Saying};
use super::model::{self, Basis, ItemId, Lexicon};
use super::never_lost::{Grave, NeverLost};
use super::pattern::{self, PatternWord};
use super::schema::{self, Elicited, NumberWords, Text};
use crate::problem::{Problem, nearest};

/// Control acts the engine knows.
pub const ACTS: &[&str] =
    &["start", "finish", "pause", "resume", "strike-last", "what-is-left", "read-back", "elapsed"];

/// A phrase as it stands in a file, for checks.
#[derive(Debug, Clone)]
pub struct Written {
    /// Index of the file.
    pub file: usize,
    /// Byte in it.
    pub byte: usize,
    /// Meaning.
    pub meaning: Meaning,
    /// The expanded phrase, fillers taken out where they do not count.
    pub key: String,
    /// Exact form, when any word is exact.
    pub exact: bool,
}

/// A compiled lexicon with what the checks need.
#[derive(Debug)]
pub struct Compiled {
    /// The lexicon.
    pub lexicon: Lexicon,
    /// Every phrase with its place.
    pub written: Vec<Written>,
    /// The parsed files, beside [`Files::files`].
    pub parsed: Vec<schema::File>,
}

struct Compiler<'a> {
    files: &'a [SourceFile],
    problems: Vec<Problem>,
    entries: Vec<Entry>,
    written: Vec<Written>,
    fillers: HashSet<String>,
    folded: pattern::Folded,
}

impl Compiler<'_> {
    fn problem(&mut self, file: usize, byte: usize, message: String, help: Option<String>) {
        let mut p = self.files[file].problem(byte, message);
        p.help = help;
        self.problems.push(p);
    }

    /// A text that a note would print must hold something.
    fn not_blank(&mut self, file: usize, text: &Text) {
        if text.get_ref().trim().is_empty() {
            let help = Some("write the words, or leave the line out".into());
            self.problem(file, text.span().start, "these words are blank".into(), help);
        }
    }

    fn phrases(&mut self, file: usize, list: &[Text], meaning: Meaning) -> Vec<String> {
        let mut first = Vec::new();
        for text in list {
            let all = self.expanded(file, text);
            if !all.is_empty() {
                first.push(text.get_ref().clone());
            }
            for words in all {
                self.entry(file, text.span().start, words, meaning);
            }
        }
        first
    }

    /// All that a phrase stands for; nothing where it is not well formed, which is told.
    fn expanded(&mut self, file: usize, text: &Text) -> Vec<Vec<PatternWord>> {
        match pattern::expand_with(text.get_ref(), &mut self.folded) {
            Ok(all) => all,
            Err(e) => {
                let help =
                    "write plain words with (a|b) for a choice and [a] for what may be left out";
                let text_of = format!("this phrase is not well formed: {e}");
                self.problem(file, text.span().start, text_of, Some(help.into()));
                Vec::new()
            }
        }
    }

    /// The phrases and concepts of a value that say less than its name; each must mean the value.
    fn less(
        &mut self,
        file: usize,
        v: &schema::Value,
        n: usize,
        k: usize,
    ) -> BTreeMap<String, String> {
        if v.less.is_empty() {
            return BTreeMap::new();
        }
        let surface = |words: &[PatternWord]| -> String {
            words.iter().map(|w| w.surface.as_str()).collect::<Vec<_>>().join(" ")
        };
        let means_it =
            |m: Meaning| matches!(m, Meaning::Value { item, value, .. } if item == n && value == k);
        let mut known: HashSet<String> = self
            .entries
            .iter()
            .filter(|e| means_it(e.meaning))
            .map(|e| surface(&e.words))
            .collect();
        known.extend(v.concepts.iter().map(|c| c.get_ref().clone()));
        let mut out = BTreeMap::new();
        for (text, wording) in &v.less {
            for words in pattern::expand(text.get_ref()).unwrap_or_default() {
                let phrase = surface(&words);
                if known.contains(&phrase) {
                    out.insert(phrase, wording.clone());
                    continue;
                }
                let code = v.code.get_ref();
                self.problem(
                    file,
                    text.span().start,
                    format!("`{phrase}` does not mean the value `{code}`, so it cannot say less"),
                    Some("write it under words, alone or yields too, or take it out here".into()),
                );
            }
        }
        out
    }

    fn entry(&mut self, file: usize, byte: usize, words: Vec<PatternWord>, meaning: Meaning) {
        let full = super::matcher::counts_fillers(meaning);
        let counted: Vec<&PatternWord> =
            words.iter().filter(|w| full || w.exact || !self.fillers.contains(&w.folded)).collect();
        if counted.is_empty() {
            let text: Vec<&str> = words.iter().map(|w| w.surface.as_str()).collect();
            self.problem(
                file,
                byte,
                format!(
                    "the phrase `{}` is made of fillers only and can never match",
                    text.join(" ")
                ),
                Some("add a word that carries the meaning".into()),
            );
            return;
        }
        let key = counted.iter().map(|w| w.folded.as_str()).collect::<Vec<_>>().join(" ");
        let exact = words.iter().any(|w| w.exact);
        self.written.push(Written { file, byte, meaning, key, exact });
        self.entries.push(Entry { words, meaning });
    }

    fn lookup(
        &mut self,
        file: usize,
        text: &Text,
        what: &str,
        known: &HashMap<String, usize>,
    ) -> Option<usize> {
        let found = known.get(text.get_ref()).copied();
        if found.is_none() {
            let help = nearest(text.get_ref(), known.keys().map(String::as_str))
                .map(|n| format!("did you mean `{n}`?"));
            self.problem(
                file,
                text.span().start,
                format!("there is no {what} `{}`", text.get_ref()),
                help,
            );
        }
        found
    }

    fn duplicate(
        &mut self,
        file: usize,
        text: &Text,
        what: &str,
        seen: &HashMap<String, usize>,
    ) -> bool {
        let twice = seen.contains_key(text.get_ref());
        if twice {
            self.problem(
                file,
                text.span().start,
                format!("the {what} `{}` is defined twice", text.get_ref()),
                Some("give one of them another id, or take it out".into()),
            );
        }
        twice
    }
}

fn basis(source: Option<&Text>, verified: Option<bool>, from: &Basis) -> Basis {
    Basis {
        source: source.map(|s| s.get_ref().clone()).or_else(|| from.source.clone()),
        verified: verified.unwrap_or(if source.is_some() { false } else { from.verified }),
    }
}

/// Checks the numbers of a protocol's clock.
fn watch(c: &mut Compiler<'_>, file: usize, w: &schema::Watch) {
    let sound = |h: f64| h.is_finite() && h > 0.0 && h < 1e5;
    if !sound(*w.hours.get_ref()) {
        c.problem(
            file,
            w.hours.span().start,
            format!("a clock cannot end {} hours after birth", w.hours.get_ref()),
            Some("hours are more than 0".into()),
        );
    }
    let due = w.due.get_ref();
    if !due.iter().all(|h| sound(*h)) || due.windows(2).any(|p| p[0] >= p[1]) {
        c.problem(
            file,
            w.due.span().start,
            "the hours at which an exam is due do not ascend from above 0".into(),
            Some("write due = [1.0, 2.0, 6.0]".into()),
        );
    }
}

/// Parses and compiles a lexicon.
///
/// # Errors
/// Every problem found, each with file, line and column.
pub fn compile(files: &Files) -> Result<Compiled, Vec<Problem>> {
    let mut c = Compiler {
        files: &files.files,
        problems: Vec::new(),
        entries: Vec::new(),
        written: Vec::new(),
        fillers: HashSet::new(),
        folded: pattern::Folded::default(),
    };
    let mut parsed: Vec<schema::File> = Vec::new();
    let read: Vec<_> =
        files.files.par_iter().map(|f| toml::from_str::<schema::File>(&f.text)).collect();
    for (f, read) in files.files.iter().zip(read) {
        match read {
            Ok(p) => parsed.push(p),
            Err(e) => {
                let byte = e.span().map_or(0, |s| s.start);
                c.problems.push(f.problem(byte, e.message().trim().to_owned()).help(
                    "the tables and fields are described in DEVELOPERS.md, section Lexicon format",
                ));
                parsed.push(schema::File::default());
            }
        }
    }
    if !c.problems.is_empty() {
        return Err(c.problems);
    }
    for p in &parsed {
        if let Some(list) = p.words.get(Family::Filler.name()) {
            for w in &list.words {
                c.fillers.insert(super::text::fold(w.get_ref()));
            }
        }
    }
    let lexicon = build(&mut c, &parsed, files);
    if !c.problems.is_empty() {
        return Err(c.problems);
    }
    let mut lexicon = lexicon.expect("no problems, so a lexicon");
    lexicon.matcher = Matcher::new(std::mem::take(&mut c.entries), c.fillers.clone());
    Ok(Compiled { lexicon, written: c.written, parsed })
}

/// Spellings taught to a personal layer, of items and of their values.
fn heard(
    c: &mut Compiler<'_>,
    file: usize,
    p: &schema::File,
    item_ids: &HashMap<String, ItemId>,
    items: &[model::Item],
) {
    for h in &p.heard {
        let Some(item) = c.lookup(file, &h.item, "item", item_ids) else { continue };
        let meaning = match &h.value {
            None => Meaning::Item(item, Naming::Sound),
            Some(v) => {
                let values: HashMap<String, usize> = items[item]
                    .values
                    .iter()
                    .enumerate()
                    .map(|(n, v)| (v.code.clone(), n))
                    .collect();
                let Some(value) = c.lookup(file, v, "value", &values) else { continue };
                Meaning::Value { item, value, how: Saying::Sound }
            }
        };
        c.phrases(file, &h.words, meaning);
    }
}

#[allow(clippy::too_many_lines)] // one pass over the tables, in the order they depend on each other
fn build(c: &mut Compiler<'_>, parsed: &[schema::File], files: &Files) -> Option<Lexicon> {
    // --- heads, units, concepts, sources: what the rest refers to
    let heads: Vec<(usize, &schema::Head)> = parsed
        .iter()
        .enumerate()
        .take(files.own)
        .filter_map(|(i, p)| p.lexicon.as_ref().map(|h| (i, h)))
        .collect();
    let Some(&(head_file, head)) = heads.first() else {
        c.problems.push(
            Problem::in_file(
                files.files.first().map_or("lexicon", |f| &f.path),
                "no [lexicon] table in any file of this lexicon",
            )
            .help(
                "one file needs a [lexicon] table with name, title, version, language and subject",
            ),
        );
        return None;
    };
    for (i, h) in &heads[1..] {
        c.problem(
            *i,
            h.name.span().start,
            "a second [lexicon] table".into(),
            Some("only one file may have it".into()),
        );
    }
    let mut sources: BTreeMap<String, String> = BTreeMap::new();
    let mut source_ids: HashMap<String, usize> = HashMap::new();
    for (i, p) in parsed.iter().enumerate() {
        for s in &p.source {
            if !c.duplicate(i, &s.id, "source", &source_ids) {
                source_ids.insert(s.id.get_ref().clone(), source_ids.len());
                sources.insert(s.id.get_ref().clone(), s.cite.clone());
            }
        }
    }
    let mut unit_ids = HashMap::new();
    for (i, p) in parsed.iter().enumerate() {
        for u in &p.unit {
            if !c.duplicate(i, &u.id, "unit", &unit_ids) {
                unit_ids.insert(u.id.get_ref().clone(), unit_ids.len());
            }
        }
    }
    let mut units = Vec::new();
    for (i, p) in parsed.iter().enumerate() {
        for u in &p.unit {
            let n = units.len();
            c.phrases(i, &u.words, Meaning::Unit(n));
            let converts = u
                .converts
                .as_ref()
                .and_then(|v| Some((c.lookup(i, &v.to, "unit", &unit_ids)?, v.factor)));
            units.push(model::Unit {
                id: u.id.get_ref().clone(),
                ucum: u.ucum.clone(),
                say: u.say.clone(),
                converts,
            });
        }
    }
    let mut concept_ids = HashMap::new();
    for (i, p) in parsed.iter().enumerate() {
        for k in &p.concept {
            if !c.duplicate(i, &k.id, "concept", &concept_ids) {
                concept_ids.insert(k.id.get_ref().clone(), concept_ids.len());
            }
        }
    }
    let mut concepts = Vec::new();
    for (i, p) in parsed.iter().enumerate() {
        for k in &p.concept {
            c.phrases(i, &k.words, Meaning::Concept(concepts.len()));
            let negated = k.negated.as_ref().and_then(|n| c.lookup(i, n, "concept", &concept_ids));
            concepts.push(model::Concept { id: k.id.get_ref().clone(), stated: k.stated, negated });
        }
    }
    // --- sections, states, items
    let mut section_ids = HashMap::new();
    let mut sections = Vec::new();
    for (i, p) in parsed.iter().enumerate() {
        for s in &p.section {
            if c.duplicate(i, &s.id, "section", &section_ids) {
                continue;
            }
            section_ids.insert(s.id.get_ref().clone(), sections.len());
            c.phrases(i, &s.names, Meaning::Section(sections.len()));
            sections.push(model::Section { id: s.id.get_ref().clone(), name: s.name.clone() });
        }
    }
    let none = Basis::default();
    let mut state_ids = HashMap::new();
    let mut states = Vec::new();
    for (i, p) in parsed.iter().enumerate() {
        for s in &p.state {
            if c.duplicate(i, &s.code, "state", &state_ids) {
                continue;
            }
            let state = states.len();
            state_ids.insert(s.code.get_ref().clone(), state);
            c.phrases(i, &s.words, Meaning::State { state, implied: false, sound: false });
            c.phrases(i, &s.implied, Meaning::State { state, implied: true, sound: false });
            c.phrases(i, &s.sounds, Meaning::State { state, implied: false, sound: true });
            states.push(model::State {
                code: s.code.get_ref().clone(),
                name: s.name.clone(),
                during: s.during.as_ref().map(|t| t.get_ref().clone()),
                basis: basis(s.source.as_ref(), s.verified, &none),
            });
        }
    }
    let mut item_ids: HashMap<String, ItemId> = HashMap::new();
    let mut order: Vec<(usize, &schema::Item)> = Vec::new();
    for (i, p) in parsed.iter().enumerate() {
        for item in &p.item {
            if !c.duplicate(i, &item.id, "item", &item_ids) {
                item_ids.insert(item.id.get_ref().clone(), 0);
                order.push((i, item));
            }
        }
    }
    // Examination order: by section, then as written.
    let section_of = |it: &schema::Item| section_ids.get(it.section.get_ref()).copied();
    order.sort_by_key(|(_, it)| section_of(it).unwrap_or(usize::MAX));
    for (n, (_, it)) in order.iter().enumerate() {
        item_ids.insert(it.id.get_ref().clone(), n);
    }
    let mut items = Vec::new();
    for (n, (i, it)) in order.iter().enumerate() {
        let i = *i;
        let section = c.lookup(i, &it.section, "section", &section_ids).unwrap_or(0);
        let mut names = c.phrases(i, &it.names, Meaning::Item(n, Naming::Plain));
        names.extend(c.phrases(i, &it.plural_names, Meaning::Item(n, Naming::Plural)));
        c.phrases(i, &it.weak_names, Meaning::Item(n, Naming::Weak));
        c.phrases(i, &it.sounds, Meaning::Item(n, Naming::Sound));
        if names.is_empty() && it.weak_names.is_empty() {
            c.problem(
                i,
                it.id.span().start,
                format!("the item `{}` has no name it could be called by", it.id.get_ref()),
                Some("add names = [\"…\"]".into()),
            );
        }
        if it.sided && it.elicited.is_none() {
            c.problem(
                i,
                it.id.span().start,
                format!(
                    "the item `{}` has sides but does not say how it is elicited",
                    it.id.get_ref()
                ),
                Some("add elicited = \"together\" or elicited = \"each\"".into()),
            );
        }
        let item_basis = basis(it.source.as_ref(), it.verified, &none);
        let mut value_ids = HashMap::new();
        let mut values = Vec::new();
        for v in &it.value {
            if c.duplicate(i, &v.code, "value", &value_ids) {
                continue;
            }
            let value = values.len();
            value_ids.insert(v.code.get_ref().clone(), value);
            let m = |how| Meaning::Value { item: n, value, how };
            c.phrases(i, &v.words, m(Saying::InContext));
            c.phrases(i, &v.alone, m(Saying::Alone));
            c.phrases(i, &v.yields, m(Saying::Yields));
            c.phrases(i, &v.sounds, m(Saying::Sound));
            if let Some(s) = v.side.as_ref().filter(|s| s.get_ref() != "midline") {
                c.problem(
                    i,
                    s.span().start,
                    format!("a value cannot have the side `{}`", s.get_ref()),
                    Some("only side = \"midline\" is known; left and right are said".into()),
                );
            }
            if v.any_state && v.expect == Some(model::Expect::Expected) {
                c.problem(
                    i,
                    v.code.span().start,
                    format!(
                        "the value `{}` is expected, and would stand against every sign said beside it",
                        v.code.get_ref()
                    ),
                    Some("leave any_state out; it is for signs that count once they were seen".into()),
                );
            }
            for text in [&v.in_note, &v.sentence].into_iter().flatten() {
                c.not_blank(i, text);
            }
            let of: Vec<usize> =
                v.concepts.iter().filter_map(|k| c.lookup(i, k, "concept", &concept_ids)).collect();
            values.push(model::Value {
                code: v.code.get_ref().clone(),
                say: v.say.clone(),
                midline: v.side.is_some(),
                in_note: v.in_note.as_ref().map(|t| t.get_ref().clone()),
                sentence: v.sentence.as_ref().map(|t| t.get_ref().clone()),
                any_state: v.any_state,
                concepts: of,
                less: c.less(i, v, n, value),
                expect: v.expect,
                basis: basis(v.source.as_ref(), v.verified, &item_basis),
            });
        }
        let mut grades = BTreeMap::new();
        for (k, v) in &it.grades {
            let Some(value) = c.lookup(i, v, "value", &value_ids) else { continue };
            match k.parse::<u32>() {
                Ok(g) => {
                    grades.insert(g, value);
                }
                Err(_) => c.problem(
                    i,
                    v.span().start,
                    format!("the grade `{k}` is not a whole number"),
                    Some("write grades = { \"2\" = \"normal\" }".into()),
                ),
            }
        }
        let number = it.number.as_ref().and_then(|x| {
            if x.plausible[0] >= x.plausible[1] {
                c.problem(
                    i,
                    x.unit.span().start,
                    format!("plausible goes from {} to {}", x.plausible[0], x.plausible[1]),
                    Some("write the smaller bound first".into()),
                );
            }
            Some(model::Number {
                unit: c.lookup(i, &x.unit, "unit", &unit_ids)?,
                plausible: x.plausible,
                none_is_zero: x.none_is_zero,
                decimals: x.decimals,
                unit_needed: x.unit_needed,
            })
        });
        let bands = it
            .expect
            .iter()
            .map(|b| model::Band {
                from: b.from.unwrap_or(f64::NEG_INFINITY),
                to: b.to.unwrap_or(f64::INFINITY),
                is: b.is,
                basis: basis(b.source.as_ref(), b.verified, &item_basis),
            })
            .collect();
        let rows = Rows { file: i, id: &it.id, values: &value_ids, basis: &item_basis };
        let age_bands = it.band.iter().filter_map(|b| rows.age_band(c, b, it)).collect();
        let growth = it.growth.as_ref().map(|g| rows.growth(c, g));
        let noise = it.noise.as_ref().map(|x| {
            rows.positive(c, *x.below.get_ref(), x.below.span().start);
            let basis = basis(x.source.as_ref(), x.verified, &item_basis);
            model::Noise { below: *x.below.get_ref(), basis }
        });
        let mean = it.mean.as_ref().map(|x| {
            let [a, b] = *x.between.get_ref();
            if a > b {
                let text = format!("a mean of {} goes from {a} to {b}", it.id.get_ref());
                let help = Some("write the smaller first; the same twice when there is one".into());
                c.problem(i, x.between.span().start, text, help);
            }
            model::Mean {
                between: [a, b],
                basis: basis(x.source.as_ref(), x.verified, &item_basis),
            }
        });
        for (there, span) in [
            (it.growth.as_ref().map(|g| g.implausible_beyond.span().start), "a growth reference"),
            (it.noise.as_ref().map(|x| x.below.span().start), "an error of its number"),
            (it.mean.as_ref().map(|x| x.between.span().start), "a mean of its number"),
            (it.series.as_ref().map(|x| x.misses.span().start), "a series to count"),
        ] {
            if let Some(byte) = there.filter(|_| number.is_none()) {
                let text = format!("the item `{}` has {span} but takes no number", it.id.get_ref());
                let help = "add number = { unit = \"…\", plausible = [.., ..] }".to_owned();
                c.problem(i, byte, text, Some(help));
            }
        }
        if let Some(s) = it.series.as_ref().filter(|_| it.sided) {
            let text = format!("the item `{}` has sides and a series to count", it.id.get_ref());
            let help = "a series is counted for items without sides";
            c.problem(i, s.misses.span().start, text, Some(help.into()));
        }
        let series = it.series.as_ref().and_then(|s| rows.series(c, s));
        for text in [&it.in_note, &it.one_side].into_iter().flatten() {
            c.not_blank(i, text);
        }
        let valid_states =
            it.valid_states.iter().filter_map(|s| c.lookup(i, s, "state", &state_ids)).collect();
        items.push(model::Item {
            id: it.id.get_ref().clone(),
            section,
            name: it.name.clone(),
            proper: it.proper,
            in_note: it.in_note.as_ref().map(|t| t.get_ref().clone()),
            one_side: it.one_side.as_ref().map(|t| t.get_ref().clone()),
            sided: it.sided,
            elicited: it.elicited.unwrap_or(Elicited::Each),
            valid_states,
            rule: it.rule.clone(),
            hold: it.hold.clone(),
            trials: it.trials,
            no_means: it.no_means,
            number,
            grades,
            values,
            bands,
            age_bands,
            growth,
            noise,
            mean,
            series,
            basis: item_basis,
            names,
        });
    }
    // --- what refers to items and states
    for (i, p) in parsed.iter().enumerate() {
        heard(c, i, p, &item_ids, &items);
    }
    let (mut groups, mut numberings, mut protocols) = (Vec::new(), Vec::new(), Vec::new());
    let (mut reasons, mut controls) = (Vec::new(), Vec::new());
    let mut confusables = Vec::new();
    let mut patterns = Vec::new();
    let mut pattern_ids = HashMap::new();
    let mut number_words = NumberWords::default();
    for (i, p) in parsed.iter().enumerate() {
        for g in &p.group {
            c.phrases(i, &g.names, Meaning::Group(groups.len()));
            let of = g.items.iter().filter_map(|t| c.lookup(i, t, "item", &item_ids)).collect();
            groups.push(model::Group { id: g.id.get_ref().clone(), items: of });
        }
        for s in &p.numbering {
            c.phrases(i, &s.names, Meaning::Numbering(numberings.len()));
            let mut map = BTreeMap::new();
            for (k, v) in &s.states {
                let Some(state) = c.lookup(i, v, "state", &state_ids) else { continue };
                match k.parse::<u32>() {
                    Ok(k) => {
                        map.insert(k, state);
                    }
                    Err(_) => c.problem(
                        i,
                        v.span().start,
                        format!("the state number `{k}` is not a whole number"),
                        None,
                    ),
                }
            }
            numberings.push(model::Numbering {
                id: s.id.get_ref().clone(),
                states: map,
                default: s.default,
                basis: basis(s.source.as_ref(), s.verified, &none),
            });
        }
        for r in &p.protocol {
            let mut list = Vec::new();
            let mut seen: HashSet<ItemId> = HashSet::new();
            let named = r
                .required
                .iter()
                .map(|t| (t, schema::Need::Required, String::new()))
                .chain(r.optional.iter().map(|t| (t, schema::Need::Optional, String::new())))
                .chain(r.only_if.iter().map(|o| (&o.item, schema::Need::OnlyIf, o.when.clone())));
            for (t, need, when) in named {
                let Some(item) = c.lookup(i, t, "item", &item_ids) else { continue };
                if seen.insert(item) {
                    list.push((item, need, when));
                } else {
                    c.problem(
                        i,
                        t.span().start,
                        format!("the item `{}` stands twice in this protocol", t.get_ref()),
                        Some("an item is required, optional or only-if: keep one".into()),
                    );
                }
            }
            list.sort_by_key(|(item, _, _)| *item);
            if let Some([from, to]) = r.weeks.filter(|[from, to]| from >= to) {
                let text =
                    format!("the protocol `{}` is for {from} up to {to} weeks", r.id.get_ref());
                let help = "write the first week, then the first one it is no longer for";
                c.problem(i, r.id.span().start, text, Some(help.into()));
            }
            protocols.push(model::Protocol {
                id: r.id.get_ref().clone(),
                name: r.name.clone(),
                default: r.default,
                weeks: r.weeks,
                items: list,
                watch: r.watch.as_ref().map(|w| {
                    watch(c, i, w);
                    let of = basis(r.source.as_ref(), r.verified, &none);
                    model::Watch {
                        name: w.name.clone(),
                        hours: *w.hours.get_ref(),
                        due: w.due.get_ref().clone(),
                        say: w.say.clone(),
                        basis: basis(w.source.as_ref(), w.verified, &of),
                    }
                }),
            });
        }
        for r in &p.reason {
            c.phrases(i, &r.words, Meaning::Reason(reasons.len()));
            reasons.push(model::Reason { code: r.code.get_ref().clone(), say: r.say.clone() });
        }
        for k in &p.control {
            if !ACTS.contains(&k.act.get_ref().as_str()) {
                let help = nearest(k.act.get_ref(), ACTS.iter().copied())
                    .map_or(format!("acts are: {}", ACTS.join(", ")), |n| {
                        format!("did you mean `{n}`?")
                    });
                c.problem(
                    i,
                    k.act.span().start,
                    format!("the engine knows no control act `{}`", k.act.get_ref()),
                    Some(help),
                );
            }
            c.phrases(i, &k.words, Meaning::Control(controls.len()));
            controls.push(k.act.get_ref().clone());
        }
        for (name, list) in &p.words {
            match Family::named(name) {
                Some(Family::Filler) => {}
                Some(f) => {
                    c.phrases(i, &list.words, Meaning::Family(f));
                }
                None => {
                    let byte = list.words.first().map_or(0, |w| w.span().start);
                    let help = nearest(name, Family::ALL.iter().map(|(n, _)| *n))
                        .map(|n| format!("did you mean [words.{n}]?"));
                    c.problem(i, byte, format!("the reader knows no word family `{name}`"), help);
                }
            }
        }
        for k in &p.confusable {
            confusables
                .push(k.words.iter().map(|w| pattern::key_of(w.get_ref())).collect::<Vec<_>>());
        }
        for r in &p.pattern {
            if !c.duplicate(i, &r.id, "pattern", &pattern_ids) {
                pattern_ids.insert(r.id.get_ref().clone(), patterns.len());
                patterns.push(pattern(c, i, r, &item_ids, &items));
            }
        }
        if let Some(n) = &p.number_words {
            number_words = n.clone();
        }
    }
    let state_item =
        head.state_item.as_ref().and_then(|t| c.lookup(head_file, t, "item", &item_ids));
    let mut lexicon = Lexicon {
        name: head.name.get_ref().clone(),
        title: head.title.clone(),
        version: head.version.clone(),
        digest: files.digest(),
        subject: head.subject.clone(),
        state_item,
        item_context_ms: u64::from(head.item_context_s) * 1000,
        side_context_ms: u64::from(head.side_context_s) * 1000,
        gestation: head.gestation,
        term_weeks: head.term_weeks,
        term_days: head.term_days,
        cautions: head.cautions.clone(),
        sections,
        items,
        groups,
        states,
        numberings,
        protocols,
        reasons,
        controls,
        concepts,
        units,
        sources,
        confusables,
        never_lost: never_lost(c, parsed, &item_ids),
        number_words,
        patterns,
        references: Vec::new(),
        codes: codes(c, parsed, &item_ids),
        scale_files: files.scales.clone(),
        matcher: Matcher::new(Vec::new(), HashSet::new()),
    };
    let known = super::reference::Known::of(&lexicon);
    for f in &files.references {
        match super::reference::parse(f, &known) {
            Ok(list) => lexicon.references.extend(list),
            Err(problems) => c.problems.extend(problems),
        }
    }
    lexicon.references.sort_by_key(|r| r.rank);
    Some(lexicon)
}

/// Words that must never vanish.
fn never_lost(
    c: &mut Compiler<'_>,
    parsed: &[schema::File],
    items: &HashMap<String, ItemId>,
) -> NeverLost {
    let (mut rows, mut words, mut but_not) = (Vec::new(), Vec::new(), Vec::new());
    let mut ids = HashMap::new();
    let none = Basis::default();
    for (i, p) in parsed.iter().enumerate() {
        for r in &p.never_lost {
            if c.duplicate(i, &r.id, "row of words never lost", &ids) {
                continue;
            }
            ids.insert(r.id.get_ref().clone(), rows.len());
            c.not_blank(i, &r.say);
            for (list, out) in [(&r.words, &mut words), (&r.but_not, &mut but_not)] {
                for text in list {
                    for phrase in c.expanded(i, text) {
                        out.push((rows.len(), phrase));
                    }
                }
            }
            rows.push(Grave {
                id: r.id.get_ref().clone(),
                say: r.say.get_ref().clone(),
                told_by: r.told_by.iter().filter_map(|t| c.lookup(i, t, "item", items)).collect(),
                basis: basis(r.source.as_ref(), r.verified, &none),
            });
        }
    }
    NeverLost::new(rows, words, but_not, &c.fillers)
}

/// How exports code it.
fn codes(
    c: &mut Compiler<'_>,
    parsed: &[schema::File],
    items: &HashMap<String, ItemId>,
) -> super::codes::Codes {
    let mut out = super::codes::Codes {
        systems: parsed.iter().flat_map(|p| p.code_system.iter().cloned()).collect(),
        ..super::codes::Codes::default()
    };
    for (i, p) in parsed.iter().enumerate() {
        let mut mistakes = Vec::new();
        for row in &p.code {
            match super::codes::code(row, items, &out.systems) {
                Ok(code) => out.list.push(code),
                Err(m) => mistakes.push(m),
            }
        }
        if let Some(b) = &p.bands {
            for (ends, of) in
                [(&b.gestation_weeks, &mut out.gestation_weeks), (&b.age_hours, &mut out.age_hours)]
            {
                match super::codes::ends(ends) {
                    Ok(list) => *of = list,
                    Err(m) => mistakes.push(m),
                }
            }
        }
        for (byte, message, help) in mistakes {
            c.problem(i, byte, message, Some(help));
        }
    }
    out
}

/// A pattern with its items and values resolved.
fn pattern(
    c: &mut Compiler<'_>,
    file: usize,
    r: &schema::Pattern,
    item_ids: &HashMap<String, ItemId>,
    items: &[model::Item],
) -> model::Pattern {
    let names = [r.first.get_ref().clone(), r.second.get_ref().clone()];
    let groups: HashMap<String, usize> =
        names.iter().enumerate().map(|(k, n)| (n.clone(), k)).collect();
    let mut parts = [Vec::new(), Vec::new()];
    for p in &r.part {
        let Some(group) = c.lookup(file, &p.of, "group of this pattern", &groups) else { continue };
        let Some(item) = c.lookup(file, &p.item, "item", item_ids) else { continue };
        let values: HashMap<String, usize> =
            items[item].values.iter().enumerate().map(|(k, v)| (v.code.clone(), k)).collect();
        let mut levels = vec![None; values.len()];
        for (list, level) in [(&p.less, -1), (&p.usual, 0), (&p.more, 1)] {
            for code in list {
                let Some(v) = c.lookup(file, code, "value of this item", &values) else { continue };
                if levels[v].replace(level).is_some() {
                    c.problem(
                        file,
                        code.span().start,
                        format!("the value `{}` stands twice in this part", code.get_ref()),
                        Some("it is less, usual or more: keep one".into()),
                    );
                }
            }
        }
        parts[group].push(model::PatternPart { item, levels });
    }
    for (k, list) in parts.iter().enumerate() {
        if list.is_empty() {
            let byte = r.id.span().start;
            c.problem(
                file,
                byte,
                format!("the pattern `{}` has no part of \"{}\"", r.id.get_ref(), names[k]),
                Some("add [[pattern.part]] with of, item and less, usual or more".into()),
            );
        }
    }
    model::Pattern {
        id: r.id.get_ref().clone(),
        name: r.name.clone(),
        groups: names,
        parts,
        caution: r.caution.clone(),
        basis: basis(r.source.as_ref(), r.verified, &Basis::default()),
    }
}

/// What the rows of one item are compiled with.
struct Rows<'a> {
    file: usize,
    id: &'a Text,
    values: &'a HashMap<String, usize>,
    basis: &'a Basis,
}

impl Rows<'_> {
    fn positive(&self, c: &mut Compiler<'_>, n: f64, byte: usize) {
        if n.is_nan() || n <= 0.0 {
            let text = format!("{n} is not above 0");
            c.problem(self.file, byte, text, Some("write a number above 0".into()));
        }
    }

    /// `weeks+days` in days.
    fn weeks(&self, c: &mut Compiler<'_>, t: &Text) -> Option<u32> {
        let days = super::text::weeks_and_days(t.get_ref());
        if days.is_none() {
            c.problem(
                self.file,
                t.span().start,
                format!("`{}` is no age in weeks and days", t.get_ref()),
                Some("write completed weeks and days, such as \"33+0\"".into()),
            );
        }
        days
    }

    fn age_band(
        &self,
        c: &mut Compiler<'_>,
        b: &schema::AgeBand,
        it: &schema::Item,
    ) -> Option<model::AgeBand> {
        let (from_days, to_days) = (self.weeks(c, &b.from)?, self.weeks(c, &b.to)?);
        let at = b.from.span().start;
        if from_days > to_days {
            let text = format!("this band goes from {} to {}", b.from.get_ref(), b.to.get_ref());
            c.problem(self.file, at, text, Some("write the earlier age as from".into()));
        }
        let twin = it.band.iter().take_while(|o| !std::ptr::eq(*o, b)).find(|o| {
            let ends = |t: &Text| super::text::weeks_and_days(t.get_ref());
            ends(&o.from).zip(ends(&o.to)).is_some_and(|(f, t)| f <= to_days && from_days <= t)
        });
        if let Some(o) = twin {
            c.problem(
                self.file,
                at,
                format!(
                    "this band of {} meets the one from {} to {}",
                    self.id.get_ref(),
                    o.from.get_ref(),
                    o.to.get_ref()
                ),
                Some("bands are inclusive on both ends and must not overlap".into()),
            );
        }
        let band_basis = basis(b.source.as_ref(), b.verified, self.basis);
        let mut values = vec![None; self.values.len()];
        for (code, is) in &b.values {
            match self.values.get(code) {
                Some(&v) => values[v] = Some(*is.get_ref()),
                None => {
                    let help = nearest(code, self.values.keys().map(String::as_str))
                        .map(|n| format!("did you mean `{n}`?"));
                    let text = format!("there is no value `{code}` of {}", self.id.get_ref());
                    c.problem(self.file, is.span().start, text, help);
                }
            }
        }
        if it.number.is_none() && !b.numbers.is_empty() {
            let text = format!("{} takes no number, so none can be expected", self.id.get_ref());
            c.problem(self.file, at, text, Some("drop the numbers of this band".into()));
        }
        let numbers = b
            .numbers
            .iter()
            .map(|n| model::Band {
                from: n.from.unwrap_or(f64::NEG_INFINITY),
                to: n.to.unwrap_or(f64::INFINITY),
                is: n.is,
                basis: basis(n.source.as_ref(), n.verified, &band_basis),
            })
            .collect();
        Some(model::AgeBand {
            from_days,
            to_days,
            hours: b.hours,
            values,
            numbers,
            basis: band_basis,
        })
    }

    fn growth(&self, c: &mut Compiler<'_>, g: &schema::Growth) -> model::Growth {
        let limit = *g.implausible_beyond.get_ref();
        self.positive(c, limit, g.implausible_beyond.span().start);
        let mut rows: Vec<model::GrowthRow> = Vec::new();
        for (k, r) in g.row.iter().enumerate() {
            let within = r.within.as_ref().map_or(f64::INFINITY, |w| *w.get_ref());
            let byte = r.within.as_ref().map_or(r.is.span().start, |w| w.span().start);
            let last = k + 1 == g.row.len();
            if within.is_nan() || rows.last().is_some_and(|p| p.within >= within) {
                let text = "the rows must go outwards from 0".to_owned();
                let help = "give each row a larger within than the one before";
                c.problem(self.file, byte, text, Some(help.into()));
            }
            if last != within.is_infinite() {
                let text = "the last row, and only the last, has no within".to_owned();
                let help = "end with a row for all that is further from 0";
                c.problem(self.file, byte, text, Some(help.into()));
            }
            rows.push(model::GrowthRow {
                within,
                is: *r.is.get_ref(),
                basis: basis(r.source.as_ref(), r.verified, self.basis),
            });
        }
        model::Growth {
            implausible_beyond: limit,
            basis: basis(g.source.as_ref(), g.verified, self.basis),
            rows,
        }
    }

    fn series(&self, c: &mut Compiler<'_>, s: &schema::Series) -> Option<model::Series> {
        let mut words = |list: &[Text]| {
            let mut out: Vec<Vec<String>> = Vec::new();
            for t in list {
                match pattern::expand(t.get_ref()) {
                    Ok(all) => {
                        for words in all {
                            let kept: Vec<String> = words
                                .into_iter()
                                .map(|w| w.folded)
                                .filter(|w| !c.fillers.contains(w))
                                .collect();
                            if kept.is_empty() {
                                let text = format!(
                                    "`{}` is made of fillers only and can never match",
                                    t.get_ref()
                                );
                                let help = "add a word that carries the meaning, or take it out";
                                c.problem(self.file, t.span().start, text, Some(help.into()));
                            } else {
                                out.push(kept);
                            }
                        }
                    }
                    Err(e) => {
                        let text = format!("this phrase {e}");
                        c.problem(self.file, t.span().start, text, None);
                    }
                }
            }
            out.sort_by_key(|w| std::cmp::Reverse(w.len()));
            out.dedup();
            out
        };
        let (answered, missed) = (words(&s.answered), words(&s.missed));
        let beside = words(&s.beside).into_iter().flatten().collect();
        if let Some(both) = answered.iter().find(|w| missed.contains(w)) {
            let text = format!("`{}` is both answered and missed", both.join(" "));
            let byte = s.misses.span().start;
            c.problem(self.file, byte, text, Some("keep it in one of the two".into()));
        }
        let (misses, most) = (*s.misses.get_ref(), *s.most.get_ref());
        if misses == 0 || most < misses {
            let text = format!("a series ends after {misses} missed or {most} in all");
            let help = "misses is at least 1, and most is not less than misses";
            c.problem(self.file, s.misses.span().start, text, Some(help.into()));
        }
        let none = c.lookup(self.file, &s.none_answered, "value of this item", self.values);
        let still = c.lookup(self.file, &s.still_answered, "value of this item", self.values);
        Some(model::Series {
            answered,
            missed,
            beside,
            misses,
            most,
            none_answered: none?,
            still_answered: still?,
            basis: basis(s.source.as_ref(), s.verified, self.basis),
        })
    }
}
