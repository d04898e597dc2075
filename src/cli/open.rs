//! What most commands begin with: the journal, the lexicon it names, and the exam built from both.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::exit::{Exit, Failure};
use super::output::warn;
use crate::exam::{self, Exam};
use crate::grade::{Graded, Overview, grade, scales};
use crate::journal::{self, FileSystem, Journal, JournalRead, LexiconRef, SystemClock};
use crate::lexicon::{self, Files, Lexicon};
use crate::problem::{Problem, nearest};
use crate::report::words;
use crate::seal::keys::KeyFolder;
use crate::seal::statement::SEAL_FILE;
use crate::seal::{check, register};
pub use crate::settle::settlement;
use crate::settle::told::After;
use crate::speech::{Recogniser, Transcript, Whisper, model};

/// The lexicon used when neither the command line nor a journal names one.
pub const DEFAULT_LEXICON: &str = "newborn";

/// An exam opened for reading.
pub struct Opened {
    /// The journal's lines.
    pub read: JournalRead,
    /// The lexicon at hand.
    pub lex: Arc<Lexicon>,
    /// The exam.
    pub exam: Exam,
    /// Ages, and how each finding is graded.
    pub graded: Graded,
    /// Scales, and counts by domain.
    pub overview: Overview,
}

/// What hears: the installed speech model with the ears that are to be used, or a recorded transcript.
///
/// # Errors
/// When the model, its ears or the transcript cannot be used.
pub fn recogniser<'a>(
    transcript: Option<&Path>,
    lex: &'a Lexicon,
) -> Result<Box<dyn Recogniser + 'a>, Failure> {
    if let Some(path) = transcript {
        return Ok(Box::new(Transcript::read(path)?));
    }
    let whisper = Whisper::load(&model::folder()?, lex)?;
    if whisper.letter_ear.is_none() {
        let off = model::adapted::HEARING;
        warn(&format!(
            "{off}=off: heard by one ear, as published; more is missed or left to settle"
        ));
    }
    Ok(Box::new(whisper))
}

impl Opened {
    /// What a decision is told by.
    pub fn after(&self) -> After<'_> {
        After { exam: &self.exam, lines: &self.read.lines, lex: &self.lex }
    }
}

/// Loads the lexicon of a folder, or the shipped one of that name.
pub fn lexicon(folder: Option<&Path>, name: &str) -> Result<Lexicon, Failure> {
    Ok(lexicon::compile(&files(folder, name)?)?.lexicon)
}

/// The files of a lexicon, the user's own layer over them where there is one.
pub fn files(folder: Option<&Path>, name: &str) -> Result<Files, Failure> {
    let mut files = match folder {
        Some(dir) => Files::folder(dir)?,
        None => Files::shipped(name)?,
    };
    let named = lexicon_name(&files).unwrap_or_else(|| name.to_owned());
    if let Some(own) = personal(&named).filter(|p| p.is_file()) {
        files.layer(&own)?;
    }
    Ok(files)
}

/// The name a lexicon gives itself.
fn lexicon_name(files: &Files) -> Option<String> {
    files.files.iter().take(files.own).find_map(|f| {
        let head = toml::from_str::<lexicon::schema::File>(&f.text).ok()?.lexicon?;
        Some(head.name.into_inner())
    })
}

/// Overrides the folder of personal layers; empty: there are none.
const PERSONAL: &str = "COTSIDE_PERSONAL";

/// The user's own layer over the lexicon of that name, whether it is there or not.
pub fn personal(name: &str) -> Option<PathBuf> {
    let dir = match std::env::var_os(PERSONAL) {
        Some(dir) if dir.is_empty() => return None,
        Some(dir) => PathBuf::from(dir),
        None => directories::ProjectDirs::from("", "", "cotside")?.data_dir().join("lexicon"),
    };
    Some(dir.join(format!("{name}.toml")))
}

/// An exam is a folder.
pub fn not_a_file(exam: &Path) -> Result<(), Failure> {
    match exam.is_file() {
        true => Err(Failure::input(
            exam.display().to_string(),
            "this is a file, and an exam is a folder",
            "name the exam's folder, not a file in it",
        )),
        false => Ok(()),
    }
}

/// Opens an exam for reading; says on standard error what is odd about it.
pub fn exam(dir: &Path, folder: Option<&Path>) -> Result<Opened, Failure> {
    open(dir, folder, None, &[], true)
}

/// As [`measured`]; a lexicon loaded already, with its references, is taken again where the exam
/// names it.
pub fn exam_by(
    dir: &Path,
    folder: Option<&Path>,
    loaded: Option<&Arc<Lexicon>>,
    references: &[PathBuf],
) -> Result<Opened, Failure> {
    open(dir, folder, loaded, references, true)
}

/// As [`exam_by`], without saying again what is odd.
pub fn again(
    dir: &Path,
    folder: Option<&Path>,
    loaded: &Arc<Lexicon>,
    references: &[PathBuf],
) -> Result<Opened, Failure> {
    open(dir, folder, Some(loaded), references, false)
}

/// As [`exam`], with growth references that go before those of the lexicon.
pub fn measured(
    dir: &Path,
    folder: Option<&Path>,
    references: &[PathBuf],
) -> Result<Opened, Failure> {
    open(dir, folder, None, references, true)
}

/// Opens an exam's journal for appending: every command that changes an exam begins here. A signed
/// exam is refused, and nothing is changed.
pub fn for_writing(dir: &Path) -> Result<journal::Opened, Failure> {
    not_signed(dir)?;
    let taken = Journal::open_to_append(dir, Arc::new(SystemClock::start()))?;
    // It may have been signed between the two.
    refuse_signed(dir, &taken.read)?;
    Ok(taken)
}

/// Opens a signed exam's journal for what may still be added to it, which is signed itself.
pub fn for_adding(dir: &Path) -> Result<journal::Opened, Failure> {
    Ok(Journal::open_to_append(dir, Arc::new(SystemClock::start()))?)
}

/// Refuses a signed exam. Asked early, before anybody is asked anything; [`for_writing`] asks again.
pub fn not_signed(dir: &Path) -> Result<(), Failure> {
    not_a_file(dir)?;
    refuse_signed(dir, &journal::read(dir)?)
}

fn refuse_signed(dir: &Path, read: &JournalRead) -> Result<(), Failure> {
    let shown = dir.display();
    if let Some((line, signing)) = read.signing() {
        return Err(Failure::input(
            shown.to_string(),
            format!(
                "{} signed this exam on {} (entry {}), and nothing in it changes any more",
                signing.who,
                words::wall(&line.wall),
                line.seq
            ),
            format!(
                "add to it with an entry of its own: \
                 cotside addendum {shown} --reason \"...\" --text \"...\""
            ),
        ));
    }
    // Without a folder of keys nothing was signed here.
    let signed_here =
        KeyFolder::own().is_ok_and(|folder| register::signed_here(&FileSystem, &folder, read));
    if signed_here {
        return Err(Failure {
            exit: Exit::Damaged,
            ..Failure::input(
                dir.join(SEAL_FILE).display().to_string(),
                check::SIGNATURE_GONE,
                "work with the signed one; nothing was written here",
            )
        });
    }
    match dir.join(SEAL_FILE).exists() {
        false => Ok(()),
        true => Err(Failure {
            exit: Exit::Damaged,
            ..Failure::input(
                dir.join(SEAL_FILE).display().to_string(),
                "there is a seal here, and the journal beside it was never signed",
                format!("`cotside verify {shown}` says what was changed; nothing is written to it"),
            )
        }),
    }
}

/// The exam of these lines by this lexicon, without a word about what is odd.
pub fn built(read: &JournalRead, lex: &Arc<Lexicon>) -> Result<Opened, Failure> {
    let Some(header) = read.header() else {
        return Err(Failure::input("journal", "it has no header", "name another exam"));
    };
    let exam = exam::build(header, &read.lines, lex);
    let graded = grade(&exam, lex);
    let overview = Overview::new(scales::of_lexicon(lex)?, &exam, &graded, lex);
    Ok(Opened { read: read.clone(), lex: Arc::clone(lex), exam, graded, overview })
}

fn open(
    dir: &Path,
    folder: Option<&Path>,
    loaded: Option<&Arc<Lexicon>>,
    references: &[PathBuf],
    told: bool,
) -> Result<Opened, Failure> {
    not_a_file(dir)?;
    let read = journal::read(dir)?;
    let Some(header) = read.header() else {
        return Err(Failure::input(
            dir.display().to_string(),
            "the journal has no header",
            "name the folder of an exam that was started",
        ));
    };
    let again = loaded.filter(|l| folder.is_some() || l.name == header.lexicon.name);
    let load = || match again {
        Some(lex) => Ok(Arc::clone(lex)),
        None => lexicon(folder, &header.lexicon.name).and_then(|mut lex| {
            for path in references {
                lex.supply(&Files::one(path)?)?;
            }
            Ok(Arc::new(lex))
        }),
    };
    let lex = load().map_err(|mut f| {
        if folder.is_none() && Files::shipped(&header.lexicon.name).is_err() {
            f.problems = vec![
                Problem::in_file(
                    dir.display().to_string(),
                    format!(
                        "the exam was recorded with the lexicon `{}`, which is not shipped",
                        header.lexicon.name
                    ),
                )
                .help("name its folder with --lexicon DIR"),
            ];
        }
        f
    })?;
    let exam = exam::build(header, &read.lines, &lex);
    if told {
        tell_oddities(dir, &read, &exam, &lex);
    }
    let graded = grade(&exam, &lex);
    let overview = Overview::new(scales::of_lexicon(&lex)?, &exam, &graded, &lex);
    Ok(Opened { read, lex, exam, graded, overview })
}

fn tell_oddities(dir: &Path, read: &JournalRead, x: &Exam, lex: &Lexicon) {
    let shown = dir.display();
    if let Some(torn) = &read.torn {
        warn(&format!("{shown}: {torn}"));
    }
    if !x.same_lexicon {
        let LexiconRef { name, sha256 } = &x.header.lexicon;
        let then = sha256.to_string();
        warn(&format!(
            "{shown}: recorded with lexicon {name} {}, read with {} {}: readings may differ",
            &then[..12],
            lex.name,
            &lex.digest[..12]
        ));
    }
    for s in &x.stray {
        warn(&format!("{shown}: the settlement in entry {} is not applied: {}", s.seq, s.why));
    }
}

/// The protocol of that name, when the lexicon has it.
pub fn check_protocol(name: &str, lex: &Lexicon) -> Result<(), Failure> {
    if lex.protocol(Some(name)).is_some() {
        return Ok(());
    }
    let known: Vec<&str> = lex.protocols.iter().map(|p| p.id.as_str()).collect();
    let near = nearest(name, known.iter().copied())
        .map_or(String::new(), |n| format!("did you mean `{n}`? "));
    Err(Failure::input(
        "--protocol",
        format!("there is no protocol `{name}` in the lexicon {}", lex.name),
        format!("{near}protocols: {}", known.join(", ")),
    ))
}

/// The item of that id, name or spoken name.
pub fn item(word: &str, lex: &Lexicon) -> Result<usize, Failure> {
    Ok(crate::settle::item(word, lex)?)
}

/// The initials of whoever decides: as given by `flag`, else those in the header.
pub fn who(flag: &str, by: Option<&str>, x: &Exam) -> Result<String, Failure> {
    match by.map(str::trim).filter(|b| !b.is_empty()).or(x.header.by.as_deref()) {
        Some(who) => Ok(who.to_owned()),
        None => Err(Failure::input(
            flag,
            "the exam names no examiner, so it is not known who decides",
            format!("say your initials, such as {flag} AB"),
        )),
    }
}

/// Makes the folders above an exam's own.
pub fn make_parents(exam: &Path) -> Result<(), Failure> {
    not_a_file(exam)?;
    match exam.parent().filter(|p| !p.as_os_str().is_empty()) {
        Some(above) => {
            std::fs::create_dir_all(above).map_err(|e| Failure::file(above, "make this folder", &e))
        }
        None => Ok(()),
    }
}
