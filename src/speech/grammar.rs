//! The grammar of what can be said, compiled from the lexicon, as a graph over letters, or over the
//! tokens of the word ear.
//!
//! The graph is made of tries (one for the names of items, one for the values of each item, one
//! for numbers, …) joined at word boundaries: behind the name of an item stand sides, that item's
//! own values and numbers, and from any boundary another item may follow. Tries are shared, so
//! the graph grows with the lexicon and not with its sentences.
//!
//! A path carries [`Label`]s, which are the lexicon's own meanings. They are compared, to know
//! whether two hypotheses *say the same*; what a phrase means for the exam is decided elsewhere,
//! from its words.

use std::collections::{BTreeMap, HashMap};

use super::tries::{self, Tries};
use crate::lexicon::family::Family;
use crate::lexicon::matcher::{Meaning, Naming, Saying};
use crate::lexicon::model::{ItemId, Lexicon};

/// Largest whole number that can be said.
const LARGEST: u32 = 199;

/// How a recogniser spells, in the symbols that its graph is made of.
pub trait Spelling {
    /// Words, each with the blank before it; empty where they cannot be spelt.
    fn words(&self, text: &str) -> Vec<u32>;
    /// Text that is written without a blank before it; empty where it cannot be spelt.
    fn mark(&self, text: &str) -> Vec<u32>;
    /// Whether sentences begin with a capital.
    fn capitals(&self) -> bool;
}

/// What a stretch of a path says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Label {
    /// Nothing that tells two paths apart: a filler, a comma, *and*.
    None,
    /// The end of a sentence: what follows may begin with a capital.
    Part,
    /// An item.
    Item(u32),
    /// Several items.
    Group(u32),
    /// A value of an item.
    Value(u32, u32),
    /// A shared meaning.
    Concept(u32),
    /// A word that is a value of more than one item, by its number in the graph.
    Word(u32),
    /// A whole number.
    Number(u32),
    /// Tenths after a whole number.
    Tenths(u32),
    /// The grade sign.
    Plus,
    /// The second end of a range follows.
    Range,
    /// A unit.
    Unit(u32),
    /// A side.
    Left,
    /// A side.
    Right,
    /// Both sides.
    Both,
    /// A control act.
    Control(u32),
    /// A state.
    State(u32),
    /// A heading.
    Section(u32),
    /// A word of another family, by the family's place in the list of all.
    Family(u32),
    /// Words that are in no list.
    Talk,
}

/// Where a trie stands in the graph.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
enum Root {
    /// What a thought begins with: names of items, values that name theirs, states.
    Names,
    /// Sides.
    Sides,
    /// Words of the other families.
    Words,
    /// Fillers.
    Links,
    /// Marks.
    Marks,
    /// Only at the beginning, and nothing behind it: controls, headings.
    Whole,
    /// Values without an item: any item's.
    Values,
    /// Values of an item.
    ValuesOf(ItemId),
    /// Whole numbers.
    Numbers,
    /// What may follow a whole number at once.
    AfterNumber,
    /// Units.
    Units,
}

/// The compiled grammar.
pub struct Grammar {
    /// What may be said; at a node ends a label and the number of the text it is written as.
    tries: Tries<(Label, u32)>,
    roots: BTreeMap<Root, u32>,
    /// The same with the first letter a capital, as a sentence begins.
    capitals: BTreeMap<Root, u32>,
    /// Whether an item takes numbers.
    counted: Vec<bool>,
    /// Symbols of the trade phrases, for biasing.
    phrases: Vec<Vec<u32>>,
    /// How what is said is written.
    texts: Vec<String>,
    word_labels: BTreeMap<String, u32>,
    /// What it costs to enter a trie.
    pub costs: Costs,
}

/// No node: the path stands at a boundary.
const BOUNDARY: u32 = u32::MAX;
/// No node: the path is in words that are in no list.
const TALK: u32 = u32::MAX - 1;
/// No item.
const NO_ITEM: u32 = u32::MAX;

/// Where a path stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    node: u32,
    item: u32,
    /// Something has been said.
    begun: bool,
    /// The beginning of a sentence.
    fresh: bool,
    /// Nothing may follow.
    closed: bool,
    /// The last thing said was a whole number.
    number: bool,
    /// The phrase may end here.
    whole: bool,
    /// An item was named, and nothing said of it yet.
    unsaid: bool,
    /// Fillers said in a row.
    links: u8,
    /// The last thing said but fillers was a number: "34. 5" is no two numbers.
    numbered: bool,
    /// Number of the last label in the [`Trail`].
    trail: u32,
    /// What the path has cost so far, in log-probability; see [`Costs`].
    pub cost: f32,
}

impl Place {
    /// Whether it stands between two things said.
    pub fn at_boundary(&self) -> bool {
        self.node == BOUNDARY
    }

    /// Whether it stands in words that are in no list.
    pub fn in_talk(&self) -> bool {
        self.node == TALK
    }

    /// Tells paths apart: two of the same key have said the same and stand in the same place.
    pub fn key(&self) -> u64 {
        u64::from(self.node) << 32 | u64::from(self.trail)
    }

    /// Tells places apart, whatever was said before: what may follow is the same.
    pub fn here(&self) -> (u32, u32) {
        (self.node, self.item)
    }
}

/// What it costs to enter a trie, in units of log-probability: a rough guess how a phrase goes on,
/// fitted by hand on synthetic speech. It keeps the many paths nobody takes from crowding out the
/// few that people do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Costs {
    /// Another item's name behind something said.
    pub another: f32,
    /// A filler or a mark.
    pub link: f32,
    /// A number without an item.
    pub bare_number: f32,
    /// A word of a family.
    pub word: f32,
    /// A value without an item.
    pub bare_value: f32,
    /// A filler; marks are `link`.
    pub filler: f32,
    /// An end behind the name of an item of which nothing was said.
    pub unsaid: f32,
    /// The name of the item that is at hand already.
    pub again: f32,
    /// Words that are in no list.
    pub talk: f32,
    /// Each letter of them.
    pub letter: f32,
    /// Anything said at all: a word is not said without need.
    pub entry: f32,
}

impl Default for Costs {
    fn default() -> Self {
        Costs {
            another: 1.2,
            link: 0.3,
            bare_number: 2.5,
            word: 3.0,
            bare_value: 4.0,
            filler: 3.0,
            unsaid: 4.0,
            again: 2.5,
            talk: 2.0,
            letter: 1.2,
            entry: 0.0,
        }
    }
}

impl Costs {
    /// For a graph of letters, whose paths have no word ear's sense of what goes with what.
    pub fn of_letters() -> Costs {
        Costs {
            another: 3.0,
            talk: 3.0,
            letter: 2.0,
            entry: 1.0,
            unsaid: 6.0,
            filler: 4.0,
            ..Costs::default()
        }
    }

    fn of(&self, root: Root, p: &Place) -> f32 {
        let more = match root {
            Root::Names | Root::Whole if p.begun => self.another,
            Root::Numbers if p.item == NO_ITEM => self.bare_number,
            Root::Words => self.word,
            Root::Values => self.bare_value,
            Root::Links => self.filler,
            Root::Marks => self.link,
            _ => 0.0,
        };
        self.entry + more
    }
}

/// Labels of all paths of one search; each points to the one before it.
#[derive(Debug, Default)]
pub struct Trail {
    steps: Vec<(u32, Label, u32)>,
    /// The same steps behind the same path are one.
    known: HashMap<(u32, Label, u32), u32>,
}

/// The beginning of every trail.
const NOWHERE: u32 = u32::MAX;

impl Trail {
    fn add(&mut self, before: u32, label: Label, text: u32) -> u32 {
        let fresh = small(self.steps.len());
        let step = (before, label, text);
        let at = *self.known.entry(step).or_insert(fresh);
        if at == fresh {
            self.steps.push(step);
        }
        at
    }

    /// What a path says, in order, each with the number of its text.
    pub fn said(&self, place: &Place) -> Vec<(Label, u32)> {
        let mut out = Vec::new();
        let mut at = place.trail;
        while let Some((before, label, text)) = self.steps.get(at as usize) {
            out.push((*label, *text));
            at = *before;
        }
        out.reverse();
        out
    }

    /// What a path says: its thoughts in order. What each says is sorted, so that the order of side
    /// and value makes no difference; where there are several of either, their order tells which goes with which.
    pub fn meaning(&self, place: &Place, lex: &Lexicon) -> Vec<Label> {
        let labels = self.said(place).into_iter().map(|(label, _)| label);
        let mut out: Vec<Label> = Vec::new();
        let mut part: Vec<Label> = Vec::new();
        let mut item = None;
        for l in labels {
            let l = match (l, item) {
                (Label::Concept(c), Some(i)) => value_of(lex, i, c).unwrap_or(l),
                _ => l,
            };
            match l {
                Label::None | Label::Part | Label::Talk => {}
                Label::Family(f) if is_and(f) => {}
                Label::Item(i) => {
                    // A second name of the same item says nothing new.
                    if item != Some(i) {
                        settle(&mut part, &mut out);
                    }
                    item = Some(i);
                    part.push(l);
                }
                Label::Value(i, _) => {
                    if item != Some(i) && item.is_some() {
                        settle(&mut part, &mut out);
                    }
                    item = Some(i);
                    part.push(Label::Item(i));
                    part.push(l);
                }
                l => part.push(l),
            }
        }
        settle(&mut part, &mut out);
        out.dedup();
        out
    }
}

/// Appends what is said of one item.
fn settle(part: &mut Vec<Label>, out: &mut Vec<Label>) {
    let several = |is: fn(&Label) -> bool| part.iter().filter(|l| is(l)).count() > 1;
    let sides = several(|l| matches!(l, Label::Left | Label::Right | Label::Both));
    let values = several(|l| {
        matches!(l, Label::Value(..) | Label::Concept(_) | Label::Word(_) | Label::Number(_))
    });
    if !sides && !values {
        part.sort_unstable();
    }
    out.append(part);
}

/// The value of an item that a shared meaning stands for.
fn value_of(lex: &Lexicon, item: u32, concept: u32) -> Option<Label> {
    let values = &lex.items.get(item as usize)?.values;
    let v = values.iter().position(|v| v.concepts.contains(&(concept as usize)))?;
    Some(Label::Value(item, u32::try_from(v).ok()?))
}

/// Families whose words may stand in a bound phrase, and whether a phrase may end behind them.
const FAMILIES: &[(Family, bool)] = &[
    (Family::Filler, true),
    (Family::Left, true),
    (Family::Right, true),
    (Family::Both, true),
    (Family::Equal, true),
    (Family::OtherSide, true),
    (Family::Negation, false),
    (Family::NotObtained, true),
    (Family::Skip, true),
    (Family::Defer, true),
    (Family::Same, true),
    (Family::Correct, false),
    (Family::Strike, true),
    (Family::Swap, true),
    (Family::Again, true),
    (Family::And, false),
];

/// Most fillers in a row, and the longest of them, letters. Long ones are talk, and a graph full of
/// talk hears talk.
const MOST_LINKS: u8 = 2;
const LONGEST_LINK: usize = 4;

struct Builder<'a> {
    spelling: &'a dyn Spelling,
    grammar: Grammar,
    tries: tries::Builder<(Label, u32)>,
    wanted: Wanted,
}

/// What of a grammar is compiled.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Wanted {
    /// The graph, and the trade's phrases.
    All,
    /// The graph.
    Graph,
    /// The trade's phrases.
    Phrases,
}

impl Builder<'_> {
    fn root(&mut self, root: Root, capital: bool) -> u32 {
        let roots = if capital { &mut self.grammar.capitals } else { &mut self.grammar.roots };
        *roots.entry(root).or_insert_with(|| self.tries.root())
    }

    fn insert(&mut self, root: u32, tokens: &[u32], label: Label, text: u32) {
        if !tokens.is_empty() && self.wanted != Wanted::Phrases {
            self.tries.insert(root, tokens, (label, text), |a, b| a.0 == b.0);
        }
    }

    fn phrase(&mut self, symbols: Vec<u32>) {
        if self.wanted != Wanted::Graph {
            self.grammar.phrases.push(symbols);
        }
    }

    fn text(&mut self, text: &str) -> u32 {
        if self.wanted != Wanted::Phrases {
            self.grammar.texts.push(text.to_owned());
        }
        small(self.grammar.texts.len().saturating_sub(1))
    }

    /// Adds a phrase, and the same with a capital where a sentence begins.
    fn say(&mut self, root: Root, text: &str, label: Label, trade: bool) {
        if text.is_empty() {
            return;
        }
        let tokens = self.spelling.words(text);
        let written = self.text(text);
        let at = self.root(root, false);
        self.insert(at, &tokens, label, written);
        if self.spelling.capitals() {
            let capital = self.spelling.words(&with_capital(text));
            let at = self.root(root, true);
            self.insert(at, &tokens, label, written);
            self.insert(at, &capital, label, written);
            if trade {
                self.phrase(capital);
            }
        }
        if trade {
            self.phrase(tokens);
        }
    }

    /// Adds a phrase whose spelling keeps its capital anywhere.
    fn say_proper(&mut self, root: Root, text: &str, label: Label) {
        let tokens = self.spelling.words(&with_capital(text));
        let (at, written) = (self.root(root, false), self.text(text));
        self.insert(at, &tokens, label, written);
        self.phrase(tokens);
    }

    /// Adds text that is written without a blank before it.
    fn mark(&mut self, root: Root, text: &str, label: Label) {
        let tokens = self.spelling.mark(text);
        if tokens.is_empty() {
            return;
        }
        let written = self.text(text);
        for capital in [false, true] {
            let at = self.root(root, capital);
            self.insert(at, &tokens, label, written);
        }
    }
}

/// A text with its first letter a capital.
pub fn with_capital(text: &str) -> String {
    let mut c = text.chars();
    c.next().map_or(String::new(), |f| f.to_uppercase().chain(c).collect())
}

/// The plural of a name's last word, where it has none yet.
fn plural(text: &str) -> Option<String> {
    let ends = |s: &str| text.ends_with(s);
    (!ends("s") && text.ends_with(|c: char| c.is_ascii_alphabetic())).then(|| match () {
        () if ends("x") || ends("ch") || ends("sh") => format!("{text}es"),
        () => format!("{text}s"),
    })
}

fn small(n: usize) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX)
}

/// All ways to say whole numbers, with the number.
fn numbers(lex: &Lexicon) -> Vec<(String, u32)> {
    let w = &lex.number_words;
    let mut below: Vec<(String, u32)> = w.small.iter().map(|(s, n)| (s.clone(), *n)).collect();
    for (ten, t) in &w.tens {
        below.push((ten.clone(), *t));
        for (one, o) in w.small.iter().filter(|(_, o)| (1..10).contains(*o)) {
            below.push((format!("{ten} {one}"), t + o));
            below.push((format!("{ten}-{one}"), t + o));
        }
    }
    let mut out = below.clone();
    for hundred in &w.hundred {
        for article in &w.article {
            let head = format!("{article} {hundred}");
            out.push((head.clone(), 100));
            for (text, n) in &below {
                if (1..100).contains(n) {
                    out.push((format!("{head} {text}"), 100 + n));
                    out.extend(w.and.iter().map(|and| (format!("{head} {and} {text}"), 100 + n)));
                }
            }
        }
        out.push((hundred.clone(), 100));
    }
    // "One twenty" is a hundred and twenty.
    for (one, _) in w.small.iter().filter(|(_, n)| **n == 1) {
        let tens = below.iter().filter(|(_, n)| (10..100).contains(n));
        out.extend(tens.map(|(text, n)| (format!("{one} {text}"), 100 + n)));
    }
    out.extend((0..=LARGEST).map(|n| (n.to_string(), n)));
    out
}

impl Grammar {
    /// Compiles the lexicon.
    pub fn of(lex: &Lexicon, spelling: &dyn Spelling) -> Grammar {
        Grammar::compiled(lex, spelling, Wanted::All)
    }

    /// Compiles what can be said, and not the list of the trade's phrases.
    pub fn graph(lex: &Lexicon, spelling: &dyn Spelling) -> Grammar {
        Grammar::compiled(lex, spelling, Wanted::Graph)
    }

    /// The list of the trade's phrases alone: with it nothing can be followed.
    pub fn of_phrases(lex: &Lexicon, spelling: &dyn Spelling) -> Grammar {
        Grammar::compiled(lex, spelling, Wanted::Phrases)
    }

    fn compiled(lex: &Lexicon, spelling: &dyn Spelling, wanted: Wanted) -> Grammar {
        let grammar = Grammar {
            tries: Tries::default(),
            roots: BTreeMap::new(),
            capitals: BTreeMap::new(),
            counted: lex.items.iter().map(|i| i.number.is_some() || !i.grades.is_empty()).collect(),
            phrases: Vec::new(),
            texts: Vec::new(),
            word_labels: BTreeMap::new(),
            costs: Costs::default(),
        };
        let mut b = Builder { spelling, grammar, tries: tries::Builder::default(), wanted };
        for e in &lex.matcher.entries {
            let words: Vec<&str> = e.words.iter().map(|w| w.surface.as_str()).collect();
            entry(&mut b, &spelled(&words), e.meaning, lex);
        }
        for c in 0..lex.concepts.len() {
            concept(&mut b, c, lex);
        }
        for (text, n) in numbers(lex) {
            b.say(Root::Numbers, &text, Label::Number(n), false);
        }
        after_numbers(&mut b, lex);
        let mut links: Vec<&str> =
            lex.matcher.fillers().filter(|f| f.len() <= LONGEST_LINK).collect();
        links.sort_unstable();
        for f in links {
            b.say(Root::Links, f, Label::None, false);
        }
        for (mark, label) in [(",", Label::None), (".", Label::Part), (";", Label::None)] {
            b.mark(Root::Marks, mark, label);
        }
        b.grammar.phrases.sort_unstable();
        b.grammar.phrases.dedup();
        b.grammar.tries = b.tries.packed();
        b.grammar
    }

    /// Token sequences of the trade's phrases, as they stand in running text and at its beginning.
    pub fn phrases(&self) -> &[Vec<u32>] {
        &self.phrases
    }

    /// How what ends there is written.
    pub fn text(&self, text: u32) -> &str {
        self.texts.get(text as usize).map_or("", String::as_str)
    }

    /// Number of nodes.
    pub fn len(&self) -> usize {
        self.tries.len()
    }

    /// Whether nothing can be said.
    pub fn is_empty(&self) -> bool {
        self.tries.is_empty()
    }

    /// Where every path begins.
    pub fn start(&self) -> Vec<Place> {
        vec![Place {
            node: BOUNDARY,
            item: NO_ITEM,
            begun: false,
            fresh: true,
            closed: false,
            number: false,
            whole: false,
            unsaid: false,
            links: 0,
            numbered: false,
            trail: NOWHERE,
            cost: 0.0,
        }]
    }

    /// Nodes a path may enter from a boundary, with what it has cost by then.
    fn roots_at(&self, p: &Place) -> impl Iterator<Item = (u32, f32)> {
        let mut roots = Vec::with_capacity(8);
        if !p.closed {
            roots.extend([Root::Names, Root::Sides, Root::Words]);
            match p.begun {
                true => roots.extend([Root::Links, Root::Marks]),
                false => roots.push(Root::Whole),
            }
            if p.number {
                roots.push(Root::AfterNumber);
                roots.push(Root::Units);
            }
            if p.item == NO_ITEM {
                roots.push(Root::Values);
                if !p.numbered {
                    roots.push(Root::Numbers);
                }
            } else {
                roots.push(Root::ValuesOf(p.item as usize));
                if self.counted[p.item as usize] && !p.numbered {
                    roots.push(Root::Numbers);
                }
            }
        }
        let map = if p.fresh && !self.capitals.is_empty() { &self.capitals } else { &self.roots };
        let price = |r: Root| p.cost + self.costs.of(r, p);
        roots.into_iter().filter_map(move |r| Some((*map.get(&r)?, price(r))))
    }

    /// Calls `each` with every token that may follow and the cost of the path with it; one token
    /// may come several times.
    pub fn next(&self, places: &[Place], each: &mut impl FnMut(u32, f32)) {
        let mut list = |node: u32, cost: f32| {
            for (t, _) in self.tries.next(node) {
                each(*t, cost);
            }
        };
        for p in places {
            match p.node {
                BOUNDARY => self.roots_at(p).for_each(|(node, cost)| list(node, cost)),
                node => list(node, p.cost),
            }
        }
    }

    /// Whether a phrase may end here, and if so in which place, and what the path has cost with
    /// its end.
    pub fn ending<'p>(&self, places: &'p [Place]) -> Option<(&'p Place, f32)> {
        let end = |p: &Place| p.cost + if p.unsaid { self.costs.unsaid } else { 0.0 };
        let all = places.iter().filter(|p| p.node == BOUNDARY && p.whole);
        all.map(|p| (p, end(p))).min_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// The places a token leads to; none when it may not stand here.
    pub fn advance(&self, places: &[Place], token: u32, trail: &mut Trail) -> Vec<Place> {
        let mut out: Vec<Place> = Vec::new();
        for p in places {
            let from: Vec<(u32, f32)> = match p.node {
                BOUNDARY => self.roots_at(p).collect(),
                node => vec![(node, p.cost)],
            };
            for (node, cost) in from {
                let Some(to) = self.tries.step(node, token) else { continue };
                self.enter(&Place { cost, ..*p }, to, trail, &mut |p| push(&mut out, p));
            }
        }
        out
    }

    /// The places that a path stands in when it comes to a node.
    fn enter(&self, p: &Place, to: u32, trail: &mut Trail, each: &mut impl FnMut(Place)) {
        if !self.tries.next(to).is_empty() {
            each(Place { node: to, ..*p });
        }
        for (label, text) in self.tries.ends(to) {
            if let Some(place) = self.behind(p, *label, *text, trail) {
                each(place);
            }
        }
    }

    /// Calls `each` with every symbol of which `may` is true and a place it leads to.
    pub fn follow(
        &self,
        p: &Place,
        trail: &mut Trail,
        may: &impl Fn(u32) -> bool,
        each: &mut impl FnMut(u32, Place),
    ) {
        let mut from = |node: u32, cost: f32, trail: &mut Trail| {
            for (symbol, to) in self.tries.next(node) {
                if may(*symbol) {
                    self.enter(&Place { cost, ..*p }, *to, trail, &mut |p| each(*symbol, p));
                }
            }
        };
        match p.node {
            BOUNDARY => self.roots_at(p).for_each(|(node, cost)| from(node, cost, trail)),
            TALK => {}
            node => from(node, p.cost, trail),
        }
    }

    /// The path goes on with words that are in no list, where they may stand.
    pub fn talk(&self, p: &Place) -> Option<Place> {
        let may = p.node == BOUNDARY && !p.closed && (p.whole || !p.begun);
        may.then_some(Place { node: TALK, begun: true, cost: p.cost + self.costs.talk, ..*p })
    }

    /// The boundary behind such words; `text` stands for them.
    pub fn behind_talk(&self, p: &Place, text: u32, trail: &mut Trail) -> Place {
        Place {
            node: BOUNDARY,
            fresh: false,
            number: false,
            numbered: false,
            links: 0,
            whole: true,
            trail: trail.add(p.trail, Label::Talk, text),
            ..*p
        }
    }

    /// The boundary behind a stretch that says `label`; none where it may not stand.
    fn behind(&self, p: &Place, label: Label, text: u32, trail: &mut Trail) -> Option<Place> {
        let mut to =
            Place { node: BOUNDARY, fresh: false, number: false, links: 0, numbered: false, ..*p };
        match label {
            // Fillers and marks stand between things said, and not for long.
            Label::None | Label::Part => {
                if !p.begun || p.links >= MOST_LINKS {
                    return None;
                }
                to.links = p.links + 1;
                to.fresh = label == Label::Part;
                to.numbered = p.number || p.numbered;
                to.trail = trail.add(p.trail, label, text);
                return Some(to);
            }
            Label::Item(i) | Label::Value(i, _) => {
                if p.item == i && matches!(label, Label::Item(_)) {
                    to.cost += self.costs.again;
                }
                to.item = i;
                to.whole = true;
                to.unsaid = matches!(label, Label::Item(_));
            }
            Label::Left | Label::Right | Label::Both => to.whole = true,
            Label::Group(_) => {
                to.whole = true;
                to.unsaid = true;
            }
            Label::Control(_) | Label::Section(_) => {
                to.closed = true;
                to.whole = true;
            }
            Label::Number(_) => {
                to.number = true;
                to.numbered = true;
                to.whole = true;
                to.unsaid = false;
            }
            // Two numbers in a row are no number that is said.
            Label::Tenths(_) | Label::Plus => {
                to.numbered = true;
                to.whole = true;
            }
            Label::Range => to.whole = false,
            Label::Family(f) => {
                let ends = FAMILIES.get(f as usize).is_some_and(|(_, ends)| *ends);
                // "No" before "no", "and" before "and" says nothing.
                if p.begun && !p.whole {
                    return None;
                }
                to.whole = ends;
                to.unsaid &= !ends;
            }
            _ => {
                to.whole = true;
                to.unsaid = false;
            }
        }
        to.begun = true;
        to.trail = trail.add(p.trail, label, text);
        Some(to)
    }
}

fn is_and(family: u32) -> bool {
    FAMILIES.get(family as usize).is_some_and(|(f, _)| *f == Family::And)
}

fn push(out: &mut Vec<Place>, p: Place) {
    // Of two paths over the same words to the same place the cheaper is kept.
    let bare = |q: &Place| Place { trail: 0, cost: 0.0, ..*q };
    match out.iter_mut().find(|q| bare(q) == bare(&p)) {
        Some(q) if p.cost < q.cost => *q = p,
        Some(_) => {}
        None => out.push(p),
    }
}

/// Words as people write them: *'s* belongs to the word before it.
fn spelled(words: &[&str]) -> String {
    words.join(" ").replace(" 's", "'s").replace("cannot", "can't")
}

fn entry(b: &mut Builder<'_>, text: &str, meaning: Meaning, lex: &Lexicon) {
    match meaning {
        Meaning::Item(i, how) => {
            if how == Naming::Sound {
                return;
            }
            let label = Label::Item(small(i));
            b.say(Root::Names, text, label, true);
            if lex.items[i].proper {
                b.say_proper(Root::Names, text, label);
            }
            if how != Naming::Plural
                && let Some(many) = plural(text)
            {
                b.say(Root::Names, &many, label, true);
            }
        }
        Meaning::Group(g) => b.say(Root::Names, text, Label::Group(small(g)), true),
        Meaning::Value { item, value, how } => {
            let label = Label::Value(small(item), small(value));
            match how {
                Saying::Sound => {}
                Saying::Alone => b.say(Root::Names, text, label, true),
                Saying::InContext | Saying::Yields => {
                    b.say(Root::ValuesOf(item), text, label, true);
                    let fresh = small(b.grammar.word_labels.len());
                    let n = *b.grammar.word_labels.entry(text.to_owned()).or_insert(fresh);
                    b.say(Root::Values, text, Label::Word(n), false);
                }
            }
        }
        Meaning::Concept(_) => {}
        Meaning::State { state, sound, .. } => {
            if !sound {
                b.say(Root::Names, text, Label::State(small(state)), true);
            }
        }
        Meaning::Unit(u) => b.say(Root::Units, text, Label::Unit(small(u)), false),
        Meaning::Control(c) => b.say(Root::Whole, text, Label::Control(small(c)), true),
        Meaning::Section(s) => b.say(Root::Whole, text, Label::Section(small(s)), true),
        Meaning::Reason(_) | Meaning::Numbering(_) => {}
        Meaning::Family(f) => {
            let Some(n) = FAMILIES.iter().position(|(g, _)| *g == f) else { return };
            if f == Family::Filler {
                return;
            }
            let label = match f {
                Family::Filler => Label::None,
                Family::Left => Label::Left,
                Family::Right => Label::Right,
                Family::Both | Family::Equal => Label::Both,
                _ => Label::Family(small(n)),
            };
            let root = match label {
                Label::Left | Label::Right | Label::Both => Root::Sides,
                _ => Root::Words,
            };
            b.say(root, text, label, false);
        }
    }
}

/// A shared meaning may be said of the items that have a value for it, and of the one at hand.
fn concept(b: &mut Builder<'_>, c: usize, lex: &Lexicon) {
    let texts: Vec<String> = lex
        .matcher
        .entries
        .iter()
        .filter(|e| e.meaning == Meaning::Concept(c))
        .map(|e| spelled(&e.words.iter().map(|w| w.surface.as_str()).collect::<Vec<_>>()))
        .collect();
    for text in &texts {
        b.say(Root::Values, text, Label::Concept(small(c)), true);
        for (i, item) in lex.items.iter().enumerate() {
            if item.values.iter().any(|v| v.concepts.contains(&c)) {
                b.say(Root::ValuesOf(i), text, Label::Concept(small(c)), false);
            }
        }
    }
}

fn after_numbers(b: &mut Builder<'_>, lex: &Lexicon) {
    let w = lex.number_words.clone();
    for d in 0..10u32 {
        b.mark(Root::AfterNumber, &format!(".{d}"), Label::Tenths(d));
        for (one, _) in w.small.iter().filter(|(_, n)| **n == d) {
            for point in &w.point {
                b.say(Root::AfterNumber, &format!("{point} {one}"), Label::Tenths(d), false);
                b.say(Root::AfterNumber, &format!("{point} {d}"), Label::Tenths(d), false);
            }
        }
    }
    for half in &w.half {
        for and in &w.and {
            b.say(Root::AfterNumber, &format!("{and} a {half}"), Label::Tenths(5), false);
        }
    }
    for plus in &w.plus {
        b.say(Root::AfterNumber, plus, Label::Plus, false);
    }
    b.mark(Root::AfterNumber, "+", Label::Plus);
    for range in &w.range {
        b.say(Root::AfterNumber, range, Label::Range, false);
    }
}
