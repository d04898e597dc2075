//! Finding lexicon phrases by sound: recall on misheard phrases, false hits on chatter.
//!
//! `cargo test --test sound -- --nocapture` prints the table. The phrases, the mishearings and the
//! chatter under `tests/sound/` are invented. The gates were fitted on the fit halves only; since
//! both halves were written by one hand and share trade words, real recall is likely lower.

use std::ops::Range;

use cotside::reading::sound::confusion::Gate;
use cotside::reading::sound::{
    Phone, SoundHit, SoundIndex, Sounds, Strength, competes, dictionary, runner_up, same_sound,
};

fn lines(text: &str) -> impl Iterator<Item = &str> {
    text.lines().map(str::trim_end).filter(|l| !l.is_empty() && !l.starts_with('#'))
}

/// The test lexicon: phrases by number, and their index.
fn lexicon() -> (Vec<&'static str>, SoundIndex) {
    let entries: Vec<(&str, Option<&str>)> = lines(include_str!("sound/phrases.tsv"))
        .map(|l| l.split_once('\t').map_or((l, None), |(p, s)| (p, Some(s))))
        .collect();
    let index = SoundIndex::new(entries.iter().enumerate().map(|(id, (p, s))| (id as u32, *p, *s)));
    (entries.into_iter().map(|(p, _)| p).collect(), index)
}

fn overlap(a: &Range<usize>, b: &Range<usize>) -> bool {
    a.start < b.end && b.start < a.end
}

fn words(text: &str) -> Vec<&str> {
    text.split_whitespace().collect()
}

struct Row {
    fit: bool,
    heard: &'static str,
    meant: &'static str,
}

fn misheard() -> Vec<Row> {
    lines(include_str!("sound/misheard.tsv"))
        .map(|l| {
            let mut fields = l.split('\t');
            let half = fields.next().unwrap();
            assert!(matches!(half, "fit" | "held"), "{l}");
            Row { fit: half == "fit", heard: fields.next().unwrap(), meant: fields.next().unwrap() }
        })
        .collect()
}

/// (belongs to the fit half, sentence)
fn chatter() -> Vec<(bool, &'static str)> {
    lines(include_str!("sound/chatter.txt")).enumerate().map(|(i, l)| (i % 2 == 0, l)).collect()
}

/// What one gate lets through, on one half.
#[derive(Debug, Default, Clone, Copy)]
struct Tally {
    rows: usize,
    found: usize,
    outranked: usize,
    sentences: usize,
    false_sentences: usize,
    false_hits: usize,
}

impl Tally {
    fn recall(&self) -> f64 {
        self.found as f64 / self.rows as f64
    }
    fn false_rate(&self) -> f64 {
        self.false_sentences as f64 / self.sentences as f64
    }
}

/// Every search once, so that many gates can be tried on it.
struct Run {
    phrases: Vec<&'static str>,
    misheard: Vec<(Row, Vec<SoundHit>)>,
    chatter: Vec<(bool, &'static str, Vec<SoundHit>)>,
}

fn run() -> Run {
    let (phrases, index) = lexicon();
    let misheard = misheard()
        .into_iter()
        .map(|row| {
            let hits = index.search(&words(row.heard), 0.5);
            (row, hits)
        })
        .collect();
    let chatter = chatter()
        .into_iter()
        .map(|(fit, text)| (fit, text, index.search(&words(text), 0.35)))
        .collect();
    Run { phrases, misheard, chatter }
}

impl Run {
    fn tally(&self, gate: Gate, fit: bool, show: bool) -> Tally {
        let mut tally = Tally::default();
        for (row, hits) in self.misheard.iter().filter(|(r, _)| r.fit == fit) {
            tally.rows += 1;
            let meant = hits.iter().find(|h| self.phrases[h.id as usize] == row.meant);
            match meant.filter(|h| gate.passes(h.phones, h.cost)) {
                Some(hit) => {
                    tally.found += 1;
                    let part = |a: &str, b: &str| words(a).iter().all(|w| words(b).contains(w));
                    let akin = |a: u32, b: u32| {
                        let (a, b) = (self.phrases[a as usize], self.phrases[b as usize]);
                        part(a, b) || part(b, a)
                    };
                    let rival = runner_up(hits, hit, akin).filter(|(r, margin)| {
                        *margin < 0.0
                            && gate.passes(r.phones, r.cost)
                            && r.words.len() >= hit.words.len()
                    });
                    if let Some((rival, margin)) = rival {
                        tally.outranked += 1;
                        if show {
                            println!(
                                "  outranked: {} -> {} by {} ({margin:.3})",
                                row.heard, row.meant, self.phrases[rival.id as usize]
                            );
                        }
                    }
                }
                None if show => {
                    let at = meant.map_or("over 0.5".into(), |h| {
                        format!("{:.3} of {:.3}", h.cost, gate.limit(h.phones))
                    });
                    println!("  missed: {} -> {} ({at})", row.heard, row.meant);
                }
                None => {}
            }
        }
        for (_, text, hits) in self.chatter.iter().filter(|c| c.0 == fit) {
            tally.sentences += 1;
            let spoken = words(text);
            let mut taken: Vec<&SoundHit> = Vec::new();
            let mut falsely = 0;
            for hit in hits.iter().filter(|h| gate.passes(h.phones, h.cost)) {
                let phrase = self.phrases[hit.id as usize];
                if taken.iter().any(|t| overlap(&t.words, &hit.words)) {
                    continue;
                }
                // The very words of a phrase are no false hit by sound; they only hold their place.
                taken.push(hit);
                let heard = spoken[hit.words.clone()].join(" ");
                if heard != phrase {
                    falsely += 1;
                    if show {
                        println!("  false: {heard} -> {phrase} ({:.3})", hit.cost);
                    }
                }
            }
            tally.false_hits += falsely;
            tally.false_sentences += usize::from(falsely > 0);
        }
        tally
    }
}

#[test]
fn misheard_phrases_are_found_by_sound_and_chatter_seldom_is() {
    let run = run();
    let gates = Sounds::shipped().confusion().gates();
    println!("gate          half  found           outranked  chatter sentences hit  hits");
    let mut held = Vec::new();
    for (name, gate) in [
        ("near certain", gates.near_certain),
        ("plausible", gates.plausible),
        ("in context", gates.in_context),
    ] {
        for fit in [true, false] {
            let t = run.tally(gate, fit, std::env::var_os("SHOW").is_some());
            println!(
                "{name:<12}  {:<4}  {:>3}/{:<3} {:>6.1} %  {:>9}  {:>3}/{:<3} {:>12.1} %  {:>4}",
                if fit { "fit" } else { "held" },
                t.found,
                t.rows,
                100.0 * t.recall(),
                t.outranked,
                t.false_sentences,
                t.sentences,
                100.0 * t.false_rate(),
                t.false_hits,
            );
            if !fit {
                held.push(t);
            }
        }
    }
    // Measured on the held half, with a little room: 64, 72 and 74 of 77 found; 3, 4 and 12 of 99
    // sentences of chatter hit.
    for (t, least_found, most_false) in
        [(held[0], 0.78, 0.05), (held[1], 0.90, 0.07), (held[2], 0.94, 0.16)]
    {
        assert!(t.recall() >= least_found, "{t:?}");
        assert!(t.false_rate() <= most_false, "{t:?}");
        assert!(t.outranked <= 1, "{t:?}");
    }
}

#[test]
fn both_halves_hold_enough_rows_and_every_meant_phrase_is_in_the_lexicon() {
    let (phrases, _) = lexicon();
    let rows = misheard();
    assert!(rows.iter().all(|r| phrases.contains(&r.meant)));
    assert!(rows.iter().filter(|r| r.fit).count() >= 30);
    assert!(rows.iter().filter(|r| !r.fit).count() >= 30);
    assert!(chatter().len() >= 150);
}

#[test]
fn the_strength_of_a_hit_goes_by_its_cost_and_its_length() {
    let (phrases, index) = lexicon();
    let strength = |heard: &str, meant: &str| {
        let hits = index.search(&words(heard), index.widest());
        hits.iter()
            .find(|h| phrases[h.id as usize] == meant)
            .map_or(Strength::Weak, |h| index.strength(h))
    };
    assert_eq!(strength("central suspension", "ventral suspension"), Strength::NearCertain);
    assert_eq!(strength("known as agnes", "no nystagmus"), Strength::Plausible);
    assert_eq!(strength("such as", "sutures"), Strength::InContext);
    assert_eq!(strength("a cup of tea", "sutures"), Strength::Weak);
}

/// Tries a grid of gates on the fit half: the most found at no more than so many false sentences.
#[test]
#[ignore = "for choosing the gates of lexicon/sounds/phones.toml, not a claim"]
fn grid_of_gates_on_the_fit_half() {
    let run = run();
    for allowed in [0, 1, 2, 3, 5, 8, 12, 16, 20, 25] {
        let mut best: Option<(usize, Gate, Tally)> = None;
        for mean in 4..=35 {
            for short in 0..=8 {
                let gate = Gate { mean: mean as f32 / 100.0, short: short as f32 / 2.0 };
                let t = run.tally(gate, true, false);
                if t.false_sentences <= allowed && best.is_none_or(|(f, ..)| t.found > f) {
                    best = Some((t.found, gate, t));
                }
            }
        }
        println!("at most {allowed} false: {best:?}");
    }
}

/// Hits of a search for `heard` among `phrases`, and the index.
fn among(phrases: &[&str], heard: &str) -> Vec<SoundHit> {
    SoundIndex::new(phrases.iter().enumerate().map(|(id, p)| (id as u32, *p, None)))
        .search(&words(heard), 1.0)
}

/// Phrases of one kind whose difference decides: the wrong one of a pair must never be taken for
/// the right one.
const PAIRS: [(&str, &str); 10] = [
    ("palmar grasp", "plantar grasp"),
    ("palmar", "plantar"),
    ("ankle clonus", "ankle jerk"),
    ("fifteen degrees", "fifty degrees"),
    ("hypotonia", "hypertonia"),
    ("left", "right"),
    ("absent", "present"),
    ("flexor tone", "extensor tone"),
    ("ventral suspension", "vertical suspension"),
    ("biceps jerk", "triceps jerk"),
];

#[test]
fn of_two_phrases_that_sound_alike_the_one_said_fits_best_and_the_margin_is_told() {
    for (a, b) in PAIRS {
        for (said, other) in [(a, b), (b, a)] {
            let hits = among(&[said, other], said);
            assert_eq!((hits[0].id, hits[0].cost), (0, 0.0), "{said}");
            let (rival, margin) = runner_up(&hits, &hits[0], |_, _| false).expect(said);
            println!("{said} over {other}: margin {margin:.3}");
            assert!(rival.id == 1 && margin > 0.02, "{said} over {other}: {margin}");
            assert!(!same_sound(said, other));
        }
    }
}

#[test]
fn palmer_is_palmar_before_plantar_and_planter_is_plantar() {
    for (heard, meant) in [("palmer", 0), ("planter", 1), ("palmer grass", 2), ("planter grass", 3)]
    {
        let phrases = ["palmar", "plantar", "palmar grasp", "plantar grasp"];
        let hits = among(&phrases, heard);
        let best = hits.iter().find(|h| h.id == meant).unwrap();
        let rival = hits.iter().find(|h| h.id == (meant ^ 1)).unwrap();
        println!("{heard}: {:.3} against {:.3}", best.cost, rival.cost);
        assert!(best.cost < rival.cost);
        let margin = Sounds::shipped().confusion().gates().margin;
        assert!(!competes(best, rival, margin), "clear: {best:?} {rival:?}");
    }
}

#[test]
fn a_heard_word_between_two_phrases_shows_as_contended() {
    // "hyp a tonia" has the vowel of neither.
    let hits = among(&["hypotonia", "hypertonia"], "hype a tonia");
    let margin = Sounds::shipped().confusion().gates().margin;
    assert!(competes(&hits[0], &hits[1], margin), "{hits:?}");
    assert!(!competes(&hits[0], &hits[0], margin), "a phrase does not contend with itself");
    // Apart from each other, they do not contend.
    let hits = among(&["left", "right"], "left right");
    assert!(!competes(&hits[0], &hits[1], margin), "{hits:?}");
}

#[test]
fn a_hit_starts_and_ends_at_word_breaks_and_ignores_those_inside() {
    let phrases = ["ankle clonus"];
    let hits = among(&phrases, "then ankle clone us was there");
    assert_eq!((hits[0].words.clone(), hits[0].cost), (1..4, 0.0));
    // "rank" holds the sound of "ankle" only from inside a word: its r must be paid for.
    let hits = among(&phrases, "then rankle clone us was there");
    assert!(hits[0].cost > 0.03 && hits[0].words == (1..4), "{hits:?}");
    // Words that say nothing are skipped over.
    let hits = among(&phrases, "... ankle , clonus !");
    assert_eq!((hits[0].words.clone(), hits[0].cost), (1..4, 0.0));
    // Twice said, twice found.
    assert_eq!(among(&["hips"], "hips and hips").iter().filter(|h| h.cost == 0.0).count(), 2);
}

#[test]
fn nothing_heard_or_nothing_to_find_gives_no_hits() {
    assert!(among(&["hips"], "").is_empty());
    assert!(among(&["hips"], "... , 。").is_empty());
    assert!(among(&["", "..."], "hips").is_empty());
    let index = SoundIndex::new(std::iter::empty());
    assert!(index.search(&["hips"], 1.0).is_empty());
    assert!(index.search(&["hips"], f32::NAN).is_empty());
    assert_eq!(index.distance(&[], "hips"), f32::INFINITY);
    assert_eq!(index.distance(&["hips"], "..."), f32::INFINITY);
}

#[test]
fn a_second_pronunciation_and_a_given_spelling_are_found() {
    // CMUdict gives "either" with IY and with AY.
    let either = among(&["either arm"], "eyether arm");
    assert!(either[0].cost < 0.02, "{either:?}");
    let spelled = SoundIndex::new(
        [(7, "Prechtl", Some("preck tull/pretch tell")), (8, "atnr", Some("a t n r"))].into_iter(),
    );
    for (heard, id) in [("preck tull", 7), ("pretch tell", 7), ("a t n r", 8), ("ATNR", 8)] {
        let hits = spelled.search(&words(heard), 0.05);
        assert_eq!((hits[0].id, hits[0].cost), (id, 0.0), "{heard}");
    }
}

#[test]
fn numbers_written_as_digits_or_words_are_the_same_sound() {
    assert!(same_sound("15 degrees", "fifteen degrees"));
    assert!(same_sound("34.5", "thirty four point five"));
    assert!(same_sound("2+", "two plus"));
    assert!(same_sound("140", "one forty") && same_sound("140", "one hundred and forty"));
    assert!(!same_sound("15", "50") && !same_sound("", "") && !same_sound("...", ""));
}

#[test]
fn homophones_are_the_same_sound_across_word_breaks() {
    // Homophones of general English, checked against CMUdict: common knowledge, no single source.
    for (a, b) in [
        ("their", "there"),
        ("ice cream", "I scream"),
        ("sine", "sign"),
        ("Clone us!", "clonus"),
        ("more row", "moro"),
    ] {
        assert!(same_sound(a, b), "{a} / {b}");
    }
    assert!(!same_sound("sign", "sing"));
}

/// Words of which none begins with a consonant that another ends with: a consonant that ends one
/// word and begins the next is cheap to miss, which a stretch taken out of its sentence cannot know.
/// Each is dearer to miss whole than the largest limit tried, so that silence is never nearer.
const APART: [&str; 11] = [
    "hips", "arm", "window", "angle", "yellow", "elbow", "jerk", "under", "heel", "hold", "either",
];

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig {
        cases: 64,
        failure_persistence: None,
        ..Default::default()
    })]

    /// The search, with its shared rows and early leaving, against measuring every stretch.
    #[test]
    fn the_search_finds_what_trying_every_stretch_finds(
        heard in proptest::collection::vec(0..APART.len(), 1..7),
        phrases in proptest::collection::vec(
            proptest::collection::vec(0..APART.len(), 1..4), 1..6),
        limit in 0.05f32..0.4,
    ) {
        let heard: Vec<&str> = heard.into_iter().map(|i| APART[i]).collect();
        let phrases: Vec<String> = phrases
            .into_iter()
            .map(|p| p.into_iter().map(|i| APART[i]).collect::<Vec<_>>().join(" "))
            .collect();
        let index =
            SoundIndex::new(phrases.iter().enumerate().map(|(id, p)| (id as u32, p.as_str(), None)));
        let hits = index.search(&heard, limit);
        for (id, phrase) in phrases.iter().enumerate() {
            let least = (0..heard.len())
                .flat_map(|s| (s + 1..=heard.len()).map(move |e| (s, e)))
                .map(|(s, e)| index.distance(&heard[s..e], phrase))
                .fold(f32::INFINITY, f32::min);
            let hit = hits.iter().find(|h| h.id == id as u32).map(|h| h.cost);
            proptest::prop_assert_eq!(hit, (least <= limit).then_some(least), "{}", phrase);
        }
        for hit in &hits {
            let phrase = &phrases[hit.id as usize];
            let there = index.distance(&heard[hit.words.clone()], phrase);
            proptest::prop_assert_eq!(hit.cost, there);
        }
        proptest::prop_assert!(hits.windows(2).all(|w| w[0].cost <= w[1].cost));
    }

    #[test]
    fn any_text_at_all_is_searched_without_failing(
        heard in proptest::collection::vec("\\PC{0,12}", 0..8),
        phrase in "\\PC{0,20}",
    ) {
        let heard: Vec<&str> = heard.iter().map(String::as_str).collect();
        let index = SoundIndex::new([(3, phrase.as_str(), Some(phrase.as_str()))].into_iter());
        for hit in index.search(&heard, 1.0) {
            proptest::prop_assert!(hit.id == 3 && hit.words.start < hit.words.end);
            proptest::prop_assert!(hit.words.end <= heard.len() && hit.phones > 0);
            proptest::prop_assert!((0.0..=1.0).contains(&hit.cost));
        }
        index.distance(&heard, &phrase);
    }
}

/// Prints how long searching takes; not a claim, since it hangs on the machine.
#[test]
#[ignore = "prints times, claims nothing"]
fn time_of_searching_two_thousand_phrases() {
    let (phrases, _) = lexicon();
    let mut many: Vec<String> = phrases.iter().map(|p| p.to_string()).collect();
    for side in ["left", "right", "both", "other"] {
        many.extend(phrases.iter().map(|p| format!("{side} {p}")));
    }
    for word in ["absent", "brisk", "weak"] {
        many.extend(phrases.iter().map(|p| format!("{p} {word}")));
    }
    many.truncate(2000);
    Sounds::shipped().pronounce("a");
    let start = std::time::Instant::now();
    let index = SoundIndex::new(many.iter().enumerate().map(|(i, p)| (i as u32, p.as_str(), None)));
    println!("index of {} phrases: {:?}", many.len(), start.elapsed());
    let heard = words(
        "the and tear your fountain l is soft and flat teachers are opposed people's equal today",
    );
    for limit in [0.1, 0.2, 0.3] {
        let start = std::time::Instant::now();
        let mut hits = 0;
        for _ in 0..50 {
            hits = index.search(&heard, limit).len();
        }
        println!("{} words, at most {limit}: {:?}, {hits} hits", heard.len(), start.elapsed() / 50);
    }
}

/// The ways a word is said, as ARPAbet.
fn spoken(word: &str) -> Vec<String> {
    let symbols = |way: &Vec<Phone>| way.iter().map(|p| p.symbol()).collect::<Vec<_>>().join(" ");
    Sounds::shipped().pronounce(word).iter().map(symbols).collect()
}

#[test]
fn trade_words_outside_the_dictionary_are_said_as_the_trade_says_them() {
    // From memory of how the words are said; common practice, no single source.
    for (word, said) in [
        ("fontanelle", "F AA N T AH N EH L"),
        ("popliteal", "P AA P L IH T IY AH L"),
        ("oculocephalic", "AA K Y AH L OW S IH F AE L IH K"),
        ("cephalhaematoma", "S EH F AH L HH IY M AH T OW M AH"),
        ("apnoea", "AE P N IY AH"),
        ("oedema", "IH D IY M AH"),
        ("clonus", "K L OW N AH S"),
        ("palmar", "P AA M ER"),
    ] {
        assert!(!dictionary::has(word), "{word}");
        assert!(spoken(word).iter().any(|way| way == said), "{word}: {:?}", spoken(word));
    }
    // Ways that a table gives stand before what letters would say.
    assert_eq!(spoken("apnea"), ["AE P N IY AH"]);
    assert_eq!(spoken("nystagmus"), ["N IH S T AE G M AH S"]);
    assert_eq!(spoken("galant").len(), 3, "as in Paris, Rome and London");
}

/// Oracle: CMUdict's entry for the American spelling of the same word.
/// The hand rules were written with these words in view: this keeps them, it measures nothing.
#[test]
fn a_british_spelling_is_said_as_cmudict_says_the_american_one() {
    for (british, american) in [
        ("oedema", "edema"),
        ("foetal", "fetal"),
        ("foetus", "fetus"),
        ("haemorrhage", "hemorrhage"),
        ("oesophagus", "esophagus"),
        ("anaemia", "anemia"),
        ("paediatric", "pediatric"),
    ] {
        let said = Sounds::shipped().letters().by_rule(british);
        assert!(dictionary::look_up(american).contains(&said), "{british}: {said:?}");
    }
}
