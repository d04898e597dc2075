//! How a scale came to its result, line by line: sign, what fed it, score, what the scores come to
//! so far, and then the rule.

use std::fmt::Write;

use super::style::{DIM, HEAD, paint};
use super::{scales, words};
use crate::exam::Exam;
use crate::grade::Overview;
use crate::grade::scales::{
    Count, Derived, Holds, Levels, Outcome, Rule, Scale, Scored, Status, Sum, rule,
};
use crate::lexicon::Lexicon;

/// One line of the arithmetic.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// Blanks before it on a terminal: 0 for a heading, 2 for a step, more for what is under one.
    pub indent: usize,
    /// What is told.
    pub text: String,
    /// Beside the point: gates, what fed a sign, sources.
    pub aside: bool,
}

/// The arithmetic of one scale, at each time at which anything is known of it; at its first where
/// nothing is. `scale` is its place in the overview.
pub fn text(x: &Exam, lex: &Lexicon, o: &Overview, scale: usize) -> String {
    let mut out = String::new();
    for (k, s) in told(o, scale).into_iter().enumerate() {
        if k > 0 {
            out.push('\n');
        }
        let of = &o.scales[s.scale];
        let title = scales::title(s, of);
        let _ = writeln!(out, "{}  {}", paint(HEAD, &title), paint(DIM, &of.id));
        for step in steps(x, lex, s, of) {
            let wrapped = words::hung(&step.text, step.indent, step.indent + 2);
            let text = if step.aside { paint(DIM, &wrapped) } else { wrapped };
            let _ = writeln!(out, "{}{text}", " ".repeat(step.indent));
        }
    }
    out
}

/// The results of a scale that are worth going through: those of which anything is known, or the
/// first.
pub fn told(o: &Overview, scale: usize) -> Vec<&Scored> {
    let of: Vec<&Scored> = o.scored.iter().filter(|s| s.scale == scale).collect();
    let known: Vec<&Scored> = of.iter().copied().filter(|s| s.status != Status::Empty).collect();
    if known.is_empty() { of.into_iter().take(1).collect() } else { known }
}

fn line(out: &mut Vec<Step>, indent: usize, text: &str) {
    out.push(Step { indent, text: text.to_owned(), aside: false });
}

fn dim(out: &mut Vec<Step>, indent: usize, text: &str) {
    out.push(Step { indent, text: text.to_owned(), aside: true });
}

/// The arithmetic of one result, line by line.
pub fn steps(x: &Exam, lex: &Lexicon, s: &Scored, scale: &Scale) -> Vec<Step> {
    let mut steps = Vec::new();
    let out = &mut steps;
    for g in &s.gates {
        let passed = match g.holds {
            Holds::Yes => "gate passed",
            Holds::No | Holds::BeforeBirth => "GATE NOT PASSED",
            Holds::Unknown => "gate not known",
        };
        dim(out, 2, &format!("{passed}: {}", scales::gate(g, scale)));
    }
    match &scale.rule {
        Rule::Sum(rule) => sum(out, x, lex, s, scale, rule),
        Rule::Count(rule) => count(out, x, lex, s, scale, rule),
    }
    line(out, 2, &format!("Result: {}", scales::headline(s, scale)));
    for flag in scales::flags(s, scale) {
        line(out, 2, &format!("! {flag}"));
    }
    dim(out, 2, &format!("source: {}", scale.cited));
    steps
}

/// What fed a sign, its score, and the row of the scale that score stands in.
fn sign(out: &mut Vec<Step>, x: &Exam, lex: &Lexicon, s: &Scored, scale: &Scale, k: usize) {
    let (sign, read) = (&scale.signs[k], &s.signs[k]);
    line(out, 2, &format!("{}: score {}", sign.name, scales::scores(&read.possible)));
    for f in &read.fed {
        let scores = scales::scores(&f.scores);
        dim(out, 6, &format!("found: {}, which scores {scores}", scales::fed(f, x, lex)));
    }
    if let Some(e) = &read.entered {
        dim(out, 6, &format!("entered: {} by {} (entry {})", e.score, e.who, e.seq));
    }
    for l in &read.lacks {
        dim(out, 6, &format!("lacking: {}", scales::lack(l, lex)));
    }
    if read.fed.len() > 1
        && let Some(rule) = sign.sides
    {
        dim(out, 6, &format!("of the sides, {} counts", rule.word()));
    }
    if read.possible.len() < read.all.len() {
        for r in sign.rows(x.header.sex).filter(|r| read.possible.contains(&r.score)) {
            dim(out, 6, &format!("{} is \"{}\"", r.score, r.say));
        }
    }
}

fn ends(list: &[i32]) -> (i32, i32) {
    (list.first().copied().unwrap_or(0), list.last().copied().unwrap_or(0))
}

fn sum(out: &mut Vec<Step>, x: &Exam, lex: &Lexicon, s: &Scored, scale: &Scale, rule: &Sum) {
    if s.status == Status::Empty {
        return;
    }
    let (mut low, mut high) = (0, 0);
    for (k, read) in s.signs.iter().enumerate() {
        // Of a total entered as such, the parts nobody told are no news.
        if s.total.is_some() && !read.is_known() {
            continue;
        }
        sign(out, x, lex, s, scale, k);
        let (a, b) = ends(&read.possible);
        let before = scales::range(low, high);
        (low, high) = (low + a, high + b);
        let add = scales::range(a, b);
        dim(out, 6, &format!("so far: {before} plus {add} is {}", scales::range(low, high)));
    }
    if let Some(t) = &s.total {
        line(out, 2, &format!("Total entered: {} by {} (entry {})", t.score, t.who, t.seq));
    }
    let Some(Outcome::Totals(t)) = &s.outcome else { return };
    let (low, high) = ends(&t.possible);
    line(out, 2, &format!("Total: {}", scales::range(low, high)));
    if let Some(d) = &rule.derived {
        let both = if low == high { vec![low] } else { vec![low, high] };
        for total in both {
            line(out, 2, &format!("Table: {}", table_row(d, total)));
        }
    }
    for b in &rule.bands {
        if t.possible.iter().any(|p| (b.from..=b.to).contains(p)) {
            line(out, 2, &format!("Band: {} to {} is \"{}\"", b.from, b.to, b.say));
        }
    }
}

/// How a total comes to what it stands for.
fn table_row(d: &Derived, total: i32) -> String {
    let of = |v: f64| format!("{v:.*}", usize::from(d.decimals));
    let Some(v) = rule::value(d, total) else {
        let (first, last) = (d.table.first(), d.table.last());
        let ends = first.zip(last).map_or(String::new(), |(a, b)| format!("{} to {}", a.0, b.0));
        return format!("a total of {total} is off the published table ({ends})");
    };
    if d.table.iter().any(|r| r.0 == total) {
        return format!("a total of {total} is {}{}, as published", of(v), d.unit);
    }
    let k = d.table.iter().rposition(|r| r.0 < total).unwrap_or(0);
    let ((t0, v0), (t1, v1)) = (d.table[k], d.table[(k + 1).min(d.table.len() - 1)]);
    format!(
        "a total of {total} lies between {t0} ({}{u}) and {t1} ({}{u}): \
         {} + ({} - {}) x ({total} - {t0}) / ({t1} - {t0}) = {}{u}",
        of(v0),
        of(v1),
        of(v0),
        of(v1),
        of(v0),
        of(v),
        u = d.unit
    )
}

fn count(out: &mut Vec<Step>, x: &Exam, lex: &Lexicon, s: &Scored, scale: &Scale, rule: &Count) {
    let Some(Outcome::Levels(l)) = &s.outcome else { return };
    let name = |k: usize| rule.levels.get(k).map_or("", String::as_str);
    let (mut low, mut high) = (0, 0);
    for (g, levels) in l.groups.iter().enumerate() {
        for k in (0..scale.signs.len()).filter(|&k| scale.signs[k].group == Some(g)) {
            sign(out, x, lex, s, scale, k);
        }
        let names: Vec<&str> = levels.iter().map(|&k| name(k)).collect();
        low += usize::from(levels.iter().all(|&k| k > 0));
        high += usize::from(levels.iter().any(|&k| k > 0));
        let text = format!(
            "category {}: the highest of its signs, {}; with a sign so far: {}",
            scale.groups[g].name,
            names.join(" or "),
            span(low, high)
        );
        dim(out, 6, &text);
    }
    line(
        out,
        2,
        &format!(
            "Categories with a sign: {} of {}; {} are needed",
            span(l.positive.0, l.positive.1),
            scale.groups.len(),
            rule.needed
        ),
    );
    for level in 1..rule.levels.len() {
        let (a, b) = of_level(l, level);
        line(out, 2, &format!("Of these {}: {}", name(level), span(a, b)));
    }
    if let Some(t) = rule.tie {
        line(
            out,
            2,
            &format!(
                "The level with more categories is the result; where they are as many, {} decides",
                words::lower_first(&scale.groups[t].name)
            ),
        );
    }
    if let Some((k, from, gives)) = rule.alone {
        sign(out, x, lex, s, scale, k);
        let possible = &s.signs[k].possible;
        let says = match (possible.iter().any(|p| *p >= from), possible.iter().all(|p| *p >= from))
        {
            (true, true) => format!("suffices alone: the result is at least {}", name(gives)),
            (true, false) => {
                format!("may suffice alone: the result is then at least {}", name(gives))
            }
            _ => "adds nothing".to_owned(),
        };
        dim(out, 6, &says);
    }
    let results = scale.outcomes();
    let told: Vec<&str> = l.possible.iter().filter_map(|&k| results.get(k).copied()).collect();
    line(
        out,
        2,
        &format!("Over every way in which what is missing could turn out: {}", told.join(" or ")),
    );
}

/// Fewest and most categories that can have a level.
fn of_level(l: &Levels, level: usize) -> (usize, usize) {
    let sure = l.groups.iter().filter(|g| g.iter().all(|&k| k == level)).count();
    (sure, l.groups.iter().filter(|g| g.contains(&level)).count())
}

fn span(low: usize, high: usize) -> String {
    if low == high { low.to_string() } else { format!("{low} to {high}") }
}
