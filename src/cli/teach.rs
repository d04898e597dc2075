//! `cotside lexicon teach` and `teach-aloud`: words of one's own, in a layer over the lexicon.
//!
//! Taught words stand beside the lexicon's own misheard spellings: the reader finds them in text, the
//! letter ear follows their letters, and what is found by them stays unsettled.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread;
use std::time::{Duration, Instant};

use super::exit::{Exit, Failure, Outcome};
use super::{open, output};
use crate::capture::Certainty;
use crate::capture::sound::microphone::Wanted;
use crate::capture::sound::read_wav;
use crate::lexicon::files::SourceFile;
use crate::lexicon::matcher::{Hit, Meaning, Naming, Saying};
use crate::lexicon::model::ItemId;
use crate::lexicon::text::{Token, tokenize};
use crate::lexicon::{Files, Item, Lexicon, compile};
use crate::problem::{Problem, nearest};
use crate::speech::file::{self, Stretched};
use crate::speech::live::{self, Event, Orders, Setup};
use crate::speech::{Heard, Piece, Recogniser, Whisper, model};

/// How often a word is said to be taught.
const TIMES: usize = 3;
/// How alike two sayings must be spelt, 0 to 1, to be the same word.
const ALIKE: f64 = 0.6;
/// How long each saying is waited for.
const PATIENCE: Duration = Duration::from_secs(20);

/// What taught words mean.
pub struct Meant {
    lex: Lexicon,
    item: ItemId,
    value: Option<String>,
    folder: Option<PathBuf>,
}

impl Meant {
    /// An item, or a value of it.
    ///
    /// # Errors
    /// When the lexicon has no such item or value.
    pub fn new(item: &str, value: Option<&str>, folder: Option<&Path>) -> Result<Meant, Failure> {
        let lex = open::lexicon(folder, open::DEFAULT_LEXICON)?;
        let item = open::item(item, &lex)?;
        let value = value.map(|v| value_of(v, &lex.items[item])).transpose()?;
        Ok(Meant { lex, item, value, folder: folder.map(Path::to_owned) })
    }
}

/// `cotside lexicon teach-aloud`
#[derive(Debug, clap::Args)]
#[command(
    before_help = "\
Examples:
  cotside lexicon teach-aloud arm-recoil
  cotside lexicon teach-aloud arm-recoil --value brisk
  cotside lexicon teach-aloud scarf-sign --wav saying.wav",
    after_help = "\
Say the word or short phrase three times as you say it at the cot, with a
pause behind each. It is spelt as it was heard and kept in a layer of your own
over the lexicon; findings by it stay unsettled, as all taken by sound."
)]
pub struct AloudArgs {
    /// The item that is meant
    item: String,
    /// The value of it that is meant, when not the item itself
    #[arg(long, value_name = "V")]
    value: Option<String>,
    /// A recording of the three sayings; the microphone, when not given
    #[arg(long, value_name = "FILE")]
    wav: Option<PathBuf>,
    /// Microphone, as `cotside devices` names it
    #[arg(long, value_name = "NAME", conflicts_with = "wav")]
    device: Option<String>,
    /// Folder of the lexicon; the shipped one when not given
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// Teaches words as they were written by the recogniser.
pub fn words(words: &str, meant: &Meant) -> Outcome {
    // Quotes and brackets have meanings in a lexicon's phrases; what was heard has none.
    let tokens: Vec<Token> = tokenize(words).into_iter().filter(|t| t.brk.is_none()).collect();
    if tokens.is_empty() {
        return Err(Failure::input(words, "holds no word", "write the words as they were heard"));
    }
    if let Some(what) = means_already(&tokens, &meant.lex) {
        return Err(Failure::input(
            words,
            format!("means {what} already, and a word is not taught away"),
            "teach only what was misheard; `cotside lexicon items` lists what there is",
        ));
    }
    let plain: Vec<String> = tokens.into_iter().map(|t| t.surface).collect();
    write(&[plain.join(" ")], meant)
}

/// Teaches a word by its sound.
pub fn aloud(args: &AloudArgs) -> Outcome {
    let meant = Meant::new(&args.item, args.value.as_deref(), args.lexicon.as_deref())?;
    let said = {
        let whisper = Whisper::load(&model::folder()?, &meant.lex)?;
        if whisper.letter_ear.is_none() {
            return Err(Failure::input(
                "teach-aloud",
                "a word is spelt as it is heard by the letter ear, and that is turned off",
                "leave COTSIDE_HEARING unset, or teach by `cotside lexicon teach WORDS ITEM`",
            ));
        }
        let speller = Speller(whisper);
        match &args.wav {
            Some(path) => sayings_in(path, &speller)?,
            None => sayings(args, &speller)?,
        }
    };
    for s in &said {
        output::line(&format!("  heard: {s}"))?;
    }
    let alike = |a: &&String| {
        said.iter().filter(|b| strsim::normalized_levenshtein(a, b) >= ALIKE).count() >= 2
    };
    let mut kept: Vec<String> = said.iter().filter(alike).cloned().collect();
    if said.len() < TIMES || kept.len() < 2 {
        return Err(Failure::input(
            "teach-aloud",
            match said.len() {
                n if n < TIMES => format!("{n} of {TIMES} sayings were heard"),
                _ => "the sayings were heard too differently to be one word".to_owned(),
            },
            "say the word three times alike, close to the microphone, a pause behind each",
        ));
    }
    kept.sort();
    kept.dedup();
    let tokens =
        |s: &str| -> Vec<Token> { tokenize(s).into_iter().filter(|t| t.brk.is_none()).collect() };
    let known: Vec<String> =
        kept.iter().filter_map(|s| means_already(&tokens(s), &meant.lex)).collect();
    kept.retain(|s| means_already(&tokens(s), &meant.lex).is_none());
    if kept.is_empty() {
        output::line(&format!("nothing to teach: it is heard as {} already", known.join(", ")))?;
        return Ok(Exit::Ok);
    }
    write(&kept, &meant)
}

/// Spells what it hears, and knows no words.
struct Speller<'a>(Whisper<'a>);

impl Recogniser for Speller<'_> {
    fn hear(&self, piece: &Piece<'_>) -> Result<Heard, Problem> {
        let both = self.0.both(piece.sound)?;
        let text = both.map_or_else(String::new, |b| b.spelt.free.trim().to_owned());
        let certainty = (!text.is_empty()).then_some(Certainty::Narration);
        Ok(Heard { certainty, text, ..Heard::noise() })
    }
}

fn sayings_in(path: &Path, speller: &Speller<'_>) -> Result<Vec<String>, Failure> {
    let sound = read_wav(path)?;
    for w in &sound.warnings {
        output::warn(&w.to_string());
    }
    let mut said = Vec::new();
    file::hear(speller, &sound.samples, 0, 1, |what, _| {
        match what {
            Stretched::Phrase(p) => said.push(p.text),
            Stretched::Noise => {}
            Stretched::Unheard { why, .. } => output::warn(&why),
        }
        Ok::<(), Failure>(())
    })?;
    Ok(said)
}

fn sayings(args: &AloudArgs, speller: &Speller<'_>) -> Result<Vec<String>, Failure> {
    let began = Instant::now();
    let setup = Setup {
        wanted: Wanted { device: args.device.clone(), rate: None, channels: None, format: None },
        record_in: None,
        now_ms: Arc::new(move || began.elapsed().as_millis() as u64),
    };
    let orders = Arc::new(Orders::default());
    let gone = |p: Problem| Failure { exit: Exit::Device, problems: vec![p] };
    thread::scope(|scope| {
        let events = live::listen(scope, speller, setup, Arc::clone(&orders)).map_err(gone)?;
        let take = || -> Result<Vec<String>, Failure> {
            let mut said = Vec::new();
            output::line("Say it, three times, with a pause behind each.")?;
            while said.len() < TIMES {
                match events.recv_timeout(PATIENCE) {
                    Ok(Event::Phrase { phrase, .. }) => {
                        said.push(phrase.text);
                        output::line(&format!("{} of {TIMES}", said.len()))?;
                    }
                    Ok(Event::Lost { why, .. }) => {
                        return Err(gone(
                            Problem::in_file("microphone", format!("it was lost: {why}"))
                                .help("check the plug, then begin again"),
                        ));
                    }
                    Ok(_) => {}
                    Err(_) => break,
                }
            }
            Ok(said)
        };
        let done = take();
        orders.stop.store(true, Ordering::Release);
        done
    })
}

/// Writes what was heard to the user's own layer, when the lexicon with it is still sound.
fn write(spellings: &[String], meant: &Meant) -> Outcome {
    let Meant { lex, item, value, folder } = meant;
    let path = open::personal(&lex.name).ok_or_else(|| {
        Failure::input(
            "lexicon teach",
            "there is no folder to keep your own words in",
            "name one in COTSIDE_PERSONAL",
        )
    })?;
    let id = &lex.items[*item].id;
    let mut row = format!("\n[[heard]]\nitem = {id:?}\n");
    if let Some(v) = value {
        row += &format!("value = {v:?}\n");
    }
    let quoted: Vec<String> = spellings.iter().map(|s| format!("{s:?}")).collect();
    row += &format!("words = [{}]\n", quoted.join(", "));
    let old = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => HEADING.to_owned(),
        Err(e) => return Err(Failure::file(&path, "read this file", &e)),
    };
    let new = old + &row;
    sound_with(&new, &path, folder.as_deref())?;
    keep(&path, &new)?;
    output::put(&format!(
        "taught: {} is heard for {id}\n  in {}; findings by it stay unsettled, as all taken by sound\n",
        quoted.join(", "),
        path.display()
    ))?;
    Ok(Exit::Ok)
}

/// What all of the words mean in the lexicon as it is.
fn means_already(tokens: &[Token], lex: &Lexicon) -> Option<String> {
    let whole = |h: &Hit| h.from == 0 && h.to == tokens.len();
    lex.matcher.scan(tokens).iter().filter(|h| whole(h)).find_map(|h| {
        Some(match lex.matcher.meaning(h) {
            Meaning::Item(_, Naming::Sound) | Meaning::Value { how: Saying::Sound, .. } => {
                return None;
            }
            Meaning::State { sound: true, .. } => return None,
            Meaning::Item(i, _) => lex.items[i].id.clone(),
            Meaning::Value { item, value, .. } => {
                format!("{} {}", lex.items[item].id, lex.items[item].values[value].code)
            }
            _ => "an ordinary word of the exam".to_owned(),
        })
    })
}

const HEADING: &str = "# Words of your own over the lexicon; written by `cotside lexicon teach`.\n";

fn value_of(value: &str, item: &Item) -> Result<String, Failure> {
    let known = || item.values.iter().map(|v| v.code.as_str());
    if item.value(value).is_some() {
        return Ok(value.to_owned());
    }
    let near = nearest(value, known()).map_or(String::new(), |n| format!("did you mean `{n}`? "));
    let all = known().collect::<Vec<_>>().join(", ");
    Err(Failure::input(value, format!("{} has no such value", item.id), format!("{near}{all}")))
}

/// That the lexicon with the new layer has no more problems than without it.
fn sound_with(layer: &str, path: &Path, folder: Option<&Path>) -> Result<(), Failure> {
    let mut files = match folder {
        Some(dir) => Files::folder(dir)?,
        None => Files::shipped(open::DEFAULT_LEXICON)?,
    };
    files.files.push(SourceFile { path: path.display().to_string(), text: layer.to_owned() });
    let compiled = compile(&files)?;
    let own = path.display().to_string();
    let problems: Vec<_> =
        crate::lexicon::check(&files, &compiled).into_iter().filter(|p| p.file == own).collect();
    if problems.is_empty() { Ok(()) } else { Err(problems.into()) }
}

/// Writes the layer anew; the old one stays until the new one is whole.
fn keep(path: &Path, text: &str) -> Result<(), Failure> {
    let part = path.with_extension("part");
    let write = || {
        if let Some(dir) = path.parent() {
            std::fs::create_dir_all(dir)?;
        }
        std::fs::write(&part, text)?;
        std::fs::rename(&part, path)
    };
    write().map_err(|e| Failure::file(path, "write this file", &e))
}
