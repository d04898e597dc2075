//! `cotside lexicon`: check and list the trade data.

use std::path::Path;

use super::exit::{Exit, Outcome};
use super::teach::{self, Meant};
use super::{LexiconAct, LexiconArgs, open, output};
use crate::lexicon::{Files, Lexicon, compile};
use crate::report::words::count;

/// Runs the command.
pub fn run(args: &LexiconArgs) -> Outcome {
    match &args.act {
        LexiconAct::Check { dir } => check(dir.as_deref()),
        LexiconAct::Items { word, lexicon } => {
            let lex = open::lexicon(lexicon.as_deref(), open::DEFAULT_LEXICON)?;
            items(&lex, word.as_deref())
        }
        LexiconAct::Teach { words, item, value, lexicon } => {
            teach::words(words, &Meant::new(item, value.as_deref(), lexicon.as_deref())?)
        }
        LexiconAct::TeachAloud(aloud) => teach::aloud(aloud),
    }
}

fn check(dir: Option<&Path>) -> Outcome {
    let files = match dir {
        Some(dir) => Files::folder(dir)?,
        None => Files::shipped(open::DEFAULT_LEXICON)?,
    };
    let compiled = compile(&files)?;
    let problems = crate::lexicon::check(&files, &compiled);
    if !problems.is_empty() {
        return Err(problems.into());
    }
    let lex = &compiled.lexicon;
    let scales = crate::grade::scales::of_lexicon(lex)?;
    let rows = lex
        .items
        .iter()
        .map(|i| &i.basis)
        .chain(lex.items.iter().flat_map(|i| i.values.iter().map(|v| &v.basis)));
    let (mut all, mut read) = (0, 0);
    for b in rows {
        all += 1;
        read += usize::from(b.verified);
    }
    output::put(&format!(
        "{} {} ({}): no problem found\n  {}, {}, {}, {}, {}\n  {read} of {all} rows were read in their source; the rest need a clinician's review\n  digest {}\n",
        lex.name,
        lex.version,
        lex.title,
        count(lex.sections.len(), "section", "sections"),
        count(lex.items.len(), "item", "items"),
        count(lex.protocols.len(), "protocol", "protocols"),
        count(compiled.written.len(), "phrase", "phrases"),
        count(scales.len(), "scale", "scales"),
        lex.digest,
    ))?;
    Ok(Exit::Ok)
}

fn items(lex: &Lexicon, word: Option<&str>) -> Outcome {
    let word = word.map(str::to_lowercase);
    let fits = |text: &str| word.as_deref().is_none_or(|w| text.to_lowercase().contains(w));
    let mut out = String::new();
    let mut section = None;
    for it in lex.items.iter().filter(|i| fits(&i.id) || fits(&i.name)) {
        if section != Some(it.section) {
            section = Some(it.section);
            out += &format!("{}\n", lex.sections[it.section].name);
        }
        let sides = if it.sided { "left, right, both" } else { "no sides" };
        out += &format!("  {:<24} {} ({sides})\n", it.id, it.name);
        let mut values: Vec<String> = it.values.iter().map(|v| v.code.clone()).collect();
        if let Some(n) = &it.number {
            values.push(format!("a number in {}", lex.units[n.unit].id));
        }
        out += &format!("      {}\n", crate::report::words::hung(&values.join(", "), 6, 6));
    }
    if out.is_empty() {
        output::tell("no item holds this word");
    }
    if word.is_none() {
        out += "Protocols\n";
        for p in &lex.protocols {
            let default = if p.default { " (used when none is named)" } else { "" };
            out += &format!("  {:<24} {}{default}\n", p.id, p.name);
        }
    }
    output::put(&out)?;
    Ok(Exit::Ok)
}
