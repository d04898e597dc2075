//! The command line. Help, man pages and completions all come from the definition in this file;
//! each command has a file of its own and holds no more than the wiring of the rooms.

mod archive;
mod compare;
mod completions;
mod devices;
mod exit;
mod explain;
mod export;
mod gaps;
mod gather;
mod header;
mod hear;
mod hearing_test;
mod import;
mod lexicon;
mod listen;
mod listen_voice;
mod manual;
mod many;
mod mishap;
mod model;
mod note;
mod open;
mod output;
mod page;
mod read;
mod review;
mod score;
mod sealing;
mod second;
mod settle;
mod show;
mod teach;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{ArgGroup, Args, CommandFactory, Parser, Subcommand, ValueEnum};

use self::exit::{Exit, Outcome};
use self::header::{Clear, Fields};

const EXIT_CODES: &str = "\
Exit codes:
  0  all went well
  1  the exam does not meet its protocol (gaps), is not signed, or is signed by an
     unknown key
  2  the command line or an input is wrong; nothing was changed
  3  the disk, the terminal or the microphone failed
  4  the journal or the seal is damaged or altered, or a later version wrote it;
     nothing was changed
  101  cotside made a mistake of its own; what was confirmed is kept

Colour is used on a terminal only and says nothing that words do not say;
--color never or a non-empty NO_COLOR turns it off. Results go to standard
output, messages to standard error.";

const START: &str = "\
Examples:
  cotside read exam.vtt --exam exams/a1 --sex f --ga 39+2 --by AB
  cotside listen --keys --exam exams/a2
  cotside gaps exams/a1
  cotside review exams/a1
  cotside note exams/a1";

/// Logs a bedside examination from spoken or keyed phrases: what was said is kept for ever, what
/// it means is computed from that in the open, and what is missing is shown.
#[derive(Debug, Parser)]
#[command(
    name = "cotside",
    version,
    before_help = START,
    after_help = "Exit codes: 0 ok, 1 gaps, 2 usage or input, 3 device, 4 damaged data. \
                  More: cotside --help, cotside COMMAND --help",
    after_long_help = EXIT_CODES,
    arg_required_else_help = true,
    subcommand_required = true,
    disable_help_subcommand = true,
    max_term_width = 80
)]
pub struct Cli {
    /// When to use colour: auto (on a terminal, unless NO_COLOR is set), always or never
    #[arg(
        long,
        global = true,
        value_enum,
        default_value_t = Color::Auto,
        value_name = "WHEN",
        hide_possible_values = true,
        display_order = 900
    )]
    color: Color,
    #[command(subcommand)]
    command: Command,
}

/// When to use colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Color {
    /// On a terminal, unless NO_COLOR is set
    Auto,
    /// Always
    Always,
    /// Never
    Never,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Read a timed text into an exam
    Read(ReadArgs),
    /// Hear a recorded exam (WAV) into an exam
    Hear(hear::HearArgs),
    /// Log phrases live at the bedside
    Listen(ListenArgs),
    /// List the microphones
    Devices,
    /// Read twenty phrases aloud and see how they are heard
    HearingTest(hearing_test::HearingTestArgs),
    /// Show the exam, ordered by section
    Show(ShowArgs),
    /// Show what is missing; exit code 1 when the protocol is not met
    Gaps(GapsArgs),
    /// Print the clinical note
    Note(NoteArgs),
    /// Hold published scales against the exam: result or range, what fed it, what is missing
    Score(ScoreArgs),
    /// Lay several exams of one infant side by side
    Compare(CompareArgs),
    /// Decide what is unsettled, add what was missed, give reasons for gaps
    Settle(Box<SettleArgs>),
    /// See, hear and settle the exam in the browser, on this machine alone
    Review(review::ReviewArgs),
    /// Write the exam, or several of one infant side by side, as one HTML file to read and print
    Page(page::PageArgs),
    /// Show why each phrase was read as it was
    Explain(ExplainArgs),
    /// Sign the exam, once nothing is open
    Sign(sealing::SignArgs),
    /// Say what of a signed exam is whole, and whose key signed it
    Verify(sealing::VerifyArgs),
    /// Add a signed entry to a signed exam
    Addendum(Box<sealing::AddendumArgs>),
    /// Make, show and exchange the keys that sign
    Key(sealing::KeyArgs),
    /// Remove the sound of an exam
    Purge(sealing::PurgeArgs),
    /// Put the exam folder under a passphrase
    Lock(sealing::LockArgs),
    /// Take the exam folder out from under its passphrase
    Unlock(sealing::UnlockArgs),
    /// Write the exam for other programs, or on paper
    Export(ExportArgs),
    /// Make an exam of its own export again
    Import(ImportArgs),
    /// List, filter and sum up a folder of exams: completeness, durations, what is skipped and why
    Archive(ArchiveArgs),
    /// Write the findings of a folder of exams as one table
    Gather(GatherArgs),
    /// Show the header, or change its fields by a journal entry
    Header(HeaderArgs),
    /// Check or list the trade data that phrases are read by
    Lexicon(LexiconArgs),
    /// Install the speech model, or say what is there
    Model(model::ModelArgs),
    /// Print completions for a shell
    Completions(CompletionsArgs),
    /// Print the manual page of cotside or of one command
    Manual(ManualArgs),
}

/// `cotside read`
#[derive(Debug, Args)]
#[command(
    before_help = "\
Examples:
  cotside read exam.vtt --exam exams/a1 --sex m --ga 40+1 --born 2031-04-04T03:10:00+02:00
  cotside read - --exam exams/a2 < exam.txt
  cotside read rest.txt --exam exams/a2 --append",
    after_help = "\
Takes WebVTT, SRT, stamped lines (`[1:02] words`) and JSON lines; the format is
told from the content. The whole input is checked first: when anything is wrong,
all of it is listed and nothing is made. Each phrase is on disk before the next
is taken. An interrupted read is finished by running it again with --append:
phrases already there are not taken twice. For phrases that arrive one by one,
use `cotside listen --keys`, which takes a pipe too."
)]
struct ReadArgs {
    /// Timed text; `-` reads standard input
    file: PathBuf,
    /// Folder of the exam; it is made
    #[arg(long, value_name = "DIR")]
    exam: PathBuf,
    /// Add to an exam that is there already
    #[arg(long)]
    append: bool,
    /// When the exam started; now, when not given
    #[arg(long, value_name = "TIME", value_parser = header::when)]
    started: Option<header::When>,
    #[command(flatten)]
    fields: Fields,
    /// Folder of a lexicon to use instead of the shipped one
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
    /// Print the summary as JSON
    #[arg(long)]
    json: bool,
}

/// `cotside listen`
#[derive(Debug, Args)]
#[command(
    before_help = "\
Examples:
  cotside listen --exam exams/a3 --by AB
  cotside listen --exam exams/a3 --device alsa:hw:1 --rate 48000 --channels 1 --format i16
  cotside listen --keys --exam exams/a4",
    after_help = "\
Speak or type: what was understood is answered at once. Needs the speech model
(`cotside model install`); with --keys it does not. The sound is kept beside the
journal, and not while paused.
  ? and Enter            what is left to do
  \"pause the log\"        nothing is kept until \"resume the log\"
  \"end of exam\", Ctrl-C  finishes the exam
An exam that was interrupted is taken up again by the same command; nothing that
was answered is lost."
)]
struct ListenArgs {
    /// Only typed phrases, from the terminal or line by line from a pipe
    #[arg(long)]
    keys: bool,
    /// Microphone, as `cotside devices` names it
    #[arg(long, value_name = "NAME", conflicts_with = "keys")]
    device: Option<String>,
    /// Samples a second to take from it; its own choice, when not given
    #[arg(long, value_name = "HZ", conflicts_with = "keys")]
    rate: Option<u32>,
    /// Channels to take from it
    #[arg(long, value_name = "N", conflicts_with = "keys")]
    channels: Option<u16>,
    /// Format of its samples: i16, i32 or f32
    #[arg(long, value_name = "FORMAT", value_parser = ["i16", "i32", "f32"], hide_possible_values = true, conflicts_with = "keys")]
    format: Option<String>,
    /// Keep no sound
    #[arg(long, conflicts_with = "keys")]
    no_audio: bool,
    /// No tones
    #[arg(long, conflicts_with = "keys")]
    quiet: bool,
    /// Say the answers aloud, with espeak-ng; nothing is heard meanwhile
    #[arg(long, conflicts_with = "keys")]
    speak: bool,
    /// Take what is heard from a recorded transcript instead of the speech model
    #[arg(long, value_name = "FILE", hide = true, conflicts_with = "keys")]
    transcript: Option<PathBuf>,
    /// Folder of the exam; it is made, or taken up again
    #[arg(long, value_name = "DIR")]
    exam: PathBuf,
    #[command(flatten)]
    fields: Fields,
    /// Folder of a lexicon to use instead of the shipped one
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// An exam to look at.
#[derive(Debug, Args)]
struct ExamArgs {
    /// Folder of the exam
    exam: PathBuf,
    /// Folder of the lexicon, when the exam was recorded with one that is not shipped
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// An exam to look at, with what it is measured by.
#[derive(Debug, Args)]
struct MeasuredArgs {
    #[command(flatten)]
    exam: ExamArgs,
    /// A growth reference to use before the shipped ones: a .csv table or a .toml of formulas
    #[arg(long, value_name = "FILE")]
    reference: Vec<PathBuf>,
}

/// `cotside show`
#[derive(Debug, Args)]
#[command(before_help = "\
Examples:
  cotside show exams/a1
  cotside show exams/a1 --timeline
  cotside show exams/a1 --json | jq .findings")]
struct ShowArgs {
    #[command(flatten)]
    exam: MeasuredArgs,
    /// Phrase by phrase instead of section by section
    #[arg(long, conflicts_with = "json")]
    timeline: bool,
    /// Print JSON, as `cotside export --as json`, without the journal
    #[arg(long)]
    json: bool,
}

/// `cotside gaps`
#[derive(Debug, Args)]
#[command(before_help = "\
Examples:
  cotside gaps exams/a1
  cotside gaps exams/a1 && cotside note exams/a1")]
struct GapsArgs {
    #[command(flatten)]
    exam: MeasuredArgs,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// `cotside note`
#[derive(Debug, Args)]
#[command(before_help = "\
Examples:
  cotside note exams/a1
  cotside note exams/a1 -o note.txt")]
struct NoteArgs {
    #[command(flatten)]
    exam: MeasuredArgs,
    /// Write to a new file instead of standard output
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

/// `cotside score`
#[derive(Debug, Args)]
#[command(
    before_help = "\
Examples:
  cotside score exams/a1
  cotside score exams/a1 --list
  cotside score exams/a1 --input skin=3 --input lanugo=2 --by AB
  cotside score exams/a1 --input total@1=6 --input total@5=9
  cotside score exams/a1 --scale ward-score.toml",
    after_help = "\
What an exam does not hold is never filled in: the result is then a range, from
the best to the worst it can still be. A value entered with --input is an entry
of its own in the journal; the last one for a sign counts, and `cotside settle
EXAM --undo ENTRY` takes it back."
)]
struct ScoreArgs {
    #[command(flatten)]
    exam: ExamArgs,
    /// Enter a value that no finding holds; SCALE/ where several scales have the sign, @TIME for
    /// a scale scored at several times
    #[arg(long, value_name = "[SCALE/]SIGN[@TIME]=VALUE")]
    input: Vec<String>,
    /// A scale file of your own, beside the shipped ones
    #[arg(long, value_name = "FILE")]
    scale: Vec<PathBuf>,
    /// A growth reference to use before the shipped ones: a .csv table or a .toml of formulas
    #[arg(long, value_name = "FILE")]
    reference: Vec<PathBuf>,
    /// Only this scale
    #[arg(long, value_name = "SCALE")]
    only: Option<String>,
    /// List the scales with their signs and scores instead
    #[arg(long, conflicts_with = "json")]
    list: bool,
    /// Initials of whoever enters a value; the examiner's, when not given
    #[arg(long, value_name = "INITIALS", value_parser = header::initials)]
    by: Option<String>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// `cotside compare`
#[derive(Debug, Args)]
#[command(
    before_help = "\
Examples:
  cotside compare exams/a1 exams/a2
  cotside compare exams/day* --json",
    after_help = "\
Exams are put in order of their start. A finding is compared with the last one
before it that is settled and was made in a state in which its item can be
judged; the states of both stand beside every change."
)]
struct CompareArgs {
    /// Folders of the exams, in any order
    #[arg(required = true, value_name = "EXAM")]
    exams: Vec<PathBuf>,
    /// A scale file of your own, beside the shipped ones
    #[arg(long, value_name = "FILE")]
    scale: Vec<PathBuf>,
    /// A growth reference to use before the shipped ones: a .csv table or a .toml of formulas
    #[arg(long, value_name = "FILE")]
    reference: Vec<PathBuf>,
    /// Folder of the lexicon, when the exams were recorded with one that is not shipped
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// `cotside explain`
#[derive(Debug, Args)]
#[command(before_help = "\
Examples:
  cotside explain exams/a1 arm-recoil
  cotside explain exams/a1 2:20
  cotside explain exams/a1 new-ballard
  cotside explain exams/a1")]
struct ExplainArgs {
    #[command(flatten)]
    exam: MeasuredArgs,
    /// An item, a scale, a moment (m:ss) or a finding's number (12.1); every phrase when not given
    #[arg(value_name = "ITEM|SCALE|m:ss|ID")]
    about: Option<String>,
    /// A scale file of your own, beside the shipped ones
    #[arg(long, value_name = "FILE")]
    scale: Vec<PathBuf>,
}

/// `cotside settle`
#[derive(Debug, Args)]
#[command(
    allow_negative_numbers = true,
    before_help = "\
Examples:
  cotside settle exams/a1                              walk through all that is open
  cotside settle exams/a1 12.1 --side left             the side that was not said
  cotside settle exams/a1 12.1 --not-a-finding
  cotside settle exams/a1 --add moro --side both --value complete --at 4:36
  cotside settle exams/a1 --add behavioural-state --value crying --at 7:10
  cotside settle exams/a1 --gap gag --reason \"just fed\"
  cotside settle exams/a1 --undo 81",
    after_help = "\
Every decision is an entry of its own in the journal, with who made it and when;
nothing that was said is changed, and a decision can be taken back with --undo.
What is not given for a finding stays as it was read.",
    group = ArgGroup::new("act").args(["id", "add", "gap", "undo"]).multiple(false)
)]
struct SettleArgs {
    /// Folder of the exam
    exam: PathBuf,
    /// Number of the finding, as `cotside explain` gives it
    #[arg(value_name = "ID")]
    id: Option<String>,
    /// Add a finding that no phrase holds
    #[arg(long, value_name = "ITEM", requires = "at")]
    add: Option<String>,
    /// When it was seen, m:ss on the exam clock
    #[arg(long, value_name = "m:ss", requires = "add")]
    at: Option<String>,
    /// Give the reason why an item was not done
    #[arg(long, value_name = "ITEM", requires = "reason")]
    gap: Option<String>,
    /// The reason, in words
    #[arg(long, value_name = "TEXT", requires = "gap")]
    reason: Option<String>,
    /// Take back the decision in this journal entry
    #[arg(long, value_name = "ENTRY")]
    undo: Option<u64>,
    /// Side: left, right, both or midline
    #[arg(long, value_name = "S")]
    side: Option<String>,
    /// Value of the item
    #[arg(long, value_name = "V")]
    value: Option<String>,
    /// Number, in the item's unit
    #[arg(long, value_name = "N", value_parser = number)]
    number: Option<f64>,
    /// Lower end of a range
    #[arg(long, value_name = "N", value_parser = number, requires = "high")]
    low: Option<f64>,
    /// Upper end of a range
    #[arg(long, value_name = "N", value_parser = number, requires = "low")]
    high: Option<f64>,
    /// Status: observed, not_obtained or skipped
    #[arg(long, value_name = "S")]
    status: Option<String>,
    /// Take a number that is out of the plausible range (it stays flagged), or a reason that reads
    /// as a finding
    #[arg(long)]
    anyway: bool,
    /// The phrase holds no finding
    #[arg(long, requires = "id", conflicts_with_all = ["side", "value", "number", "low", "status"])]
    not_a_finding: bool,
    /// Initials of whoever decides; the examiner's, when not given
    #[arg(long, value_name = "INITIALS", value_parser = header::initials)]
    by: Option<String>,
    /// Folder of the lexicon, when the exam was recorded with one that is not shipped
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// `cotside header`
#[derive(Debug, Args)]
#[command(before_help = "\
Examples:
  cotside header exams/a1
  cotside header exams/a1 --ga 39+2 --sex f
  cotside header exams/a1 --born \"2031-04-04 03:10\"
  cotside header exams/a1 --clear born --who CD")]
struct HeaderArgs {
    /// Folder of the exam
    exam: PathBuf,
    #[command(flatten)]
    fields: Fields,
    /// Take a field's value away
    #[arg(long, value_enum, value_delimiter = ',', value_name = "FIELD")]
    clear: Vec<Clear>,
    /// Take the lexicon at hand as the exam's from now on
    #[arg(long)]
    adopt_lexicon: bool,
    /// When the exam started, such as 2031-04-05T09:26:53+02:00
    #[arg(long, value_name = "TIME", value_parser = header::when)]
    started: Option<header::When>,
    /// How long sound is kept: "until signing", "keep" or "30 days"
    #[arg(long, value_name = "WORDS", value_parser = header::retention)]
    audio: Option<String>,
    /// Initials of whoever makes the change; the examiner's, when not given
    #[arg(long, value_name = "INITIALS", value_parser = header::initials)]
    who: Option<String>,
    /// Folder of the lexicon, when the exam was recorded with one that is not shipped
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// `cotside export`
#[derive(Debug, Args)]
#[command(
    before_help = "\
Examples:
  cotside export exams/a1 > exam.json
  cotside export exams/a1 --as fhir -o exam.fhir.json
  cotside export exams/a1 --as pdf -o note.pdf
  cotside export exams/a1 --as csv --deidentify -o findings.csv
  cotside export --schema > exam.schema.json",
    after_help = "\
json and fhir hold the journal: `cotside import` makes the exam of them again.
What is unsettled is marked as such in every format, and what was not done is
told with its reason. --deidentify writes no words that were said or typed, no
wall times, nobody's initials, bands in place of exact ages, and a random code
in place of the exam's."
)]
struct ExportArgs {
    /// Folder of the exam
    #[arg(required_unless_present = "schema", conflicts_with = "schema")]
    exam: Option<PathBuf>,
    /// Format: json, fhir (HL7 FHIR R4 document), csv (a row a finding) or pdf (the note)
    #[arg(
        long = "as",
        value_enum,
        value_name = "FORMAT",
        default_value_t = Format::Json,
        hide_possible_values = true
    )]
    format: Format,
    /// Leave out all that could tell whose exam it is
    #[arg(long)]
    deidentify: bool,
    /// Print the JSON Schema that exports keep to
    #[arg(long)]
    schema: bool,
    /// Write to a new file instead of standard output
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// A growth reference to use before the shipped ones: a .csv table or a .toml of formulas
    #[arg(long, value_name = "FILE")]
    reference: Vec<PathBuf>,
    /// Folder of the lexicon, when the exam was recorded with one that is not shipped
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// Export formats.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// One JSON object; see --schema
    Json,
    /// HL7 FHIR R4 document
    Fhir,
    /// Comma-separated values, a row a finding
    Csv,
    /// The note on A4
    Pdf,
}

/// `cotside import`
#[derive(Debug, Args)]
#[command(
    before_help = "\
Examples:
  cotside import exam.json --exam exams/a1
  cotside import exam.fhir.json --exam exams/a1",
    after_help = "\
Takes what `cotside export --as json` or `--as fhir` wrote; the journal comes
back byte for byte. A file that was changed on the way is refused, and the place
is named. A de-identified export does not hold the exam and cannot be imported."
)]
struct ImportArgs {
    /// The export; `-` reads standard input
    file: PathBuf,
    /// Folder of the exam; it is made
    #[arg(long, value_name = "DIR")]
    exam: PathBuf,
}

/// `cotside archive`
#[derive(Debug, Clone, Args)]
#[command(
    before_help = "\
Examples:
  cotside archive exams
  cotside archive exams --list --from 2031-04-01 --to 2031-04-30
  cotside archive exams --protocol full-term --by AB --incomplete --list
  cotside archive exams --without red-reflex --list
  cotside archive exams --json > audit.json",
    after_help = "\
Looks for exams in the folder at any depth. An exam that cannot be read is
listed with what is wrong; the others are counted all the same, and the exit
code is 4. Rates are of the exams whose protocol requires the item."
)]
struct ArchiveArgs {
    /// Folder that holds the exams' folders
    folder: PathBuf,
    /// List the exams, one a line
    #[arg(long)]
    list: bool,
    /// Only exams started on this day or later
    #[arg(long, value_name = "DAY", value_parser = archive::day)]
    from: Option<chrono::NaiveDate>,
    /// Only exams started on this day or before
    #[arg(long, value_name = "DAY", value_parser = archive::day)]
    to: Option<chrono::NaiveDate>,
    /// Only exams counted against this protocol
    #[arg(long, value_name = "PROTOCOL")]
    protocol: Option<String>,
    /// Only exams by this examiner
    #[arg(long, value_name = "INITIALS")]
    by: Option<String>,
    /// Only exams that meet their protocol
    #[arg(long, conflicts_with = "incomplete")]
    complete: bool,
    /// Only exams that do not
    #[arg(long)]
    incomplete: bool,
    /// Only exams in which this item was found
    #[arg(long, value_name = "ITEM")]
    item: Option<String>,
    /// Only exams in which this item was not found
    #[arg(long, value_name = "ITEM")]
    without: Option<String>,
    /// Print JSON, with the list
    #[arg(long)]
    json: bool,
    /// Folder of the lexicon, when the exams were recorded with one that is not shipped
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// `cotside gather`
#[derive(Debug, Args)]
#[command(
    before_help = "\
Examples:
  cotside gather exams -o cohort.parquet
  cotside gather exams --deidentify -o cohort.csv",
    after_help = "\
One row for every finding and for everything that was not done, of every exam in
the folder at any depth; the columns are those of `cotside export --as csv`. An
exam that cannot be read is left out and told, and the exit code is then 4. With
--deidentify exams come in random order."
)]
struct GatherArgs {
    /// Folder that holds the exams' folders
    folder: PathBuf,
    /// New file to write; .csv or .parquet
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Format, where the file's ending does not tell: csv or parquet
    #[arg(long = "as", value_enum, value_name = "FORMAT", hide_possible_values = true)]
    format: Option<TableFormat>,
    /// Leave out all that could tell whose exam it is
    #[arg(long)]
    deidentify: bool,
    /// Folder of the lexicon, when the exams were recorded with one that is not shipped
    #[arg(long, value_name = "DIR")]
    lexicon: Option<PathBuf>,
}

/// Formats of tables.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum TableFormat {
    /// Comma-separated values
    Csv,
    /// Apache Parquet
    Parquet,
}

/// `cotside lexicon`
#[derive(Debug, Args)]
#[command(
    arg_required_else_help = true,
    before_help = "\
Examples:
  cotside lexicon check
  cotside lexicon check my-lexicon/
  cotside lexicon items recoil
  cotside lexicon teach \"our recall\" arm-recoil
  cotside lexicon teach \"risk\" arm-recoil --value brisk
  cotside lexicon teach-aloud arm-recoil"
)]
struct LexiconArgs {
    #[command(subcommand)]
    act: LexiconAct,
}

#[derive(Debug, Subcommand)]
enum LexiconAct {
    /// Check a lexicon: every problem with its file, line and column
    #[command(before_help = "\
Examples:
  cotside lexicon check
  cotside lexicon check my-lexicon/")]
    Check {
        /// Folder of the lexicon; the shipped one when not given
        dir: Option<PathBuf>,
    },
    /// Teach what the recogniser makes of your words, in a layer of your own over the lexicon
    Teach {
        /// The words as they were heard
        words: String,
        /// The item that was meant
        item: String,
        /// The value of it that was meant, when not the item itself
        #[arg(long, value_name = "V")]
        value: Option<String>,
        /// Folder of the lexicon; the shipped one when not given
        #[arg(long, value_name = "DIR")]
        lexicon: Option<PathBuf>,
    },
    /// Teach by saying it: a word or phrase of yours, three times, with a pause behind each
    TeachAloud(teach::AloudArgs),
    /// List items, their values and the protocols
    #[command(before_help = "\
Examples:
  cotside lexicon items
  cotside lexicon items recoil
  cotside lexicon items --lexicon my-lexicon/")]
    Items {
        /// Only items whose id or name holds this word
        word: Option<String>,
        /// Folder of the lexicon; the shipped one when not given
        #[arg(long, value_name = "DIR")]
        lexicon: Option<PathBuf>,
    },
}

/// `cotside completions`
#[derive(Debug, Args)]
#[command(before_help = "\
Examples:
  cotside completions bash > ~/.local/share/bash-completion/completions/cotside")]
struct CompletionsArgs {
    /// Shell
    #[arg(value_enum)]
    shell: clap_complete::Shell,
}

/// `cotside manual`
#[derive(Debug, Args)]
#[command(before_help = "\
Examples:
  cotside manual | man -l -
  cotside manual settle | man -l -
  cotside manual lexicon check | man -l -")]
struct ManualArgs {
    /// A command, with its own command where it has some; cotside itself when not given
    command: Vec<String>,
}

fn number(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(n) if n.is_finite() => Ok(n),
        _ => Err("write a plain number, such as 34.6".into()),
    }
}

/// The definition that help, man pages and completions are made from.
pub fn definition() -> clap::Command {
    Cli::command()
}

/// Parses the process's arguments, runs the command and gives the exit code.
pub fn main() -> ExitCode {
    mishap::tell_from_now_on();
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            // Help and version come this way too; neither is an error. Writing may fail on a
            // closed pipe, and then there is nobody left to tell.
            let _ = e.print();
            return if e.use_stderr() { Exit::Input.into() } else { Exit::Ok.into() };
        }
    };
    match cli.color {
        Color::Auto => {}
        Color::Always => anstream::ColorChoice::Always.write_global(),
        Color::Never => anstream::ColorChoice::Never.write_global(),
    }
    match run(&cli.command) {
        Ok(exit) => exit.into(),
        Err(failure) => {
            for p in &failure.problems {
                output::tell(&format!("error: {p}"));
            }
            failure.exit.into()
        }
    }
}

fn run(command: &Command) -> Outcome {
    match command {
        Command::Read(a) => read::run(a),
        Command::Hear(a) => hear::run(a),
        Command::Listen(a) => listen::run(a),
        Command::Devices => devices::run(),
        Command::HearingTest(a) => hearing_test::run(a),
        Command::Show(a) => show::run(a),
        Command::Gaps(a) => gaps::run(a),
        Command::Note(a) => note::run(a),
        Command::Score(a) => score::run(a),
        Command::Compare(a) => compare::run(a),
        Command::Settle(a) => settle::run(a),
        Command::Review(a) => review::run(a),
        Command::Page(a) => page::run(a),
        Command::Explain(a) => explain::run(a),
        Command::Sign(a) => sealing::sign::run(a),
        Command::Verify(a) => sealing::verify::run(a),
        Command::Addendum(a) => sealing::addendum::run(a),
        Command::Key(a) => sealing::key::run(a),
        Command::Purge(a) => sealing::purge::run(a),
        Command::Lock(a) => sealing::closing::lock(a),
        Command::Unlock(a) => sealing::closing::unlock(a),
        Command::Export(a) => export::run(a),
        Command::Import(a) => import::run(a),
        Command::Archive(a) => archive::run(a),
        Command::Gather(a) => gather::run(a),
        Command::Header(a) => header::run(a),
        Command::Lexicon(a) => lexicon::run(a),
        Command::Model(a) => model::run(a),
        Command::Completions(a) => completions::run(a),
        Command::Manual(a) => manual::run(a),
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_definition_holds_together() {
        super::definition().debug_assert();
    }
}
