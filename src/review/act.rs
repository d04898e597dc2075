//! What was sent from the page, as decisions. The rules are those of the terminal.

use crate::gaps::GapKind;
use crate::journal::{Chosen, Decision, Settlement};
use crate::lexicon::Lexicon;
use crate::reading::types::{Side, Status};
use crate::report::words;
use crate::settle::questions::{Key, Question, questions};
use crate::settle::{as_read, checked, choices, give_reason, rules, settlement, target, with_side};

use super::State;
use super::view::{about, answers, is_not_done, question};

/// The fields of a form.
#[derive(Debug, Default)]
pub struct Form(Vec<(String, String)>);

impl Form {
    /// Reads `application/x-www-form-urlencoded` (WHATWG URL standard, section 5).
    pub fn read(bytes: &[u8]) -> Form {
        Form(form_urlencoded::parse(bytes).into_owned().collect())
    }

    /// A field, trimmed; nothing when it is blank.
    pub fn get(&self, name: &str) -> Option<&str> {
        let value = self.0.iter().find(|(n, _)| n == name)?.1.trim();
        (!value.is_empty()).then_some(value)
    }

    /// Whether the field was sent at all.
    pub fn has(&self, name: &str) -> bool {
        self.0.iter().any(|(n, _)| n == name)
    }
}

/// Why nothing was decided.
#[derive(Debug, PartialEq, Eq)]
pub struct Refusal {
    /// What a person is told.
    pub text: String,
    /// Whether it can be kept all the same.
    pub anyway: bool,
}

fn refuse<T>(text: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal { text: words::upper_first(&text.into()), anyway: false })
}

fn doubtful<T>(text: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal { text: words::upper_first(&text.into()), anyway: true })
}

/// The decisions that a form stands for.
pub fn decide(form: &Form, s: &State, who: &str) -> Result<Vec<Settlement>, Refusal> {
    let name = form.get("about").unwrap_or_default();
    let act = form.get("act").unwrap_or_default();
    if let Some(entry) = name.strip_prefix("entry:") {
        let Ok(seq) = entry.parse() else { return refuse("there is no such entry") };
        if act != "undo" {
            return refuse("nothing was chosen");
        }
        if let Err(p) = rules::can_be_undone(seq, &s.exam, &s.lines) {
            return refuse(p.message);
        }
        return Ok(vec![settlement(who, Decision::Undo { seq })]);
    }
    let Some(q) = question(name, s) else {
        return refuse("this is not open any more; the page shows how it stands");
    };
    let lex = &s.lex;
    match (form.get("choice"), act) {
        (Some(n), _) => {
            let list = answers(&q, lex);
            let chosen = n.parse::<usize>().ok().and_then(|n| list.get(n.checked_sub(1)?));
            let Some((c, ..)) = chosen else { return refuse("there is no such choice") };
            // A choice of sides says the side itself.
            let sides = choices::sides(&q, lex).len();
            let own = n.parse::<usize>().is_ok_and(|n| n <= sides);
            let c = if own { c.clone() } else { placed(c, form, &q, lex)? };
            settle(c, form, &q, s, who)
        }
        (None, "number") => settle(numbered(form, &q, lex)?, form, &q, s, who),
        (None, "keep") => {
            let Some(f) = &q.reading else { return refuse("there is no reading to keep") };
            settle(placed(&as_read(f, lex), form, &q, lex)?, form, &q, s, who)
        }
        (None, "none") => match target(&q) {
            None => refuse("there is no reading to set aside"),
            t => Ok(vec![Settlement {
                who: who.to_owned(),
                target: t,
                decision: Decision::NotAFinding,
            }]),
        },
        (None, "reason") => reason(form, &q, s, who),
        _ => refuse("nothing was chosen"),
    }
}

/// The choice at the side that was said.
fn placed(c: &Chosen, form: &Form, q: &Question, lex: &Lexicon) -> Result<Chosen, Refusal> {
    if !lex.items[q.item].sided {
        return Ok(c.clone());
    }
    let said = match form.get("side") {
        Some(word) => match Side::named(word) {
            Some(side @ (Side::Left | Side::Right | Side::Both)) => Some(side),
            _ => return refuse("the side is left, right or both"),
        },
        None => None,
    };
    match (said, &c.side) {
        (Some(side), _) => Ok(with_side(c, side)),
        (None, Some(_)) => Ok(c.clone()),
        (None, None) => refuse("say the side first: L, R or B"),
    }
}

/// A number, or the ends of a range.
type Numbers = (Option<f64>, Option<(f64, f64)>);

/// A number or a range, `95` or `80 to 90`.
fn numbers(text: &str) -> Option<Numbers> {
    let one = |t: &str| t.trim().parse::<f64>().ok().filter(|n| n.is_finite());
    if let Some(n) = one(text) {
        return Some((Some(n), None));
    }
    let (a, b) = text.split_once(" to ")?;
    Some((None, Some((one(a)?, one(b)?))))
}

fn numbered(form: &Form, q: &Question, lex: &Lexicon) -> Result<Chosen, Refusal> {
    if lex.items[q.item].number.is_none() {
        return refuse("choose what it was");
    }
    let Some(text) = form.get("number") else { return refuse("type the number first") };
    let Some((number, range)) = numbers(text) else {
        return refuse(format!("\"{text}\" is no number: write one such as 34.6, or 80 to 90"));
    };
    let start = as_read(&choices::blank(q), lex);
    let c = Chosen {
        number,
        low: range.map(|r| r.0),
        high: range.map(|r| r.1),
        status: Status::Observed.word().to_owned(),
        ..start
    };
    placed(&c, form, q, lex)
}

fn settle(
    c: Chosen,
    form: &Form,
    q: &Question,
    s: &State,
    who: &str,
) -> Result<Vec<Settlement>, Refusal> {
    let lex = &s.lex;
    let c = match checked(c, lex) {
        Ok(c) => c,
        Err(p) => return refuse(p.message),
    };
    if let Some(why) = rules::implausible(&c, lex).filter(|_| !form.has("anyway")) {
        return doubtful(format!("{why}; nothing was written"));
    }
    if let Some(t) = target(q) {
        let decision = Decision::Choose(c);
        return Ok(vec![Settlement { who: who.to_owned(), target: Some(t), decision }]);
    }
    let at = form.get("at").unwrap_or_default();
    let Some(at_ms) = words::moment(at) else {
        return refuse(format!("\"{at}\" is no moment: write minutes and seconds, such as 4:36"));
    };
    // What was seen in the wrong state is done again on purpose.
    let again = matches!(q.key, Key::Gap(GapKind::WrongState, ..));
    if !again && let Err(p) = rules::nothing_there(&c, None, &s.exam, lex) {
        return refuse(format!("{}; correct that one in the table", p.message));
    }
    Ok(vec![settlement(who, Decision::Add { chosen: c, at_ms })])
}

fn reason(form: &Form, q: &Question, s: &State, who: &str) -> Result<Vec<Settlement>, Refusal> {
    let lex = &s.lex;
    if matches!(q.key, Key::Add(_)) {
        return refuse("nothing was chosen");
    }
    let Some(text) = form.get("reason") else { return refuse("say why it was not done") };
    if words::bare_reason(text, lex).is_empty() {
        return refuse("say why it was not done");
    }
    if let Err(p) = rules::is_a_reason(text, q.item, form.has("anyway"), lex) {
        return doubtful(format!("{}; nothing was written", p.message));
    }
    let mut out = give_reason(q, text, who, lex);
    if form.has("all") && is_not_done(q) {
        let name = about(q, lex);
        for other in questions(&s.exam, lex) {
            if is_not_done(&other) && about(&other, lex) != name {
                out.extend(give_reason(&other, text, who, lex));
            }
        }
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_plainly_or_not_at_all() {
        assert_eq!(numbers("34.6"), Some((Some(34.6), None)));
        assert_eq!(numbers("80 to 90"), Some((None, Some((80.0, 90.0)))));
        for bad in ["", "NaN", "inf", "1e999", "12cm", "3,4", "80-", "to", "80 to x"] {
            assert_eq!(numbers(bad), None, "{bad}");
        }
    }

    #[test]
    fn a_form_keeps_the_first_of_two_fields_of_a_name() {
        let form = Form::read(b"about=a%20b&about=c&reason=%3Cb%3E&blank=++");
        assert_eq!(form.get("about"), Some("a b"));
        assert_eq!(form.get("reason"), Some("<b>"));
        assert_eq!(form.get("blank"), None);
        assert!(form.has("blank"));
    }
}
