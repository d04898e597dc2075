//! Scales for people and for other programs: the result or its range, the arithmetic line by line,
//! what fed each sign, what is missing, the source.

use std::fmt::Write;

use serde_json::{Value, json};

use super::style::{ASK, DIM, HEAD, paint};
use super::{measures, words};
use crate::exam::Exam;
use crate::grade::scales::schema::{Effect, Fact};
use crate::grade::scales::{
    Fed, GateRead, Holds, Lack, Levels, Outcome, Rule, Scale, Scored, Sign, SignRead, Span, Status,
    Totals,
};
use crate::grade::{Graded, Overview};
use crate::lexicon::Lexicon;

/// Name of a scale with its time.
pub fn title(s: &Scored, scale: &Scale) -> String {
    match s.at {
        Some(t) => format!("{} at {t}{}", scale.name, scale.time_unit),
        None => scale.name.clone(),
    }
}

/// The result in one line.
pub fn headline(s: &Scored, scale: &Scale) -> String {
    if let Some(why) = &s.conflict {
        return format!("INDETERMINATE: contradiction: {why}");
    }
    match (s.status, &s.outcome) {
        (Status::Refused, _) => {
            let stops = |g: &&GateRead| {
                scale.gates[g.gate].effect == Effect::Refuse
                    && matches!(g.holds, Holds::No | Holds::BeforeBirth)
            };
            let why: Vec<String> = s.gates.iter().filter(stops).map(|g| gate(g, scale)).collect();
            format!("not scored: {}", why.join("; "))
        }
        (Status::Empty, _) | (_, None) => "not scored: nothing it needs is known".into(),
        (status, Some(o)) => {
            let result = match o {
                Outcome::Totals(t) => totals(t, scale),
                Outcome::Levels(l) => levels(l, scale),
            };
            let open: Vec<String> = s
                .gates
                .iter()
                .filter(|g| {
                    g.holds == Holds::Unknown && scale.gates[g.gate].effect == Effect::Refuse
                })
                .map(|g| gate(g, scale))
                .collect();
            let doubt = match open.is_empty() {
                true => String::new(),
                false => format!("; only if it holds at all: {}", open.join("; ")),
            };
            match status {
                Status::Indeterminate => format!("INDETERMINATE: {result}{doubt}"),
                _ => format!("{result}{doubt}"),
            }
        }
    }
}

pub(super) fn range(low: i32, high: i32) -> String {
    if low == high { low.to_string() } else { format!("{low} to {high}") }
}

fn totals(t: &Totals, scale: &Scale) -> String {
    let (low, high) = Outcome::Totals(t.clone()).ends();
    let mut out = format!("total {}", range(low, high));
    let Rule::Sum(rule) = &scale.rule else { return out };
    if let (Some(d), Some(span)) = (&rule.derived, t.derived) {
        let value = |v: f64| format!("{v:.*}", usize::from(d.decimals));
        let _ = write!(out, ", {} {}", d.name, stood_for(&span, &d.unit, value));
    }
    if !rule.bands.is_empty() {
        let mut names: Vec<String> =
            t.bands.iter().map(|&b| format!("\"{}\"", rule.bands[b].say)).collect();
        if t.beyond_bands {
            names.push("none of the bands".into());
        }
        let whatever = if low != high && names.len() == 1 { " whatever is missing" } else { "" };
        let _ = write!(out, ", band {}{whatever}", names.join(" or "));
    }
    out
}

fn stood_for(span: &Span, unit: &str, value: impl Fn(f64) -> String) -> String {
    let (Some(low), Some(high)) = (span.low, span.high) else {
        return "off the published table".into();
    };
    let mut out = match low < high {
        true => format!("{} to {}{unit}", value(low), value(high)),
        false => format!("{}{unit}", value(low)),
    };
    match (span.below_table, span.above_table) {
        (false, false) => {}
        (true, false) => out += ", or off the published table below it",
        (false, true) => out += ", or off the published table above it",
        (true, true) => out += ", or off the published table at either end",
    }
    out
}

fn levels(l: &Levels, scale: &Scale) -> String {
    let names = scale.outcomes();
    let possible: Vec<&str> = l.possible.iter().filter_map(|&k| names.get(k).copied()).collect();
    let Rule::Count(rule) = &scale.rule else { return possible.join(" or ") };
    let (fewest, most) = l.positive;
    let count = if fewest == most { fewest.to_string() } else { format!("{fewest} to {most}") };
    let tie = if l.tie_open { "; a tie that the rule does not decide" } else { "" };
    format!(
        "{} ({count} of {} categories show a sign, {} needed{tie})",
        possible.join(" or "),
        scale.groups.len(),
        rule.needed
    )
}

/// A gate in words: the rule, and what was found.
pub(super) fn gate(g: &GateRead, scale: &Scale) -> String {
    let gate = &scale.gates[g.gate];
    let say = &gate.say;
    match (g.holds, g.found) {
        (Holds::BeforeBirth, _) => {
            format!("{say}, and the exam starts before the birth time given")
        }
        (_, None) => match gate.fact {
            Fact::AgeHours => format!("{say}, and the time of birth is not given"),
            Fact::GestationWeeks => format!("{say}, and the gestational age is not given"),
            Fact::PostmenstrualWeeks => {
                format!("{say}, and the postmenstrual age is not known")
            }
        },
        (_, Some(n)) => format!("{say}; {}", found(gate.fact, n)),
    }
}

/// Gates that do not hold, or may not, and only put a flag beside the result.
pub fn flags(s: &Scored, scale: &Scale) -> Vec<String> {
    let flagged =
        |g: &&GateRead| g.holds != Holds::Yes && scale.gates[g.gate].effect == Effect::Flag;
    s.gates.iter().filter(flagged).map(|g| gate(g, scale)).collect()
}

fn found(fact: Fact, n: f64) -> String {
    match fact {
        Fact::AgeHours => format!("{} old", hours(n)),
        Fact::GestationWeeks | Fact::PostmenstrualWeeks => {
            #[allow(clippy::cast_possible_truncation)] // weeks of a gestation
            let days = (n * 7.0).round() as i64;
            let what = if fact == Fact::GestationWeeks { "born at" } else { "now" };
            format!("{what} {}+{} weeks", days / 7, days % 7)
        }
    }
}

/// Hours and minutes of an age.
pub fn hours(h: f64) -> String {
    #[allow(clippy::cast_possible_truncation)] // hours of an infant's life
    let minutes = (h * 60.0).floor() as i64;
    match (minutes.div_euclid(60), minutes.rem_euclid(60)) {
        (0, m) => format!("{m} min"),
        (h, 0) => format!("{h} h"),
        (h, m) => format!("{h} h {m:02} min"),
    }
}

/// Why a sign is missing or cannot be used, with its side and finding.
pub(super) fn lack(l: &Lack, lex: &Lexicon) -> String {
    let side = l.side.map_or(String::new(), |s| format!("{}: ", s.word()));
    let id = l.finding.map_or(String::new(), |id| format!(" [{id}]"));
    format!("{side}{}{id}", l.why.text(lex))
}

/// Signs that are missing, and those that cannot be used, each with why; what does not stand in the
/// way of a score is left out.
pub fn lacking(s: &Scored, scale: &Scale, lex: &Lexicon) -> (Vec<String>, Vec<String>) {
    let (mut missing, mut invalid) = (Vec::new(), Vec::new());
    if s.total.is_some() {
        return (missing, invalid);
    }
    for (sign, read) in scale.signs.iter().zip(&s.signs) {
        if read.possible.len() == 1 && read.lacks.iter().all(|l| !l.why.is_invalid()) {
            continue;
        }
        let name = words::lower_first(&sign.name);
        let (bad, none): (Vec<&Lack>, Vec<&Lack>) =
            read.lacks.iter().partition(|l| l.why.is_invalid());
        let told =
            |list: &[&Lack]| list.iter().map(|l| lack(l, lex)).collect::<Vec<_>>().join(", ");
        if !bad.is_empty() {
            invalid.push(format!("{name} ({})", told(&bad)));
        } else if !none.is_empty() {
            missing.push(match none.iter().all(|l| l.side.is_none()) {
                true => name,
                false => format!("{name} ({})", told(&none)),
            });
        }
    }
    (missing, invalid)
}

/// What of a scale is not told: missing, not usable, and left open by what was said, each with its
/// word, those of nothing left out.
pub fn untold(
    s: &Scored,
    scale: &Scale,
    x: &Exam,
    lex: &Lexicon,
) -> Vec<(&'static str, Vec<String>)> {
    let (missing, invalid) = lacking(s, scale, lex);
    let open = scale.signs.iter().zip(&s.signs).filter(|(_, r)| s.total.is_none() && ambiguous(r));
    let open = open.map(|(sign, r)| {
        let said: Vec<String> = r.fed.iter().map(|f| fed(f, x, lex)).collect();
        let name = words::lower_first(&sign.name);
        format!("{name} ({} by {})", scores(&r.possible), said.join("; "))
    });
    let all = [
        ("missing", missing),
        ("not usable", invalid),
        ("left open by what was said", open.collect()),
    ];
    all.into_iter().filter(|(_, list)| !list.is_empty()).collect()
}

/// The scales that belong to the exam and can still change, with what would settle them.
pub fn still_open(out: &mut String, x: &Exam, lex: &Lexicon, o: &Overview) {
    for (k, s) in waiting(x, lex, o).enumerate() {
        let scale = &o.scales[s.scale];
        if k == 0 {
            let _ = writeln!(out, "\n{}", paint(HEAD, "Scales that can still change"));
        }
        let line = format!("{}: {}", title(s, scale), headline(s, scale));
        let _ = writeln!(out, " {} {}", paint(ASK, "!"), words::hung(&line, 3, 4));
        for (what, list) in untold(s, scale, x, lex) {
            let line = words::hung(&format!("{what}: {}", list.join(", ")), 6, 8);
            let _ = writeln!(out, "      {}", paint(DIM, &line));
        }
    }
}

/// The same for other programs.
pub fn still_open_json(x: &Exam, lex: &Lexicon, o: &Overview) -> Vec<Value> {
    let of = |s: &Scored| {
        let scale = &o.scales[s.scale];
        let untold: serde_json::Map<String, Value> = untold(s, scale, x, lex)
            .into_iter()
            .map(|(what, list)| (what.replace(' ', "_"), json!(list)))
            .collect();
        json!({ "id": scale.id, "at": s.at, "text": headline(s, scale), "untold": untold })
    };
    waiting(x, lex, o).map(of).collect()
}

fn waiting<'a>(x: &'a Exam, lex: &'a Lexicon, o: &'a Overview) -> impl Iterator<Item = &'a Scored> {
    o.in_note(x, lex).filter(|s| {
        s.status == Status::Indeterminate || (s.status == Status::Empty && s.at.is_none())
    })
}

/// Whether a sign's score is known only in part although nothing is lacking.
fn ambiguous(read: &SignRead) -> bool {
    read.possible.len() > 1 && read.lacks.is_empty()
}

/// Every scale, or those asked for, with all of its arithmetic.
pub fn text(x: &Exam, lex: &Lexicon, o: &Overview, only: Option<&str>) -> String {
    let mut out = String::new();
    for s in &o.scored {
        let scale = &o.scales[s.scale];
        if only.is_some_and(|id| id != scale.id) {
            continue;
        }
        // Of a scale scored at several times, the times nobody spoke of are told together.
        let untouched = |s: &Scored| s.at.is_some() && s.status == Status::Empty;
        let silent = o.scored.iter().filter(|o| o.scale == s.scale).all(untouched);
        if untouched(s) && !(silent && s.at == scale.times.first().copied()) {
            continue;
        }
        if !out.is_empty() {
            out.push('\n');
        }
        let name = if silent { scale.name.clone() } else { title(s, scale) };
        let _ = writeln!(out, "{}  {}", paint(HEAD, &name), paint(DIM, &scale.id));
        one(&mut out, x, lex, s, scale, silent);
    }
    out
}

/// What measurements come to by their growth references.
pub fn measured(out: &mut String, x: &Exam, lex: &Lexicon, graded: &Graded) {
    for (k, g) in graded.growth.iter().enumerate() {
        if k == 0 {
            let _ = writeln!(out, "\n{}", paint(HEAD, "Measured"));
        }
        let Some(s) = x.finding(g.finding) else { continue };
        let value = words::value(&s.finding, lex);
        let text = format!("{} {value}: {}", lex.items[g.item].name, measures::growth(g, lex));
        let _ = writeln!(out, "  {}", words::hung(&text, 2, 4));
    }
}

fn one(out: &mut String, x: &Exam, lex: &Lexicon, s: &Scored, scale: &Scale, brief: bool) {
    let style = if s.status == Status::Determined { HEAD } else { ASK };
    let line = words::hung(&headline(s, scale), 2, 4);
    let _ = writeln!(out, "  {}", paint(style, &line));
    if brief {
        return;
    }
    for flag in flags(s, scale) {
        let _ = writeln!(out, "  {} {}", paint(ASK, "!"), words::hung(&flag, 4, 4));
    }
    let wide = scale.signs.iter().map(|s| s.name.chars().count()).max().unwrap_or(0);
    let alone = "Suffices alone";
    let grouped = scale.groups.iter().enumerate().map(|(g, _)| Some(g)).chain([None]);
    for g in grouped {
        let of: Vec<(&Sign, &SignRead)> =
            scale.signs.iter().zip(&s.signs).filter(|(sign, _)| sign.group == g).collect();
        if of.is_empty() {
            continue;
        }
        // A category of one sign by the same name needs no line of its own.
        let single = matches!(of.as_slice(), [(sign, _)]
            if g.is_some_and(|g| scale.groups[g].name == sign.name));
        match g {
            Some(g) if !single => {
                let _ = writeln!(out, "  {}{}", scale.groups[g].name, part(s, scale, g));
            }
            None if !scale.groups.is_empty() => {
                let _ = writeln!(out, "  {alone}");
            }
            _ => {}
        }
        for (sign, read) in of {
            // Of a total entered as such, the parts nobody told are no news.
            if s.total.is_none() || read.is_known() {
                sign_line(out, x, lex, sign, read, wide);
            }
        }
    }
    if let Some(t) = &s.total {
        let _ = writeln!(out, "    total {} entered by {} (entry {})", t.score, t.who, t.seq);
    }
    for n in &scale.notes {
        let _ = writeln!(out, "  {}", paint(DIM, &words::hung(n, 2, 2)));
    }
    let source = format!("source: {}", scale.cited);
    let _ = writeln!(out, "  {}", paint(DIM, &words::hung(&source, 2, 4)));
    for b in bands_of_other_source(s, scale) {
        let _ = writeln!(out, "  {}", paint(DIM, &words::hung(&b, 2, 4)));
    }
}

fn bands_of_other_source(s: &Scored, scale: &Scale) -> Vec<String> {
    let (Rule::Sum(rule), Some(Outcome::Totals(t))) = (&scale.rule, &s.outcome) else {
        return Vec::new();
    };
    let bands = t.bands.iter().map(|&b| &rule.bands[b]).filter(|b| b.cited != scale.cited);
    bands.map(|b| format!("band \"{}\": {}", b.say, b.cited)).collect()
}

/// What a part of a scale comes to.
fn part(s: &Scored, scale: &Scale, g: usize) -> String {
    match (&s.outcome, &scale.rule) {
        (Some(Outcome::Totals(t)), _) => {
            format!(": {}", t.groups.get(g).map_or(String::new(), |(a, b)| range(*a, *b)))
        }
        (Some(Outcome::Levels(l)), Rule::Count(rule)) => {
            let names: Vec<&str> = l.groups.get(g).map_or(Vec::new(), |levels| {
                levels.iter().filter_map(|&k| rule.levels.get(k).map(String::as_str)).collect()
            });
            format!(": {}", names.join(" or "))
        }
        _ => String::new(),
    }
}

fn sign_line(out: &mut String, x: &Exam, lex: &Lexicon, sign: &Sign, read: &SignRead, wide: usize) {
    let known = read.possible.len() < read.all.len() || read.is_known();
    let score = scores(&read.possible);
    let mut told: Vec<String> = read.fed.iter().map(|f| fed(f, x, lex)).collect();
    if let Some(e) = &read.entered {
        told.push(format!("entered by {} (entry {})", e.who, e.seq));
    }
    told.extend(read.lacks.iter().map(|l| lack(l, lex)));
    if let [one] = read.possible.as_slice() {
        let says = sign.rows(x.header.sex).find(|r| r.score == *one);
        if let Some(r) = says.filter(|_| read.entered.is_some()) {
            told.push(r.say.clone());
        }
    }
    if let (true, Some(rule)) = (read.fed.len() > 1, sign.sides) {
        told.push(format!("of the sides, {} counts", rule.word()));
    }
    if (ambiguous(read) || read.lacks.iter().any(|l| l.why.is_invalid())) && !sign.note.is_empty() {
        told.push(sign.note.clone());
    }
    let pad = " ".repeat(wide.saturating_sub(sign.name.chars().count()));
    let style = if known && read.possible.len() == 1 { DIM } else { ASK };
    let why = hang(&told.join("; "), wide + 16);
    let line = format!("    {}{pad}  {score:<9} {}", sign.name, paint(style, &why));
    let _ = writeln!(out, "{}", line.trim_end());
}

pub(super) fn fed(f: &Fed, x: &Exam, lex: &Lexicon) -> String {
    let Some(s) = x.finding(f.finding) else { return format!("[{}]", f.finding) };
    let side = f.side.map_or(String::new(), |s| format!("{} ", words::side(Some(s))));
    let state = match s.state {
        Some(k) => format!(" in {}", words::state_name(k, lex)),
        None => String::new(),
    };
    let off = if f.counts { "" } else { ", does not count" };
    format!("{side}{}{state} [{}]{off}", words::value(&s.finding, lex), f.finding)
}

/// Wraps a text that begins at a column, and hangs its further lines there.
pub fn hang(text: &str, column: usize) -> String {
    let lines = words::wrap(text, words::WIDTH.saturating_sub(column).max(30), 0);
    lines.replace('\n', &format!("\n{}", " ".repeat(column)))
}

/// Scores in words: `3`, `1 to 3`, `0 or 2`.
pub(super) fn scores(list: &[i32]) -> String {
    match list {
        [] => String::new(),
        [one] => one.to_string(),
        [first, .., last] => {
            let whole = usize::try_from(last - first).is_ok_and(|n| n + 1 == list.len());
            match (whole, list.len()) {
                (true, n) if n > 2 => format!("{first} to {last}"),
                _ => list.iter().map(ToString::to_string).collect::<Vec<_>>().join(" or "),
            }
        }
    }
}

/// All scales for other programs.
pub fn json(o: &Overview, x: &Exam, lex: &Lexicon) -> Vec<Value> {
    o.scored.iter().map(|s| scored(s, &o.scales[s.scale], x, lex)).collect()
}

fn scored(s: &Scored, scale: &Scale, x: &Exam, lex: &Lexicon) -> Value {
    let ends = s.outcome.as_ref().filter(|_| s.status != Status::Empty).map(Outcome::ends);
    let signs: Vec<Value> = scale
        .signs
        .iter()
        .zip(&s.signs)
        .map(|(sign, r)| sign_json(sign, r, scale, x, lex))
        .collect();
    let gates: Vec<Value> = s
        .gates
        .iter()
        .map(|g| {
            let rule = &scale.gates[g.gate];
            json!({
                "say": rule.say,
                "fact": rule.fact,
                "found": g.found,
                "stands": g.holds,
                "effect": rule.effect,
                "source": rule.cited.cite,
                "verified": rule.cited.verified,
            })
        })
        .collect();
    json!({
        "id": scale.id,
        "name": scale.name,
        "at": s.at,
        "status": s.status.word(),
        "text": headline(s, scale),
        "low": ends.map(|e| e.0),
        "high": ends.map(|e| e.1),
        "result": s.outcome.as_ref().filter(|_| ends.is_some()).map(|o| outcome(o, scale)),
        "conflict": s.conflict,
        "signs": signs,
        "gates": gates,
        "notes": scale.notes,
        "source": scale.cited.cite,
        "verified": scale.cited.verified,
    })
}

fn outcome(o: &Outcome, scale: &Scale) -> Value {
    match (o, &scale.rule) {
        (Outcome::Totals(t), Rule::Sum(rule)) => {
            let groups: Vec<Value> = scale
                .groups
                .iter()
                .zip(&t.groups)
                .map(|(g, (low, high))| json!({ "id": g.id, "low": low, "high": high }))
                .collect();
            json!({
                "method": "sum",
                "groups": groups,
                "bands": t.bands.iter().map(|&b| &rule.bands[b].say).collect::<Vec<_>>(),
                "value": t.derived.zip(rule.derived.as_ref()).map(|(v, d)| json!({
                    "name": d.name,
                    "unit": d.unit.trim(),
                    "low": v.low,
                    "high": v.high,
                    "below_table": v.below_table,
                    "above_table": v.above_table,
                })),
            })
        }
        (Outcome::Levels(l), Rule::Count(rule)) => {
            let names = scale.outcomes();
            let groups: Vec<Value> = scale
                .groups
                .iter()
                .zip(&l.groups)
                .map(|(g, levels)| {
                    let names: Vec<&String> =
                        levels.iter().filter_map(|&k| rule.levels.get(k)).collect();
                    json!({ "id": g.id, "possible": names })
                })
                .collect();
            json!({
                "method": "count",
                "possible": l.possible.iter().filter_map(|&k| names.get(k)).collect::<Vec<_>>(),
                "needed": rule.needed,
                "positive_low": l.positive.0,
                "positive_high": l.positive.1,
                "tie_open": l.tie_open,
                "groups": groups,
            })
        }
        _ => Value::Null,
    }
}

fn sign_json(sign: &Sign, r: &SignRead, scale: &Scale, x: &Exam, lex: &Lexicon) -> Value {
    let fed: Vec<Value> = r
        .fed
        .iter()
        .map(|f| {
            json!({
                "finding": f.finding.to_string(),
                "side": f.side.map(crate::reading::types::Side::word),
                "scores": f.scores,
                "counts": f.counts,
                "at_ms": x.finding(f.finding).map(|s| s.finding.at_ms),
            })
        })
        .collect();
    let lacks: Vec<Value> = r
        .lacks
        .iter()
        .map(|l| {
            json!({
                "why": l.why.code(),
                "text": l.why.text(lex),
                "side": l.side.map(crate::reading::types::Side::word),
                "finding": l.finding.map(|id| id.to_string()),
            })
        })
        .collect();
    json!({
        "id": sign.id,
        "group": sign.group.map(|g| &scale.groups[g].id),
        "item": sign.item.map(|i| &lex.items[i].id),
        "possible": r.possible,
        "all": r.all,
        "sides": sign.sides,
        "findings": fed,
        "entered": r.entered.as_ref().map(|e| json!({
            "score": e.score,
            "by": e.who,
            "entry": e.seq,
        })),
        "lacks": lacks,
    })
}
