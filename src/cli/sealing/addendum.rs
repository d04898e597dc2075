//! `cotside addendum`: a signed entry after signing.

use std::io::Read as _;

use chrono::Local;

use super::super::exit::{Exit, Failure, Outcome};
use super::super::{open, output};
use super::{AddendumArgs, known, register, secret};
use crate::exam;
use crate::journal::{Addendum, Chosen, Digest, FileSystem, Form, Target};
use crate::reading::types::{FindingId, Side, Status};
use crate::report::words;
use crate::seal::sign::{self, Later};
use crate::seal::words as seal_words;

/// Runs the command.
pub fn run(args: &AddendumArgs) -> Outcome {
    let dir = &args.exam;
    let o = open::exam(dir, args.lexicon.as_deref())?;
    if o.read.signing().is_none() {
        return Err(Failure::input(
            dir.display().to_string(),
            "the exam is not signed, so nothing is added to it yet",
            format!("change what is wrong with `cotside settle {0}`, then sign it", dir.display()),
        ));
    }
    let who = open::who("--by", args.by.as_deref(), &o.exam)?;
    let form = Form::from(args.kind);
    let said = |flag: &str, text: &str| match text.trim() {
        "" => Err(Failure::input(flag, "it is blank", "say it in words")),
        t => Ok(t.to_owned()),
    };
    let reason = said("--reason", &args.reason)?;
    let text = match args.text.as_deref() {
        Some("-") => {
            let mut typed = String::new();
            std::io::stdin().lock().read_to_string(&mut typed)?;
            Some(said("--text", &typed)?)
        }
        Some(text) => Some(said("--text", text)?),
        None => None,
    };
    let about = args.about.as_deref().map(|id| target(id, &o)).transpose()?;
    let seen = args.seen.map(|s| s.said("--seen"));
    let now = Local::now().fixed_offset();
    if let Some(late) = seen.filter(|s| *s > now) {
        return Err(Failure::input(
            "--seen",
            format!("{} is still to come by this machine's clock", words::wall(&late)),
            "give the time at which it was seen",
        ));
    }
    let finding = args.item.as_deref().map(|item| chosen(item, args, &o)).transpose()?;
    let (folder, _) = known()?;
    folder.check(&FileSystem, &who)?;
    let passphrase = secret::given(&args.passphrase, &format!("{who}'s key"))?;
    let key = folder.open(&FileSystem, &who, &passphrase)?;
    let taken = open::for_adding(dir)?;
    if let Some(torn) = &taken.read.torn {
        output::warn(&format!("{}: {torn}", dir.display()));
    }
    let entry = Addendum {
        form,
        who: who.clone(),
        // Key and clock are filled in where the entry is signed.
        key: Digest::ZERO,
        reason,
        text,
        about,
        finding,
        seen,
        clock_back_ms: None,
    };
    let later = Later::Addendum(Box::new(entry));
    let signed = sign::add(&FileSystem, dir, taken, &who, &key, later)?;
    register(dir, &folder, &signed.seals);
    let mut out = format!("{} by {who} signed in entry {}\n", form.words(), signed.entry);
    if let Some(ms) = signed.clock_back_ms {
        out += &format!("  {}; this is recorded\n", seal_words::went_back(ms));
    }
    out += &format!("next: cotside note {}\n", dir.display());
    output::put(&out)?;
    Ok(Exit::Ok)
}

/// The finding that the entry is about.
fn target(id: &str, o: &open::Opened) -> Result<Target, Failure> {
    let no = || {
        Failure::input(
            "--about",
            format!("`{id}` is no finding's number"),
            "give phrase and place as `cotside show` prints them, such as 12.1",
        )
    };
    let (phrase, index) = id.split_once('.').ok_or_else(no)?;
    let (phrase, index) = (phrase.parse().map_err(|_| no())?, index.parse().map_err(|_| no())?);
    o.exam.finding(FindingId { phrase, index }).map(|_| Target { phrase, index }).ok_or_else(no)
}

/// A finding as the flags give it, checked against the lexicon.
fn chosen(item: &str, args: &AddendumArgs, o: &open::Opened) -> Result<Chosen, Failure> {
    let lex = &o.lex;
    let it = &lex.items[open::item(item, lex)?];
    let side = match args.side.as_deref() {
        None => None,
        Some(s) => match Side::named(s).filter(|s| *s != Side::Unstated) {
            Some(side) => Some(side.word().to_owned()),
            None => {
                return Err(Failure::input(
                    "--side",
                    format!("there is no side `{s}`"),
                    "sides: left, right, both, midline",
                ));
            }
        },
    };
    let unit = it.number.as_ref().filter(|_| args.number.is_some());
    let chosen = Chosen {
        item: it.id.clone(),
        side,
        value: args.value.clone(),
        number: args.number,
        low: None,
        high: None,
        unit: unit.map(|n| lex.units[n.unit].id.clone()),
        status: args.status.clone().unwrap_or_else(|| Status::Observed.word().to_owned()),
    };
    if let (Some(n), Some(rule)) = (args.number, &it.number) {
        let [low, high] = rule.plausible;
        if !(low..=high).contains(&n) {
            output::warn(&format!("{n} is outside the plausible {low} to {high}; it is kept"));
        }
    }
    exam::build::check_chosen(&chosen, lex).map_err(|why| {
        Failure::input(
            "--item",
            why,
            format!("`cotside lexicon items {}` lists what it takes", it.id),
        )
    })?;
    Ok(chosen)
}
