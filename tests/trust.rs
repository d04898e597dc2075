//! What is said is not lost, not moved to another item, and not made surer than it was said: faults
//! found in narration that no maker of the reader had seen, each with its examples and variations.
//!
//! The notation is that of `src/reading/GRAMMAR.md`.

mod support;

#[path = "cli/support.rs"]
mod cli_support;

use cli_support::Bench;
use cotside::capture::{Phrase, Source};
use cotside::reading::Reader;

/// Every case must read as it says; all that do not are told together.
fn reads(cases: &[(&str, &str)]) {
    let lex = support::lexicon();
    let wrong: Vec<String> = cases
        .iter()
        .filter_map(|(words, want)| {
            let (got, want) = (support::read(&lex, words), support::wanted(want));
            (got != want).then(|| format!("{words}\n   want {want:?}\n   got  {got:?}"))
        })
        .collect();
    assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), cases.len(), wrong.join("\n"));
}

/// The same words of a boy and of a girl.
fn of_a_boy(words: &str) -> String {
    let word = |w: &str| match w {
        "her" => "his".to_owned(),
        "hers" => "his".to_owned(),
        "she" => "he".to_owned(),
        _ => w.to_owned(),
    };
    words.split(' ').map(word).collect::<Vec<_>>().join(" ")
}

#[test]
fn the_history_of_a_girl_is_no_more_a_finding_of_today_than_that_of_a_boy() {
    let lex = support::lexicon();
    for words in [
        "last night her Moro was absent",
        "yesterday her suck was weak",
        "overnight her fontanelle was full",
        "at birth her cry was high pitched",
        "on day one her palmar grasp was weak on the right",
        "previously her head lag was full",
        "her sister had a weak suck",
        "the twin, her Moro was absent",
        "last week her knee jerks were brisk",
        "the night team wrote that her gag was absent",
        "before, her tone was low",
        "two days ago her left arm recoil was absent",
        "the last baby, her Galant was absent on the left",
    ] {
        for said in [words.to_owned(), of_a_boy(words)] {
            assert_eq!(support::read(&lex, &said), Vec::<String>::new(), "{said}");
        }
    }
}

#[test]
fn hers_still_brings_a_sentence_back_to_the_infant_at_hand() {
    reads(&[
        (
            "popliteal angle should be about ninety, hers is eighty on the right",
            "popliteal-angle right 80deg",
        ),
        (
            "popliteal angle should be about ninety, his is eighty on the right",
            "popliteal-angle right 80deg",
        ),
        ("Moro was absent yesterday, hers is complete now", "moro both complete"),
        ("last night her Moro was absent, today it is complete", "moro both complete"),
        ("last night his Moro was absent, today it is complete", "moro both complete"),
    ]);
}

#[test]
fn words_that_judge_nothing_alone_on_a_line_are_no_finding() {
    let lex = support::lexicon();
    for item in ["gag", "suck", "Moro", "palate", "palmar grasp", "spine", "tongue", "hips"] {
        for word in [
            "okay",
            "ok",
            "good",
            "okay, good",
            "there we go",
            "lovely",
            "perfect",
            "good girl",
            "yes",
            "all right then",
            "right, good",
            "that's it, well done",
            "good, thank you",
        ] {
            let said = format!("{item} / {word}");
            assert_eq!(support::read(&lex, &said), Vec::<String>::new(), "{said}");
        }
    }
    reads(&[
        ("suck strong / okay / good / there we go", "suck strong"),
        ("palate intact / there we go", "palate intact"),
        ("okay so the Moro", "-"),
        ("okay the Moro reflex", "-"),
        ("okay palmar grasp", "-"),
        ("right, okay, the Moro", "-"),
        ("good, suck next", "-"),
    ]);
}

#[test]
fn a_shared_meaning_of_the_item_at_hand_alone_is_never_sure() {
    reads(&[
        ("Moro / fine", "moro both stated-normal?"),
        ("Moro / none", "moro both absent?"),
        ("suck / none", "suck absent?"),
        ("gag / nothing", "gag absent?"),
        ("seizures / none", "seizure none?"),
        ("ankle clonus / none", "ankle-clonus unstated 0beats?"),
        ("spine / fine", "spine stated-normal?"),
        ("posture / normal", "posture both stated-normal?"),
        ("palmar grasp. Good.", "palmar-grasp unstated strong?"),
        ("palate. Fine.", "palate stated-normal?"),
        ("biceps jerk / right, fine", "biceps-jerk right stated-normal?"),
        // Named in the sentence, or said of a side, it is what was found.
        ("suck good", "suck strong"),
        ("spine normal", "spine normal"),
        ("palmar grasp good on both sides", "palmar-grasp both strong"),
        (
            "biceps jerk / left normal / right normal",
            "biceps-jerk left normal; biceps-jerk right normal",
        ),
        ("arm recoil / right / brisk", "arm-recoil right brisk"),
    ]);
}

#[test]
fn a_word_of_command_strikes_what_it_names_or_what_was_just_said() {
    reads(&[
        ("palmar grasp strong both hands / Moro, let me repeat it", "palmar-grasp both strong"),
        ("palmar grasp strong both hands / let me repeat the Moro", "palmar-grasp both strong"),
        ("suck strong / the Galant, I'll do that again", "suck strong"),
        (
            "palmar grasp strong both hands / Moro / let me do that again",
            "palmar-grasp both strong",
        ),
        ("suck strong / Moro / strike that", "suck strong"),
        ("suck strong / Moro, strike that", "suck strong"),
        ("suck strong. Moro, strike that", "suck strong"),
        (
            "Moro complete / palmar grasp strong both hands / Moro, scratch that",
            "palmar-grasp both strong",
        ),
        ("suck strong / gag present / strike the suck", "gag present"),
        ("Moro complete / let me do that again", "-"),
        ("suck strong / strike that", "-"),
        ("suck strong / strike that, now the Moro", "-"),
        ("suck strong / strike the Moro", "suck strong"),
        // Named as the last entry, it is that.
        ("suck strong / Moro / strike the last one", "-"),
    ]);
}

#[test]
fn talk_that_only_looks_like_a_correction_casts_no_doubt_backwards() {
    let lex = support::lexicon();
    for talk in [
        "waiting",
        "just waiting for her to settle",
        "wait for it",
        "actually she is lovely",
        "he's actually looking at me",
        "hold on to his hands",
        "hold on to her hands, mum",
        "holding on",
        "a wee scratch on her cheek",
        "sorry sweetheart",
        "not bad",
        "she'd rather sleep",
        "she is lovely, isn't she",
        "isn't he",
        "doesn't she",
    ] {
        let said = format!("suck strong / {talk}");
        let got = support::read(&lex, &said);
        assert!(got.contains(&"suck strong".to_owned()), "{said}: {got:?}");
    }
    reads(&[
        ("popliteal angle right ninety / isn't she", "popliteal-angle right 90deg"),
        ("popliteal angle right ninety / he's bonny, isn't he", "popliteal-angle right 90deg"),
        ("suck strong / Moro / sorry", "suck strong"),
        // What does correct still does, or is asked about.
        ("suck strong / actually weak", "suck weak"),
        ("suck strong / no wait, weak", "suck weak"),
        ("suck strong / no wait", "suck strong?"),
    ]);
}

#[test]
fn a_question_after_what_was_said_is_answered_by_what_follows_it() {
    reads(&[
        (
            "popliteal angle right hundred and ten / did I say right hundred and ten? Hundred and fifteen",
            "popliteal-angle right 115deg",
        ),
        (
            "popliteal angle right hundred and ten, left ninety / did I say right hundred and ten? Hundred and fifteen.",
            "popliteal-angle left 90deg; popliteal-angle right 115deg",
        ),
        (
            "popliteal angle left ninety, right hundred and ten / did I say left ninety? Eighty-five.",
            "popliteal-angle left 85deg; popliteal-angle right 110deg",
        ),
        (
            "popliteal angle right hundred and ten / did I say right hundred and ten / hundred and fifteen",
            "popliteal-angle right 115deg?",
        ),
        (
            "popliteal angle right hundred and ten / knee jerk right two / did I say right hundred and ten? hundred and fifteen",
            "knee-jerk right normal; popliteal-angle right 115deg",
        ),
        (
            "popliteal angle right hundred and ten / did I say right hundred and ten? Knee jerk right two.",
            "knee-jerk right normal; popliteal-angle right 110deg?",
        ),
        ("suck strong / did I say strong? weak", "suck weak"),
        ("suck strong / did I say strong?", "suck strong?"),
    ]);
}

#[test]
fn a_correction_of_one_side_or_measurement_keeps_the_others() {
    let both = "popliteal-angle left 90deg; popliteal-angle right 90deg";
    reads(&[
        (
            "popliteal angle ninety on the right / one hundred on the left. No, sorry, ninety on the left as well",
            both,
        ),
        (
            "popliteal angle ninety on the right / one hundred on the left / no, sorry, ninety on the left as well",
            both,
        ),
        (
            "popliteal angle ninety on the right / one hundred on the left. No, sorry, ninety on the left",
            both,
        ),
        (
            "popliteal angle ninety on the right / one hundred on the left / no, sorry, ninety on the left too",
            both,
        ),
        (
            "biceps jerk right two / left one. Sorry, left two as well",
            "biceps-jerk left normal; biceps-jerk right normal",
        ),
        (
            "heart rate one forty, respirations regular / sorry, heart rate one fifty",
            "heart-rate 150/min; respiration regular",
        ),
        (
            "popliteal angle right ninety, left a hundred, heart rate one forty / sorry, heart rate one thirty",
            "heart-rate 130/min; popliteal-angle left 100deg; popliteal-angle right 90deg",
        ),
        (
            "left pupil three millimetres, reactive / right pupil four millimetres, reactive / sorry, right three millimetres",
            "pupils left equal-reactive 3mm; pupils right equal-reactive 3mm?",
        ),
        // The finding does move where it was made on the other side.
        ("popliteal right ninety / sorry, left ninety", "popliteal-angle left 90deg"),
    ]);
}

#[test]
fn a_word_of_writing_is_no_side() {
    let said = "resting posture, legs flexed arms partly flexed";
    reads(&[
        ("resting posture, write full flexion", "posture both full-flexion"),
        ("knee jerk brisk on the write", "knee-jerk right brisk"),
    ]);
    let lex = support::lexicon();
    for no in ["No, wait.", "No,", "Sorry,", "Correction."] {
        for write in
            ["Write full flexion, arms and legs.", "Write full flexion.", "write down full flexion"]
        {
            let got = support::read(&lex, &format!("{said} / {no} {write}"));
            assert!(
                got.iter().all(|f| f.contains("both full-flexion") || f.contains('?'))
                    && !got.is_empty(),
                "{no} {write}: {got:?}"
            );
        }
    }
}

#[test]
fn sides_bind_in_their_clause() {
    let scarf = "scarf-sign left short-of-midline; scarf-sign right midline";
    reads(&[
        ("scarf sign left not reaching the midline, right at the midline", scarf),
        ("scarf sign, left not reaching the midline and right at the midline", scarf),
        ("scarf sign / left not reaching the midline / right at the midline", scarf),
        ("scarf sign, right at the midline", "scarf-sign right midline?"),
        (
            "biceps jerk present on the left, can't get it on the right",
            "biceps-jerk left?; biceps-jerk right no-get",
        ),
        (
            "biceps present on the left, can't get it on the right",
            "biceps-jerk left?; biceps-jerk right no-get",
        ),
        (
            "triceps jerk positive on the left, absent on the right",
            "triceps-jerk left?; triceps-jerk right absent",
        ),
    ]);
    // Where no side can be meant, none is.
    let lex = support::lexicon();
    let got = support::read(&lex, "pull to sit, he came right up to the midline");
    assert!(got.iter().all(|f| !f.contains(" right ")), "{got:?}");
    // Without a break it is not known which side is meant; then nothing of it is sure.
    let got = support::read(&lex, "scarf sign left not reaching the midline right at the midline");
    assert!(!got.is_empty() && got.iter().all(|f| f.ends_with('?')), "{got:?}");
}

#[test]
fn this_side_and_the_other_are_two_sides_bound_to_a_name_where_one_is_near() {
    let two = "popliteal-angle unstated 90deg?; popliteal-angle unstated 100deg?";
    let recoil = "arm-recoil unstated brisk?; arm-recoil unstated slow?";
    reads(&[
        ("popliteal angle, this side ninety, the other side a hundred", two),
        ("popliteal angle / this side ninety / the other side a hundred", two),
        ("popliteal angle / over here ninety / over here a hundred", two),
        (
            "popliteal angle / this side ninety / the other side ninety",
            "popliteal-angle both 90deg",
        ),
        (
            "popliteal angle, right side first / this side is ninety / the other side a hundred",
            "popliteal-angle right 90deg; popliteal-angle left 100deg",
        ),
        (
            "popliteal angle right ninety, the other side a hundred",
            "popliteal-angle right 90deg; popliteal-angle left 100deg",
        ),
        (
            "popliteal angle left ninety / other side a hundred",
            "popliteal-angle left 90deg; popliteal-angle right 100deg",
        ),
        ("arm recoil, the good side brisk, the bad side slow", recoil),
        ("arm recoil / the good side brisk / the bad side slow", recoil),
        ("arm recoil / bad side slow / good side brisk", recoil),
        ("popliteal angle, the other side, the right, ninety", "popliteal-angle right 90deg"),
    ]);
}

#[test]
fn a_doubted_value_that_may_be_worse_never_vanishes_in_a_sure_better_one() {
    reads(&[
        (
            "touch response withdraws on both sides / right arm withdraws weakly",
            "touch-response left withdraws; touch-response right withdraws?",
        ),
        (
            "touch response withdraws on both sides / left leg withdraws weakly",
            "touch-response left withdraws?; touch-response right withdraws",
        ),
        (
            "touch response, withdraws on both sides, right arm withdraws weakly",
            "touch-response both withdraws?",
        ),
        (
            "palmar grasp strong both sides / right maybe weak",
            "palmar-grasp left strong; palmar-grasp right weak?",
        ),
        (
            "palmar grasp strong both sides / left grasp strong but floppy somehow",
            "palmar-grasp left strong?; palmar-grasp right strong",
        ),
        (
            "arm recoil brisk both / left recoil brisk then something odd",
            "arm-recoil left brisk?; arm-recoil right brisk",
        ),
        ("suck strong / suck strong but tires quickly somehow", "suck strong?"),
        ("suck strong / suck maybe weak", "suck weak?"),
        ("Moro complete / Moro complete but jittery", "moro both complete?"),
        // Said again in plain words, it adds nothing.
        ("palmar grasp strong both sides / right strong", "palmar-grasp both strong"),
    ]);
}

#[test]
fn a_state_by_sound_is_asked_about_and_is_not_the_state_at_hand() {
    let lex = support::lexicon();
    let read = |text: &str| {
        Reader::new(&lex).read(
            1,
            &Phrase {
                text: text.into(),
                start_ms: 0,
                end_ms: 1500,
                source: Source::Keys,
                line: None,
                speaker: None,
                alternatives: vec![],
                words: Vec::new(),
                certainty: None,
            },
        )
    };
    for talk in ["he keeps coming up", "she's coming on", "waiting"] {
        let r = read(talk);
        assert!(r.states.is_empty() && r.findings.is_empty(), "{talk}: {r:?}");
    }
    for heard in ["browsy", "active a week", "drow zee"] {
        let r = read(heard);
        assert!(r.states.is_empty(), "{heard}: {:?}", r.states);
        assert_eq!(r.findings.len(), 1, "{heard}");
        assert!(!r.findings[0].is_sure(), "{heard}");
    }
    assert_eq!(read("he is drowsy").states.len(), 1);
}

#[test]
fn what_was_read_wrong_or_not_at_all_is_read() {
    reads(&[
        ("nothing that looks like a seizure", "seizure none"),
        ("nothing here that looks like a seizure to me", "seizure none"),
        ("nothing suggestive of seizures", "seizure none"),
        ("heart rate one thirty and sats ninety-eight", "heart-rate 130/min"),
        ("heart rate / one thirty and sats ninety-eight", "heart-rate 130/min"),
        ("heart rate one forty-two and temperature thirty-seven", "heart-rate 142/min"),
        (
            "ankle clonus / left none / triceps I'm skipping / right none",
            "ankle-clonus left 0beats; ankle-clonus right 0beats; triceps-jerk unstated skip",
        ),
        (
            "ankle clonus / left two beats / gag I'm skipping / right three beats",
            "ankle-clonus left 2beats; ankle-clonus right 3beats; gag skip",
        ),
        ("a complete Moro", "moro both complete"),
        ("there's a complete Moro", "moro both complete"),
        (
            "Moro, grasp and suck all normal",
            "moro both stated-normal; palmar-grasp unstated stated-normal?; suck stated-normal",
        ),
        ("she is alert", "consciousness alert"),
        ("he's alert", "consciousness alert"),
        ("she is very alert", "consciousness alert"),
        ("is she alert?", "-"),
        ("she is not alert", "-"),
    ]);
}

/// Phrases of an exam's journal, in order.
fn kept(bench: &Bench, exam: &str) -> Vec<String> {
    let text = std::fs::read_to_string(bench.path(exam).join("journal.jsonl")).unwrap();
    text.lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .filter(|l: &serde_json::Value| l["kind"] == "phrase")
        .map(|l| l["text"].as_str().unwrap().to_owned())
        .collect()
}

#[test]
fn what_is_said_while_paused_is_kept_neither_by_listen_with_keys_nor_by_read() {
    let said = [
        "suck strong",
        "pause the log",
        "mum is on holiday",
        "gag absent",
        "resume the log",
        "gag present",
    ];
    let want = ["suck strong", "pause the log", "resume the log", "gag present"];
    let lines = said.join("\n") + "\n";
    let bench = Bench::new();
    bench.typed(&["listen", "--keys", "--exam", "typed"], &lines).code(0);
    assert_eq!(kept(&bench, "typed"), want);
    let timed: Vec<String> =
        said.iter().enumerate().map(|(i, l)| format!("[0:{:02}] {l}\n", 4 * i)).collect();
    bench.file("e.txt", timed.concat());
    bench.run(&["read", "e.txt", "--exam", "read"]).code(0);
    assert_eq!(kept(&bench, "read"), want);
    // Read once more, nothing of it comes in by the back door.
    bench.run(&["read", "e.txt", "--exam", "read", "--append"]).code(0);
    assert_eq!(kept(&bench, "read"), want);
}

#[test]
fn the_right_one_fifty_five_may_be_a_hundred_and_fifty_five() {
    let lex = support::lexicon();
    let unsure = |words: &str| support::read(&lex, words).iter().all(|f| f.contains('?'));
    for words in [
        "popliteal angle / I make the right one fifty-five and the left one fifty",
        "popliteal angles. The left one sixty, the right one seventy.",
    ] {
        assert!(unsure(words), "{words}: {:?}", support::read(&lex, words));
    }
    // Where a hundred more cannot be, and where it was said otherwise, nothing is asked.
    for words in [
        "popliteal angle right fifty-five, left fifty",
        "popliteal angle, the left one a hundred and ten",
    ] {
        assert!(!unsure(words), "{words}: {:?}", support::read(&lex, words));
    }
}
