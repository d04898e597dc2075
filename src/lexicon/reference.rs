//! Growth references: tables and formulas by which a measurement becomes a z-score.
//!
//! A reference is a file of its own, so that a user can add one without touching the lexicon:
//!
//! - a table (`.csv`): comment lines `# key: value` say what it is, then one line names the columns
//!   and the others hold the rows. Columns are `sex` (`f` or `m`), one of `age_days`, `pma_weeks` and
//!   `ga_weeks`, and either `L`, `M`, `S` (Cole's method) or `mean`, `sd`.
//! - formulas (`.toml`): `[[reference]]` tables whose mean and standard deviation are sums of terms
//!   `times · x^power`, a term holding for one sex or both.
//!
//! Here they are read and checked; the arithmetic is `grade`'s.

use std::collections::HashMap;

use serde::Deserialize;
use toml::Spanned;

use super::files::SourceFile;
use super::model::{ItemId, Lexicon};
use super::text::weeks_and_days;
use crate::problem::{Problem, nearest};

/// Sex a row or term holds for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum Sex {
    /// Female.
    #[serde(rename = "f")]
    Female,
    /// Male.
    #[serde(rename = "m")]
    Male,
}

/// What a reference goes by: the meaning of its x.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Axis {
    /// Completed days since birth.
    AgeDays,
    /// Postmenstrual age in exact weeks, days as sevenths.
    PmaWeeks,
    /// Gestational age at birth in exact weeks, days as sevenths.
    GaWeeks,
}

impl Axis {
    const COLUMNS: [(&'static str, Axis); 3] =
        [("age_days", Axis::AgeDays), ("pma_weeks", Axis::PmaWeeks), ("ga_weeks", Axis::GaWeeks)];

    /// The name of its column.
    pub fn column(self) -> &'static str {
        match self {
            Axis::AgeDays => "age_days",
            Axis::PmaWeeks => "pma_weeks",
            Axis::GaWeeks => "ga_weeks",
        }
    }
}

/// One row of a table: x, then L, M, S or mean and standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// Age, in the unit of the reference's axis.
    pub x: f64,
    /// What holds there.
    pub is: Spread,
}

/// How a measurement is spread at one age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Spread {
    /// Cole's method: power, median, coefficient of variation.
    Lms {
        /// Power of the transform.
        l: f64,
        /// Median, in the reference's unit.
        m: f64,
        /// Coefficient of variation.
        s: f64,
    },
    /// Mean and standard deviation, in the reference's unit.
    Normal {
        /// Mean.
        mean: f64,
        /// Standard deviation.
        sd: f64,
    },
}

/// One term of a formula: `times · x^power`, for one sex or both.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Term {
    /// Coefficient.
    pub times: f64,
    /// Power of x; 0 when not written.
    #[serde(default)]
    pub power: i32,
    /// The one sex it holds for.
    pub sex: Option<Sex>,
}

/// How a reference is written.
#[derive(Debug, Clone, PartialEq)]
pub enum Form {
    /// Rows of girls, then of boys, each in the order of x.
    Table([Vec<Row>; 2]),
    /// Sums of terms.
    Formula {
        /// Smallest and largest x, inclusive.
        span: (f64, f64),
        /// Terms of the mean.
        mean: Vec<Term>,
        /// Terms of the standard deviation.
        sd: Vec<Term>,
    },
}

/// A growth reference.
#[derive(Debug, Clone, PartialEq)]
pub struct Reference {
    /// Name, printed with every number computed from it.
    pub name: String,
    /// Item it is for.
    pub item: ItemId,
    /// What it goes by.
    pub axis: Axis,
    /// Days of gestation at birth from which it holds, inclusive.
    pub born_from: Option<u32>,
    /// Days of gestation at birth before which it holds, exclusive.
    pub born_before: Option<u32>,
    /// First and last completed day since birth for which it holds, inclusive.
    pub age_days: Option<(i64, i64)>,
    /// Table or formula.
    pub form: Form,
    /// Who published the numbers.
    pub publisher: String,
    /// On what terms, as far as known.
    pub terms: String,
    /// The publication.
    pub source: String,
    /// Whether the numbers were read in their source.
    pub verified: bool,
    /// Of several that fit, the lowest rank is used.
    pub rank: u32,
    /// Given by the user for this run.
    pub supplied: bool,
    /// File it was read from.
    pub file: String,
}

/// What a reference may refer to.
#[derive(Debug)]
pub struct Known {
    /// Item id to item, and the unit of its number.
    items: HashMap<String, (ItemId, Option<String>)>,
    /// Source id to citation.
    sources: HashMap<String, String>,
}

impl Known {
    /// What a lexicon knows.
    pub fn of(lex: &Lexicon) -> Self {
        let unit = |i: ItemId| lex.items[i].number.as_ref().map(|n| lex.units[n.unit].id.clone());
        Known {
            items: lex
                .items
                .iter()
                .enumerate()
                .map(|(i, it)| (it.id.clone(), (i, unit(i))))
                .collect(),
            sources: lex.sources.iter().map(|(k, v)| (k.clone(), v.clone())).collect(),
        }
    }

    /// A source id's citation, or the words themselves: a user's table may cite what no list holds.
    fn cite(&self, text: &str) -> String {
        self.sources.get(text).cloned().unwrap_or_else(|| text.to_owned())
    }

    /// The item, when there is one and its number is in that unit; else what is wrong.
    fn item(&self, id: &str, unit: &str) -> Result<ItemId, Wrong> {
        let Some((item, has)) = self.items.get(id) else {
            let help = nearest(id, self.items.keys().map(String::as_str));
            return Err(Wrong {
                key: "item",
                message: format!("there is no item `{id}`"),
                help: help.map_or("name an item of the lexicon".into(), |n| {
                    format!("did you mean `{n}`?")
                }),
            });
        };
        match has {
            Some(u) if u == unit => Ok(*item),
            Some(u) => Err(Wrong {
                key: "unit",
                message: format!("`{id}` is measured in {u}, and this reference is in `{unit}`"),
                help: format!("give the numbers in {u}"),
            }),
            None => Err(Wrong {
                key: "item",
                message: format!("the item `{id}` takes no number"),
                help: "name an item that is measured".into(),
            }),
        }
    }
}

struct Wrong {
    key: &'static str,
    message: String,
    help: String,
}

/// Reads a reference file; the ending of its name tells which kind it is.
///
/// # Errors
/// Every problem found, each with line and column.
pub fn parse(file: &SourceFile, known: &Known) -> Result<Vec<Reference>, Vec<Problem>> {
    let ending = file.path.rsplit_once('.').map_or("", |(_, e)| e).to_ascii_lowercase();
    match ending.as_str() {
        "csv" => table(file, known).map(|r| vec![r]),
        "toml" => formulas(file, known),
        _ => Err(vec![
            Problem::in_file(
                &file.path,
                "a growth reference is a .csv table or a .toml of formulas",
            )
            .help("give the file one of these endings"),
        ]),
    }
}

// --- formulas -----------------------------------------------------------------------------------

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FormulaFile {
    #[serde(default)]
    reference: Vec<Formula>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Formula {
    name: Spanned<String>,
    item: Spanned<String>,
    unit: Spanned<String>,
    by: Axis,
    from: Spanned<String>,
    to: Spanned<String>,
    born_from: Option<Spanned<String>>,
    born_before: Option<Spanned<String>>,
    age_days: Option<Spanned<[i64; 2]>>,
    mean: Spanned<Vec<Term>>,
    sd: Spanned<Vec<Term>>,
    publisher: String,
    terms: String,
    source: String,
    verified: bool,
    #[serde(default = "last")]
    rank: u32,
}

/// Rank of a reference that names none: after those that do.
fn last() -> u32 {
    1000
}

fn formulas(file: &SourceFile, known: &Known) -> Result<Vec<Reference>, Vec<Problem>> {
    let parsed: FormulaFile = toml::from_str(&file.text).map_err(|e| {
        let byte = e.span().map_or(0, |s| s.start);
        vec![
            file.problem(byte, e.message().trim().to_owned())
                .help("the fields are described in DEVELOPERS.md, section Growth references"),
        ]
    })?;
    if parsed.reference.is_empty() {
        return Err(vec![
            Problem::in_file(&file.path, "holds no [[reference]]")
                .help("add a [[reference]] table"),
        ]);
    }
    let mut problems = Vec::new();
    let mut out = Vec::new();
    for f in parsed.reference {
        let mut wrong = |byte: usize, message: String, help: &str| {
            problems.push(file.problem(byte, message).help(help));
        };
        let item = known.item(f.item.get_ref(), f.unit.get_ref()).map_err(|w| {
            let at = if w.key == "unit" { f.unit.span() } else { f.item.span() };
            wrong(at.start, w.message, &w.help);
        });
        // An age in weeks and days, or a whole number of days where the reference goes by days.
        let mut x = |t: &Spanned<String>| {
            match f.by {
                Axis::AgeDays => t.get_ref().trim().parse::<u32>().ok().map(f64::from),
                _ => weeks_and_days(t.get_ref()).map(|d| f64::from(d) / 7.0),
            }
            .or_else(|| {
                let help = match f.by {
                    Axis::AgeDays => "write completed days, such as \"91\"",
                    _ => "write completed weeks and days, such as \"27+0\"",
                };
                wrong(t.span().start, format!("`{}` is no such age", t.get_ref()), help);
                None
            })
        };
        let span = x(&f.from).zip(x(&f.to));
        if span.is_some_and(|(a, b)| a > b) {
            let text = format!("goes from {} to {}", f.from.get_ref(), f.to.get_ref());
            wrong(f.from.span().start, text, "write the earlier age as from");
        }
        let mut born = |t: &Option<Spanned<String>>| {
            t.as_ref().and_then(|t| {
                weeks_and_days(t.get_ref()).or_else(|| {
                    let text = format!("`{}` is no age in weeks and days", t.get_ref());
                    wrong(t.span().start, text, "write completed weeks and days, such as \"37+0\"");
                    None
                })
            })
        };
        let (born_from, born_before) = (born(&f.born_from), born(&f.born_before));
        if let (Some(a), Some(b), Some(at)) = (born_from, born_before, &f.born_from)
            && a >= b
        {
            let text = "no birth is both from and before these ages".to_owned();
            wrong(at.span().start, text, "write the earlier age as born_from");
        }
        if let Some(d) = f.age_days.as_ref().filter(|d| d.get_ref()[0] > d.get_ref()[1]) {
            wrong(
                d.span().start,
                "the first day is after the last".into(),
                "write the earlier day first",
            );
        }
        for (what, terms) in [("mean", &f.mean), ("sd", &f.sd)] {
            if terms.get_ref().is_empty() {
                wrong(terms.span().start, format!("{what} has no term"), "add { times = … }");
            }
            if terms.get_ref().iter().any(|t| !t.times.is_finite()) {
                wrong(
                    terms.span().start,
                    format!("a term of {what} is no number"),
                    "write finite numbers",
                );
            }
        }
        let (Ok(item), Some(span)) = (item, span) else { continue };
        out.push(Reference {
            name: f.name.into_inner(),
            item,
            axis: f.by,
            born_from,
            born_before,
            age_days: f.age_days.map(|d| (d.get_ref()[0], d.get_ref()[1])),
            form: Form::Formula { span, mean: f.mean.into_inner(), sd: f.sd.into_inner() },
            publisher: f.publisher,
            terms: f.terms,
            source: known.cite(&f.source),
            verified: f.verified,
            rank: f.rank,
            supplied: false,
            file: file.path.clone(),
        });
    }
    if problems.is_empty() { Ok(out) } else { Err(problems) }
}

// --- tables -------------------------------------------------------------------------------------

/// Keys of the comment lines, and whether a table must have them.
const KEYS: &[(&str, bool)] = &[
    ("name", true),
    ("item", true),
    ("unit", true),
    ("publisher", true),
    ("terms", true),
    ("source", true),
    ("verified", true),
    ("born_from", false),
    ("born_before", false),
    ("first_day", false),
    ("last_day", false),
    ("rank", false),
];

/// A piece of a line with its place.
#[derive(Clone, Copy)]
struct Cell<'a> {
    text: &'a str,
    byte: usize,
}

/// The cells of a line. A growth table holds plain numbers, never quotes; cut by hand, each cell
/// keeps its column for messages, which the csv crate's records do not.
fn cells(line: &str, start: usize) -> Vec<Cell<'_>> {
    let mut at = 0;
    line.split(',')
        .map(|raw| {
            let text = raw.trim();
            let byte = start + at + (raw.len() - raw.trim_start().len());
            at += raw.len() + 1;
            Cell { text, byte }
        })
        .collect()
}

struct Columns {
    sex: usize,
    x: usize,
    axis: Axis,
    /// Places of L, M, S or of mean and sd.
    of: Kind,
    count: usize,
}

enum Kind {
    Lms([usize; 3]),
    Normal([usize; 2]),
}

fn columns(names: &[Cell<'_>]) -> Result<Columns, (usize, String)> {
    let folded: Vec<String> = names.iter().map(|c| c.text.to_ascii_lowercase()).collect();
    let known = ["sex", "age_days", "pma_weeks", "ga_weeks", "l", "m", "s", "mean", "sd"];
    for (k, f) in folded.iter().enumerate() {
        if !known.contains(&f.as_str()) {
            return Err((names[k].byte, format!("there is no column `{}`", names[k].text)));
        }
        if folded[..k].contains(f) {
            return Err((names[k].byte, format!("the column `{}` stands twice", names[k].text)));
        }
    }
    let place = |n: &str| folded.iter().position(|f| f == n);
    let at = names.first().map_or(0, |c| c.byte);
    let Some(sex) = place("sex") else { return Err((at, "there is no column `sex`".into())) };
    let axes: Vec<(usize, Axis)> =
        Axis::COLUMNS.iter().filter_map(|(n, a)| Some((place(n)?, *a))).collect();
    let [(x, axis)] = axes[..] else {
        return Err((at, "one column of age is wanted: age_days, pma_weeks or ga_weeks".into()));
    };
    let lms = place("l").zip(place("m")).zip(place("s"));
    let normal = place("mean").zip(place("sd"));
    let of = match (lms, normal) {
        (Some(((l, m), s)), None) if folded.len() == 5 => Kind::Lms([l, m, s]),
        (None, Some((mean, sd))) if folded.len() == 4 => Kind::Normal([mean, sd]),
        _ => return Err((at, "the numbers are either L, M and S, or mean and sd".into())),
    };
    Ok(Columns { sex, x, axis, of, count: folded.len() })
}

const COLUMNS_HELP: &str = "write `sex,age_days,L,M,S` or `sex,pma_weeks,mean,sd`";

#[allow(clippy::too_many_lines)] // one pass over the lines, head first
fn table(file: &SourceFile, known: &Known) -> Result<Reference, Vec<Problem>> {
    let mut problems: Vec<Problem> = Vec::new();
    let mut head: HashMap<&str, Cell<'_>> = HashMap::new();
    let mut cols: Option<Columns> = None;
    let mut rows: [Vec<Row>; 2] = [Vec::new(), Vec::new()];
    let mut start = 0;
    for raw in file.text.split_inclusive('\n') {
        let here = start;
        start += raw.len();
        let line = raw.trim_end_matches(['\n', '\r']);
        // A byte-order mark is no part of the first word.
        let skip =
            if here == 0 { line.len() - line.trim_start_matches('\u{feff}').len() } else { 0 };
        let (line, here) = (&line[skip..], here + skip);
        if line.trim().is_empty() {
            continue;
        }
        if let Some(note) = line.trim_start().strip_prefix('#') {
            if let Some((key, value)) = note.split_once(':') {
                let text = value.trim();
                let byte = here + line.len() - value.trim_start().len();
                let key = KEYS.iter().map(|(k, _)| *k).find(|k| *k == key.trim());
                if let Some(key) = key
                    && head.insert(key, Cell { text, byte }).is_some()
                {
                    problems.push(
                        file.problem(byte, format!("`{key}` is said twice"))
                            .help("keep one of the two lines"),
                    );
                }
            }
            continue;
        }
        let list = cells(line, here);
        let Some(c) = &cols else {
            match columns(&list) {
                Ok(c) => cols = Some(c),
                Err((byte, message)) => {
                    // Without columns no row can be read.
                    problems.push(file.problem(byte, message).help(COLUMNS_HELP));
                    return Err(problems);
                }
            }
            continue;
        };
        match row(&list, c) {
            Ok((sex, row)) => {
                let of = &mut rows[usize::from(sex == Sex::Male)];
                if of.iter().any(|r| r.x == row.x) {
                    problems.push(
                        file.problem(
                            list[c.x].byte,
                            format!("{} stands twice for this sex", row.x),
                        )
                        .help("keep one of the two rows"),
                    );
                }
                of.push(row);
            }
            Err((byte, message, help)) => {
                problems.push(file.problem(byte.unwrap_or(here), message).help(help));
            }
        }
        if problems.len() >= 50 {
            break;
        }
    }
    let Some(cols) = cols else {
        problems.push(Problem::in_file(&file.path, "holds no line of columns").help(COLUMNS_HELP));
        return Err(problems);
    };
    if rows.iter().all(Vec::is_empty) && problems.is_empty() {
        problems
            .push(Problem::in_file(&file.path, "holds no row").help("add rows below the columns"));
    }
    for (key, _) in KEYS.iter().filter(|(k, must)| *must && !head.contains_key(k)) {
        problems.push(
            Problem::in_file(&file.path, format!("does not say its `{key}`"))
                .help(format!("add a line `# {key}: …` above the columns")),
        );
    }
    for r in &mut rows {
        r.sort_by(|a, b| a.x.total_cmp(&b.x));
    }
    let text = |key: &str| head.get(key).map_or(String::new(), |c| c.text.to_owned());
    let item = match (head.get("item"), head.get("unit")) {
        (Some(i), Some(u)) => match known.item(i.text, u.text) {
            Ok(item) => Some(item),
            Err(w) => {
                let at = if w.key == "unit" { u.byte } else { i.byte };
                problems.push(file.problem(at, w.message).help(w.help));
                None
            }
        },
        _ => None,
    };
    let weeks = |key: &str, problems: &mut Vec<Problem>| {
        head.get(key).and_then(|c| {
            weeks_and_days(c.text).or_else(|| {
                problems.push(
                    file.problem(c.byte, format!("`{}` is no age in weeks and days", c.text))
                        .help("write completed weeks and days, such as 37+0"),
                );
                None
            })
        })
    };
    let whole = |key: &str, problems: &mut Vec<Problem>| {
        head.get(key).and_then(|c| {
            c.text.parse::<u32>().ok().or_else(|| {
                problems.push(
                    file.problem(c.byte, format!("`{}` is no whole number", c.text))
                        .help("write a whole number, 0 or more"),
                );
                None
            })
        })
    };
    let (born_from, born_before) =
        (weeks("born_from", &mut problems), weeks("born_before", &mut problems));
    let (first, last_day) = (whole("first_day", &mut problems), whole("last_day", &mut problems));
    let rank = whole("rank", &mut problems);
    let verified = match head.get("verified").map(|c| (c.text, c.byte)) {
        Some(("true", _)) => true,
        Some(("false", _)) | None => false,
        Some((other, byte)) => {
            problems.push(
                file.problem(byte, format!("`{other}` is neither true nor false"))
                    .help("write true when the numbers were read in their source, else false"),
            );
            false
        }
    };
    let Some(item) = item.filter(|_| problems.is_empty()) else { return Err(problems) };
    Ok(Reference {
        name: text("name"),
        item,
        axis: cols.axis,
        born_from,
        born_before,
        age_days: (first.is_some() || last_day.is_some())
            .then(|| (first.map_or(0, i64::from), last_day.map_or(i64::MAX, i64::from))),
        form: Form::Table(rows),
        publisher: text("publisher"),
        terms: text("terms"),
        source: known.cite(&text("source")),
        verified,
        rank: rank.unwrap_or_else(last),
        supplied: false,
        file: file.path.clone(),
    })
}

type RowWrong = (Option<usize>, String, &'static str);

fn row(list: &[Cell<'_>], c: &Columns) -> Result<(Sex, Row), RowWrong> {
    if list.len() != c.count {
        let text = format!("this row has {} cells, and there are {} columns", list.len(), c.count);
        return Err((None, text, "write one number for each column, parted by commas"));
    }
    let sex = match list[c.sex].text {
        "f" | "F" => Sex::Female,
        "m" | "M" => Sex::Male,
        other => {
            let text = format!("`{other}` is no sex");
            return Err((Some(list[c.sex].byte), text, "write f or m"));
        }
    };
    let number = |k: usize| {
        let cell = list[k];
        cell.text.parse::<f64>().ok().filter(|n| n.is_finite()).ok_or_else(|| {
            let text = format!("`{}` is no number", cell.text);
            (Some(cell.byte), text, "write a plain number with a decimal point, such as 34.4618")
        })
    };
    let positive = |k: usize| {
        number(k).and_then(|n| {
            if n > 0.0 {
                return Ok(n);
            }
            Err((
                Some(list[k].byte),
                format!("{n} is not above 0"),
                "a median, a mean and a spread are above 0",
            ))
        })
    };
    let x = number(c.x)?;
    if x < 0.0 || c.axis == Axis::AgeDays && x.fract() != 0.0 {
        let text = format!("{x} is no such age");
        return Err((
            Some(list[c.x].byte),
            text,
            "completed days are whole numbers from 0; weeks are 0 or more",
        ));
    }
    let is = match c.of {
        Kind::Lms([l, m, s]) => Spread::Lms { l: number(l)?, m: positive(m)?, s: positive(s)? },
        Kind::Normal([mean, sd]) => Spread::Normal { mean: positive(mean)?, sd: positive(sd)? },
    };
    Ok((sex, Row { x, is }))
}
