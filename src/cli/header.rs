//! `cotside header`: shows the header, or changes it by a journal entry.

use super::exit::{Exit, Failure, Outcome};
use super::{HeaderArgs, open, output, read};
use crate::journal::{Entry, ExamCode, Ga, HeaderChange, Sex};
use crate::report::words;
use crate::seal::retention::Retention;
use chrono::{DateTime, FixedOffset, Local, MappedLocalTime, NaiveDateTime};

/// Header fields as the command line gives them.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Fields {
    /// Sex: f or m
    #[arg(long, value_parser = sex, value_name = "f|m")]
    pub sex: Option<Sex>,
    /// Gestational age at birth in completed weeks and days, such as 39+2
    #[arg(long, value_name = "W+D")]
    pub ga: Option<Ga>,
    /// Time of birth, such as 2031-04-04T03:10:00+02:00, or "2031-04-04 03:10" by the local clock
    #[arg(long, value_parser = when, value_name = "TIME")]
    pub born: Option<When>,
    /// Initials of whoever examines
    #[arg(long, value_parser = initials, value_name = "INITIALS")]
    pub by: Option<String>,
    /// What a complete exam holds; `cotside lexicon items` lists the protocols
    #[arg(long, value_name = "NAME")]
    pub protocol: Option<String>,
    /// The exam's own code, letters, digits and dashes; one is made up when not given
    #[arg(long, value_name = "CODE")]
    pub code: Option<ExamCode>,
}

impl Fields {
    /// Whether nothing was given.
    pub fn is_empty(&self) -> bool {
        self.sex.is_none()
            && self.ga.is_none()
            && self.born.is_none()
            && self.by.is_none()
            && self.protocol.is_none()
            && self.code.is_none()
    }
}

/// A moment as the command line gives it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct When {
    /// The moment.
    pub at: DateTime<FixedOffset>,
    /// Its offset was not given, and is that of this machine.
    pub assumed: bool,
}

impl When {
    /// The moment; says on standard error what was assumed of it.
    pub fn said(self, flag: &str) -> DateTime<FixedOffset> {
        if self.assumed {
            output::tell(&format!(
                "note: {flag} names no offset from UTC; taken by the local clock: {}",
                words::wall(&self.at)
            ));
        }
        self.at
    }
}

/// A moment with its offset, or one by the local clock.
pub fn when(text: &str) -> Result<When, String> {
    let with_offset = crate::journal::parse_wall(text);
    if let Ok(at) = with_offset {
        return Ok(When { at, assumed: false });
    }
    let forms = ["%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"];
    let Some(bare) = forms.iter().find_map(|f| NaiveDateTime::parse_from_str(text.trim(), f).ok())
    else {
        let example = "or by the local clock, such as \"2031-04-05 09:26\"";
        return with_offset
            .map(|at| When { at, assumed: false })
            .map_err(|why| format!("{why}, {example}"));
    };
    match bare.and_local_timezone(Local) {
        MappedLocalTime::Single(at) => Ok(When { at: at.fixed_offset(), assumed: true }),
        _ => Err(format!(
            "`{text}` comes twice or not at all by the local clock, which is put forward or back \
             then; write it with its offset, such as 2031-04-05T09:26:53+02:00"
        )),
    }
}

/// Refuses a birth after the start of the exam.
pub fn check_born(
    born: DateTime<FixedOffset>,
    started: DateTime<FixedOffset>,
) -> Result<(), Failure> {
    if born <= started {
        return Ok(());
    }
    Err(Failure::input(
        "--born",
        format!(
            "the birth ({}) would be after the start of the exam ({})",
            words::wall(&born),
            words::wall(&started)
        ),
        "one of the two is wrong; `cotside read` takes the start of the exam with --started",
    ))
}

/// A field of the header that can be taken away again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Clear {
    /// Sex
    Sex,
    /// Gestational age
    Ga,
    /// Time of birth
    Born,
    /// Examiner
    By,
    /// Protocol
    Protocol,
}

fn sex(text: &str) -> Result<Sex, String> {
    match text {
        "f" | "female" => Ok(Sex::Female),
        "m" | "male" => Ok(Sex::Male),
        _ => Err("write f or m; leave it out when it is not known".into()),
    }
}

/// Initials are letters: short, and no name of a person.
pub fn initials(text: &str) -> Result<String, String> {
    let t = text.trim();
    let fits = !t.is_empty()
        && t.chars().count() <= 8
        && t.chars().all(|c| c.is_alphanumeric() || matches!(c, '.' | '-' | '/'));
    match fits {
        true => Ok(t.to_owned()),
        false => Err("write up to 8 letters, such as AB".into()),
    }
}

/// How long sound is kept, in words that are understood.
pub fn retention(text: &str) -> Result<String, String> {
    text.parse::<Retention>().map(|r| r.to_string())
}

/// Runs the command.
pub fn run(args: &HeaderArgs) -> Outcome {
    let opened = open::exam(&args.exam, args.lexicon.as_deref())?;
    let f = &args.fields;
    let more = args.adopt_lexicon || args.started.is_some() || args.audio.is_some();
    if f.is_empty() && args.clear.is_empty() && !more {
        return show(&opened);
    }
    if let Some(p) = &f.protocol {
        open::check_protocol(p, &opened.lex)?;
    }
    let born = f.born.map(|b| b.said("--born"));
    let started = args.started.map(|s| s.said("--started"));
    let header = &opened.exam.header;
    if (born.is_some() || started.is_some())
        && let Some(born) = born.or(header.born)
    {
        check_born(born, started.unwrap_or(header.started))?;
    }
    // The examiner named in the same breath may make the change.
    let who = open::who("--who", args.who.as_deref().or(f.by.as_deref()), &opened.exam)?;
    let cleared = |c: Clear| args.clear.contains(&c);
    let both = [
        (f.sex.is_some() && cleared(Clear::Sex), "sex"),
        (f.ga.is_some() && cleared(Clear::Ga), "ga"),
        (f.born.is_some() && cleared(Clear::Born), "born"),
        (f.by.is_some() && cleared(Clear::By), "by"),
        (f.protocol.is_some() && cleared(Clear::Protocol), "protocol"),
    ];
    if let Some((_, name)) = both.iter().find(|b| b.0) {
        return Err(Failure::input(
            format!("--clear {name}"),
            format!("--{name} sets what --clear takes away"),
            "give one of the two",
        ));
    }
    fn change<T: Clone>(set: &Option<T>, clear: bool) -> Option<Option<T>> {
        match (set, clear) {
            (Some(v), _) => Some(Some(v.clone())),
            (None, true) => Some(None),
            (None, false) => None,
        }
    }
    let entry = HeaderChange {
        who,
        code: f.code.clone(),
        sex: change(&f.sex, cleared(Clear::Sex)),
        born: change(&born, cleared(Clear::Born)),
        ga: change(&f.ga, cleared(Clear::Ga)),
        by: change(&f.by, cleared(Clear::By)),
        protocol: change(&f.protocol, cleared(Clear::Protocol)),
        lexicon: args.adopt_lexicon.then(|| read::lexicon_ref(&opened.lex)),
        started,
        audio_retention: args.audio.clone().map(Some),
        ..HeaderChange::default()
    };
    let mut taken = open::for_writing(&args.exam)?;
    let seq = taken.journal.append_now(&Entry::HeaderChange(Box::new(entry)))?;
    drop(taken);
    output::line(&format!("changed in entry {seq}; what stood before stays in the journal"))?;
    show(&open::exam(&args.exam, args.lexicon.as_deref())?)
}

fn show(o: &open::Opened) -> Outcome {
    let h = &o.exam.header;
    let (told, missing) = words::header(h);
    let mut text = format!("exam {}\n", h.code);
    text += &format!("  started     {}\n", words::wall(&h.started));
    text += &format!("  protocol    {}\n", words::protocol(&o.exam, &o.lex));
    text += &format!("  lexicon     {} {}\n", h.lexicon.name, &h.lexicon.sha256.to_string()[..12]);
    for t in told {
        text += &format!("  {t}\n");
    }
    if !missing.is_empty() {
        text += &format!("  not told    {}\n", missing.join(", "));
    }
    if let Some(kept) = &h.audio_retention {
        text += &format!("  sound kept  {kept}\n");
    }
    text += &format!("  {}\n", o.graded.ages.text(o.lex.gestation));
    if let Some(warning) = words::protocol_warning(&o.exam, &o.graded.ages, &o.lex) {
        text += &format!("  warning: {warning}\n");
    }
    output::put(&text)?;
    Ok(Exit::Ok)
}
