//! A phrase taken as stimuli of the item at hand, where that is one whose stimuli are counted.

use crate::capture::Phrase;
use crate::lexicon::model::Lexicon;

use super::memory::Memory;
use super::series::{Came, Run, stimuli};
use super::types::{Finding, FindingId, Reading, Status};

/// The phrase as one stimulus or more of the item at hand, when it is one whose stimuli are counted
/// and the phrase holds nothing else. The one that ends the series makes its finding.
pub(super) fn count(
    seq: u64,
    phrase: &Phrase,
    memory: &mut Memory,
    lex: &Lexicon,
) -> Option<Reading> {
    let [item] = *memory.items_near(phrase.start_ms, lex) else { return None };
    let it = &lex.items[item];
    let series = it.series.as_ref()?;
    let heard = stimuli(&phrase.text, series, lex)?;
    let mut run = memory.series.take().unwrap_or_else(|| Run::new(item));
    let mut reading = Reading { at_hand: Some(item), ..Reading::default() };
    memory.speak_on(phrase.end_ms);
    for answered in heard {
        let Some((stimulus, came)) = run.take(answered, seq, series) else {
            reading.set_aside.push("a stimulus after the series had ended".into());
            continue;
        };
        reading.stimuli.push(stimulus);
        let (value, number) = match came {
            None => continue,
            Some(Came::Count(n)) => (None, Some(f64::from(n))),
            Some(Came::NoneAnswered) => (Some(series.none_answered), None),
            Some(Came::StillAnswered) => (Some(series.still_answered), None),
        };
        let unit = it.number.as_ref().filter(|_| number.is_some());
        reading.findings.push(Finding {
            id: FindingId { phrase: seq, index: 1 },
            item,
            side: None,
            status: Status::Observed,
            value: value.map(|v| it.values[v].code.clone()),
            wording: None,
            number,
            range: None,
            unit: unit.map(|n| lex.units[n.unit].id.clone()),
            reason: None,
            doubts: Vec::new(),
            why: format!("{}: {}", it.id, run.told()),
            corrects: Vec::new(),
            again: !memory.counted.insert(item),
            at_ms: phrase.start_ms,
        });
    }
    memory.series = Some(run);
    memory.keep(&reading.findings);
    Some(reading)
}
