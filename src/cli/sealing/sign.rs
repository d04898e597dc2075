//! `cotside sign`.

use chrono::Local;

use super::super::exit::{Exit, Failure, Outcome};
use super::super::{open, output, read};
use super::{SignArgs, can_ask, known, register, secret, yes};
use crate::gaps::gaps;
use crate::grade::asymmetries;
use crate::journal::{FileDigest, FileSystem};
use crate::problem::Problem;
use crate::report::explain::printable;
use crate::report::style::{ASK, DIM, paint};
use crate::report::{note, words};
use crate::seal::gate::{self, Matter};
use crate::seal::keys::{PublicKey, grouped};
use crate::seal::retention::Retention;
use crate::seal::sign::{self, NoteToSign};
use crate::seal::words as seal_words;
use crate::seal::{folder, statement};

/// Runs the command.
pub fn run(args: &SignArgs) -> Outcome {
    let dir = &args.exam;
    let shown = dir.display().to_string();
    open::not_signed(dir)?;
    let o = open::exam(dir, args.lexicon.as_deref())?;
    let who = args.by.clone().or_else(|| o.exam.header.by.as_deref().map(|b| b.trim().to_owned()));
    let matters = matters(&o, who.as_deref(), Local::now().fixed_offset());
    if matters.iter().any(|m| m.always) || (!matters.is_empty() && !args.incomplete) {
        output::put(&refusal(&matters, &shown, args.incomplete))?;
        return Ok(Exit::Gate);
    }
    // A missing examiner is a matter, so that somebody signs here.
    let who = who.unwrap_or_default();
    if args.incomplete && matters.is_empty() {
        return Err(Failure::input(
            "--incomplete",
            "nothing is open",
            format!("sign it as complete: cotside sign {shown}"),
        ));
    }
    let reason = args.reason.as_deref().map(str::trim).unwrap_or_default();
    if args.incomplete && reason.is_empty() {
        return Err(Failure::input("--reason", "the reason is blank", "say why it is signed now"));
    }
    let (folder, _) = known()?;
    let public = folder.check(&FileSystem, &who)?;
    let sound = sign::audio(&FileSystem, dir, &o.read)?;
    let remove_audio = remove_audio(args, &sound, o.exam.header.audio_retention.as_deref())?;
    let incomplete = args.incomplete.then_some((who.as_str(), reason));
    let text = seal_words::note_to_sign(&bare_note(&o), incomplete, &matters);
    let passphrase = secret::given(&args.passphrase, &format!("{who}'s key"))?;
    let key = folder.open(&FileSystem, &who, &passphrase)?;
    let taken = open::for_writing(dir)?;
    if let Some(torn) = &taken.read.torn {
        output::warn(&format!("{shown}: {torn}"));
    }
    if taken.read.digest() != o.read.digest() {
        return Err(Failure::input(
            shown,
            "the exam was written to while it was being signed; nothing was signed",
            "look at it again, then sign again",
        ));
    }
    let opened = folder::make_private(&FileSystem, dir)?;
    if !opened.is_empty() {
        output::tell(&format!("note: made readable by you alone: {}", opened.join(", ")));
    }
    let order = NoteToSign {
        who: &who,
        key: &key,
        note: &text,
        lexicon: read::lexicon_ref(&o.lex),
        incomplete: args.incomplete.then(|| reason.to_owned()),
        remove_audio,
    };
    let signed = sign::sign(&FileSystem, dir, taken, &order)?;
    register(dir, &folder, &signed.seals);
    output::put(&told(&signed, &public, &shown))?;
    Ok(Exit::Ok)
}

/// What stands in the way of signing.
pub fn matters(
    o: &open::Opened,
    who: Option<&str>,
    now: chrono::DateTime<chrono::FixedOffset>,
) -> Vec<Matter> {
    gate::matters(&o.exam, &gaps(&o.exam, &o.lex), who, now)
}

/// The note as the exam gives it.
pub fn bare_note(o: &open::Opened) -> String {
    let g = gaps(&o.exam, &o.lex);
    let apart = asymmetries(&o.exam, &o.lex);
    note::note(&o.exam, &o.lex, &o.graded, &o.overview, &apart, &g)
}

fn refusal(matters: &[Matter], exam: &str, incomplete: bool) -> String {
    let told: Vec<&Matter> = matters.iter().filter(|m| !incomplete || m.always).collect();
    let open = words::count(told.len(), "matter is open", "matters are open");
    let mut out = format!("{}\n", paint(ASK, &format!("not signed: {open}")));
    for m in &told {
        out += &format!("{} {}\n", paint(ASK, " !"), words::hung(&printable(&m.text), 3, 4));
        if !m.settle.is_empty() {
            out += &format!("      {}\n", paint(DIM, &m.settle.replace("EXAM", exam)));
        }
    }
    out += "\nall in turn:\n";
    out += &format!("      {}\n", paint(DIM, &format!("cotside settle {exam}")));
    if !told.iter().any(|m| m.always) {
        out += "or sign it with what is open on top of the note:\n";
        let command = format!("cotside sign {exam} --incomplete --reason \"...\"");
        out += &format!("      {}\n", paint(DIM, &command));
    }
    out
}

/// Whether sound goes at signing: as the flags say, else as the header does, after asking.
fn remove_audio(
    args: &SignArgs,
    sound: &[FileDigest],
    retention: Option<&str>,
) -> Result<bool, Failure> {
    if sound.is_empty() || args.keep_audio {
        return Ok(false);
    }
    if args.remove_audio {
        return Ok(true);
    }
    let names: Vec<&str> = sound.iter().map(|f| f.file.as_str()).collect();
    let say = "say --remove-audio or --keep-audio; its digest stays in the journal either way";
    match Retention::of(retention) {
        Some(Retention::Keep | Retention::Days(_)) => Ok(false),
        Some(Retention::UntilSigning) if can_ask() => {
            output::line(&format!("The exam holds sound: {}.", names.join(", ")))?;
            yes("Remove it now? Its digest stays in the journal.")
        }
        Some(Retention::UntilSigning) => Err(Failure::input(
            names.join(", "),
            "sound is kept until signing, and there is no terminal to ask on",
            say,
        )),
        None => Err(Problem::in_file(
            names.join(", "),
            format!(
                "the header says of sound `{}`, which is not understood",
                printable(retention.unwrap_or_default())
            ),
        )
        .help(say)
        .into()),
    }
}

fn told(signed: &sign::Signed, key: &PublicKey, exam: &str) -> String {
    let mut out = format!(
        "signed by {} in entry {}, key {}\n",
        key.who,
        signed.entry,
        grouped(&key.fingerprint(), false)
    );
    out += &format!("  the note     {exam}/{}\n", statement::NOTE_FILE);
    out += &format!("  the seal     {exam}/{}\n", statement::SEAL_FILE);
    out += &removed(signed);
    if let Some(ms) = signed.clock_back_ms {
        out += &format!("  {}; this is recorded\n", seal_words::went_back(ms));
    }
    out + &format!("next: cotside verify {exam}\n")
}

/// What was removed, in words.
pub fn removed(signed: &sign::Signed) -> String {
    let name = |f: &FileDigest| {
        format!("  removed      {} (SHA-256 {})\n", f.file, &f.sha256.to_string()[..16])
    };
    signed.removed.iter().map(name).collect()
}
