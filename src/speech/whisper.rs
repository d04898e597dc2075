//! The recogniser: one network, heard bound, leaning and free.

use std::path::Path;
use std::time::Instant;

use super::bias::Bias;
use super::grammar::Grammar;
use super::judge::judge;
use super::mel::{HOP, MOST_FRAMES, Mel, RATE};
use super::network::Network;
use super::search::{Guide, Searched, Spent, Tokens, Tuning, search};
use super::vocabulary::Vocabulary;
use super::{Heard, Piece, Recogniser, model};
use crate::lexicon::Lexicon;
use crate::problem::Problem;

/// Tokens a second of sound that nobody outruns, and a few to begin with.
const TOKENS_A_SECOND: f32 = 6.0;
const FEWEST_TOKENS: usize = 8;
/// Words that no text begins a stretch of speech with: brackets and music, as in subtitles.
const SILENT: &[char] = &['(', '[', '{', '<', '*', '♪', '♫', '#', '_', '^', '~', '|', '\\', '/'];

/// Whisper with the lexicon's grammar.
pub struct Whisper<'a> {
    lex: &'a Lexicon,
    vocabulary: Vocabulary,
    network: Network,
    /// What can be said.
    pub grammar: Grammar,
    bias: Bias,
    tokens: Tokens,
    mel: Mel,
    /// The numbers the search goes by.
    pub tuning: Tuning,
}

impl<'a> Whisper<'a> {
    /// Loads the model in `dir` and compiles the lexicon for it.
    ///
    /// # Errors
    /// When the model is not there, or is not one this program runs.
    pub fn load(dir: &Path, lex: &'a Lexicon) -> Result<Self, Problem> {
        model::present(dir)?;
        let vocabulary = Vocabulary::read(&dir.join("tokenizer.json"))?;
        let weights = model::weights(dir)?;
        let broken = |what: String| {
            Problem::in_file(dir.display().to_string(), format!("the speech model: {what}"))
                .help("install it again with `cotside model install`")
        };
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
        let grammar = Grammar::of(lex, &vocabulary);
        let bias = Bias::of(grammar.phrases());
        let tokens = Tokens { prompt, end, silent };
        Ok(Whisper {
            lex,
            vocabulary,
            network,
            grammar,
            bias,
            tokens,
            mel: Mel::default(),
            tuning: Tuning::default(),
        })
    }

    /// What the three searches find in a sound (16 kHz, one channel, -1 to 1).
    ///
    /// # Errors
    /// Those of the network, which are faults of this program or of the model.
    pub fn search(&self, sound: &[f32]) -> Result<Searched, Problem> {
        let fault = |e: candle_core::Error| {
            Problem::in_file("speech", format!("the recogniser failed: {e}"))
                .help("install the model again with `cotside model install`")
        };
        // An even number of frames: the second convolution takes every other one.
        let Tuning { window, behind, .. } = self.tuning;
        let frames = ((sound.len().div_ceil(HOP) + behind).max(window) + 1) & !1;
        let frames = frames.min(MOST_FRAMES);
        let began = Instant::now();
        let bands = self.mel.of(sound, frames);
        let features = began.elapsed();
        let sounded = self.network.encode(bands, frames).map_err(fault)?;
        let encoder = began.elapsed() - features;
        let seconds = sound.len() as f32 / RATE as f32;
        let most = FEWEST_TOKENS + (seconds * TOKENS_A_SECOND) as usize;
        let Whisper { network, grammar, bias, tokens, lex, tuning, .. } = self;
        let guide = Guide { grammar, bias, tokens, lex, tuning };
        let mut out = search(network, &sounded, &guide, most).map_err(fault)?;
        out.spent = Spent { features, encoder, ..out.spent };
        Ok(out)
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
        let searched = self.search(piece.sound)?;
        Ok(judge(&searched, &|t| self.text(t)))
    }
}
