//! The words that all reports share: times, sides, values with their units.

use crate::exam::{Exam, Standing, Trial};
use crate::grade::{Ages, Grade};
use crate::journal::Header;
use crate::lexicon::Lexicon;
use crate::lexicon::family::Family;
use crate::lexicon::matcher::Meaning;
use crate::lexicon::text::tokenize;
use crate::reading::series::Stimulus;
use crate::reading::types::{Finding, FindingId, Side, Status};

/// A moment on the exam clock, `m:ss` or `h:mm:ss`, cut to whole seconds.
pub fn clock(ms: u64) -> String {
    let s = ms / 1000;
    let (h, m, s) = (s / 3600, s / 60 % 60, s % 60);
    if h > 0 { format!("{h}:{m:02}:{s:02}") } else { format!("{m}:{s:02}") }
}

/// A moment on the exam clock, `m:ss` or `h:mm:ss`, in milliseconds; what
/// [`clock`] writes.
pub fn moment(text: &str) -> Option<u64> {
    let parts: Vec<&str> = text.split(':').collect();
    if !(2..=3).contains(&parts.len()) {
        return None;
    }
    let mut seconds: u64 = 0;
    for (k, part) in parts.iter().enumerate() {
        let plain = !part.is_empty() && part.len() <= 5 && part.bytes().all(|b| b.is_ascii_digit());
        let n: u64 = part.parse().ok().filter(|_| plain)?;
        if k > 0 && n > 59 {
            return None;
        }
        seconds = seconds * 60 + n;
    }
    Some(seconds * 1000)
}

/// A length of time in words, such as `6 s` or `2 min 10 s`.
pub fn duration(ms: u64) -> String {
    let s = (ms + 500) / 1000;
    match (s / 60, s % 60) {
        (0, s) => format!("{s} s"),
        (m, 0) => format!("{m} min"),
        (m, s) => format!("{m} min {s} s"),
    }
}

/// A number as people write it: no more decimals than it needs.
pub fn number(n: f64) -> String {
    let text = format!("{n:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A number or range with its unit, `34.6 cm` or `80 to 90°`.
pub fn quantity(f: &Finding, lex: &Lexicon) -> Option<String> {
    let unit = f.unit.as_deref().map_or("", |u| {
        lex.units.iter().find(|known| known.id == u).map_or(u, |known| known.say.as_str())
    });
    match (f.number, f.range) {
        (Some(n), _) => Some(format!("{}{unit}", number(n))),
        (None, Some((a, b))) => Some(format!("{} to {}{unit}", number(a), number(b))),
        _ => None,
    }
}

/// The value in words, the unit behind a number, the reason behind what was not done.
pub fn value(f: &Finding, lex: &Lexicon) -> String {
    let because = |text: &str| match &f.reason {
        Some(r) => format!("{text} ({r})"),
        None => text.to_owned(),
    };
    match f.status {
        Status::NotObtained => return because("not obtained"),
        Status::Skipped => return because("not done"),
        Status::Observed => {}
    }
    let item = &lex.items[f.item];
    let parts: Vec<String> = f
        .value
        .iter()
        .map(|v| f.wording.clone().unwrap_or_else(|| item.say(v).to_owned()))
        .chain(quantity(f, lex))
        .collect();
    if parts.is_empty() { "no value".to_owned() } else { parts.join(", ") }
}

/// One trial in words.
pub fn trial(t: &Trial, of: &Finding, lex: &Lexicon) -> String {
    let f = Finding {
        value: t.value.clone(),
        wording: of.wording.clone().filter(|_| t.value == of.value),
        number: t.number,
        range: t.range,
        status: t.status,
        reason: None,
        ..of.clone()
    };
    value(&f, lex)
}

/// One stimulus of a series: `stimulus 4 answered`.
pub fn stimulus(s: &Stimulus) -> String {
    let how = if s.answered { "answered" } else { "not answered" };
    format!("stimulus {} {how}", s.number)
}

/// The side in words, for a column of its own.
pub fn side(side: Option<Side>) -> &'static str {
    match side {
        None => "",
        Some(Side::Both) => "both",
        Some(Side::Unstated) => "not said",
        Some(s) => s.word(),
    }
}

/// The item's name as it stands in a sentence.
pub fn item(item: usize, lex: &Lexicon) -> String {
    let it = &lex.items[item];
    if it.proper { it.name.clone() } else { lower_first(&it.name) }
}

/// Item and side as one says them: `right arm recoil`, `arm recoil on both sides`.
pub fn subject(item: usize, side: Option<Side>, lex: &Lexicon) -> String {
    let name = self::item(item, lex);
    match side {
        Some(s @ (Side::Left | Side::Right)) => {
            // One side of what is named in the plural has a name of its own.
            let one = lex.items[item].one_side.as_deref().unwrap_or(&name);
            format!("{} {one}", s.word())
        }
        Some(Side::Both) => format!("{name}, both sides"),
        Some(Side::Midline) => format!("{name}, midline"),
        Some(Side::Unstated) | None => name,
    }
}

/// A whole finding in one line: `right arm recoil: brisk`.
pub fn finding(f: &Finding, lex: &Lexicon) -> String {
    format!("{}: {}", subject(f.item, f.side, lex), value(f, lex))
}

/// Doubts in words.
pub fn doubts(f: &Finding) -> String {
    crate::exam::build::doubts(f)
}

/// A finding's name for people and for the command line: `25.1`.
pub fn id(id: FindingId) -> String {
    id.to_string()
}

/// The name of the state, or nothing.
pub fn state(s: &Standing, lex: &Lexicon) -> String {
    s.state.map_or(String::new(), |k| state_name(k, lex))
}

/// A state as it stands in a sentence, without what its name explains in brackets.
pub fn state_name(state: usize, lex: &Lexicon) -> String {
    let name = lex.states[state].name.as_str();
    let bare = match (name.find(" ("), name.find(')')) {
        (Some(from), Some(to)) if from < to => format!("{}{}", &name[..from], &name[to + 1..]),
        _ => name.to_owned(),
    };
    lower_first(&bare)
}

/// That something was seen in a state, as a sentence says it.
pub fn during(state: usize, lex: &Lexicon) -> String {
    match &lex.states[state].during {
        Some(text) => text.clone(),
        None => format!("in the state {}", state_name(state, lex)),
    }
}

/// A reason without the word that opens it ("because"), so that a sentence may open it itself.
pub fn bare_reason(text: &str, lex: &Lexicon) -> String {
    let tokens = tokenize(text);
    let opens = lex
        .matcher
        .scan(&tokens)
        .into_iter()
        .filter(|h| h.from == 0 && lex.matcher.meaning(h) == Meaning::Family(Family::Because))
        .map(|h| h.to)
        .max();
    let rest = opens.and_then(|to| tokens.get(to)).map_or(text, |t| &text[t.span.start..]);
    rest.trim().trim_end_matches('.').to_owned()
}

/// That the infant's age is not what the protocol is for, when it is not: a warning for people.
pub fn protocol_warning(x: &Exam, ages: &Ages, lex: &Lexicon) -> Option<String> {
    let p = lex.protocol(x.header.protocol.as_deref())?;
    let [from, to] = p.weeks?;
    let outside = |w: u32| !(from..to).contains(&w);
    let (what, (w, d)) = [
        ("gestational age", ages.gestational.map(|g| (u32::from(g.weeks()), u32::from(g.days())))),
        // Past its weeks only the age at birth tells; before them, the age today tells too.
        ("postmenstrual age", ages.postmenstrual.filter(|(w, _)| *w < from)),
    ]
    .into_iter()
    .find_map(|(what, age)| age.filter(|(w, _)| outside(*w)).map(|a| (what, a)))?;
    let others: Vec<String> = lex
        .protocols
        .iter()
        .filter(|o| o.id != p.id)
        .map(|o| format!("{} ({})", o.id, o.name))
        .collect();
    let others = match others.is_empty() {
        true => String::new(),
        false => format!(" Other protocols: {}.", others.join(", ")),
    };
    Some(format!(
        "{what} {w}+{d} weeks, and the protocol \"{}\" is for {from} to {} completed weeks: findings are \
         ungraded, save those the lexicon holds against this age.{others}",
        p.name,
        to - 1
    ))
}

/// The states in which an item can be judged, in a list.
pub fn valid_states(item: usize, lex: &Lexicon) -> String {
    let names: Vec<String> =
        lex.items[item].valid_states.iter().map(|&s| state_name(s, lex)).collect();
    list(&names)
}

/// The first letter small, unless the word is all capitals or a proper name by its second letter.
///
/// Item names begin with a capital in the lexicon, and stand in the middle of a sentence here.
pub fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    match (chars.next(), text.chars().nth(1)) {
        (Some(a), Some(b)) if !b.is_uppercase() => a.to_lowercase().chain(chars).collect(),
        _ => text.to_owned(),
    }
}

/// The first letter large.
pub fn upper_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |c| c.to_uppercase().chain(chars).collect())
}

/// The word for a grade.
pub fn grade(g: Grade) -> &'static str {
    match g {
        Grade::Expected => "expected",
        Grade::Borderline => "borderline",
        Grade::Outside => "outside",
        Grade::Ungraded(_) => "ungraded",
    }
}

/// `1 finding`, `3 findings`.
pub fn count(n: usize, one: &str, many: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {many}") }
}

/// Words in a list: `a`, `a and b`, `a, b and c`.
pub fn list(words: &[String]) -> String {
    match words {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// The facts of the header that are told, and those that are not, in words. Gestational age goes
/// with the ages.
pub fn header(h: &Header) -> (Vec<String>, Vec<&'static str>) {
    let (mut told, mut missing) = (Vec::new(), Vec::new());
    match &h.by {
        Some(by) => told.push(format!("examiner {by}")),
        None => missing.push("examiner"),
    }
    match h.sex {
        Some(crate::journal::Sex::Female) => told.push("female".into()),
        Some(crate::journal::Sex::Male) => told.push("male".into()),
        None => missing.push("sex"),
    }
    match h.born {
        Some(born) => told.push(format!("born {}", wall(&born))),
        None => missing.push("time of birth"),
    }
    (told, missing)
}

/// The protocol's name for people.
pub fn protocol(x: &Exam, lex: &Lexicon) -> String {
    match lex.protocol(x.header.protocol.as_deref()) {
        Some(p) => p.name.clone(),
        None => x.header.protocol.clone().unwrap_or_else(|| "no protocol".into()),
    }
}

/// A wall time for people, with its offset.
pub fn wall(t: &chrono::DateTime<chrono::FixedOffset>) -> String {
    t.format("%Y-%m-%d %H:%M %:z").to_string()
}

/// Breaks text at blanks so that no line is longer than `width` columns, where words allow.
///
/// Later lines are indented by `indent` blanks.
pub fn wrap(text: &str, width: usize, indent: usize) -> String {
    wrap_from(text, width, "", &" ".repeat(indent))
}

fn wrap_from(text: &str, width: usize, first: &str, later: &str) -> String {
    let how = textwrap::Options::new(width)
        .initial_indent(first)
        .subsequent_indent(later)
        .break_words(false)
        .word_splitter(textwrap::WordSplitter::NoHyphenation)
        .word_separator(textwrap::WordSeparator::AsciiSpace);
    textwrap::fill(&text.split_whitespace().collect::<Vec<_>>().join(" "), how)
}

/// Columns of everything a person reads.
pub const WIDTH: usize = 80;

/// As [`wrap`] to [`WIDTH`], for text whose first line begins in `column`.
pub fn hung(text: &str, column: usize, indent: usize) -> String {
    // The column is filled with blanks while the lines are broken, and given back.
    let filled = wrap_from(text, WIDTH, &" ".repeat(column), &" ".repeat(indent));
    filled.get(column..).unwrap_or_default().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_minutes_and_seconds_until_the_first_hour_is_full() {
        assert_eq!(clock(0), "0:00");
        assert_eq!(clock(65_999), "1:05");
        assert_eq!(clock(3_600_000), "1:00:00");
    }

    #[test]
    fn numbers_carry_no_needless_decimals() {
        assert_eq!(number(90.0), "90");
        assert_eq!(number(34.6), "34.6");
        assert_eq!(number(0.0), "0");
        assert_eq!(number(100.0), "100");
    }

    #[test]
    fn wrapped_lines_keep_to_the_width_and_lose_no_word() {
        let text = "one two three four five six seven eight nine ten";
        let wrapped = wrap(text, 12, 2);
        assert!(wrapped.lines().all(|l| l.chars().count() <= 12), "{wrapped}");
        let back: Vec<&str> = wrapped.split_whitespace().collect();
        assert_eq!(back.join(" "), text);
        assert!(wrapped.lines().skip(1).all(|l| l.starts_with("  ")));
    }

    #[test]
    fn abbreviations_keep_their_capitals() {
        assert_eq!(lower_first("Arm recoil"), "arm recoil");
        assert_eq!(lower_first("CSF leak"), "CSF leak");
        assert_eq!(lower_first(""), "");
    }
}
