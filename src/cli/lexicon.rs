//! `cotside lexicon`: check and list the trade data.

use std::path::Path;

use super::exit::{Exit, Failure, Outcome};
use super::{LexiconAct, LexiconArgs, open, output};
use crate::lexicon::files::SourceFile;
use crate::lexicon::matcher::{Hit, Meaning, Naming, Saying};
use crate::lexicon::text::{Token, tokenize};
use crate::lexicon::{Files, Item, Lexicon, compile};
use crate::problem::nearest;
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
            teach(words, item, value.as_deref(), lexicon.as_deref())
        }
    }
}

/// Writes what was heard to the user's own layer, when the lexicon with it is still sound.
fn teach(words: &str, item: &str, value: Option<&str>, folder: Option<&Path>) -> Outcome {
    let lex = open::lexicon(folder, open::DEFAULT_LEXICON)?;
    let id = open::item(item, &lex)?;
    let value = match value {
        Some(v) => Some(value_of(v, &lex.items[id])?),
        None => None,
    };
    let path = open::personal(&lex.name).ok_or_else(|| {
        Failure::input(
            "lexicon teach",
            "there is no folder to keep your own words in",
            "name one in COTSIDE_PERSONAL",
        )
    })?;
    // Quotes and brackets have meanings in a lexicon's phrases; what was heard has none.
    let tokens: Vec<Token> = tokenize(words).into_iter().filter(|t| t.brk.is_none()).collect();
    if tokens.is_empty() {
        return Err(Failure::input(words, "holds no word", "write the words as they were heard"));
    }
    if let Some(what) = means_already(&tokens, &lex) {
        return Err(Failure::input(
            words,
            format!("means {what} already, and a word is not taught away"),
            "teach only what was misheard; `cotside lexicon items` lists what there is",
        ));
    }
    let plain: Vec<String> = tokens.into_iter().map(|t| t.surface).collect();
    let mut row = format!("\n[[heard]]\nitem = {:?}\n", lex.items[id].id);
    if let Some(v) = &value {
        row += &format!("value = {v:?}\n");
    }
    row += &format!("words = [{:?}]\n", plain.join(" "));
    let old = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => HEADING.to_owned(),
        Err(e) => return Err(Failure::file(&path, "read this file", &e)),
    };
    let new = old + &row;
    sound_with(&new, &path, folder)?;
    keep(&path, &new)?;
    output::put(&format!(
        "taught: \"{}\" is heard for {}\n  in {}; findings by it stay unsettled, as all taken by sound\n",
        plain.join(" "),
        lex.items[id].id,
        path.display()
    ))?;
    Ok(Exit::Ok)
}

/// What all of the words mean in the lexicon as it is.
fn means_already(tokens: &[Token], lex: &Lexicon) -> Option<String> {
    let whole = |h: &Hit| h.from == 0 && h.to == tokens.len();
    lex.matcher.scan(tokens).iter().filter(|h| whole(h)).find_map(|h| {
        Some(match lex.matcher.meaning(h) {
            Meaning::Item(_, Naming::Sound) | Meaning::Value { how: Saying::Sound, .. } => {
                return None;
            }
            Meaning::State { sound: true, .. } => return None,
            Meaning::Item(i, _) => lex.items[i].id.clone(),
            Meaning::Value { item, value, .. } => {
                format!("{} {}", lex.items[item].id, lex.items[item].values[value].code)
            }
            _ => "an ordinary word of the exam".to_owned(),
        })
    })
}

const HEADING: &str = "# Words of your own over the lexicon; written by `cotside lexicon teach`.\n";

fn value_of(value: &str, item: &Item) -> Result<String, Failure> {
    let known = || item.values.iter().map(|v| v.code.as_str());
    if item.value(value).is_some() {
        return Ok(value.to_owned());
    }
    let near = nearest(value, known()).map_or(String::new(), |n| format!("did you mean `{n}`? "));
    let all = known().collect::<Vec<_>>().join(", ");
    Err(Failure::input(value, format!("{} has no such value", item.id), format!("{near}{all}")))
}

/// That the lexicon with the new layer has no more problems than without it.
fn sound_with(layer: &str, path: &Path, folder: Option<&Path>) -> Result<(), Failure> {
    let mut files = match folder {
        Some(dir) => Files::folder(dir)?,
        None => Files::shipped(open::DEFAULT_LEXICON)?,
    };
    files.files.push(SourceFile { path: path.display().to_string(), text: layer.to_owned() });
    let compiled = compile(&files)?;
    let own = path.display().to_string();
    let problems: Vec<_> =
        crate::lexicon::check(&files, &compiled).into_iter().filter(|p| p.file == own).collect();
    if problems.is_empty() { Ok(()) } else { Err(problems.into()) }
}

/// Writes the layer anew; the old one stays until the new one is whole.
fn keep(path: &Path, text: &str) -> Result<(), Failure> {
    let part = path.with_extension("part");
    let write = || {
        if let Some(dir) = path.parent() {
            std::fs::create_dir_all(dir)?;
        }
        std::fs::write(&part, text)?;
        std::fs::rename(&part, path)
    };
    write().map_err(|e| Failure::file(path, "write this file", &e))
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
