//! Narrated exams with gold: reading them from disk, reading them by one or two readers, scoring, and
//! disturbing them. Shared by `tests/narrations.rs` and `cargo bench --bench narrations`.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::path::Path;
use std::sync::Arc;

#[path = "../in_memory/mod.rs"]
mod in_memory;

use cotside::capture::{Phrase, Source};
use cotside::exam::Exam;
use cotside::gaps::gaps;
use cotside::grade::{Overview, asymmetries, grade};
use cotside::journal::Entry;
use cotside::lexicon::Lexicon;
use cotside::reading::{Side, Status};
use cotside::report::note::{self, Block};
use cotside::report::words;
use cotside::tagger::{Marks, Stream, Tagger};
use serde_json::Value;

/// A narration with what a careful listener would write down.
#[derive(Debug, Clone)]
pub struct Narration {
    pub name: String,
    /// Last part of the folder it is in.
    pub folder: String,
    /// `captions` or `clear`.
    pub kind: String,
    pub phrases: Vec<Phrase>,
    pub gold: BTreeSet<Claim>,
    /// Line at which each was last said.
    pub gold_at: BTreeMap<Claim, u64>,
    /// Lines that must give no finding.
    pub traps: BTreeSet<u64>,
    /// Lines that tell something: findings, states, corrections, items brought up.
    pub telling: BTreeSet<u64>,
    /// Whether the marks stand behind every line, so that a line without one is mere talk.
    pub every_line: bool,
    /// What is marked as no finding of now, by line.
    pub scopes: BTreeMap<u64, String>,
}

/// One finding for one side.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Claim {
    pub item: String,
    pub side: String,
    pub status: String,
    pub value: String,
    pub number: String,
}

/// What was made of a claim: line, whether it is sure, why.
pub type Made = BTreeMap<Claim, (Option<u64>, bool, String)>;

fn phrase(line: u32, row: &str) -> Phrase {
    let (time, words) = row[1..].split_once("] ").unwrap();
    let (m, s) = time.split_once(':').unwrap();
    let at =
        m.parse::<u64>().unwrap() * 60_000 + (s.parse::<f64>().unwrap() * 1000.0).round() as u64;
    Phrase {
        text: words.to_owned(),
        start_ms: at,
        end_ms: at + 250 * words.split(' ').count() as u64,
        source: Source::TimedText,
        line: Some(line),
        speaker: None,
        alternatives: vec![],
        words: Vec::new(),
        certainty: None,
    }
}

fn sides(side: Option<&str>) -> Vec<String> {
    match side {
        Some("both") => vec!["left".into(), "right".into()],
        Some(s) => vec![s.into()],
        None => vec!["-".into()],
    }
}

/// All narrations of a folder, by name.
pub fn folder(dir: &Path) -> Vec<Narration> {
    let mut files: Vec<_> = std::fs::read_dir(dir)
        .unwrap_or_else(|e| panic!("{}: {e}", dir.display()))
        .map(|e| e.unwrap().path())
        .collect();
    files.sort();
    let of = dir.file_name().unwrap().to_str().unwrap().to_owned();
    let ending = |p: &Path, e: &str| p.to_str().unwrap().strip_suffix(e).map(str::to_owned);
    let marked: BTreeSet<String> = files.iter().filter_map(|p| ending(p, ".mark")).collect();
    let mut out: Vec<Narration> = Vec::new();
    for p in &files {
        if p.extension().is_some_and(|e| e == "mark") {
            out.push(from_marks(p, &of));
        } else if let Some(stem) = ending(p, ".gold.json").filter(|s| !marked.contains(s)) {
            out.push(from_pair(Path::new(&stem), &of));
        }
    }
    out
}

fn from_pair(stem: &Path, folder: &str) -> Narration {
    let with = |e: &str| std::fs::read_to_string(format!("{}{e}", stem.display())).unwrap();
    let g: Value = serde_json::from_str(&with(".gold.json")).unwrap();
    let name = stem.file_name().unwrap().to_str().unwrap().to_owned();
    let (mut gold, mut gold_at) = (BTreeSet::new(), BTreeMap::new());
    for f in g["findings"].as_array().unwrap() {
        if f["item"] == "behavioural-state" {
            continue;
        }
        let range = f["low"].as_f64().map(|a| format!("{a}..{}", f["high"].as_f64().unwrap()));
        for side in sides(f["side"].as_str()) {
            let claim = Claim {
                item: f["item"].as_str().unwrap().into(),
                side,
                status: f["status"].as_str().unwrap().into(),
                value: f["value"].as_str().unwrap_or("").into(),
                number: range
                    .clone()
                    .or_else(|| f["number"].as_f64().map(|n| n.to_string()))
                    .unwrap_or_default(),
            };
            gold_at.insert(claim.clone(), f["line"].as_u64().unwrap());
            gold.insert(claim);
        }
    }
    let traps =
        g["not_findings"].as_array().unwrap().iter().map(|t| t["line"].as_u64().unwrap()).collect();
    let phrases = with(".txt").lines().zip(1..).map(|(l, n)| phrase(n, l)).collect();
    let kind = if name.contains("captions") { "captions" } else { "clear" };
    Narration {
        kind: kind.into(),
        name,
        folder: folder.into(),
        phrases,
        gold,
        telling: gold_at.values().copied().collect(),
        gold_at,
        traps,
        every_line: false,
        scopes: BTreeMap::new(),
    }
}

/// A narration whose marks stand behind its lines; `train/README.md` has the format.
fn from_marks(path: &Path, folder: &str) -> Narration {
    let text = std::fs::read_to_string(path).unwrap();
    let name = path.file_stem().unwrap().to_str().unwrap().to_owned();
    let (mut phrases, mut gold) = (Vec::new(), BTreeSet::new());
    let (mut gold_at, mut telling, mut scopes) =
        (BTreeMap::new(), BTreeSet::new(), BTreeMap::new());
    let (mut kind, mut found, mut traps) = (String::new(), BTreeSet::new(), BTreeSet::new());
    for row in text.lines().map(str::trim).filter(|r| !r.is_empty()) {
        let line = phrases.len() as u64;
        if line > 0 && b"=~@>".contains(&row.as_bytes()[0]) {
            telling.insert(line);
        }
        match row.as_bytes()[0] {
            b'[' => phrases.push(phrase(line as u32 + 1, row)),
            b'=' => {
                found.insert(line);
                // Quoted words hold no mark.
                let bare: String = row[1..].split('"').step_by(2).collect::<Vec<_>>().join(" ");
                let mut parts = bare.split_whitespace().filter(|w| *w != "because");
                let item = parts.next().unwrap().to_owned();
                let side = parts.next().unwrap().to_owned();
                let (mut status, mut value, mut number) =
                    ("observed", String::new(), String::new());
                for v in parts {
                    match v {
                        "skipped" => status = "skipped",
                        "not-obtained" => status = "not_obtained",
                        "deg" | "cm" | "mm" | "beats" | "stimuli" | "/min" => {}
                        v if v.starts_with(|c: char| c.is_ascii_digit()) => {
                            let plain = |x: &str| x.parse::<f64>().unwrap().to_string();
                            number = match v.split_once('-') {
                                Some((a, b)) => format!("{}..{}", plain(a), plain(b)),
                                None => plain(v),
                            };
                        }
                        v => v.clone_into(&mut value),
                    }
                }
                if item == "behavioural-state" {
                    continue;
                }
                for side in sides(Some(side.as_str()).filter(|s| *s != "-")) {
                    let claim = Claim {
                        item: item.clone(),
                        side,
                        status: status.into(),
                        value: value.clone(),
                        number: number.clone(),
                    };
                    gold_at.insert(claim.clone(), line);
                    gold.insert(claim);
                }
            }
            b'!' => {
                traps.insert(line);
                let scope = row[1..].split_whitespace().next().unwrap_or_default();
                scopes.insert(line, scope.to_owned());
            }
            _ => {
                if let Some(k) = row.strip_prefix("kind:") {
                    k.trim().clone_into(&mut kind);
                }
            }
        }
    }
    traps.retain(|l| !found.contains(l));
    let folder = folder.into();
    let every_line = true;
    Narration { name, folder, kind, phrases, gold, gold_at, traps, telling, every_line, scopes }
}

/// Phrases without gold.
pub fn of_phrases(phrases: Vec<Phrase>) -> Narration {
    Narration {
        name: String::new(),
        folder: String::new(),
        kind: "clear".into(),
        phrases,
        gold: BTreeSet::new(),
        gold_at: BTreeMap::new(),
        traps: BTreeSet::new(),
        telling: BTreeSet::new(),
        every_line: false,
        scopes: BTreeMap::new(),
    }
}

/// What the second reader marks.
pub fn marks(n: &Narration, tagger: &Arc<Tagger>) -> Vec<Marks> {
    let mut stream = Stream::new(Arc::clone(tagger));
    n.phrases.iter().zip(1..).for_each(|(p, seq)| stream.take(seq, &p.text, true));
    stream.ready(true).unwrap()
}

/// The exam of a narration; by rules alone when there are no marks. Its phrases are numbered from 2.
pub fn exam(n: &Narration, marks: &[Marks], lex: &Lexicon) -> Exam {
    let mut log = in_memory::Log::new(lex);
    for p in &n.phrases {
        log.push(Entry::Phrase(p.clone()));
    }
    for m in marks {
        log.push(Entry::Marks(Marks { phrase: m.phrase + 1, ..m.clone() }));
    }
    log.exam()
}

/// Reads a narration; by rules alone when there are no marks.
pub fn read(n: &Narration, marks: &[Marks], lex: &Lexicon) -> Made {
    made(&exam(n, marks, lex), lex)
}

/// What stands in an exam.
pub fn made(x: &Exam, lex: &Lexicon) -> Made {
    let mut out = Made::new();
    for s in &x.findings {
        let f = &s.finding;
        if Some(f.item) == lex.state_item {
            continue;
        }
        for side in sides(f.side.map(Side::word)) {
            let number = f.range.map(|(a, b)| format!("{a}..{b}"));
            let number = number.or_else(|| f.number.map(|n| n.to_string())).unwrap_or_default();
            let value =
                f.value.clone().filter(|_| f.status == Status::Observed).unwrap_or_default();
            let item = lex.items[f.item].id.clone();
            let c = Claim { item, side, status: f.status.word().into(), value, number };
            let doubts: Vec<String> = f.doubts.iter().map(ToString::to_string).collect();
            let why = format!("{} [{}]", f.why, doubts.join("; "));
            out.insert(c, (s.line.map(u64::from), f.is_sure(), why));
        }
    }
    out
}

/// The phrases that the note of an exam quotes, in whatever part, counted from 1.
pub fn quoted(x: &Exam, lex: &Lexicon) -> BTreeSet<u64> {
    let graded = grade(x, lex);
    let overview = Overview::new(Vec::new(), x, &graded, lex);
    let blocks = note::blocks(x, lex, &graded, &overview, &asymmetries(x, lex), &gaps(x, lex));
    let text: Vec<&str> = blocks
        .iter()
        .map(|b| match b {
            Block::Title(t) | Block::Para(t) | Block::Point(t) | Block::Sign(t) => t.as_str(),
        })
        .collect();
    let text = text.join("\n");
    x.timeline
        .iter()
        .zip(1..)
        .filter(|(e, _)| {
            let at = words::clock(e.phrase.start_ms);
            text.contains(&format!("{at} \"{}\"", e.phrase.text))
        })
        .map(|(_, line)| line)
        .collect()
}

/// What is lost of a narration, and what is quoted of it in vain.
#[derive(Debug, Default, Clone)]
pub struct Silence {
    pub gold: usize,
    /// Gold findings that are found in no way, whose line is quoted nowhere, and of whose item and side nothing
    /// else was read there (which would be wrong, and not silent).
    pub lost: usize,
    /// Lines that tell nothing: no finding, state, correction or item brought up, nothing of the past, told by
    /// others or taken back.
    pub talk: usize,
    /// Of them, those quoted as telling something; and those asked, since a finding was read there.
    pub quoted: usize,
    pub asked: usize,
}

impl Silence {
    pub const HEAD: &str = "  gold  lost   share   talk quoted   share  asked   share";

    pub fn add(&mut self, o: &Silence) {
        self.gold += o.gold;
        self.lost += o.lost;
        self.talk += o.talk;
        self.quoted += o.quoted;
        self.asked += o.asked;
    }
}

impl fmt::Display for Silence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let share = |a: usize, b: usize| a as f64 / (b as f64).max(1.0);
        write!(
            f,
            "{:>6} {:>5}   {:.3} {:>6} {:>6}   {:.3} {:>6}   {:.3}",
            self.gold,
            self.lost,
            share(self.lost, self.gold),
            self.talk,
            self.quoted,
            share(self.quoted, self.talk),
            self.asked,
            share(self.asked, self.talk),
        )
    }
}

/// Compares what was made and quoted with the gold; `verbose` prints every finding lost and every line of
/// talk quoted. Of a narration whose lines are not each marked only the first half is known.
pub fn silence(n: &Narration, x: &Exam, lex: &Lexicon, verbose: bool) -> Silence {
    let (made, quoted) = (made(x, lex), quoted(x, lex));
    let mut s = Silence { gold: n.gold.len(), ..Silence::default() };
    let text = |l: u64| n.phrases.get(l as usize - 1).map_or("", |p| p.text.as_str());
    for (c, &at) in &n.gold_at {
        let read = made.iter().any(|(m, (line, ..))| {
            let near = line.is_some_and(|l| l.abs_diff(at) <= 1);
            near && m.item == c.item && (m.side == c.side || m.side == "unstated")
        });
        if made.contains_key(c) || read || quoted.contains(&at) {
            continue;
        }
        s.lost += 1;
        if verbose {
            println!("{}:{at} LOST {c:?}\n      \"{}\"", n.name, text(at));
        }
    }
    if !n.every_line {
        return s;
    }
    let tells = |l: u64| {
        let scope = n.scopes.get(&l).map(String::as_str);
        n.telling.contains(&l) || matches!(scope, Some("past" | "told" | "strike"))
    };
    for (line, e) in (1..).zip(&x.timeline).filter(|(l, _)| !tells(*l)) {
        s.talk += 1;
        if !quoted.contains(&line) {
            continue;
        }
        if e.reading.findings.iter().any(|f| !f.is_sure()) {
            s.asked += 1;
            continue;
        }
        s.quoted += 1;
        if verbose {
            let what = n.scopes.get(&line).map_or("talk", String::as_str);
            println!("{}:{line} quoted, {what}: \"{}\"", n.name, text(line));
        }
    }
    s
}

/// How a narration was read.
#[derive(Debug, Default, Clone)]
pub struct Score {
    pub narrations: usize,
    pub gold: usize,
    pub made: usize,
    pub hit: usize,
    pub sure: usize,
    pub wrong_sure: usize,
    pub traps: usize,
    pub on_trap: usize,
}

impl Score {
    pub const HEAD: &str =
        "  n  gold  made   hit    F1  sure&right  sure  wrong&sure  unsettled:right  traps fired";

    pub fn add(&mut self, o: &Score) {
        self.narrations += o.narrations;
        self.gold += o.gold;
        self.made += o.made;
        self.hit += o.hit;
        self.sure += o.sure;
        self.wrong_sure += o.wrong_sure;
        self.traps += o.traps;
        self.on_trap += o.on_trap;
    }

    pub fn f1(&self) -> f64 {
        2.0 * self.hit as f64 / ((self.gold + self.made) as f64).max(1.0)
    }
}

impl fmt::Display for Score {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let right = self.sure - self.wrong_sure;
        write!(
            f,
            "{:>3} {:>5} {:>5} {:>5} {:.3} {:>11.3} {:>5} {:>11} {:>7}:{:<8} {:>5} {:>5}",
            self.narrations,
            self.gold,
            self.made,
            self.hit,
            self.f1(),
            right as f64 / (self.gold as f64).max(1.0),
            self.sure,
            self.wrong_sure,
            self.made - self.sure,
            self.hit - right,
            self.traps,
            self.on_trap
        )
    }
}

/// Compares what was made with the gold; `verbose` prints every difference.
pub fn score(n: &Narration, made: &Made, verbose: bool) -> Score {
    let mut s = Score {
        narrations: 1,
        gold: n.gold.len(),
        made: made.len(),
        traps: n.traps.len(),
        ..Score::default()
    };
    let line = |l: Option<u64>| {
        l.and_then(|l| n.phrases.get(l as usize - 1)).map_or("", |p| p.text.as_str())
    };
    let mut told = String::new();
    for (c, (at, sure, why)) in made {
        let right = n.gold.contains(c);
        s.hit += usize::from(right);
        s.sure += usize::from(*sure);
        s.wrong_sure += usize::from(*sure && !right);
        s.on_trap += usize::from(at.is_some_and(|l| n.traps.contains(&l)));
        let how = match (right, sure) {
            (true, true) => continue,
            (true, false) => "right, unsettled",
            (false, true) => "WRONG AND SURE",
            (false, false) => "wrong, unsettled",
        };
        told += &format!(
            "{}:{} {how} {c:?}\n      \"{}\"\n      {why}\n",
            n.name,
            at.unwrap_or(0),
            line(*at)
        );
    }
    for c in n.gold.iter().filter(|c| !made.contains_key(c)) {
        told += &format!("{} missed {c:?}\n", n.name);
    }
    if verbose {
        print!("{told}");
    }
    s
}

/// A way to disturb a narration: its name, and what it does.
pub type Disturbance = (&'static str, fn(&Narration) -> Narration);

/// The ways a narration is disturbed.
pub const DISTURBANCES: &[Disturbance] = &[
    ("as written", Narration::clone),
    ("she and he exchanged", exchanged),
    ("an okay between lines", with_okay),
    ("cut at every comma", cut_at_commas),
    ("cut every three seconds", cut_every_three_seconds),
    ("without punctuation", without_punctuation),
    ("in capitals", |n| each_word(n, |w| w.to_uppercase())),
    ("with fillers and false starts", with_fillers),
];

fn each_word(n: &Narration, f: impl Fn(&str) -> String) -> Narration {
    let mut out = n.clone();
    for p in &mut out.phrases {
        p.text = p.text.split(' ').map(&f).collect::<Vec<_>>().join(" ");
    }
    out
}

fn exchanged(n: &Narration) -> Narration {
    const PAIRS: &[(&str, &str)] = &[
        ("he", "she"),
        ("she", "he"),
        ("his", "her"),
        ("her", "his"),
        ("him", "her"),
        ("hers", "his"),
        ("he's", "she's"),
        ("she's", "he's"),
        ("himself", "herself"),
        ("herself", "himself"),
        ("boy", "girl"),
        ("girl", "boy"),
    ];
    each_word(n, |w| {
        let bare: String = w.chars().filter(|c| c.is_alphanumeric() || *c == '\'').collect();
        match PAIRS.iter().find(|(a, _)| *a == bare.to_lowercase()) {
            Some((_, b)) => w.replace(&bare, b),
            None => w.to_owned(),
        }
    })
}

fn with_okay(n: &Narration) -> Narration {
    let mut out = n.clone();
    for (k, p) in out.phrases.iter_mut().enumerate() {
        p.text += [" Okay.", " Good."][k % 2];
    }
    out
}

/// Parts of phrases, with times in proportion to their words, each on its phrase's line.
fn recut(n: &Narration, cut: impl Fn(&Phrase) -> Vec<String>) -> Narration {
    let mut out = n.clone();
    out.phrases = n
        .phrases
        .iter()
        .flat_map(|p| {
            let parts: Vec<String> = cut(p).into_iter().filter(|t| !t.trim().is_empty()).collect();
            let words = p.text.split(' ').count() as u64;
            let mut at = 0;
            parts
                .into_iter()
                .map(move |text| {
                    let many = text.split_whitespace().count() as u64;
                    let time = |k: u64| p.start_ms + (p.end_ms - p.start_ms) * k / words.max(1);
                    let part =
                        Phrase { start_ms: time(at), end_ms: time(at + many), text, ..p.clone() };
                    at += many;
                    part
                })
                .collect::<Vec<_>>()
        })
        .collect();
    out
}

fn cut_at_commas(n: &Narration) -> Narration {
    recut(n, |p| p.text.split_inclusive(',').map(|t| t.trim().to_owned()).collect())
}

fn cut_every_three_seconds(n: &Narration) -> Narration {
    // All words in one stream, each at its time, then cut by the clock alone.
    let mut out = n.clone();
    let mut cues: BTreeMap<u64, (Vec<String>, u64, Option<u32>)> = BTreeMap::new();
    for p in &n.phrases {
        let words: Vec<&str> = p.text.split_whitespace().collect();
        for (k, w) in words.iter().enumerate() {
            let at = p.start_ms + (p.end_ms - p.start_ms) * k as u64 / words.len() as u64;
            let cue = cues.entry(at / 3000).or_insert((Vec::new(), at, p.line));
            cue.0.push((*w).to_owned());
            cue.2 = p.line;
        }
    }
    let Some(first) = n.phrases.first() else { return out };
    out.phrases = cues
        .into_iter()
        .map(|(slot, (words, at, line))| Phrase {
            text: words.join(" "),
            start_ms: at,
            end_ms: ((slot + 1) * 3000).max(at),
            line,
            ..first.clone()
        })
        .collect();
    out
}

fn without_punctuation(n: &Narration) -> Narration {
    let mut out = n.clone();
    for p in &mut out.phrases {
        // A point inside a number stays.
        let chars: Vec<char> = p.text.chars().collect();
        let keep = |k: usize| {
            let digit =
                |i: Option<usize>| i.and_then(|i| chars.get(i)).is_some_and(char::is_ascii_digit);
            chars[k].is_alphanumeric()
                || "' -/".contains(chars[k])
                || (chars[k] == '.' && digit(k.checked_sub(1)) && digit(Some(k + 1)))
        };
        let text: String = (0..chars.len()).filter(|&k| keep(k)).map(|k| chars[k]).collect();
        p.text = text.to_lowercase().split_whitespace().collect::<Vec<_>>().join(" ");
    }
    out.phrases.retain(|p| !p.text.is_empty());
    out
}

fn with_fillers(n: &Narration) -> Narration {
    let mut out = n.clone();
    let mut k = 0;
    for p in &mut out.phrases {
        let mut words = Vec::new();
        for w in p.text.split(' ') {
            k += 1;
            if k % 7 == 0 {
                words.push(["um", "uh", "you know", "so", "er"][k / 7 % 5].to_owned());
            }
            if k % 23 == 0 {
                // The first word of a stumble, then the word.
                words.push(w.to_lowercase());
            }
            words.push(w.to_owned());
        }
        p.text = words.join(" ");
    }
    out
}
