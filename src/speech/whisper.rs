//! The recogniser: one encoder, heard by a letter ear and a word ear; without adapted ears by the decoder
//! alone, bound, leaning and free.

use std::path::Path;
use std::time::{Duration, Instant};

use super::bias::Bias;
use super::grammar::{Costs, Grammar, Spelling, with_capital};
use super::judge::{judge, once};
use super::letters::{self, Beam};
use super::mel::{HOP, MOST_FRAMES, Mel, RATE};
use super::model::adapted::{self, Adapted};
use super::network::{Encoded, Network};
use super::search::{Guide, Searched, Spent, Tokens, Tuning, search};
use super::spoken::Letters;
use super::vocabulary::Vocabulary;
use super::witnesses::{self, Both};
use super::{Heard, Piece, Recogniser, model};
use crate::lexicon::Lexicon;
use crate::problem::Problem;

/// Tokens a second of sound that nobody outruns, and a few to begin with.
const TOKENS_A_SECOND: f32 = 6.0;
const FEWEST_TOKENS: usize = 8;
/// Words that no text begins a stretch of speech with: brackets and music, as in subtitles.
const SILENT: &[char] = &['(', '[', '{', '<', '*', '♪', '♫', '#', '_', '^', '~', '|', '\\', '/'];

/// The letter ear's own.
pub struct LetterEar {
    /// How it spells.
    pub letters: Letters,
    /// What can be said, in letters.
    pub grammar: Grammar,
    /// The numbers its beam goes by.
    pub beam: Beam,
    /// The numbers both ears are judged by.
    pub thresholds: witnesses::Thresholds,
}

/// Whisper with the lexicon's grammar.
pub struct Whisper<'a> {
    lex: &'a Lexicon,
    vocabulary: Vocabulary,
    network: Network,
    /// What can be said, in tokens.
    pub grammar: Grammar,
    bias: Bias,
    tokens: Tokens,
    mel: Mel,
    /// The numbers the search goes by.
    pub tuning: Tuning,
    /// The letter ear, where the model is adapted.
    pub letter_ear: Option<LetterEar>,
}

fn fault(e: candle_core::Error) -> Problem {
    Problem::in_file("speech", format!("the recogniser failed: {e}"))
        .help("install the model again with `cotside model install`")
}

impl<'a> Whisper<'a> {
    /// Loads the model in `dir`, adapted by the ears that are to be used, and compiles the lexicon for it.
    ///
    /// # Errors
    /// When the model is not there, or is not one this program runs, or the ears were made for another.
    pub fn load(dir: &Path, lex: &'a Lexicon) -> Result<Self, Problem> {
        Whisper::with(dir, lex, adapted::found()?)
    }

    /// The same with given ears, or none.
    ///
    /// # Errors
    /// As [`Whisper::load`].
    pub fn with(dir: &Path, lex: &'a Lexicon, ears: Option<Adapted>) -> Result<Self, Problem> {
        model::present(dir)?;
        let vocabulary = Vocabulary::read(&dir.join("tokenizer.json"))?;
        // Before the weights come, so that what compiling takes is free for them. Of the word ear only what
        // it leans towards is asked.
        let grammar = match ears {
            Some(_) => Grammar::of_phrases(lex, &vocabulary),
            None => Grammar::of(lex, &vocabulary),
        };
        let bias = Bias::of(grammar.phrases());
        let broken = |what: String| {
            Problem::in_file(dir.display().to_string(), format!("the speech model: {what}"))
                .help("install it again with `cotside model install`")
        };
        let mut weights = model::weights(dir)?;
        let mut letter_ear = None;
        if let Some(ears) = ears {
            ears.fits(dir)?;
            let letters = Letters::new(ears.spelt.clone());
            ears.lay_over(&mut weights).map_err(|e| broken(e.to_string()))?;
            let mut grammar = Grammar::graph(lex, &letters);
            grammar.costs = Costs::of_letters();
            let (beam, thresholds) = Default::default();
            letter_ear = Some(LetterEar { letters, grammar, beam, thresholds });
        }
        let network = Network::load(weights).map_err(|e| broken(e.to_string()))?;
        let special = |name: &str| {
            vocabulary
                .special(name)
                .ok_or_else(|| broken(format!("its vocabulary has no token {name}")))
        };
        let mut prompt = vec![special("<|startoftranscript|>")?];
        // The English-only models have one token fewer, and are not told the language.
        let english_only = network.tokens() <= 51_864;
        if !english_only {
            prompt.push(special("<|en|>")?);
            prompt.push(special("<|transcribe|>")?);
        }
        prompt.push(special("<|notimestamps|>")?);
        let end = vocabulary.end();
        let silent = (0..end).map(|t| vocabulary.decode(&[t]).contains(SILENT)).collect();
        let tokens = Tokens { prompt, end, silent };
        Ok(Whisper {
            lex,
            vocabulary,
            network,
            grammar,
            bias,
            tokens,
            mel: Mel::default(),
            tuning: match letter_ear {
                Some(_) => Tuning::adapted(),
                None => Tuning::default(),
            },
            letter_ear,
        })
    }

    /// The sound encoded, with the time that took: bands, encoder.
    fn encode(&self, sound: &[f32]) -> Result<(Encoded, [Duration; 2]), Problem> {
        // An even number of frames: the second convolution takes every other one.
        let Tuning { window, behind, .. } = self.tuning;
        let frames = ((sound.len().div_ceil(HOP) + behind).max(window) + 1) & !1;
        let frames = frames.min(MOST_FRAMES);
        let began = Instant::now();
        let bands = self.mel.of(sound, frames);
        let features = began.elapsed();
        let sounded = self.network.encode(bands, frames).map_err(fault)?;
        Ok((sounded, [features, began.elapsed() - features]))
    }

    fn searched(
        &self,
        sounded: &Encoded,
        samples: usize,
        leaning_alone: bool,
    ) -> Result<Searched, Problem> {
        let seconds = samples as f32 / RATE as f32;
        let most = FEWEST_TOKENS + (seconds * TOKENS_A_SECOND) as usize;
        let Whisper { network, grammar, bias, tokens, lex, tuning, .. } = self;
        let guide = Guide { grammar, bias, tokens, lex, tuning, leaning_alone };
        search(network, sounded, &guide, most).map_err(fault)
    }

    /// What the three searches find in a sound (16 kHz, one channel, -1 to 1).
    ///
    /// # Errors
    /// Those of the network, which are faults of this program or of the model.
    pub fn search(&self, sound: &[f32]) -> Result<Searched, Problem> {
        let (sounded, [features, encoder]) = self.encode(sound)?;
        let mut out = self.searched(&sounded, sound.len(), false)?;
        out.spent = Spent { features, encoder, ..out.spent };
        Ok(out)
    }

    /// What both ears hear in a sound; none without adapted ears.
    ///
    /// # Errors
    /// As [`Whisper::search`].
    pub fn both(&self, sound: &[f32]) -> Result<Option<Both>, Problem> {
        if self.letter_ear.is_none() {
            return Ok(None);
        }
        let (mut sounded, [features, encoder]) = self.encode(sound)?;
        let began = Instant::now();
        let rows = sounded.letters.take().unwrap_or_default();
        let Some(mut both) = self.spelt(rows) else { return Ok(None) };
        let mut spent = Spent::default();
        let mut letters = began.elapsed();
        if !both.silent() {
            let leaning = self.searched(&sounded, sound.len(), true)?;
            spent = leaning.spent;
            if let Some(f) = leaning.leaning.first() {
                both.words = once(&self.text(&f.tokens));
                both.word_score = f.plain;
                let began = Instant::now();
                self.read(&mut both);
                letters += began.elapsed();
                let began = Instant::now();
                both.own = f.log_prob;
                both.asked = self.ask(both.to_ask(), &sounded)?;
                spent.decoder += began.elapsed();
            }
        }
        both.spent = Spent { features, encoder, letters, ..spent };
        Ok(Some(both))
    }

    /// What the letter ear hears in the chances of letters; none where there is no letter ear.
    pub fn spelt(&self, rows: Vec<Vec<f32>>) -> Option<Both> {
        let ear = self.letter_ear.as_ref()?;
        let spelt = letters::listen(&rows, &ear.grammar, self.lex, &ear.beam);
        Some(Both { rows, spelt, ..Both::default() })
    }

    /// Reads the word ear's text through the letter ear's graph.
    pub fn read(&self, both: &mut Both) {
        let Some(ear) = &self.letter_ear else { return };
        let rows = letters::rows_of(&ear.letters.spoken(&both.words), witnesses::SLIP);
        both.read = letters::listen(&rows, &ear.grammar, self.lex, &ear.beam);
    }

    /// The logarithms of the chances that the word ear gives phrases of the lexicon.
    fn ask(&self, phrases: Vec<String>, sounded: &Encoded) -> Result<Vec<(String, f32)>, Problem> {
        if phrases.is_empty() {
            return Ok(Vec::new());
        }
        let texts: Vec<Vec<u32>> =
            phrases.iter().map(|p| self.vocabulary.words(&with_capital(p))).collect();
        let Tokens { prompt, end, .. } = &self.tokens;
        let chances = self.network.chances(sounded, prompt, &texts, *end).map_err(fault)?;
        Ok(phrases.into_iter().zip(chances).collect())
    }

    /// What a stretch says by both ears.
    pub fn judged(&self, both: &Both, piece: &Piece<'_>) -> Heard {
        match &self.letter_ear {
            Some(ear) => witnesses::judge(both, &ear.letters, &ear.thresholds, piece),
            None => Heard::noise(),
        }
    }

    /// The text of tokens.
    pub fn text(&self, tokens: &[u32]) -> String {
        self.vocabulary.decode(tokens).trim().to_owned()
    }

    /// Nodes of the grammar.
    pub fn grammar_size(&self) -> usize {
        self.grammar.len()
    }
}

impl Recogniser for Whisper<'_> {
    fn hear(&self, piece: &Piece<'_>) -> Result<Heard, Problem> {
        if let Some(both) = self.both(piece.sound)? {
            return Ok(self.judged(&both, piece));
        }
        let searched = self.search(piece.sound)?;
        Ok(judge(&searched, &|t| self.text(t)))
    }
}
