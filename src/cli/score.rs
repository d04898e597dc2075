//! `cotside score`: published scales, and the values a person enters for them.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::exit::{Exit, Failure, Outcome};
use super::{ScoreArgs, open, output};
use crate::grade::Overview;
use crate::grade::scales::{self, Rule, Scale, TOTAL, read};
use crate::journal::{Decision, Entry};
use crate::lexicon::Lexicon;
use crate::lexicon::files::SourceFile;
use crate::problem::{Problem, nearest};
use crate::report;

/// Runs the command.
pub fn run(args: &ScoreArgs) -> Outcome {
    let opened = || open::measured(&args.exam.exam, args.exam.lexicon.as_deref(), &args.reference);
    let o = opened()?;
    let known = with_own(&o.lex, &args.scale)?;
    if let Some(only) = args.only.as_deref().filter(|id| known.iter().all(|s| s.id != *id)) {
        let ids: Vec<&str> = known.iter().map(|s| s.id.as_str()).collect();
        let near = nearest(only, ids.iter().copied())
            .map_or(String::new(), |n| format!("did you mean `{n}`? "));
        return Err(Failure::input(
            "--only",
            format!("there is no scale `{only}`"),
            format!("{near}scales: {}", ids.join(", ")),
        ));
    }
    let only = args.only.as_deref();
    if args.list {
        output::put(&list(&known, only))?;
        return Ok(Exit::Ok);
    }
    let o = match args.input.is_empty() {
        true => o,
        false => {
            enter(args, &known, &o)?;
            opened()?
        }
    };
    let mut overview = Overview::new(known, &o.exam, &o.graded, &o.lex);
    if let Some(id) = only {
        overview.scored.retain(|s| overview.scales[s.scale].id == id);
    }
    match args.json {
        true => output::json(&serde_json::json!({
            "exam": o.exam.header.code,
            "scales": report::scales::json(&overview, &o.exam, &o.lex),
            "growth": report::json::growths(&o.graded, &o.lex),
            "watch": report::watch::json(&o.exam, &o.graded.ages, &o.lex),
        }))?,
        false => {
            let mut text = report::scales::text(&o.exam, &o.lex, &overview, only);
            if only.is_none() {
                report::scales::measured(&mut text, &o.exam, &o.lex, &o.graded);
                report::watch::text(&mut text, &o.exam, &o.graded.ages, &o.lex);
            }
            output::put(&text)?;
        }
    }
    Ok(Exit::Ok)
}

/// The lexicon's scales and those in files of the user's.
pub fn with_own(lex: &Arc<Lexicon>, files: &[PathBuf]) -> Result<Vec<Scale>, Failure> {
    let mut all: Vec<SourceFile> = lex.scale_files.clone();
    for path in files {
        all.push(file(path)?);
    }
    Ok(scales::load(lex, &all)?)
}

fn file(path: &Path) -> Result<SourceFile, Failure> {
    let bytes = std::fs::read(path).map_err(|e| Failure::file(path, "read this scale", &e))?;
    let shown = path.display().to_string();
    match String::from_utf8(bytes) {
        Ok(text) => Ok(SourceFile { path: shown, text }),
        Err(e) => Err(Failure::input(
            shown,
            format!("is not UTF-8 text (byte {})", e.utf8_error().valid_up_to() + 1),
            "save the file as UTF-8",
        )),
    }
}

/// Checks every value, then writes them all.
fn enter(args: &ScoreArgs, known: &[Scale], o: &open::Opened) -> Result<(), Failure> {
    open::not_signed(&args.exam.exam)?;
    let who = open::who("--by", args.by.as_deref(), &o.exam)?;
    let (mut decisions, mut problems) = (Vec::new(), Vec::new());
    for text in &args.input {
        match decision(text, known, o) {
            Ok(d) => decisions.push(d),
            Err((message, help)) => {
                problems.push(Problem::in_file(format!("--input {text}"), message).help(help));
            }
        }
    }
    if !problems.is_empty() {
        return Err(problems.into());
    }
    let mut taken = open::for_writing(&args.exam.exam)?;
    for d in decisions {
        taken.journal.append_now(&Entry::Settlement(open::settlement(&who, d)))?;
    }
    Ok(())
}

fn decision(text: &str, known: &[Scale], o: &open::Opened) -> Result<Decision, (String, String)> {
    let form = "write SIGN=VALUE, such as skin=3, SCALE/SIGN=VALUE or SIGN@TIME=VALUE";
    let (name, value) =
        text.split_once('=').ok_or_else(|| ("there is no `=`".to_owned(), form.to_owned()))?;
    let (scale, name) = match name.split_once('/') {
        Some((scale, name)) => (Some(scale), name),
        None => (None, name),
    };
    let (sign, at) = match name.split_once('@') {
        Some((sign, at)) => {
            let at =
                at.parse::<u32>().map_err(|_| (format!("`{at}` is no time"), form.to_owned()))?;
            (sign, Some(at))
        }
        None => (name, None),
    };
    if let Some(id) = scale.filter(|id| known.iter().all(|s| s.id != *id)) {
        let ids: Vec<&str> = known.iter().map(|s| s.id.as_str()).collect();
        return Err((format!("there is no scale `{id}`"), format!("scales: {}", ids.join(", "))));
    }
    // A time tells apart scales that share a sign, as far as it goes.
    let fits = |s: &&Scale| {
        scale.is_none_or(|id| s.id == id)
            && takes(s, sign)
            && (at.is_none() == s.times.is_empty() || scale.is_some())
    };
    let found: Vec<&Scale> = known.iter().filter(fits).collect();
    let one = match found.as_slice() {
        [one] => *one,
        [] => return Err(no_such_sign(sign, at, scale, known)),
        several => {
            let names: Vec<String> = several.iter().map(|s| format!("{}/{name}", s.id)).collect();
            return Err((
                format!("several scales take `{name}`"),
                format!("name the scale: {}", names.join(" or ")),
            ));
        }
    };
    let times: Vec<String> = one.times.iter().map(|t| format!("{sign}@{t}")).collect();
    match at {
        None if !times.is_empty() => {
            return Err((
                format!("{} is scored at several times", one.name),
                format!("name the time: {}", times.join(", ")),
            ));
        }
        Some(_) if times.is_empty() => {
            return Err((format!("{} has no times", one.name), format!("write {sign}=VALUE")));
        }
        Some(t) if !one.times.contains(&t) => {
            return Err((
                format!("{} is not scored at {t}{}", one.name, one.time_unit),
                format!("times: {}", times.join(", ")),
            ));
        }
        _ => {}
    }
    let value = value.trim();
    if let Some(k) = one.sign(sign) {
        let help =
            format!("`cotside score EXAM --list --only {}` says what each score means", one.id);
        read::score(one, &one.signs[k], o.exam.header.sex, value).map_err(|e| (e, help))?;
    } else if value.parse::<i32>().is_err() {
        return Err((format!("`{value}` is no total"), "write a whole number".into()));
    }
    Ok(Decision::Input {
        scale: one.id.clone(),
        sign: sign.to_owned(),
        at,
        value: value.to_owned(),
    })
}

/// Whether a value may be entered for that sign.
fn takes(s: &Scale, sign: &str) -> bool {
    let total = matches!(&s.rule, Rule::Sum(r) if r.total_given) && sign == TOTAL;
    total || s.sign(sign).is_some_and(|k| s.signs[k].entered)
}

fn no_such_sign(
    sign: &str,
    at: Option<u32>,
    scale: Option<&str>,
    known: &[Scale],
) -> (String, String) {
    // The sign is there, and only the time is too much or missing.
    let timed = known.iter().find(|s| scale.is_none_or(|id| s.id == id) && takes(s, sign));
    if let Some(s) = timed {
        return match at {
            None => {
                let times: Vec<String> = s.times.iter().map(|t| format!("{sign}@{t}")).collect();
                let help = format!("name the time: {}", times.join(", "));
                (format!("{} is scored at several times", s.name), help)
            }
            Some(_) => (format!("{} has no times", s.name), format!("write {sign}=VALUE")),
        };
    }
    let ids: Vec<&str> = known
        .iter()
        .filter(|s| scale.is_none_or(|id| s.id == id))
        .flat_map(|s| s.signs.iter().filter(|x| x.entered).map(|x| x.id.as_str()))
        .collect();
    let fed = known.iter().find(|s| scale.is_none_or(|id| s.id == id) && s.sign(sign).is_some());
    let message = match fed {
        Some(s) => format!("`{sign}` of {} is fed by a finding and takes no value", s.name),
        None => format!("there is no sign `{sign}`"),
    };
    let help = match nearest(sign, ids.iter().copied()) {
        Some(n) => format!("did you mean `{n}`?"),
        None => "`cotside score EXAM --list` lists all signs".into(),
    };
    (message, help)
}

/// The scales with their signs and what each score means.
fn list(known: &[Scale], only: Option<&str>) -> String {
    let mut out = String::new();
    for s in known.iter().filter(|s| only.is_none_or(|id| s.id == id)) {
        out += &format!("{}  {}\n", s.id, s.name);
        let times: Vec<String> = s.times.iter().map(ToString::to_string).collect();
        if !times.is_empty() {
            out += &format!("  at {}{}: SIGN@TIME=VALUE\n", times.join(", "), s.time_unit);
        }
        for sign in &s.signs {
            let how = match (sign.item.is_some(), sign.entered) {
                (true, true) => "from a finding, or entered",
                (true, false) => "from a finding",
                (false, _) => "entered",
            };
            out += &format!("  {}  ({how})\n", sign.id);
            for r in &sign.rows {
                let sex = match r.sex {
                    Some(crate::journal::Sex::Female) => " (f)",
                    Some(crate::journal::Sex::Male) => " (m)",
                    None => "",
                };
                out += &format!("    {:>3}  {}{sex}\n", r.score, r.say);
            }
        }
        out += &format!("  source: {}\n", s.cited);
    }
    out
}
