//! Turns lexicon files into a [`Lexicon`], or says what is wrong with them, all at once.

use std::collections::{BTreeMap, HashMap, HashSet};

use super::family::Family;
use super::files::{Files, SourceFile};
use super::matcher::{Entry, Matcher, Meaning, Naming, Saying};
use super::model::{self, Basis, ItemId, Lexicon};
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
}

impl Compiler<'_> {
    fn problem(&mut self, file: usize, byte: usize, message: String, help: Option<String>) {
        let mut p = self.files[file].problem(byte, message);
        p.help = help;
        self.problems.push(p);
    }

    fn phrases(&mut self, file: usize, list: &[Text], meaning: Meaning) -> Vec<String> {
        let mut first = Vec::new();
        for text in list {
            let byte = text.span().start;
            match pattern::expand(text.get_ref()) {
                Err(e) => self.problem(
                    file,
                    byte,
                    format!("this phrase is not well formed: {e}"),
                    Some("write plain words with (a|b) for a choice and [a] for what may be left out".into()),
                ),
                Ok(all) => {
                    first.push(text.get_ref().clone());
                    for words in all {
                        self.entry(file, byte, words, meaning);
                    }
                }
            }
        }
        first
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
    };
    let mut parsed: Vec<schema::File> = Vec::new();
    for f in &files.files {
        match toml::from_str::<schema::File>(&f.text) {
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
            let of: Vec<usize> =
                v.concepts.iter().filter_map(|k| c.lookup(i, k, "concept", &concept_ids)).collect();
            values.push(model::Value {
                code: v.code.get_ref().clone(),
                say: v.say.clone(),
                midline: v.side.is_some(),
                concepts: of,
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
        let valid_states =
            it.valid_states.iter().filter_map(|s| c.lookup(i, s, "state", &state_ids)).collect();
        items.push(model::Item {
            id: it.id.get_ref().clone(),
            section,
            name: it.name.clone(),
            proper: it.proper,
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
            basis: item_basis,
            names,
        });
    }
    // --- what refers to items and states
    let (mut groups, mut numberings, mut protocols) = (Vec::new(), Vec::new(), Vec::new());
    let (mut reasons, mut controls) = (Vec::new(), Vec::new());
    let mut confusables = Vec::new();
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
            protocols.push(model::Protocol {
                id: r.id.get_ref().clone(),
                name: r.name.clone(),
                default: r.default,
                items: list,
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
        if let Some(n) = &p.number_words {
            number_words = n.clone();
        }
    }
    let state_item =
        head.state_item.as_ref().and_then(|t| c.lookup(head_file, t, "item", &item_ids));
    Some(Lexicon {
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
        number_words,
        scale_files: files.scales.clone(),
        matcher: Matcher::new(Vec::new(), HashSet::new()),
    })
}
