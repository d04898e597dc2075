//! Words for what is measured against a reference, between the sides, and between groups of
//! findings.

use super::words;
use crate::grade::growth::Score;
use crate::grade::{
    Against, Ages, Apart, Asymmetry, Graded, Growth, Outcome, Pattern, Weight, beyond,
};
use crate::journal::Sex;
use crate::lexicon::Lexicon;
use crate::lexicon::reference::{Axis, Form, Sex as RowSex, Spread, Term};
use crate::reading::types::FindingId;

/// A z-score, with its sign and two decimals; never `-0.00`.
pub fn z(z: f64) -> String {
    let text = format!("{z:+.2}");
    if text == "-0.00" { "+0.00".into() } else { text }
}

/// A centile to one decimal; at the ends, that it is beyond them.
pub fn centile(c: f64) -> String {
    if c < 0.1 {
        "below 0.1".into()
    } else if c > 99.9 {
        "above 99.9".into()
    } else {
        format!("{c:.1}")
    }
}

/// Weeks and days of an exact number of weeks.
fn weeks(x: f64) -> String {
    // x was made of whole days.
    let days = (x * 7.0).round();
    format!("{}+{} weeks", (days / 7.0).floor(), days % 7.0)
}

/// Where in the reference the measurement was looked up.
pub fn place(s: &Score, lex: &Lexicon) -> String {
    let at = match lex.references[s.reference].axis {
        Axis::AgeDays if s.x == 0.0 => "on the day of birth".into(),
        Axis::AgeDays if s.x == 1.0 => "1 day after the day of birth".into(),
        Axis::AgeDays => format!("{} days after the day of birth", s.x),
        Axis::PmaWeeks => format!("{} of postmenstrual age", weeks(s.x)),
        Axis::GaWeeks => format!("{} of gestation at birth", weeks(s.x)),
    };
    if s.between_rows { format!("{at}, between two rows of the table") } else { at }
}

/// The reference's name, and what is to be known of it.
pub fn reference(k: usize, lex: &Lexicon) -> String {
    let r = &lex.references[k];
    let mut text = r.name.clone();
    if r.supplied {
        text = format!("{text} (supplied: {})", r.file);
    }
    if !r.verified {
        text += " (numbers not checked against their source)";
    }
    text
}

/// What a measurement comes to, in one line.
pub fn growth(g: &Growth, lex: &Lexicon) -> String {
    match &g.outcome {
        Outcome::Scored(s) => {
            let zs: Vec<String> = s.points.iter().map(|p| z(p.z)).collect();
            let by = format!("{}, {}", reference(s.reference, lex), place(s, lex));
            if s.stands.is_none() {
                return format!(
                    "z {}: implausible measurement, to be repeated; no finding (by {by})",
                    zs.join(" to ")
                );
            }
            let centiles: Vec<String> = s.points.iter().map(|p| centile(p.centile)).collect();
            format!("z {}, centile {} by {by}", zs.join(" to "), centiles.join(" to "))
        }
        Outcome::Lacks(list) => {
            let what: Vec<String> = list.iter().map(|l| l.text().to_owned()).collect();
            format!("no z-score: {} not given", words::list(&what))
        }
        Outcome::BeforeBirth => "no z-score: the exam starts before the birth time given".into(),
        Outcome::NoReference => {
            "no z-score: no growth reference at hand holds for this infant at this age".into()
        }
        Outcome::Unsettled => "no z-score: the measurement is not settled".into(),
        Outcome::WrongState => "no z-score: not valid in this state".into(),
    }
}

/// The z-score of a finding in brackets, such as ` (z +0.52)`; nothing where it has none.
pub fn z_of(graded: &Graded, id: FindingId) -> String {
    match graded.growth_of(id).map(|g| &g.outcome) {
        Some(Outcome::Scored(s)) if s.stands.is_some() => {
            let zs: Vec<String> = s.points.iter().map(|p| z(p.z)).collect();
            format!(" (z {})", zs.join(" to "))
        }
        _ => String::new(),
    }
}

/// The arithmetic of a score, line by line: where it was looked up, what stands there, and the
/// formula with its numbers, step by step.
pub fn arithmetic(s: &Score, unit: &str, sex: Option<Sex>, lex: &Lexicon) -> Vec<String> {
    let mut out = Vec::new();
    if let Form::Formula { mean, sd, .. } = &lex.references[s.reference].form {
        let at = (s.x * 1e6).round() / 1e6;
        out.push(format!("x = {at}, {}", place(s, lex)));
        out.push(format!("mean = {}", terms(mean, sex)));
        out.push(format!("standard deviation = {}", terms(sd, sex)));
    } else {
        out.push(format!("looked up: {}", place(s, lex)));
    }
    out.push(match s.spread {
        Spread::Lms { l, m, s } => format!("L = {l}, M = {m}{unit}, S = {s}"),
        Spread::Normal { mean, sd } => {
            format!("mean = {mean:.5}{unit}, standard deviation = {sd:.5}{unit}")
        }
    });
    for p in &s.points {
        let y = words::number(p.y);
        match s.spread {
            Spread::Lms { l: 1.0, m, s } => {
                out.push(format!("L is 1, so z = (y - M) / (M x S) = ({y} - {m}) / ({m} x {s})"));
                out.push(format!("  = {:.5} / {:.5}", p.y - m, m * s));
            }
            Spread::Lms { l: 0.0, m, s } => {
                out.push(format!("L is 0, so z = ln(y / M) / S = ln({y} / {m}) / {s}"));
                out.push(format!("  = {:.5} / {s}", (p.y / m).ln()));
            }
            Spread::Lms { l, m, s } => {
                out.push(format!(
                    "z = ((y / M)^L - 1) / (L x S) = (({y} / {m})^{l} - 1) / ({l} x {s})"
                ));
                out.push(format!("  = ({:.6} - 1) / {:.6}", (p.y / m).powf(l), l * s));
            }
            Spread::Normal { mean, sd } => {
                out.push(format!("z = (y - mean) / sd = ({y} - {mean:.5}) / {sd:.5}"));
                out.push(format!("  = {:.5} / {sd:.5}", p.y - mean));
            }
        }
        out.push(format!("z = {:.4}; centile by the normal distribution {:.2}", p.z, p.centile));
    }
    out
}

/// The terms of a formula that hold for a sex: `55.5 - 852 x^-1`.
fn terms(list: &[Term], sex: Option<Sex>) -> String {
    let holds = |t: &&Term| match (t.sex, sex) {
        (None, _) => true,
        (Some(RowSex::Female), of) => of == Some(Sex::Female),
        (Some(RowSex::Male), of) => of == Some(Sex::Male),
    };
    let mut out = String::new();
    for t in list.iter().filter(holds) {
        let sign = match (out.is_empty(), t.times < 0.0) {
            (true, false) => "",
            (true, true) => "-",
            (false, false) => " + ",
            (false, true) => " - ",
        };
        let of = match t.power {
            0 => String::new(),
            1 => " x".into(),
            n => format!(" x^{n}"),
        };
        out += &format!("{sign}{}{of}", t.times.abs());
    }
    out
}

/// How far the sides are apart: `the sides differ by 20°`.
pub fn apart(a: &Asymmetry, lex: &Lexicon) -> String {
    let it = &lex.items[a.item];
    let unit = it.number.as_ref().map_or("", |n| &lex.units[n.unit].say);
    let mut by: Vec<String> = Vec::new();
    if let Some(n) = a.size.steps {
        by.push(words::count(n, "step", "steps"));
    }
    if let Some((low, high)) = a.size.number {
        by.push(match (high - low).abs() < f64::EPSILON {
            true => format!("{}{unit}", words::number(high)),
            false => format!("{} to {}{unit}", words::number(low), words::number(high)),
        });
    }
    let differ = match by.is_empty() {
        true => "the sides differ".to_owned(),
        false => format!("the sides differ by {}", by.join(" and ")),
    };
    let floor = it.noise.as_ref().map_or(String::new(), |n| {
        format!("the error of judging it by eye, about {}{unit}", words::number(n.below))
    });
    match a.weight {
        Weight::Flagged => differ,
        Weight::WithinError => format!("{differ}, which is within {floor}"),
        Weight::PerhapsWithinError => format!("{differ}, which may be within {floor}"),
    }
}

/// As [`apart`], without counting the steps between two words, which the words themselves tell.
pub fn apart_in_note(a: &Asymmetry, lex: &Lexicon) -> String {
    match a.size.number {
        Some(_) => {
            let size = Apart { steps: None, ..a.size };
            apart(&Asymmetry { size, ..a.clone() }, lex)
        }
        None => "the sides differ".to_owned(),
    }
}

/// The findings of one group of a pattern.
fn fed(p: &Pattern, group: usize, x: &crate::exam::Exam, lex: &Lexicon) -> String {
    let said =
        |id: FindingId| x.finding(id).map_or(String::new(), |s| words::finding(&s.finding, lex));
    let list: Vec<String> = p.fed[group].iter().map(|f| said(f.finding)).collect();
    list.join("; ")
}

/// A pattern in one line, with the findings it rests on; `None` when a group has none.
pub fn pattern(p: &Pattern, x: &crate::exam::Exam, lex: &Lexicon) -> Option<String> {
    let rule = &lex.patterns[p.pattern];
    let [first, second] = &rule.groups;
    let how = match p.against {
        Against::Less => format!("less in {first} than in {second}"),
        Against::More => format!("more in {first} than in {second}"),
        Against::Same => format!("{first} and {second} alike"),
        Against::Mixed => format!("no clear difference between {first} and {second}"),
        Against::Unknown => return None,
    };
    let caution = match rule.caution.is_empty() {
        true => String::new(),
        false => format!(" ({})", rule.caution),
    };
    Some(format!(
        "{}: {how}{caution}. {}: {}. {}: {}",
        rule.name,
        words::upper_first(first),
        fed(p, 0, x, lex),
        words::upper_first(second),
        fed(p, 1, x, lex)
    ))
}

/// A number beside the published mean of its item, when there is one and the rows for term, to which
/// such a mean belongs, hold at these ages.
pub fn mean(item: usize, number: Option<f64>, ages: &Ages, lex: &Lexicon) -> Option<String> {
    if beyond(ages, lex).is_some() {
        return None;
    }
    let it = &lex.items[item];
    let m = it.mean.as_ref()?;
    let n = number?;
    let unit = it.number.as_ref().map_or("", |n| &lex.units[n.unit].say);
    let [low, high] = m.between;
    let published = match (high - low).abs() < f64::EPSILON {
        true => format!("published mean {}{unit}", words::number(low)),
        false => format!("published mean {} to {}{unit}", words::number(low), words::number(high)),
    };
    let stands = if n < low {
        format!("{}{unit} below it", words::number(low - n))
    } else if n > high {
        format!("{}{unit} above it", words::number(n - high))
    } else {
        "at it".into()
    };
    Some(format!("{published}: {stands}"))
}
