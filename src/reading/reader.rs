//! The reader: a fold over phrases that remembers what is at hand.

use std::collections::HashSet;
use std::sync::{Arc, OnceLock};

use crate::capture::Phrase;
use crate::lexicon::model::Lexicon;

use super::atoms::cut;
use super::claims::claims_of;
use super::clauses::judge;
use super::corrections::{and_the_other, other_side, recalled, swap};
use super::counting::count;
use super::ears::Ears;
use super::findings::findings;
use super::heard::Heard;
use super::hearing;
use super::lists::{share_back, share_forward};
use super::memory::Memory;
use super::notes::{note, note_states_found, note_waiting, states_by_sound};
use super::rest::left_over;
use super::segments::segments;
use super::takeback::{named_again, second_thoughts, take_back};
use super::types::Reading;

/// Reads phrases one after the other. Its memory is what a listener would keep in mind: the item
/// just named, the side just named, what was found so far.
#[derive(Debug)]
pub struct Reader<'a> {
    lex: &'a Lexicon,
    memory: Memory,
    /// Built with the first word that is not understood.
    ears: OnceLock<Arc<Ears>>,
}

impl<'a> Reader<'a> {
    /// A reader that has heard nothing yet.
    pub fn new(lex: &'a Lexicon) -> Self {
        Reader { lex, memory: Memory::default(), ears: OnceLock::new() }
    }

    /// Reads the phrase with journal sequence number `seq`. What a recogniser was not sure of is
    /// never certain.
    pub fn read(&mut self, seq: u64, phrase: &Phrase) -> Reading {
        let others = hearing::rivals(phrase);
        let before = (!others.is_empty()).then(|| self.memory.clone());
        let mut reading = self.read_words(seq, phrase);
        if phrase.certainty.is_some() {
            let read = |text: String| {
                let memory = before.clone().unwrap_or_default();
                let mut other = Reader { lex: self.lex, memory, ears: self.ears.clone() };
                other.read_words(seq, &Phrase { text, ..phrase.clone() })
            };
            let rivals: Vec<Reading> = others.into_iter().map(read).collect();
            let alone = hearing::stands_alone(phrase).then(|| {
                let memory = Memory::default();
                let mut other = Reader { lex: self.lex, memory, ears: self.ears.clone() };
                other.read_words(seq, phrase)
            });
            hearing::cast_doubt(&mut reading, phrase, &rivals, alone.as_ref());
            self.memory.revise(&reading.findings);
        }
        reading
    }

    fn read_words(&mut self, seq: u64, phrase: &Phrase) -> Reading {
        let (lex, memory) = (self.lex, &mut self.memory);
        if let Some(reading) = count(seq, phrase, memory, lex) {
            return reading;
        }
        let ears = || Arc::clone(self.ears.get_or_init(|| Ears::of(lex)));
        let near = memory.items_near(phrase.start_ms, lex);
        let cut = cut(&phrase.text, lex, Some((&ears, near)));
        let taken = judge(&cut, lex);
        let heard = Heard { cut: &cut, taken: &taken, lex };
        let mut reading = Reading::default();
        note(&heard, &mut reading);

        let mut cut_up = segments(&heard, &memory.at_hand(phrase.start_ms, lex));
        share_back(&mut cut_up.segments, &heard);
        share_forward(&mut cut_up.segments, &heard);
        let segs = &cut_up.segments;

        let waiting = memory.side_near(phrase.start_ms, lex);
        let mut claims = claims_of(segs, &heard, memory, waiting);
        claims.extend(states_by_sound(&heard, &claims));
        take_back(&heard, segs, memory, &mut claims, &mut reading, phrase.start_ms);
        recalled(&heard, memory, &mut claims, &mut reading);
        swap(&heard, memory, &mut claims);
        other_side(&heard, segs, memory, &mut claims);
        and_the_other(&heard, memory, &mut claims);

        // Remembered for the phrases to come; a unit said here does not change what it says.
        let units = claims.iter().filter(|c| c.judged.unit_said).map(|c| c.item);
        memory.units_known.extend(units);
        let last = memory.last.clone();
        let corrects_own = claims.iter().any(|c| c.corrects_own);
        reading.findings = findings(claims, seq, phrase, &heard, memory);
        memory.keep(&reading.findings);
        if !corrects_own {
            second_thoughts(&heard, segs, &last, memory, &mut reading, phrase.start_ms);
        }
        named_again(&heard, segs, memory, &mut reading);
        note_waiting(&heard, &cut_up, &mut reading);
        memory.remember(phrase, &heard, &cut_up, &reading);
        note_states_found(&heard, &mut reading);
        reading.at_hand = memory.item();
        let mut left = cut.unknown.clone();
        if reading.findings.is_empty() && !reading.announced.is_empty() {
            // "Palmar grasp present": a word the item does not take was said of it all the same.
            left.extend(left_over(segs, &HashSet::new(), &heard));
            left.sort_unstable();
            left.dedup();
        }
        reading.leftover = left.iter().map(|&i| cut.tokens[i].surface.clone()).collect();
        reading
    }
}
