//! `cotside purge`: the sound of an exam is removed, and that it was is recorded.

use chrono::Local;

use super::super::exit::{Exit, Failure, Outcome};
use super::super::{open, output};
use super::sign::removed;
use super::{PurgeArgs, can_ask, known, register, secret, yes};
use crate::journal::{self, AudioRemoval, Entry, FileDigest, FileSystem};
use crate::report::explain::printable;
use crate::report::words;
use crate::seal::check::removed_audio;
use crate::seal::retention::Retention;
use crate::seal::sign::{self, Later, Signed, clock_back_ms};
use crate::seal::statement::Seals;

/// Runs the command.
pub fn run(args: &PurgeArgs) -> Outcome {
    let dir = &args.exam;
    open::not_a_file(dir)?;
    let read = journal::read(dir)?;
    let Some(header) = read.header() else {
        return Err(Failure::input(
            dir.display().to_string(),
            "the journal has no header",
            "name the folder of an exam that was started",
        ));
    };
    if read.signing().is_some() {
        // Sound is removed only once signing is: what was interrupted is finished first.
        let taken = open::for_adding(dir)?;
        sign::finish(&FileSystem, dir, &taken)?;
    }
    let sound = sign::audio(&FileSystem, dir, &read)?;
    let recorded = removed_audio(&read);
    let (left, fresh): (Vec<FileDigest>, Vec<FileDigest>) =
        sound.into_iter().partition(|f| recorded.contains(f));
    if !left.is_empty() {
        // Recorded as removed by an interrupted command: nothing is left to decide.
        sign::remove(&FileSystem, dir, &left)?;
        output::put(&told(&left))?;
    }
    if fresh.is_empty() {
        if left.is_empty() {
            output::line("the exam holds no sound")?;
        }
        return Ok(Exit::Ok);
    }
    let signed = read.signing().is_some();
    let reason = reason(args, &header, signed)?;
    let who = match args.by.as_deref().or(header.by.as_deref()) {
        Some(who) => who.trim().to_owned(),
        None => {
            return Err(Failure::input(
                "--by",
                "the exam names no examiner, so it is not known who removes it",
                "say your initials, such as --by AB",
            ));
        }
    };
    if !args.yes && !confirmed(&fresh, signed)? {
        output::line("nothing was removed")?;
        return Ok(Exit::Ok);
    }
    let done = match signed {
        true => with_key(args, &who, reason)?,
        false => without_key(args, &who, reason, fresh)?,
    };
    let mut out = format!("recorded in entry {}\n", done.entry);
    out += &removed(&done);
    output::put(&out)?;
    Ok(Exit::Ok)
}

fn told(files: &[FileDigest]) -> String {
    let name = |f: &FileDigest| format!("  removed      {}, as recorded before\n", f.file);
    files.iter().map(name).collect()
}

/// Why it is removed: as given, else as the header's retention says; refused while that says to keep it.
fn reason(args: &PurgeArgs, header: &journal::Header, signed: bool) -> Result<String, Failure> {
    let words = header.audio_retention.as_deref();
    let given = args.reason.as_deref().map(str::trim).filter(|r| !r.is_empty());
    let keep = |message: String| Failure {
        exit: Exit::Gate,
        ..Failure::input(
            args.exam.display().to_string(),
            message,
            "to remove it all the same: --anyway --reason \"...\"",
        )
    };
    match Retention::of(words) {
        _ if args.anyway => {}
        Some(r) if r.holds(header.started, signed, Local::now().fixed_offset()) => {
            let until = match r {
                Retention::UntilSigning => "until the exam is signed".into(),
                Retention::Keep => "until somebody decides otherwise".into(),
                Retention::Days(_) => {
                    format!("for {r} from {}", words::wall(&header.started))
                }
            };
            return Err(keep(format!("its sound is to be kept {until}")));
        }
        Some(_) => {}
        None if given.is_some() => {}
        None => {
            let said = printable(words.unwrap_or_default());
            return Err(keep(format!(
                "the header says of sound `{said}`, which is not understood"
            )));
        }
    }
    let of_header = || match Retention::of(words) {
        Some(r) => format!("retention: {r}"),
        None => "retention".to_owned(),
    };
    Ok(given.map_or_else(of_header, str::to_owned))
}

fn confirmed(files: &[FileDigest], signed: bool) -> Result<bool, Failure> {
    let names: Vec<&str> = files.iter().map(|f| f.file.as_str()).collect();
    if !can_ask() {
        return Err(Failure::input(
            names.join(", "),
            "there is no terminal to ask on",
            "say --yes to remove it without being asked",
        ));
    }
    let warning = if signed { "" } else { " The exam is not signed yet." };
    output::line(&format!("The exam holds sound: {}.{warning}", names.join(", ")))?;
    yes("Remove it? Its digest stays in the journal.")
}

fn with_key(args: &PurgeArgs, who: &str, reason: String) -> Result<Signed, Failure> {
    let (keys, _) = known()?;
    keys.check(&FileSystem, who)?;
    let passphrase = secret::given(&args.passphrase, &format!("{who}'s key"))?;
    let key = keys.open(&FileSystem, who, &passphrase)?;
    let taken = open::for_adding(&args.exam)?;
    let later = Later::AudioRemoval { reason };
    let signed = sign::add(&FileSystem, &args.exam, taken, who, &key, later)?;
    register(&args.exam, &keys, &signed.seals);
    Ok(signed)
}

fn without_key(
    args: &PurgeArgs,
    who: &str,
    reason: String,
    files: Vec<FileDigest>,
) -> Result<Signed, Failure> {
    let mut taken = open::for_writing(&args.exam)?;
    let clock_back_ms = clock_back_ms(taken.resumed);
    let entry = AudioRemoval {
        who: who.to_owned(),
        key: None,
        files: files.clone(),
        reason,
        clock_back_ms,
    };
    let entry = taken.journal.append_now(&Entry::AudioRemoval(Box::new(entry)))?;
    sign::remove(&FileSystem, &args.exam, &files)?;
    Ok(Signed { seals: Seals { seals: Vec::new() }, entry, removed: files, clock_back_ms })
}
