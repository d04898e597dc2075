//! Findings counted by domain, for people and for other programs.

use std::fmt::Write;

use serde_json::{Value, json};

use super::style::{DIM, HEAD, paint};
use super::words;
use crate::grade::{Counts, Summary};
use crate::lexicon::Lexicon;

/// A domain's counts in words: `3 as expected, 1 not assessed`.
pub fn told(c: &Counts) -> String {
    c.told().iter().map(|(n, what)| format!("{n} {what}")).collect::<Vec<_>>().join(", ")
}

/// The domains and the overall line, for the terminal.
pub fn text(out: &mut String, s: &Summary, lex: &Lexicon) {
    let _ = writeln!(out, "\n{}", paint(HEAD, "By domain"));
    let wide =
        s.domains.iter().map(|d| lex.sections[d.section].name.chars().count()).max().unwrap_or(0);
    for d in &s.domains {
        let name = &lex.sections[d.section].name;
        let pad = " ".repeat(wide - name.chars().count());
        let list = super::scales::hang(&told(&d.counts), wide + 4);
        let _ = writeln!(out, "  {name}{pad}  {}", paint(DIM, &list));
    }
    let _ = writeln!(out, "  {}", words::hung(&s.line(), 2, 2));
}

/// The counts for other programs.
pub fn json(s: &Summary, lex: &Lexicon) -> Value {
    let counts = |c: &Counts| {
        let mut v = serde_json::to_value(c).unwrap_or(Value::Null);
        v["items"] = json!(c.items());
        v
    };
    let domains: Vec<Value> = s
        .domains
        .iter()
        .map(|d| {
            let mut v = counts(&d.counts);
            v["section"] = json!(lex.sections[d.section].id);
            v
        })
        .collect();
    json!({ "domains": domains, "all": counts(&s.all), "text": s.line() })
}
