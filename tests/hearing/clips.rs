//! Recorded clips in place of voices spoken on the spot: `HEARING_CLIPS` names a folder that
//! `adapt/packs.py PACK... FOLDER` wrote, WAV files and `said.tsv` (file, set, voice, text).
//!
//! Clips of a set `exam NAME TIME` are the lines of a narrated exam, put together again at their times and
//! held against the narration of that name; all others are phrases.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use cotside::capture::sound::read_wav;
use cotside::lexicon::Lexicon;
use cotside::speech::Whisper;
use cotside::speech::file::{self, Stretched};
use cotside::tagger::Tagger;
use rayon::prelude::*;

use super::kit;
use super::score::{Table, Typed};
use super::speak::{self, Noise};
use super::{Done, Line, heard_in};

struct Clip {
    file: PathBuf,
    set: String,
    voice: String,
    text: String,
}

fn read(folder: &Path) -> Vec<Clip> {
    let table = std::fs::read_to_string(folder.join("said.tsv")).expect("said.tsv");
    let row = |l: &str| -> Option<Clip> {
        let mut parts = l.split('\t').map(str::to_owned);
        let (file, set) = (folder.join(parts.next()?), parts.next()?);
        Some(Clip { file, set, voice: parts.next()?, text: parts.next()? })
    };
    table.lines().filter_map(row).collect()
}

fn sound(clip: &Clip) -> Vec<f32> {
    let said = read_wav(&clip.file).expect("a clip").samples;
    let quiet = vec![0.0; 8000];
    [quiet.as_slice(), &said, &quiet, &quiet].concat()
}

/// Rows of phrases, clean and with noise under them. Of a clip counts what its words give when they are
/// typed; those of which not every finding is sure then, or which have none, are left out.
pub fn rows(w: &Whisper<'_>, lex: &Lexicon, folder: &Path, cries: &[Vec<f32>], noises: &[Noise]) {
    let clips: Vec<Clip> =
        read(folder).into_iter().filter(|c| !c.set.starts_with("exam")).collect();
    for noise in noises {
        let done: Vec<Done> = clips
            .par_iter()
            .filter_map(|c| {
                let want = Typed::of(&c.text, lex);
                let line = Line { kind: "clips", text: c.text.clone(), want };
                let sound = speak::mixed(&sound(c), *noise, cries, &c.text);
                let hear = || heard_in((w, lex), &line, &c.voice, &sound, *noise, false);
                line.want.all_sure().then(hear)
            })
            .collect();
        let (mut ours, mut free) = (Table::default(), Table::default());
        for d in done {
            ours.add(d.ours);
            free.add(d.free);
        }
        println!(
            "\nclips, {noise}\n  heard                     {ours}\n  dictation, same model     {free}"
        );
    }
}

/// Whole narrated exams, by both readers where the second is installed.
pub fn exams(w: &Whisper<'_>, lex: &Lexicon, folder: &Path, cries: &[Vec<f32>], noises: &[Noise]) {
    let mut by: BTreeMap<String, Vec<(u64, Clip)>> = BTreeMap::new();
    for c in read(folder) {
        let mut parts = c.set.split(' ').skip(1).map(str::to_owned);
        if let (Some(name), Some(time)) = (parts.next(), parts.next()) {
            let (m, s) = time.split_once(':').expect("m:ss");
            let at = m.parse::<f64>().unwrap() * 60.0 + s.parse::<f64>().unwrap();
            by.entry(name).or_default().push(((at * 1000.0) as u64, c));
        }
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/narrations");
    let narrations: Vec<kit::Narration> =
        ["held", "first-look", "dev"].iter().flat_map(|f| kit::folder(&root.join(f))).collect();
    let tagger = Tagger::installed().expect("the second reader");
    let marks = |n: &kit::Narration, t: &Option<Arc<Tagger>>| {
        t.as_ref().map_or_else(Vec::new, |t| kit::marks(n, t))
    };
    println!(
        "\nwhole exams                              F1  of the typed F1   sure  of them wrong"
    );
    for (name, mut clips) in by {
        clips.sort_by_key(|c| c.0);
        let Some(n) = narrations.iter().find(|n| n.name == name) else { continue };
        let typed = kit::score(n, &kit::read(n, &marks(n, &tagger), lex), false);
        println!(
            "  {name:<28} typed      {:.3} {:>16} {:>6} {:>14}",
            typed.f1(),
            "",
            typed.sure,
            typed.wrong_sure
        );
        for noise in noises {
            let mut whole: Vec<f32> = Vec::new();
            for (at, c) in &clips {
                let due = (*at as usize * 16).max(whole.len());
                whole.resize(due, 0.0);
                whole.extend(sound(c));
            }
            let whole = speak::mixed(&whole, *noise, cries, &name);
            let mut phrases = Vec::new();
            file::hear(w, &whole, 0, rayon::current_num_threads(), |what, _| {
                if let Stretched::Phrase(p) = what {
                    phrases.push(p);
                }
                Ok::<(), cotside::problem::Problem>(())
            })
            .expect("the recogniser");
            let mut heard = n.clone();
            heard.phrases = phrases;
            let made = kit::read(&heard, &marks(&heard, &tagger), lex);
            let s = kit::score(&heard, &made, std::env::var_os("HEARING_VERBOSE").is_some());
            println!(
                "  {:<28} {:<10} {:.3} {:>16.2} {:>6} {:>14}",
                clips[0].1.voice,
                noise.to_string(),
                s.f1(),
                s.f1() / typed.f1(),
                s.sure,
                s.wrong_sure
            );
        }
    }
}
