//! The words of command a lexicon knows, for whoever typed something near one.

use std::collections::BTreeSet;

use crate::lexicon::Lexicon;
use crate::lexicon::matcher::Meaning;
use crate::lexicon::text::tokenize;

/// What a control act does, in words; nothing for one that is not said to the logger live.
fn does(act: &str) -> Option<&'static str> {
    Some(match act {
        "start" => "begins the exam",
        "finish" => "finishes the exam",
        "pause" => "pauses: nothing is kept",
        "resume" => "reads again after a pause",
        "strike-last" => "takes the last entry back",
        "what-is-left" => "tells what is left to do",
        "read-back" => "reads the last entry back",
        "elapsed" => "tells the time since the start",
        _ => return None,
    })
}

/// Ordinary short words for the acts, which alone are too short to be a command.
const NEAR: [(&str, &str); 12] = [
    ("undo", "strike-last"),
    ("delete", "strike-last"),
    ("remove", "strike-last"),
    ("cancel", "strike-last"),
    ("stop", "finish"),
    ("quit", "finish"),
    ("exit", "finish"),
    ("done", "finish"),
    ("continue", "resume"),
    ("repeat", "read-back"),
    ("gaps", "what-is-left"),
    ("time", "elapsed"),
];

/// The first phrase of every act, with what it does.
fn all(lex: &Lexicon) -> Vec<(usize, String)> {
    let phrases = lex.matcher.phrases(|m| matches!(m, Meaning::Control(_)));
    let of = |k: usize| phrases.iter().find(|(_, m)| *m == Meaning::Control(k));
    (0..lex.controls.len())
        .filter_map(|k| {
            let what = does(&lex.controls[k])?;
            Some((k, format!("\"{}\" ({what})", of(k)?.0)))
        })
        .collect()
}

/// Every word of command, one a line.
pub fn list(lex: &Lexicon) -> Vec<String> {
    all(lex).into_iter().map(|(_, line)| line).collect()
}

/// The commands nearest to what was typed: those that share a word with it that few commands have,
/// or that it is another word for.
pub fn nearest(typed: &str, lex: &Lexicon) -> Vec<String> {
    let words = |text: &str| -> BTreeSet<String> {
        tokenize(text)
            .into_iter()
            .filter(|t| t.brk.is_none() && !lex.matcher.is_filler(&t.folded))
            .map(|t| t.folded)
            .collect()
    };
    let said = words(typed);
    let phrases = lex.matcher.phrases(|m| matches!(m, Meaning::Control(_)));
    // A word of one act alone tells the act; a word of several ("log") tells nothing.
    let acts_of = |word: &String| -> BTreeSet<usize> {
        let of = phrases.iter().filter(|(p, _)| words(p).contains(word));
        of.filter_map(|(_, m)| if let Meaning::Control(k) = m { Some(*k) } else { None }).collect()
    };
    let mut acts: BTreeSet<usize> =
        said.iter().map(acts_of).filter(|a| a.len() == 1).flatten().collect();
    // So does a phrase of an act that holds all that was said ("read back").
    let whole = |m: &Meaning| if let Meaning::Control(k) = m { Some(*k) } else { None };
    if !said.is_empty() {
        let holding = phrases.iter().filter(|(p, _)| said.is_subset(&words(p)));
        let holding: BTreeSet<usize> = holding.filter_map(|(_, m)| whole(m)).collect();
        if holding.len() <= MOST_ACTS {
            acts.extend(holding);
        }
    }
    for (word, act) in NEAR {
        if said.contains(&words(word).into_iter().next().unwrap_or_default()) {
            acts.extend(lex.controls.iter().position(|c| c == act));
        }
    }
    // Much was said besides: a phrase of its own, not a command.
    if said.len() > MOST_WORDS {
        return Vec::new();
    }
    all(lex).into_iter().filter(|(k, _)| acts.contains(k)).map(|(_, line)| line).collect()
}

/// Acts that words said may tell of, at most; more would be no hint.
const MOST_ACTS: usize = 3;
/// Words a command has at most, fillers left out.
const MOST_WORDS: usize = 4;
