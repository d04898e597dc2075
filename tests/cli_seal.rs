//! Signing as its user does it: the gate, the key, what a signed exam still takes, sound, locking.
//!
//! Exams, keys and people are invented.

#[path = "cli/support.rs"]
mod support;

use std::hash::{BuildHasher, RandomState};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use support::{Bench, Ran, bicycle, finish, root};

const PASS: &str = "four plain words here\n";

struct Signer {
    bench: Bench,
    lexicon: String,
}

/// A file that its owner alone can read.
fn private(bench: &Bench, name: &str, text: &str) {
    bench.file(name, text);
    mode(&bench.path(name), 0o600);
}

#[cfg(unix)]
fn mode(path: &Path, mode: u32) {
    use std::os::unix::fs::PermissionsExt as _;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
}

#[cfg(unix)]
fn mode_of(path: &Path) -> u32 {
    use std::os::unix::fs::PermissionsExt as _;
    std::fs::metadata(path).unwrap().permissions().mode() & 0o777
}

impl Signer {
    /// A folder with an exam `e` of the tests' own lexicon that lacks a side and an item.
    fn new() -> Self {
        let bench = Bench::new();
        bench.file("e.txt", "[0:01] headset smooth\n[0:05] left pedal tight\n");
        private(&bench, "pass", PASS);
        private(&bench, "wrong", "five plain words here\n");
        let s = Signer { bench, lexicon: bicycle() };
        let header = ["--by", "KT", "--started", "2026-03-04T08:30:00Z", "--protocol", "stand"];
        s.run(&[&["read", "e.txt", "--exam", "e", "--code", "DEMO-1"][..], &header].concat())
            .code(0);
        s
    }

    /// As [`Signer::new`], with nothing open and a key of KT.
    fn complete() -> Self {
        let s = Signer::new();
        s.run(&["settle", "e", "--gap", "pedal", "--side", "right", "--reason", "no time"]).code(0);
        s.run(&["settle", "e", "--gap", "brake-pad", "--reason", "no time"]).code(0);
        s.run(&["key", "new", "--by", "KT", "--passphrase-file", "pass"]).code(0);
        s
    }

    fn signed() -> Self {
        let s = Signer::complete();
        s.sign(&[]).code(0);
        s
    }

    fn command(&self, args: &[&str]) -> Command {
        let takes_lexicon = [
            "read", "settle", "sign", "verify", "addendum", "note", "score", "header", "listen",
            "show",
        ];
        let mut all = args.to_vec();
        if takes_lexicon.contains(&args[0]) {
            all.extend(["--lexicon", &self.lexicon]);
        }
        let mut c = self.bench.command(&all);
        c.env("COTSIDE_KEYS", self.bench.path("keys"));
        c
    }

    fn run(&self, args: &[&str]) -> Ran {
        finish(self.command(args), "")
    }

    fn sign(&self, more: &[&str]) -> Ran {
        self.run(&[&["sign", "e", "--passphrase-file", "pass"][..], more].concat())
    }

    fn add(&self, more: &[&str]) -> Ran {
        let args = ["addendum", "e", "--passphrase-file", "pass", "--reason", "left out"];
        self.run(&[&args[..], more].concat())
    }
}

#[test]
fn an_exam_with_open_matters_is_not_signed_and_each_is_told_with_what_settles_it() {
    let s = Signer::new();
    let ran = s.run(&["sign", "e"]).code(1);
    assert_eq!(
        ran.out,
        "\
not signed: 2 matters are open
 ! Pedal, right: not done, only the left
      cotside settle e --gap pedal --side right --reason \"...\"
 ! Brake pad: not done
      cotside settle e --gap brake-pad --reason \"...\"

all in turn:
      cotside settle e
or sign it with what is open on top of the note:
      cotside sign e --incomplete --reason \"...\"
"
    );
    assert!(!s.bench.path("e/seal.json").exists());
    s.run(&["verify", "e"]).code(1);
}

#[test]
fn the_commands_told_with_the_open_matters_are_all_it_takes() {
    let s = Signer::new();
    s.run(&["key", "new", "--by", "KT", "--passphrase-file", "pass"]).code(0);
    let told = s.sign(&[]).code(1).out.replace(" \\\n", " ");
    let commands = told.lines().map(str::trim).filter(|l| l.starts_with("cotside settle e --"));
    let mut settled = 0;
    for line in commands {
        let line = line.replace("\"...\"", "no-time");
        s.run(&line.split_whitespace().skip(1).collect::<Vec<&str>>()).code(0);
        settled += 1;
    }
    assert_eq!(settled, 2, "{told}");
    s.sign(&[]).code(0);
    s.run(&["verify", "e"]).code(0);
}

#[test]
fn without_an_examiner_or_by_another_nothing_is_signed_be_it_incomplete() {
    let s = Signer::new();
    s.run(&["key", "new", "--by", "KT", "--passphrase-file", "pass"]).code(0);
    s.run(&["header", "e", "--clear", "by", "--who", "CD"]).code(0);
    for more in [&[][..], &["--incomplete", "--reason", "moved"]] {
        let out = s.sign(more).code(1).out;
        assert!(out.contains("examiner not given"), "{out}");
        assert!(out.contains("cotside header e --by INITIALS"), "{out}");
        assert!(!out.contains("cotside sign e --incomplete"), "{out}");
    }
    s.run(&["header", "e", "--by", "KT", "--who", "CD"]).code(0);
    let out = s.sign(&["--by", "CD", "--incomplete", "--reason", "moved"]).code(1).out;
    assert!(out.contains("KT examined, and CD is to sign: the examiner signs"), "{out}");
}

#[test]
fn an_exam_of_tomorrow_or_one_that_never_ended_is_not_complete() {
    let s = Signer::complete();
    s.run(&["header", "e", "--started", "2126-03-04T08:30:00Z"]).code(0);
    let out = s.sign(&[]).code(1).out;
    let words: Vec<&str> = out.split_whitespace().collect();
    assert!(words.join(" ").contains("after what this machine's clock shows"), "{out}");
    assert!(out.contains("cotside header e --started TIME"), "{out}");
    // A log that was killed: its phrases are there, its end is not.
    let text = s.bench.text("e/journal.jsonl");
    let lines: Vec<&str> = text.lines().take(3).collect();
    assert!(!lines.concat().contains("\"kind\":\"end\""));
    s.bench.file("e/journal.jsonl", format!("{}\n", lines.join("\n")));
    let out = s.sign(&[]).code(1).out;
    assert!(out.contains("the log was never ended"), "{out}");
    assert!(out.contains("cotside listen --keys --exam e"), "{out}");
}

#[test]
fn an_exam_read_with_another_lexicon_than_it_was_begun_with_is_not_signed() {
    let s = Signer::complete();
    let mine = s.bench.path("mine");
    std::fs::create_dir(&mine).unwrap();
    let text = std::fs::read_to_string(Path::new(&s.lexicon).join("lexicon.toml")).unwrap();
    std::fs::write(mine.join("lexicon.toml"), format!("{text}\n# a later version\n")).unwrap();
    let mine = mine.display().to_string();
    let sign = |s: &Signer| {
        let mut c =
            s.bench.command(&["sign", "e", "--passphrase-file", "pass", "--lexicon", &mine]);
        c.env("COTSIDE_KEYS", s.bench.path("keys"));
        finish(c, "")
    };
    let out = sign(&s).code(1).out;
    assert!(out.contains("read with another lexicon"), "{out}");
    assert!(out.contains("cotside header e --adopt-lexicon"), "{out}");
    // Signed with the first, it stays signed; that another is at hand is said.
    s.sign(&[]).code(0);
    let mut c = s.bench.command(&["verify", "e", "--lexicon", &mine]);
    c.env("COTSIDE_KEYS", s.bench.path("keys"));
    let out = finish(c, "").code(0).out;
    assert!(out.contains("another version is at hand"), "{out}");
}

#[test]
fn a_complete_exam_is_signed_verified_and_printed_as_it_was_signed() {
    let s = Signer::signed();
    let out = s.run(&["verify", "e"]).code(0).out;
    assert!(out.starts_with("e: whole\n") && out.contains("(known)"), "{out}");
    assert!(out.contains("bicycle") && out.contains("as at hand"), "{out}");
    let note = s.bench.text("e/note.txt");
    assert!(!note.contains("Signed: ____"), "{note}");
    let printed = s.run(&["note", "e"]).code(0).out;
    assert!(printed.starts_with(&note), "{printed}");
    assert!(printed[note.len()..].starts_with("\nSIGNATURE\nSigned by KT on 20"), "{printed}");
    // A copy elsewhere verifies with the public key alone.
    let export = s.run(&["key", "export", "--by", "KT"]).code(0).out;
    s.bench.file("kt.pem", export);
    let mut other = s.command(&["verify", "e"]);
    other.env("COTSIDE_KEYS", s.bench.path("others"));
    assert!(finish(other, "").code(1).out.starts_with("e: UNKNOWN KEY\n"));
    let mut trust = s.command(&["key", "trust", "kt.pem", "--by", "KT"]);
    trust.env("COTSIDE_KEYS", s.bench.path("others"));
    finish(trust, "").code(0);
    let mut other = s.command(&["verify", "e"]);
    other.env("COTSIDE_KEYS", s.bench.path("others"));
    assert!(finish(other, "").code(0).out.starts_with("e: whole\n"));
}

#[test]
fn an_incomplete_exam_is_signed_with_what_is_open_on_top_of_the_note() {
    let s = Signer::new();
    s.run(&["key", "new", "--by", "KT", "--passphrase-file", "pass"]).code(0);
    s.sign(&["--incomplete"]).code(2);
    s.sign(&["--incomplete", "--reason", "  "]).code(2);
    s.sign(&["--incomplete", "--reason", "moved to theatre"]).code(0);
    let note = s.bench.text("e/note.txt");
    assert!(
        note.starts_with(
            "SIGNED INCOMPLETE: moved to theatre (KT)\n2 matters were open when it was signed:\n\
             - Pedal, right: not done, only the left\n- Brake pad: not done\n\n"
        ),
        "{note}"
    );
    let out = s.run(&["verify", "e"]).code(0).out;
    assert!(out.contains("signed incomplete: moved to theatre"), "{out}");
    assert!(!out.contains("words the note otherwise"), "the journal gives the same note: {out}");
    // What is complete is not signed as incomplete.
    let s = Signer::complete();
    let err = s.sign(&["--incomplete", "--reason", "x"]).code(2).err;
    assert!(err.contains("nothing is open"), "{err}");
}

#[test]
fn gaps_of_a_signed_exam_offer_no_command_that_would_be_refused() {
    let s = Signer::new();
    s.run(&["key", "new", "--by", "KT", "--passphrase-file", "pass"]).code(0);
    s.sign(&["--incomplete", "--reason", "a short look"]).code(0);
    let out = s.run(&["gaps", "e", "--lexicon", &s.lexicon]).code(1).out;
    assert!(out.contains("Pedal, right: not done"), "{out}");
    assert!(!out.contains("cotside settle") && !out.contains("cotside header"), "{out}");
    assert!(out.contains("added with cotside addendum e"), "{out}");
}

#[test]
fn every_other_writing_command_refuses_a_signed_exam_and_says_what_to_run() {
    let s = Signer::signed();
    let before = s.bench.text("e/journal.jsonl");
    s.bench.file("more.txt", "[0:20] right pedal tight\n");
    for args in [
        &["settle", "e"][..],
        &["settle", "e", "--gap", "pedal", "--reason", "x"],
        &["settle", "e", "--undo", "5"],
        &["header", "e", "--by", "CD"],
        &["read", "more.txt", "--exam", "e", "--append"],
        &["listen", "--keys", "--exam", "e"],
        &["score", "e", "--input", "skin=3"],
        &["sign", "e"],
    ] {
        let err = s.run(args).code(2).err;
        assert!(err.starts_with("error: e: KT signed this exam on 20"), "{args:?}: {err}");
        assert!(
            err.ends_with(
                "(entry 7), and nothing in it changes any more\n  help: add to it with an entry of \
                 its own: cotside addendum e --reason \"...\" --text \"...\"\n"
            ),
            "{args:?}: {err}"
        );
    }
    assert_eq!(s.bench.text("e/journal.jsonl"), before);
    s.run(&["verify", "e"]).code(0);
}

#[test]
fn later_entries_are_printed_under_the_note_with_kind_author_time_and_reason() {
    let s = Signer::new();
    let err = s.add(&["--text", "x"]).code(2).err;
    assert!(err.contains("the exam is not signed"), "{err}");
    let s = Signer::signed();
    let note = s.bench.text("e/note.txt");
    s.add(&["--text", "The pump was lent out."]).code(0);
    s.add(&[
        "--kind",
        "late-entry",
        "--item",
        "pedal",
        "--side",
        "right",
        "--value",
        "tight",
        "--seen",
        "2026-03-04T08:40:00Z",
    ])
    .code(0);
    s.add(&["--kind", "correction", "--about", "3.1", "--text", "It was the right one."]).code(0);
    for (wrong, why) in [
        (&["--text", " "][..], "--text"),
        (&["--text", "x", "--about", "99.1"], "is no finding's number"),
        (&["--item", "pedal", "--side", "left", "--value", "blue"], "blue"),
        (&["--text", "x", "--seen", "2126-01-01T00:00:00Z"], "still to come"),
    ] {
        let err = s.add(wrong).code(2).err;
        assert!(err.contains(why), "{wrong:?}: {err}");
    }
    let printed = s.run(&["note", "e"]).code(0).out;
    assert!(printed.starts_with(&note), "the first note stays readable: {printed}");
    let under = &printed[note.len()..];
    for words in [
        "ADDED AFTER SIGNING\n1. Addendum by KT, 20",
        "   Reason: left out\n   The pump was lent out.\n2. Late entry by KT",
        "   Finding: Pedal, right: tight.\n   Seen 2026-03-04 08:40 +00:00, as KT says.",
        "3. Correction by KT",
        "   About the finding 3.1.\n   It was the right one.",
    ] {
        assert!(under.contains(words), "{words:?} in\n{under}");
    }
    assert!(printed.lines().all(|l| l.chars().count() <= 80), "{printed}");
    let json = s.run(&["verify", "e", "--json"]).code(0).json();
    assert_eq!(json["seals"].as_array().unwrap().len(), 4);
    assert_eq!(json["whole"], true);
}

#[test]
fn an_altered_note_is_not_printed_and_the_exam_ends_in_exit_code_4() {
    let s = Signer::signed();
    s.add(&["--text", "one"]).code(0);
    let copy = s.bench.text("e/note.txt");
    s.bench.file("e/note.txt", copy.replace("smooth", "rough"));
    let out = s.run(&["verify", "e"]).code(4).out;
    assert!(
        out.starts_with("e: ALTERED\n  altered: note.txt: is not the note that was signed\n"),
        "{out}"
    );
    let ran = s.run(&["note", "e"]).code(4);
    assert!(ran.out.is_empty() && ran.err.contains("note.txt: altered"), "{}", ran.err);
    s.add(&["--text", "two"]).code(4);
    s.bench.file("e/note.txt", copy);
    // One word of one entry, in the middle.
    let journal = s.bench.text("e/journal.jsonl");
    s.bench.file("e/journal.jsonl", journal.replace("left pedal", "right pedal"));
    let out = s.run(&["verify", "e"]).code(4).out;
    assert!(out.contains("damaged: journal.jsonl, entry 3: the line was changed"), "{out}");
    // The seal taken away: the journal itself says that there was one.
    s.bench.file("e/journal.jsonl", journal);
    let seal = s.bench.text("e/seal.json");
    std::fs::remove_file(s.bench.path("e/seal.json")).unwrap();
    let out = s.run(&["verify", "e"]).code(4).out;
    assert!(out.contains("altered: seal.json: is missing: entry 7 says that KT signed"), "{out}");
    s.run(&["note", "e"]).code(4);
    s.run(&["settle", "e", "--undo", "5"]).code(2);
    // A seal beside a journal that was never signed.
    let never = Signer::complete();
    never.bench.file("e/seal.json", seal);
    never.run(&["settle", "e", "--undo", "5"]).code(4);
    never.run(&["verify", "e"]).code(4);
}

#[test]
fn a_folder_put_back_as_it_was_before_an_addendum_is_missed_where_it_was_signed() {
    let s = Signer::signed();
    let (journal, seal) = (s.bench.text("e/journal.jsonl"), s.bench.text("e/seal.json"));
    s.add(&["--text", "one"]).code(0);
    s.bench.file("e/journal.jsonl", journal).file("e/seal.json", seal);
    let out = s.run(&["verify", "e"]).code(4).out;
    assert!(out.contains("seal 2 is missing, which was made on this machine"), "{out}");
}

#[test]
fn a_wrong_passphrase_signs_nothing_and_is_said() {
    let s = Signer::complete();
    let err = s.run(&["sign", "e", "--passphrase-file", "wrong"]).code(2).err;
    assert!(err.contains("the passphrase does not open this key"), "{err}");
    let err = s.run(&["sign", "e"]).code(2).err;
    assert!(err.contains("there is no terminal to ask on"), "{err}");
    // From standard input, as a password manager gives it.
    let piped = s.command(&["sign", "e", "--passphrase-file", "-"]);
    finish(piped, PASS).code(0);
    let err = s.run(&["key", "new", "--by", "CD", "--passphrase-file", "short"]).code(2).err;
    assert!(err.contains("short"), "{err}");
    private(&s.bench, "short", "seven77\n");
    let err = s.run(&["key", "new", "--by", "CD", "--passphrase-file", "short"]).code(2).err;
    assert!(err.contains("fewer than 8 characters"), "{err}");
    let err = s.run(&["key", "new", "--by", "KT", "--passphrase-file", "pass"]).code(2).err;
    assert!(err.contains("there is a key of KT already"), "{err}");
    let err = s.run(&["key", "trust", "keys/KT.key.pem", "--by", "KT"]).code(2).err;
    assert!(err.contains("this is a private key"), "{err}");
}

#[cfg(unix)]
#[test]
fn keys_that_others_can_use_are_refused_and_what_is_written_is_its_owners_alone() {
    let s = Signer::complete();
    assert_eq!(mode_of(&s.bench.path("keys")), 0o700);
    for file in ["KT.key.pem", "known-keys.toml"] {
        assert_eq!(mode_of(&s.bench.path("keys").join(file)), 0o600, "{file}");
    }
    for (path, wrong, right) in
        [("keys/KT.key.pem", 0o640, 0o600), ("keys", 0o755, 0o700), ("pass", 0o644, 0o600)]
    {
        mode(&s.bench.path(path), wrong);
        let err = s.sign(&[]).code(2).err;
        assert!(err.contains("others on this machine can"), "{path}: {err}");
        assert!(err.contains(&format!("chmod {right:o}")), "{path}: {err}");
        mode(&s.bench.path(path), right);
    }
    mode(&s.bench.path("keys/known-keys.toml"), 0o666);
    let err = s.run(&["verify", "e"]).code(2).err;
    assert!(err.contains("others on this machine can write it"), "{err}");
    mode(&s.bench.path("keys/known-keys.toml"), 0o600);
    // What was put into the exam folder by other means is made private at signing.
    s.bench.file("e/audio/1.wav", "RIFF").file("e/remark.txt", "x");
    for (path, wrong) in [("e/audio", 0o755), ("e/audio/1.wav", 0o644), ("e/remark.txt", 0o664)] {
        mode(&s.bench.path(path), wrong);
    }
    let err = s.sign(&["--keep-audio"]).code(0).err;
    assert!(err.contains("made readable by you alone: audio/1.wav, remark.txt, audio"), "{err}");
    s.add(&["--text", "one"]).code(0);
    s.run(&["note", "e", "-o", "e/printed.txt"]).code(0);
    let mut files = 0;
    for file in
        ["journal.jsonl", "note.txt", "seal.json", "audio/1.wav", "remark.txt", "printed.txt"]
    {
        assert_eq!(mode_of(&s.bench.path("e").join(file)), 0o600, "{file}");
        files += 1;
    }
    assert_eq!(mode_of(&s.bench.path("e/audio")), 0o700);
    assert_eq!(files, 6);
}

#[test]
fn sound_goes_at_signing_once_that_is_said_and_its_digest_stays() {
    let s = Signer::complete();
    s.bench.file("e/audio/1.wav", "RIFF sound");
    let err = s.sign(&[]).code(2).err;
    assert!(err.contains("sound is kept until signing") && err.contains("--remove-audio"), "{err}");
    let out = s.sign(&["--remove-audio"]).code(0).out;
    assert!(out.contains("removed      audio/1.wav"), "{out}");
    assert!(!s.bench.path("e/audio/1.wav").exists());
    let digest = cotside::journal::Digest::of(b"RIFF sound").to_string();
    assert!(s.bench.text("e/journal.jsonl").contains(&digest));
    let out = s.run(&["verify", "e"]).code(0).out;
    assert!(out.contains(&format!("removed    audio/1.wav (SHA-256 {}", &digest[..16])), "{out}");
    // Put back as it was, it is said to be still there, and purge removes it without a new entry.
    s.bench.file("e/audio/1.wav", "RIFF sound");
    let out = s.run(&["verify", "e"]).code(0).out;
    assert!(out.contains("is to be removed and still here"), "{out}");
    let entries = s.bench.text("e/journal.jsonl");
    s.run(&["purge", "e"]).code(0);
    assert!(!s.bench.path("e/audio/1.wav").exists());
    assert_eq!(s.bench.text("e/journal.jsonl"), entries);
    s.bench.file("e/audio/1.wav", "other");
    s.run(&["verify", "e"]).code(4);
}

#[test]
fn purge_keeps_to_the_header_and_records_what_it_removes() {
    let s = Signer::complete();
    s.bench.file("e/audio/1.wav", "RIFF sound");
    let err = s.run(&["purge", "e", "--yes"]).code(1).err;
    assert!(err.contains("to be kept until the exam is signed"), "{err}");
    s.run(&["header", "e", "--audio", "forever"]).code(2);
    s.run(&["header", "e", "--audio", "keep"]).code(0);
    assert!(s.run(&["header", "e"]).code(0).out.contains("sound kept  keep"));
    // Kept as the header says, and signed with the exam.
    s.sign(&[]).code(0);
    assert!(s.bench.path("e/audio/1.wav").exists());
    let err = s.run(&["purge", "e", "--yes", "--passphrase-file", "pass"]).code(1).err;
    assert!(err.contains("until somebody decides otherwise"), "{err}");
    let purge = ["purge", "e", "--anyway", "--reason", "asked by the parents"];
    let err = s.run(&purge).code(2).err;
    assert!(err.contains("--yes"), "{err}");
    let out = s.run(&[&purge[..], &["--yes", "--passphrase-file", "pass"]].concat()).code(0).out;
    assert!(
        out.contains("recorded in entry 9") && out.contains("removed      audio/1.wav"),
        "{out}"
    );
    let out = s.run(&["verify", "e"]).code(0).out;
    assert!(out.contains("removal") && out.contains("removed    audio/1.wav"), "{out}");
    let note = s.run(&["note", "e"]).code(0).out;
    assert!(
        note.contains("Sound removed by KT") && note.contains("asked by the parents"),
        "{note}"
    );
    assert!(s.run(&["purge", "e"]).code(0).out.contains("holds no sound"));

    // Before signing it is an entry without a signature, and signing covers it.
    let s = Signer::complete();
    s.bench.file("e/audio/1.wav", "RIFF sound");
    s.run(&["purge", "e", "--yes", "--anyway", "--reason", "asked"]).code(0);
    s.sign(&[]).code(0);
    assert!(s.run(&["verify", "e"]).code(0).out.contains("removed    audio/1.wav"));
}

#[test]
fn a_locked_exam_comes_back_byte_for_byte_and_a_wrong_passphrase_opens_nothing() {
    let s = Signer::signed();
    s.bench.file("e/audio/1.wav", vec![7_u8; 100_000]);
    let names = ["journal.jsonl", "note.txt", "seal.json", "audio/1.wav"];
    let read = |s: &Signer| -> Vec<Vec<u8>> {
        names.iter().map(|n| std::fs::read(s.bench.path("e").join(n)).unwrap()).collect()
    };
    let before = read(&s);
    s.run(&["lock", "e", "--passphrase-file", "pass"]).code(0);
    assert!(!s.bench.path("e").exists());
    let locked = std::fs::read(s.bench.path("e.age")).unwrap();
    assert!(locked.starts_with(b"age-encryption.org/v1\n-> scrypt "));
    assert!(!locked.windows(7).any(|w| w == b"headset"));
    #[cfg(unix)]
    assert_eq!(mode_of(&s.bench.path("e.age")), 0o600);
    let err = s.run(&["show", "e"]).code(2).err;
    assert!(err.contains("the exam is locked; open it: cotside unlock e.age"), "{err}");
    let err = s.run(&["unlock", "e.age", "--passphrase-file", "wrong"]).code(2).err;
    assert!(err.contains("the passphrase does not open it"), "{err}");
    // One byte flipped anywhere opens to nothing, never to another exam.
    for at in [0, 40, 120, locked.len() / 2, locked.len() - 1] {
        let mut bytes = locked.clone();
        bytes[at] ^= 1;
        s.bench.file("e.age", &bytes);
        let ran = s.run(&["unlock", "e.age", "--passphrase-file", "pass"]);
        assert!(matches!(ran.code, Some(2 | 4)), "{at}: {ran:?}");
        assert!(!s.bench.path("e").exists(), "{at}");
    }
    s.bench.file("e.age", &locked[..locked.len() - 1]);
    s.run(&["unlock", "e.age", "--passphrase-file", "pass"]).code(4);
    s.bench.file("e.age", &locked);
    // A folder of that name with somebody's own work in it is left alone.
    s.bench.file("e/journal.jsonl", "another exam");
    let err = s.run(&["unlock", "e.age", "--passphrase-file", "pass"]).code(2).err;
    assert!(err.contains("is another than in the closed exam"), "{err}");
    assert!(s.bench.path("e.age").exists());
    // What a stopped unlocking leaves is gone on with.
    s.bench.file("e/journal.jsonl", &before[0][..30]).file("e/note.txt", &before[1]);
    s.run(&["unlock", "e.age", "--passphrase-file", "pass"]).code(0);
    assert!(!s.bench.path("e.age").exists());
    assert_eq!(read(&s), before);
    #[cfg(unix)]
    for name in names {
        assert_eq!(mode_of(&s.bench.path("e").join(name)), 0o600, "{name}");
    }
    s.run(&["verify", "e"]).code(0);
    // Locking stopped while it removed the plain files: the same command goes on.
    s.bench.file("e.age", &locked);
    std::fs::remove_file(s.bench.path("e/journal.jsonl")).unwrap();
    s.run(&["lock", "e", "--passphrase-file", "pass"]).code(0);
    assert!(!s.bench.path("e").exists() && s.bench.path("e.age").exists());
}

/// A number below `below`, from the standard library's seeded hasher.
fn random(below: u64) -> u64 {
    RandomState::new().hash_one(below) % below
}

#[test]
fn signing_killed_at_any_moment_leaves_the_exam_signed_or_unsigned() {
    let (mut signed, mut unsigned) = (0, 0);
    let start = Signer::complete();
    let files = ["journal.jsonl"];
    let kept: Vec<String> = files.iter().map(|f| start.bench.text(&format!("e/{f}"))).collect();
    for round in 0..14 {
        let _ = std::fs::remove_dir_all(start.bench.path("e"));
        let _ = std::fs::remove_file(start.bench.path("keys/signed.jsonl"));
        for (name, text) in files.iter().zip(&kept) {
            start.bench.file(&format!("e/{name}"), text);
        }
        start.bench.file("e/audio/1.wav", "RIFF");
        let mut child = start
            .command(&["sign", "e", "--passphrase-file", "pass", "--remove-audio"])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // By progress first, so that the end falls before, in and behind the steps on any machine.
        let goal = ["note.txt.part", "seal.json.part", "note.txt", "seal.json"][round % 4];
        while !start.bench.path("e").join(goal).exists() && child.try_wait().unwrap().is_none() {
            std::hint::spin_loop();
        }
        std::thread::sleep(Duration::from_micros(random(1500)));
        // SIGKILL on Unix: nothing in the program can put anything right.
        let _ = child.kill();
        child.wait().unwrap();

        let ran = start.run(&["verify", "e"]);
        match ran.code {
            Some(0) => {
                signed += 1;
                start.add(&["--text", "one"]).code(0);
            }
            Some(1) => {
                unsigned += 1;
                assert!(ran.out.starts_with("e: not signed\n"), "round {round}: {}", ran.out);
                start.run(&["settle", "e", "--undo", "5"]).code(0);
                start.run(&["settle", "e", "--undo", "7"]).code(0);
                start.sign(&["--remove-audio"]).code(0);
            }
            _ => panic!("round {round}: half signed: {ran:?}"),
        }
        start.run(&["purge", "e"]).code(0);
        start.run(&["verify", "e"]).code(0);
        assert!(!start.bench.path("e/audio/1.wav").exists(), "round {round}");
    }
    assert!(signed > 0, "no round got as far as a signature ({unsigned} did not)");
}

#[test]
fn the_demo_is_signed_verified_and_printed_without_a_network() {
    let no_network = |program: &str, args: &[&str]| {
        let mut c = Command::new("unshare");
        c.arg("-rn").arg(program).args(args);
        c
    };
    let possible = no_network("true", &[]).status().is_ok_and(|s| s.success());
    if !possible {
        eprintln!("SKIPPED: a namespace without a network cannot be made here");
        return;
    }
    let bench = Bench::new();
    private(&bench, "pass", PASS);
    let vtt = root().join("demo/exam.vtt").display().to_string();
    let header = [
        "--sex",
        "f",
        "--ga",
        "39+2",
        "--born",
        "2026-03-03T02:30:00+00:00",
        "--started",
        "2026-03-04T08:30:00+00:00",
        "--by",
        "KT",
        "--protocol",
        "full-term",
    ];
    let run = |args: &[&str]| {
        let mut c = no_network(env!("CARGO_BIN_EXE_cotside"), args);
        c.current_dir(bench.path("")).env("COTSIDE_KEYS", bench.path("keys"));
        c.env("COTSIDE_READER", "off");
        finish(c, "")
    };
    run(&[&["read", vtt.as_str(), "--exam", "e"][..], &header].concat()).code(0);
    run(&["key", "new", "--by", "KT", "--passphrase-file", "pass"]).code(0);
    let why = ["--incomplete", "--reason", "a demo"];
    run(&[&["sign", "e", "--passphrase-file", "pass"][..], &why].concat()).code(0);
    let out = run(&["verify", "e"]).code(0).out;
    assert!(out.starts_with("e: whole\n"), "{out}");
    assert!(!out.contains("words the note otherwise"), "{out}");
    let note = run(&["note", "e"]).code(0).out;
    assert!(note.contains("SIGNATURE\nSigned by KT on "), "{note}");
}

#[test]
fn help_of_the_new_commands_opens_with_examples_and_fits_80_columns() {
    let bench = Bench::new();
    for args in [
        &["sign"][..],
        &["verify"],
        &["addendum"],
        &["key"],
        &["key", "new"],
        &["key", "show"],
        &["key", "export"],
        &["key", "trust"],
        &["purge"],
        &["lock"],
        &["unlock"],
    ] {
        let out = bench.run(&[args, &["--help"]].concat()).code(0).out;
        assert!(out.starts_with("Examples:\n  cotside "), "{args:?}: {out}");
        assert!(out.lines().all(|l| l.chars().count() <= 80), "{args:?}: {out}");
    }
}

#[test]
fn a_signed_exam_comes_back_from_its_export_byte_for_byte_and_whole() {
    let s = Signer::signed();
    let lexicon = bicycle();
    for format in ["json", "fhir"] {
        let (file, back) = (format!("e.{format}"), format!("back-{format}"));
        let export = ["export", "e", "--as", format, "-o", &file, "--lexicon", &lexicon];
        s.run(&export).code(0);
        s.run(&["import", &file, "--exam", &back]).code(0);
        for name in ["journal.jsonl", "seal.json", "note.txt"] {
            let of = |dir: &str| std::fs::read(s.bench.path(&format!("{dir}/{name}"))).unwrap();
            assert_eq!(of("e"), of(&back), "{name} by {format}");
        }
        let told = s.run(&["verify", &back]).code(0).out;
        assert!(told.contains("whole"), "{told}");
    }
}

/// The seal and its note as an interruption leaves them: signed, and not under their own names yet.
fn interrupted(s: &Signer) {
    for name in ["note.txt", "seal.json"] {
        let path = s.bench.path("e").join(name);
        std::fs::rename(&path, s.bench.path("e").join(format!("{name}.part"))).unwrap();
    }
}

#[test]
fn what_an_interrupted_signing_left_is_exported_signed_and_finished_by_purge() {
    let s = Signer::signed();
    let whole: Vec<Vec<u8>> = ["seal.json", "note.txt"]
        .iter()
        .map(|n| std::fs::read(s.bench.path("e").join(n)).unwrap())
        .collect();
    interrupted(&s);
    s.run(&["export", "e", "--as", "json", "-o", "e.json", "--lexicon", &s.lexicon]).code(0);
    s.run(&["import", "e.json", "--exam", "back"]).code(0);
    for (name, bytes) in ["seal.json", "note.txt"].iter().zip(&whole) {
        assert_eq!(&std::fs::read(s.bench.path("back").join(name)).unwrap(), bytes, "{name}");
    }
    assert!(s.run(&["verify", "back"]).code(0).out.contains("whole"));
    // There is no sound to remove; what was interrupted is finished all the same.
    s.run(&["purge", "e"]).code(0);
    for (name, bytes) in ["seal.json", "note.txt"].iter().zip(&whole) {
        assert_eq!(&std::fs::read(s.bench.path("e").join(name)).unwrap(), bytes, "{name}");
        assert!(!s.bench.path("e").join(format!("{name}.part")).exists(), "{name}");
    }
}

#[test]
fn a_signed_exam_whose_files_are_gone_or_folders_is_damaged_whichever_they_are() {
    let s = Signer::signed();
    let kept = std::fs::read(s.bench.path("e/journal.jsonl")).unwrap();
    std::fs::remove_file(s.bench.path("e/journal.jsonl")).unwrap();
    let told = s.run(&["verify", "e"]).code(4).out;
    assert!(told.contains("journal.jsonl: is missing, and a seal stands here"), "{told}");
    for (args, told) in [
        (&["show", "e"][..], "its journal was taken away"),
        (&["note", "e"], "is missing, and a seal stands here"),
        (&["export", "e"], "its journal was taken away"),
        (&["settle", "e"], "its journal was taken away"),
    ] {
        let err = s.run(args).code(4).err;
        assert!(err.contains(told), "{args:?}: {err}");
    }
    s.bench.file("e/journal.jsonl", &kept);
    for name in ["note.txt", "seal.json"] {
        let path = s.bench.path("e").join(name);
        let bytes = std::fs::read(&path).unwrap();
        std::fs::remove_file(&path).unwrap();
        std::fs::create_dir(&path).unwrap();
        let told = s.run(&["verify", "e"]).code(4).out;
        assert!(
            told.contains(&format!("{name}: what stands in this file's place is no file")),
            "{told}"
        );
        std::fs::remove_dir(&path).unwrap();
        std::fs::write(&path, bytes).unwrap();
    }
    assert!(s.run(&["verify", "e"]).code(0).out.contains("note, 7 entries"));
    // What stands behind the last whole entry is set aside, and is no entry.
    s.bench.file("e/journal.jsonl", [&kept[..], b"not an entry\n"].concat());
    let told = s.run(&["verify", "e"]).code(0).out;
    assert!(told.contains("note, 7 entries") && told.contains("nothing that was signed"), "{told}");
}

#[cfg(unix)]
#[test]
fn lock_says_what_to_do_about_links_and_what_came_into_a_folder_it_left() {
    let s = Signer::signed();
    std::os::unix::fs::symlink("e", s.bench.path("link")).unwrap();
    for link in ["link", "link/"] {
        let err = s.run(&["lock", link, "--passphrase-file", "pass"]).code(2).err;
        assert!(
            err.contains("this is a link to a folder") && err.contains("cotside lock /"),
            "{err}"
        );
    }
    assert!(s.bench.path("e/seal.json").exists());
    s.run(&["lock", "e", "--passphrase-file", "pass"]).code(0);
    // As an interruption and a file manager leave it.
    s.bench.file("e/thumbnails.db", "stray");
    for (args, advice) in [
        (["lock", "e"], "move this file to another folder"),
        (["unlock", "e.age"], "give the folder another name"),
    ] {
        let err = s.run(&[&args[..], &["--passphrase-file", "pass"]].concat()).code(2).err;
        assert!(err.contains("thumbnails.db") && err.contains(advice), "{err}");
    }
    std::fs::rename(s.bench.path("e/thumbnails.db"), s.bench.path("thumbnails.db")).unwrap();
    s.run(&["unlock", "e.age", "--passphrase-file", "pass"]).code(0);
    assert!(s.run(&["verify", "e"]).code(0).out.contains("whole"));
}

#[test]
fn a_correction_added_after_signing_is_what_other_programs_are_handed() {
    let s = Signer::new();
    s.bench.file("n.txt", "[0:02] quiet awake\n[0:05] suck strong\n[0:14] palate intact\n");
    let started = ["--by", "KT", "--started", "2026-03-04T08:30:00Z"];
    let run = |args: &[&str]| {
        let mut c = s.bench.command(args);
        c.env("COTSIDE_KEYS", s.bench.path("keys"));
        finish(c, "")
    };
    run(&[&["read", "n.txt", "--exam", "n"][..], &started].concat()).code(0);
    run(&["key", "new", "--by", "KT", "--passphrase-file", "pass"]).code(0);
    let why = ["--incomplete", "--reason", "a short look"];
    run(&[&["sign", "n", "--passphrase-file", "pass"][..], &why].concat()).code(0);
    let bundle = |name: &str| run(&["export", name, "--as", "fhir"]).code(0).json();
    let of = |b: &serde_json::Value, kind: &str, code: &str| -> Vec<serde_json::Value> {
        let all = b["entry"].as_array().unwrap().iter().map(|e| e["resource"].clone());
        all.filter(|r| r["resourceType"] == kind)
            .filter(|r| code.is_empty() || r["code"]["coding"].to_string().contains(code))
            .collect()
    };
    let before = bundle("n");
    assert_eq!(of(&before, "Composition", "")[0]["status"], "final");
    let suck = of(&before, "Observation", "\"suck\"");
    assert_eq!((suck.len(), &suck[0]["status"]), (1, &serde_json::json!("final")));
    let told = run(&["explain", "n", "suck"]).code(0).out;
    let line = told.lines().find(|l| l.contains("strong [")).unwrap().to_owned();
    let number = regex::Regex::new(r"\[\d+\.\d+\]").unwrap();
    let number = number.find(&line).expect("the finding's number").as_str();
    let number = number.trim_matches(['[', ']']).to_owned();
    let correction =
        ["--kind", "correction", "--about", &number, "--item", "suck", "--value", "weak"];
    let add = ["addendum", "n", "--passphrase-file", "pass", "--reason", "said the wrong word"];
    run(&[&add[..], &correction].concat()).code(0);
    let after = bundle("n");
    assert_eq!(of(&after, "Composition", "")[0]["status"], "amended");
    let suck = of(&after, "Observation", "\"suck\"");
    assert_eq!((suck.len(), &suck[0]["status"]), (1, &serde_json::json!("corrected")), "{suck:#?}");
    assert_eq!(suck[0]["valueCodeableConcept"]["coding"][0]["code"], "suck/weak");
    let table = run(&["export", "n", "--as", "csv"]).code(0).out;
    let row = table.lines().find(|l| l.contains(",suck,")).unwrap();
    assert!(row.contains("weak") && !row.contains("strong"), "{row}");
}
