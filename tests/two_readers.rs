//! The two readers: what the judge does with what each of them says, the second reader against the network it
//! was trained as, the same words cut anywhere, and narrations by both, as written and disturbed.
//!
//! What needs the pretrained encoder says `SKIPPED` where it is not installed, and fails there with
//! `COTSIDE_NEED_MODEL=1`, as in `.ci/run`.

#[path = "narrations/kit.rs"]
#[allow(dead_code)]
mod kit;
mod support;

use std::collections::HashMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use cotside::capture::{Phrase, Source};
use cotside::exam::Exam;
use cotside::lexicon::Lexicon;
use cotside::reading::judge::{Read, judge};
use cotside::reading::{Doubt, Finding, Reader, Side};
use cotside::tagger::{Mark, Marks, Stream, Tagger};
use kit::{Narration, Score};

fn tests() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests")
}

/// The second reader, if it is installed.
fn tagger() -> Option<Arc<Tagger>> {
    let found = Tagger::installed().unwrap();
    if found.is_none() {
        assert!(
            std::env::var_os("COTSIDE_NEED_MODEL").is_none(),
            "the second reader is not installed: cotside model install"
        );
        println!("SKIPPED: the second reader is not installed");
    }
    found
}

fn phrases(said: &str) -> Vec<Phrase> {
    let phrase = |(text, k): (&str, u64)| Phrase {
        text: text.trim().into(),
        start_ms: k * 4000,
        end_ms: k * 4000 + 1500,
        source: Source::Keys,
        line: None,
        speaker: None,
        alternatives: vec![],
        words: Vec::new(),
        certainty: None,
    };
    said.split(" / ").zip(0..).map(phrase).collect()
}

/// A mark at a word of a phrase (from 1), as `item side value`, with its chance.
type Marked<'a> = (u64, u32, &'a str, f32);

/// Findings of phrases with marks.
fn weighed(lex: &Lexicon, said: &str, marked: &[Marked<'_>]) -> Vec<Finding> {
    let phrases = phrases(said);
    let mut marks: Vec<Marks> = (1..=phrases.len() as u64)
        .map(|phrase| Marks { phrase, by: "test".into(), marks: vec![], aside: 0.0 })
        .collect();
    for (phrase, word, what, chance) in marked {
        let parts: Vec<&str> = what.split(' ').collect();
        let side = Some(parts[1].to_owned()).filter(|s| s != "-");
        marks[*phrase as usize - 1].marks.push(Mark {
            word: *word,
            item: parts[0].into(),
            value: parts[2].into(),
            side,
            chances: [*chance, 1.0, 1.0],
        });
    }
    let mut reader = Reader::new(lex);
    let mut all: Vec<Read<'_>> = phrases
        .iter()
        .zip(1..)
        .map(|(phrase, seq)| Read { seq, phrase, reading: reader.read(seq, phrase) })
        .collect();
    let by: HashMap<u64, &Marks> = marks.iter().map(|m| (m.phrase, m)).collect();
    judge(&mut all, &by, lex);
    all.into_iter().flat_map(|r| r.reading.findings).collect()
}

#[test]
fn what_the_rules_doubt_and_the_second_reader_says_too_is_sure() {
    let lex = support::lexicon();
    let said = "palmar grasp, left whatsit right absent";
    let rules = weighed(&lex, said, &[]);
    assert!(rules.iter().all(|f| !f.is_sure()) && !rules.is_empty(), "{rules:?}");
    let both = weighed(&lex, said, &[(1, 5, "palmar-grasp right absent", 0.99)]);
    assert_eq!(both.len(), 1, "{both:?}");
    assert!(both[0].is_sure() && both[0].side == Some(Side::Right), "{both:?}");
    // Not when the second reader itself is far from sure.
    let faint = weighed(&lex, said, &[(1, 5, "palmar-grasp right absent", 0.5)]);
    assert!(!faint[0].is_sure(), "{faint:?}");
}

#[test]
fn a_word_taken_by_its_sound_is_sure_when_the_second_reader_reads_the_same() {
    let lex = support::lexicon();
    let said = "palmer grass strong both sides";
    let both = weighed(&lex, said, &[(1, 2, "palmar-grasp both strong", 0.7)]);
    assert!(both[0].is_sure(), "{both:?}");
    let faint = weighed(&lex, said, &[(1, 2, "palmar-grasp both strong", 0.45)]);
    assert!(faint[0].doubts.iter().any(|d| matches!(d, Doubt::SoundsLike(_))), "{faint:?}");
}

#[test]
fn a_denial_of_another_value_behind_leaves_what_both_read_sure() {
    let lex = support::lexicon();
    let said = "breathing regular, no apnoea, no gasping";
    let both = weighed(&lex, said, &[(1, 1, "respiration - regular", 0.99)]);
    assert!(both.len() == 1 && both[0].is_sure(), "{both:?}");
    let less = weighed(&lex, said, &[(1, 1, "respiration - regular", 0.9)]);
    assert!(!less[0].is_sure(), "{less:?}");
}

#[test]
fn a_state_by_sound_is_not_asked_where_one_was_said_outright_near() {
    let lex = support::lexicon();
    let state = |x: &Exam| x.findings.iter().any(|s| Some(s.finding.item) == lex.state_item);
    let said = "hello mum, she's lovely and settled / she is awake, eyes open, quiet / suck strong";
    let suck = [(3, 1, "suck - strong", 0.99)];
    let (_, x) = exam_of(&lex, said, &suck, &[0.0, 0.0, 0.0]);
    assert!(!state(&x) && !x.states.is_empty(), "{:?}", x.findings);
    // Where nothing else says it, it is asked.
    let said = "hello mum, she's lovely and settled / suck strong";
    let (_, x) = exam_of(&lex, said, &[(2, 1, "suck - strong", 0.99)], &[0.0, 0.0]);
    assert!(state(&x), "{:?}", x.findings);
}

#[test]
fn two_wordings_of_what_is_expected_are_no_difference_and_two_signs_are() {
    let lex = support::lexicon();
    let log = |said: &str| exam_of(&lex, said, &[], &[]).1;
    let x = log("quality of movement smooth / no abnormal movements");
    assert!(x.unsettled().next().is_none(), "{:?}", x.findings);
    let x = log("seizure like movements / lip smacking");
    assert!(x.unsettled().next().is_some(), "{:?}", x.findings);
}

#[test]
fn doubts_and_reasons_of_both_readers_are_worded_as_everywhere() {
    let lex = support::lexicon();
    let said = "he lies there / popliteal angle";
    let marked =
        [(1, 2, "posture both legs-flexed-arms-extended", 0.9), (2, 1, "gag - not_obtained", 0.9)];
    let (_, x) = exam_of(&lex, said, &marked, &[0.0, 0.0]);
    let told: String = x
        .findings
        .iter()
        .flat_map(|s| {
            s.finding.doubts.iter().map(ToString::to_string).chain([s.finding.why.clone()])
        })
        .collect::<Vec<_>>()
        .join("; ");
    assert!(told.contains("both legs flexed, arms extended (0.90)"), "{told}");
    assert!(told.contains("not obtained (0.90)"), "{told}");
    assert!(!told.contains("legs-flexed") && !told.contains("not_obtained"), "{told}");
}

#[test]
fn what_only_the_rules_read_is_asked_and_says_so() {
    let lex = support::lexicon();
    let both = weighed(&lex, "suck strong / gag present", &[(1, 1, "suck - strong", 0.99)]);
    let of = |id: &str| both.iter().find(|f| lex.items[f.item].id == id).unwrap();
    assert!(of("suck").is_sure(), "{both:?}");
    assert!(matches!(of("gag").doubts[..], [Doubt::OneReader(_)]), "{both:?}");
}

#[test]
fn what_only_the_second_reader_has_is_kept_and_asked() {
    let lex = support::lexicon();
    let both =
        weighed(&lex, "he hangs there like washing", &[(1, 4, "ventral-suspension - limp", 0.8)]);
    assert_eq!(both.len(), 1, "{both:?}");
    assert!(matches!(both[0].doubts[..], [Doubt::OneReader(_)]), "{both:?}");
    assert!(both[0].id.index > 100, "its name does not hang on how much the rules read");
    // So faint that it is no finding: nothing is asked.
    let none = weighed(
        &lex,
        "he hangs there like washing",
        &[(1, 4, "ventral-suspension - in-line", 0.1)],
    );
    assert!(none.is_empty(), "{none:?}");
}

#[test]
fn where_the_two_differ_neither_is_sure_and_both_are_told() {
    let lex = support::lexicon();
    let value = weighed(&lex, "suck strong", &[(1, 1, "suck - weak", 0.95)]);
    assert_eq!(value.len(), 1, "{value:?}");
    let told = value[0].doubts.iter().map(ToString::to_string).collect::<String>();
    assert!(matches!(value[0].doubts[..], [Doubt::ReadersDiffer(_)]), "{value:?}");
    assert!(told.contains("strong") || told.contains("weak"), "{told}");
    let side = weighed(&lex, "knee jerk left brisk", &[(1, 3, "knee-jerk right brisk", 0.95)]);
    assert!(side.iter().all(|f| !f.is_sure()), "{side:?}");
}

#[test]
fn a_number_that_only_the_rules_took_for_one_is_asked() {
    let lex = support::lexicon();
    let said = "heel to ear, right one, nipple line";
    let both = weighed(&lex, said, &[(1, 6, "heel-to-ear right nipple", 0.99)]);
    assert!(both.iter().all(|f| f.number.is_none() || !f.is_sure()), "{both:?}");
}

#[test]
fn a_number_said_of_another_item_is_not_taken_and_no_clonus_is_none() {
    let lex = support::lexicon();
    let said = "popliteal angle ninety on the right / no clonus either side";
    let both = weighed(&lex, said, &[(2, 3, "ankle-clonus both #", 0.99)]);
    let clonus = both.iter().find(|f| lex.items[f.item].id == "ankle-clonus").unwrap();
    assert_eq!(clonus.number, Some(0.0), "{both:?}");
    assert!(both.iter().all(|f| f.number != Some(90.0) || f.item != clonus.item), "{both:?}");
}

#[test]
fn of_two_measurements_in_one_breath_a_mark_of_the_first_takes_nothing_from_the_second() {
    let lex = support::lexicon();
    let said = "thirty-three point eight for the head, once more, thirty-four point nought";
    let both = weighed(&lex, said, &[(1, 2, "head-circumference - #", 0.99)]);
    let last = both.last().unwrap();
    assert!(last.number == Some(34.0) && !last.is_sure(), "{both:?}");
}

#[test]
fn not_one_beat_is_none() {
    let lex = support::lexicon();
    let said = "clo nest there not one beat in either foot";
    let both = weighed(&lex, said, &[(1, 5, "ankle-clonus both #", 0.999)]);
    assert!(!both.is_empty() && both.iter().all(|f| f.number == Some(0.0)), "{both:?}");
}

#[test]
fn a_denial_or_a_correction_right_behind_leaves_a_mark_unsettled() {
    let lex = support::lexicon();
    for said in ["back one closed no it is not", "back one closed but a fingertip"] {
        let both = weighed(&lex, said, &[(1, 2, "posterior-fontanelle - closed", 1.0)]);
        assert!(both.iter().all(|f| !f.is_sure()), "{said}: {both:?}");
    }
}

#[test]
fn a_faint_mark_takes_no_findings_place_and_a_faint_sign_casts_doubt_on_what_reassures() {
    let lex = support::lexicon();
    let said = "arm traction right none / and so on and so forth";
    let surely = (1, 3, "arm-traction right none", 0.99);
    let both = weighed(&lex, said, &[surely, (2, 3, "arm-traction right flexed", 0.6)]);
    assert_eq!(both.len(), 1, "{both:?}");
    assert!(both[0].is_sure() && both[0].value.as_deref() == Some("none"), "{both:?}");
    let said = "arm traction right stays flexed / and so on and so forth";
    let surely = (1, 4, "arm-traction right flexed", 0.99);
    let both = weighed(&lex, said, &[surely, (2, 3, "arm-traction right none", 0.6)]);
    assert_eq!(both.len(), 1, "{both:?}");
    assert!(matches!(both[0].doubts[..], [Doubt::ReadersDiffer(_)]), "{both:?}");
}

/// The exam of phrases with marks and the chance that each speaks of something else.
fn exam_of(lex: &Lexicon, said: &str, marked: &[Marked<'_>], aside: &[f32]) -> (Narration, Exam) {
    let n = kit::of_phrases(phrases(said));
    let mut marks: Vec<Marks> = aside
        .iter()
        .zip(1..)
        .map(|(aside, phrase)| Marks { phrase, by: "test".into(), marks: vec![], aside: *aside })
        .collect();
    for (phrase, word, what, chance) in marked {
        let parts: Vec<&str> = what.split(' ').collect();
        marks[*phrase as usize - 1].marks.push(Mark {
            word: *word,
            item: parts[0].into(),
            value: parts[2].into(),
            side: Some(parts[1].to_owned()).filter(|s| s != "-"),
            chances: [*chance, 1.0, 1.0],
        });
    }
    let x = kit::exam(&n, &marks, lex);
    (n, x)
}

#[test]
fn what_neither_reader_makes_a_finding_of_is_quoted_where_it_seems_to_tell_something() {
    let lex = support::lexicon();
    // Seen too faintly to be a finding.
    let faint = [(2, 4, "ventral-suspension - in-line", 0.15)];
    let (_, x) = exam_of(&lex, "suck strong / he hangs there like washing", &faint, &[0.0, 0.02]);
    assert!(kit::quoted(&x, &lex).contains(&2), "{:?}", x.timeline[1].reading);
    // Read by the rules, not surely, and let go.
    let said = "suck strong / palmar grasp, the whatsit wobbly thing on the left strong";
    let (_, x) = exam_of(&lex, said, &[(1, 1, "suck - strong", 0.99)], &[0.0, 0.02]);
    assert!(x.timeline[1].reading.findings.is_empty(), "{:?}", x.timeline[1].reading);
    assert!(kit::quoted(&x, &lex).contains(&2), "{:?}", x.timeline[1].reading);
    // Neither saw anything, and yet it speaks of a limb among findings.
    let said = "suck strong / the left leg did its own thing / palate intact";
    let both = [(1, 1, "suck - strong", 0.99), (3, 1, "palate - intact", 0.99)];
    let (_, x) = exam_of(&lex, said, &both, &[0.0, 0.01, 0.0]);
    assert!(kit::quoted(&x, &lex).contains(&2), "{:?}", x.timeline[1].reading);
    // Talk, as the second reader hears it, is not.
    let (_, x) = exam_of(&lex, said, &both, &[0.0, 0.9, 0.0]);
    assert!(!kit::quoted(&x, &lex).contains(&2), "{:?}", x.timeline[1].reading);
}

#[test]
fn what_was_read_for_sure_is_not_quoted_beside_its_finding() {
    let lex = support::lexicon();
    let both = [(1, 1, "suck - strong", 0.99), (2, 3, "knee-jerk left brisk", 0.99)];
    let (_, x) = exam_of(&lex, "suck strong / knee jerk left brisk", &both, &[0.0, 0.0]);
    assert!(x.unsettled().next().is_none(), "{:?}", x.findings);
    assert!(kit::quoted(&x, &lex).is_empty(), "{:?}", kit::quoted(&x, &lex));
}

#[test]
fn a_side_that_was_named_and_of_which_nothing_was_read_is_quoted() {
    let lex = support::lexicon();
    let said = "knee jerk left brisk, as for the right one well who knows";
    let (_, x) = exam_of(&lex, said, &[(1, 3, "knee-jerk left brisk", 0.99)], &[0.0]);
    assert!(x.findings.iter().all(|s| s.finding.side == Some(Side::Left)), "{:?}", x.findings);
    assert!(kit::quoted(&x, &lex).contains(&1), "{:?}", x.timeline[0].reading);
}

#[test]
fn a_mark_of_an_item_that_the_lexicon_does_not_have_is_nothing() {
    let lex = support::lexicon();
    assert!(weighed(&lex, "brakes squeal", &[(1, 1, "front-brake - squeals", 1.0)]).is_empty());
}

#[test]
fn a_reader_turned_off_is_told_as_turned_off() {
    let dir = tempfile::tempdir().unwrap();
    let mut c = Command::new(env!("CARGO_BIN_EXE_cotside"));
    c.args(["model", "status"]).current_dir(dir.path()).env("COTSIDE_READER", "off");
    let out = String::from_utf8(c.output().unwrap().stdout).unwrap();
    assert!(out.contains("second reader turned off"), "{out}");
    assert!(!out.contains("not installed") && !out.contains("delta"), "{out}");
}

#[test]
fn the_network_says_what_pytorch_computed() {
    let Some(tagger) = tagger() else { return };
    // Computed by tests/narrations/train/parity.py with PyTorch 2.15 on the same weights.
    let text = std::fs::read_to_string(tests().join("narrations/train/parity.json")).unwrap();
    let theirs: HashMap<String, Vec<Marks>> = serde_json::from_str(&text).unwrap();
    let narration = kit::folder(&tests().join("narrations/dev"))
        .into_iter()
        .find(|n| theirs.contains_key(&n.name))
        .unwrap();
    let ours = kit::marks(&narration, &tagger);
    let theirs = &theirs[&narration.name];
    assert_eq!(ours.len(), theirs.len());
    let mut compared = 0;
    for (a, b) in ours.iter().zip(theirs) {
        assert!((a.aside - b.aside).abs() < 0.02, "phrase {}: {} {}", a.phrase, a.aside, b.aside);
        for m in b.marks.iter().filter(|m| m.chance() > 0.3) {
            let same = a.marks.iter().find(|n| n.item == m.item && n.word == m.word);
            let n = same.unwrap_or_else(|| panic!("phrase {}: {m:?} in {:?}", a.phrase, a.marks));
            assert_eq!((&n.value, &n.side), (&m.value, &m.side), "phrase {}", a.phrase);
            assert!((n.chance() - m.chance()).abs() < 0.02, "{n:?} {m:?}");
            compared += 1;
        }
    }
    assert!(compared > 25, "{compared}");
}

#[test]
fn the_same_words_cut_anywhere_are_marked_alike() {
    let Some(tagger) = tagger() else { return };
    let narration = &kit::folder(&tests().join("narrations/captions"))[0];
    let words: Vec<&str> =
        narration.phrases.iter().flat_map(|p| p.text.split_whitespace()).take(300).collect();
    // Each mark by its place in the stream.
    let marked = |every: usize| -> Vec<(usize, Mark)> {
        let mut stream = Stream::new(Arc::clone(&tagger));
        let cuts: Vec<&[&str]> = words.chunks(every).collect();
        let mut out = Vec::new();
        for (part, seq) in cuts.iter().zip(1..) {
            stream.take(seq, &part.join(" "), true);
            // As they become ready, as at the bedside.
            out.extend(stream.ready(false).unwrap());
        }
        out.extend(stream.ready(true).unwrap());
        out.into_iter()
            .flat_map(|m| m.marks.into_iter().map(move |k| (m.phrase, k)))
            .map(|(phrase, k)| {
                ((phrase as usize - 1) * every + k.word as usize, Mark { word: 0, ..k })
            })
            .collect()
    };
    let whole = marked(300);
    assert!(whole.len() > 5, "{whole:?}");
    for every in [1, 4, 7, 50] {
        assert_eq!(marked(every), whole, "cut every {every} words");
    }
}

#[test]
fn what_is_marked_while_the_exam_goes_on_is_in_the_end_what_is_marked_at_once() {
    let Some(tagger) = tagger() else { return };
    let narration = &kit::folder(&tests().join("narrations/captions"))[1];
    let phrases = &narration.phrases[..40];
    let mut stream = Stream::new(Arc::clone(&tagger));
    let mut last: HashMap<u64, Marks> = HashMap::new();
    let mut early = 0;
    for (p, seq) in phrases.iter().zip(1..) {
        stream.take(seq, &p.text, true);
        let (whole, so_far) = stream.so_far().unwrap();
        // Whatever was said is marked by now.
        early += so_far.iter().filter(|m| m.phrase == seq && !m.marks.is_empty()).count();
        last.extend(whole.into_iter().chain(so_far).map(|m| (m.phrase, m)));
        assert_eq!(last.len() as u64, seq);
    }
    assert!(early > 2, "{early}");
    last.extend(stream.ready(true).unwrap().into_iter().map(|m| (m.phrase, m)));
    let some = Narration { phrases: phrases.to_vec(), ..narration.clone() };
    for m in kit::marks(&some, &tagger) {
        assert_eq!(last[&m.phrase], m);
    }
}

#[test]
fn a_log_being_written_holds_the_marks_before_it_ends_and_the_same_exam_when_it_has() {
    if tagger().is_none() {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let program = |args: &[&str]| {
        let mut c = Command::new(env!("CARGO_BIN_EXE_cotside"));
        c.args(args).current_dir(dir.path()).env("COTSIDE_PERSONAL", "");
        c
    };
    let mut child = program(&["listen", "--keys", "--exam", "e"])
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let mut keys = child.stdin.take().unwrap();
    let said = ["she is awake and quiet", "arm recoil, both come back briskly", "suck is strong"];
    for line in said {
        writeln!(keys, "{line}").unwrap();
        keys.flush().unwrap();
    }
    let journal =
        || std::fs::read_to_string(dir.path().join("e/journal.jsonl")).unwrap_or_default();
    let marked = || journal().matches("\"kind\":\"marks\"").count();
    let until = Instant::now() + Duration::from_secs(60);
    while marked() < said.len() && Instant::now() < until {
        std::thread::sleep(Duration::from_millis(100));
    }
    assert!(marked() >= said.len() && !journal().contains("\"kind\":\"end\""), "{}", journal());
    let sure = |c: &mut Command| String::from_utf8(c.output().unwrap().stdout).unwrap();
    let during = sure(&mut program(&["show", "e"]));
    drop(keys);
    assert!(child.wait().unwrap().success());
    let after = sure(&mut program(&["show", "e"]));
    let findings = |text: &str| -> Vec<String> {
        text.lines()
            .filter(|l| l.contains("recoil") || l.contains("Suck"))
            .map(str::to_owned)
            .collect()
    };
    assert_eq!(findings(&during), findings(&after), "{during}\n{after}");
    assert!(findings(&after).len() >= 2, "{after}");
}

fn scored(n: &[Narration], tagger: &Arc<Tagger>, lex: &Lexicon) -> Score {
    use rayon::prelude::*;
    let scores: Vec<Score> = n
        .par_iter()
        .map(|n| kit::score(n, &kit::read(n, &kit::marks(n, tagger), lex), false))
        .collect();
    let mut sum = Score::default();
    scores.iter().for_each(|s| sum.add(s));
    sum
}

#[test]
fn narrations_keep_what_was_reached_as_written_and_disturbed() {
    let Some(tagger) = tagger() else { return };
    let lex = support::lexicon();
    // Two of each kind; `cargo bench --bench narrations -- --disturbed FOLDER` reads all.
    let narrations: Vec<Narration> = ["dev", "captions"]
        .iter()
        .flat_map(|set| {
            kit::folder(&tests().join("narrations").join(set)).into_iter().skip(1).take(2)
        })
        .collect();
    println!("{:<32} {}", "", Score::HEAD);
    let mut written = None;
    for (way, disturb) in kit::DISTURBANCES {
        let these: Vec<Narration> = narrations.iter().map(disturb).collect();
        let s = scored(&these, &tagger, &lex);
        println!("{way:<32} {s}");
        let first = written.get_or_insert_with(|| s.clone());
        let lost = first.f1() - s.f1();
        assert!(lost <= 0.04, "{way}: F1 {:.3} from {:.3}", s.f1(), first.f1());
        assert!(s.wrong_sure <= first.wrong_sure + 1, "{way}: {} wrong and sure", s.wrong_sure);
    }
    let s = written.unwrap();
    assert!(s.f1() >= 0.95, "F1 {:.3}", s.f1());
    assert!(s.wrong_sure <= 1, "{} wrong and sure", s.wrong_sure);
}

#[test]
fn an_exam_read_by_both_is_the_same_exam_on_a_machine_without_the_second_reader() {
    if tagger().is_none() {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let run = |reader: Option<&str>, args: &[&str]| {
        let mut c = Command::new(env!("CARGO_BIN_EXE_cotside"));
        c.args(args).current_dir(dir.path()).env("COTSIDE_PERSONAL", "");
        if let Some(r) = reader {
            c.env("COTSIDE_READER", r);
        }
        let out = c.output().unwrap();
        let told = String::from_utf8_lossy(&out.stderr).into_owned();
        (String::from_utf8(out.stdout).unwrap(), told)
    };
    let talk = tests().join("narrations/captions/c01-captions-well-girl.txt");
    let talk = talk.to_str().unwrap();
    let fields = ["--sex", "f", "--ga", "39+4", "--started", "2026-03-04T08:30:00Z"];
    let read = |exam, reader| run(reader, &[&["read", talk, "--exam", exam][..], &fields].concat());
    read("both", None);
    read("rules", Some("off"));
    let (both, _) = run(None, &["show", "both"]);
    let (again, _) = run(Some("off"), &["show", "both"]);
    let (rules, _) = run(Some("off"), &["show", "rules"]);
    assert_eq!(both, again, "rebuilt from what the journal holds");
    assert_ne!(both, rules, "and the second reader has a say in it");
    // Not installed is said; turned off is not.
    let (_, told) = run(Some("nowhere"), &["read", talk, "--exam", "third"]);
    assert!(told.contains("second reader is not installed"), "{told}");
    let (_, told) = run(Some("off"), &["read", talk, "--exam", "fourth"]);
    assert!(!told.contains("second reader"), "{told}");
}
