//! What each finding of a narration rests on, and what each of its phrases holds of which nothing was made: the
//! tables that thresholds are fitted on.

use std::collections::HashMap;

use cotside::exam::Exam;
use cotside::lexicon::Lexicon;
use cotside::reading::judge::{Read, Words, beside, proposals};
use cotside::reading::untold::signs;
use cotside::reading::{Doubt, FindingId, Side};
use cotside::tagger::Marks;
use serde_json::{Value, json};

use super::kit::{Narration, made, quoted};

/// Rows of both kinds.
pub fn table(n: &Narration, alone: &Exam, x: &Exam, marks: &[Marks], lex: &Lexicon) -> Value {
    let marks: Vec<Marks> =
        marks.iter().map(|m| Marks { phrase: m.phrase + 1, ..m.clone() }).collect();
    let by: HashMap<u64, &Marks> = marks.iter().map(|m| (m.phrase, m)).collect();
    let read: Vec<Read<'_>> = x
        .timeline
        .iter()
        .map(|e| Read { seq: e.seq, phrase: &e.phrase, reading: e.reading.clone() })
        .collect();
    let words = Words::of(&read);
    let all = proposals(&read, &by, &words, lex);
    let names = |d: &[Doubt]| d.iter().map(|d| format!("{d:?}")).collect::<Vec<_>>();
    let before: HashMap<FindingId, Vec<String>> = alone
        .timeline
        .iter()
        .flat_map(|e| &e.reading.findings)
        .map(|f| (f.id, names(&f.doubts)))
        .collect();
    let right = |s: &cotside::exam::fold::Standing| {
        let claims = made(&Exam { findings: vec![s.clone()], ..x.clone() }, lex);
        (claims.len(), claims.keys().filter(|c| n.gold.contains(c)).count())
    };
    let findings: Vec<Value> = x
        .findings
        .iter()
        .filter(|s| Some(s.finding.item) != lex.state_item)
        .map(|s| {
            let f = &s.finding;
            let at = read.iter().position(|r| r.seq == f.id.phrase).unwrap();
            let second = beside(f, at, &all, &words);
            let (many, right) = right(s);
            json!({
                "id": f.id.to_string(), "item": lex.items[f.item].id, "side": f.side.map(Side::word),
                "status": f.status.word(), "value": f.value, "number": f.number, "sided": lex.items[f.item].sided,
                "sure": f.is_sure(), "claims": many, "right": right, "doubts": names(&f.doubts),
                "rules": before.get(&f.id), "line": s.line, "why": f.why,
                "text": n.phrases[at].text,
                "stands": second.map(|(s, _)| format!("{s:?}")),
                "chances": second.map(|(_, p)| p.chances),
                "side2": second.and_then(|(_, p)| p.side).map(Side::word),
                "value2": second.and_then(|(_, p)| p.judged.value.clone()),
                "number2": second.and_then(|(_, p)| p.judged.number),
                "evidence": second.map(|(_, p)| [p.evidence.value, p.evidence.side, p.evidence.unopposed, p.evidence.measured]),
            })
        })
        .collect();
    let (found, quoted) = (made(x, lex), quoted(x, lex));
    let phrases: Vec<Value> = signs(&read, &by, lex)
        .into_iter()
        .zip(1..)
        .map(|(s, line)| {
            let of = || n.gold_at.iter().filter(|(_, at)| **at == line);
            json!({
                "line": line, "gold": of().count(), "missed": of().filter(|(c, _)| !found.contains_key(c)).count(),
                "telling": n.telling.contains(&line), "scope": n.scopes.get(&line), "quoted": quoted.contains(&line),
                "text": n.phrases[line as usize - 1].text, "grave": s.grave.map(|r| &lex.never_lost.rows[r].id),
                "of_now": s.of_now, "mark": s.mark, "let_go": s.let_go, "alone": s.alone, "values": s.values,
                "names": s.names, "shared": s.shared, "places": s.places, "numbers": s.numbers,
                "denials": s.denials, "unknown": s.unknown, "words": s.words, "aside": s.aside,
                "set_aside": s.set_aside, "side_left": s.side_left, "empty": s.empty,
                "announced": !read[line as usize - 1].reading.announced.is_empty(),
                "unsettled": read[line as usize - 1].reading.findings.iter().any(|f| !f.is_sure()),
                "findings": read[line as usize - 1].reading.findings.len(),
            })
        })
        .collect();
    json!({ "name": n.name, "kind": n.kind, "every_line": n.every_line, "findings": findings, "phrases": phrases })
}
