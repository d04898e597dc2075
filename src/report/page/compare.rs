//! Several exams of one infant on one page: small drawings over the hours of age, each with a table
//! that says the same, and measurements on the lines of their growth reference.

use askama::Template;

use super::drawing::{Drawing, WORDS, wide};
use super::status::{self, Status};
use crate::grade::growth::{Outcome, at_z, spread_at};
use crate::grade::scales::Status as Scored;
use crate::grade::serial::{Course, Visit, courses, hours};
use crate::grade::{Ages, Ungraded, age_band, beyond};
use crate::lexicon::Lexicon;
use crate::lexicon::model::{Expect, ItemId};
use crate::lexicon::reference::{Axis, Sex};
use crate::reading::types::Side;
use crate::report::compare::Column;
use crate::report::{measures, scales, words};

/// Centiles whose lines are drawn, with their z-scores: the inverse of the standard normal
/// distribution, as any table of it prints them.
pub const CENTILES: [(&str, f64); 5] = [
    ("3", -1.880_793_608_151_250_9),
    ("10", -1.281_551_565_544_600_4),
    ("50", 0.0),
    ("90", 1.281_551_565_544_600_4),
    ("97", 1.880_793_608_151_250_9),
];

const WIDTH: f64 = 340.0;
const HEIGHT: f64 = 200.0;
/// Room around the drawing: left, top, right, bottom.
const ROOM: [f64; 4] = [48.0, 12.0, 14.0, 24.0];

/// A small drawing with its table.
struct Figure {
    title: String,
    drawing: String,
    head: Vec<String>,
    rows: Vec<Vec<String>>,
    below: Vec<String>,
}

/// A row of the table of exams.
struct Exam {
    number: usize,
    code: String,
    age: String,
    started: String,
    line: String,
}

/// A row of the table of findings.
struct Row {
    item: String,
    changed: bool,
    cells: Vec<(String, &'static str, &'static str, &'static str)>,
}

#[derive(Template)]
#[template(path = "compare.html", config = "src/report/page/askama.toml")]
struct Body<'a> {
    exams: Vec<Exam>,
    growth: Vec<Figure>,
    numbers: Vec<Figure>,
    scales: Vec<Figure>,
    rows: Vec<Row>,
    lex: &'a Lexicon,
    running: String,
}

/// The page. The exams stand in order of time; `digests` are those of their journals, hex.
pub fn page(columns: &[Column<'_>], digests: &[String], lex: &Lexicon) -> String {
    let visits: Vec<Visit<'_>> =
        columns.iter().map(|c| Visit { exam: c.exam, graded: c.graded }).collect();
    let all = courses(&visits, lex);
    let times = Times::of(columns);
    let listed: Vec<String> = columns
        .iter()
        .zip(digests)
        .map(|(c, d)| format!("{} {}", c.exam.header.code, d.get(..12).unwrap_or(d)))
        .collect();
    let running = format!("exams and journals {}", listed.join(", "));
    let exams = columns
        .iter()
        .enumerate()
        .map(|(k, c)| Exam {
            number: k + 1,
            code: c.exam.header.code.to_string(),
            age: times.names[k].clone(),
            started: words::wall(&c.exam.header.started),
            line: c.overview.summary.line(),
        })
        .collect();
    let mut items: Vec<ItemId> = all
        .iter()
        .filter(|c| lex.items[c.item].growth.is_none())
        .filter(|c| {
            c.cells.iter().any(|c| {
                c.found.is_some_and(|s| s.finding.number.is_some() || s.finding.range.is_some())
            })
        })
        .map(|c| c.item)
        .collect();
    items.dedup();
    let numbers = items.iter().map(|&i| numbers(i, &all, columns, &times, lex)).collect();
    let body = Body {
        exams,
        growth: growth(columns, &times, lex),
        numbers,
        scales: scores(columns, &times),
        rows: all.iter().map(|c| row(c, columns, lex)).collect(),
        lex,
        running: running.clone(),
    }
    .render()
    .unwrap_or_default();
    let title = format!("{} of one infant", words::count(columns.len(), "exam", "exams"));
    super::standalone(title, &running, body)
}

/// Where the exams stand from left to right: by hours of age, or one after the other where an age is
/// not known.
struct Times {
    at: Vec<f64>,
    names: Vec<String>,
    by_age: bool,
    span: (f64, f64),
}

impl Times {
    fn of(columns: &[Column<'_>]) -> Times {
        let ages: Vec<Option<f64>> =
            columns.iter().map(|c| hours(c.exam, &c.graded.ages)).collect();
        let by_age = ages.iter().all(Option::is_some);
        #[allow(clippy::cast_precision_loss)] // a few exams
        let at: Vec<f64> = match by_age {
            true => ages.iter().flatten().copied().collect(),
            false => (1..=columns.len()).map(|k| k as f64).collect(),
        };
        let names = columns
            .iter()
            .zip(&ages)
            .map(|(c, age)| match age {
                Some(h) => scales::hours(*h),
                None => words::wall(&c.exam.header.started),
            })
            .collect();
        let (first, last) = ends(at.iter().copied()).unwrap_or((0.0, 1.0));
        let pad = ((last - first) * 0.08).max(if by_age { 1.0 } else { 0.3 });
        Times { at, names, by_age, span: (first - pad, last + pad) }
    }

    fn x(&self, k: usize) -> f64 {
        across(self.at[k], self.span)
    }
}

fn ends(list: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    list.fold(None, |e: Option<(f64, f64)>, x| match e {
        None => Some((x, x)),
        Some((a, b)) => Some((a.min(x), b.max(x))),
    })
}

fn across(x: f64, (from, to): (f64, f64)) -> f64 {
    ROOM[0] + (x - from) / (to - from) * (WIDTH - ROOM[0] - ROOM[2])
}

fn up(y: f64, (from, to): (f64, f64)) -> f64 {
    HEIGHT - ROOM[3] - (y - from) / (to - from) * (HEIGHT - ROOM[1] - ROOM[3])
}

/// A round step that lays a span into at most six parts.
fn step(span: f64) -> f64 {
    let rough = (span / 6.0).max(1e-6);
    let power = 10_f64.powf(rough.log10().floor());
    let part = [1.0, 2.0, 2.5, 5.0, 10.0].into_iter().find(|m| m * power >= rough);
    part.unwrap_or(10.0) * power
}

/// Marks along an axis: where, and what is written there.
fn ticks(span: (f64, f64)) -> Vec<f64> {
    let step = step(span.1 - span.0);
    let mut at = (span.0 / step).ceil() * step;
    let mut out = Vec::new();
    while at <= span.1 + step * 1e-9 {
        // Never -0.
        out.push(at + 0.0);
        at += step;
    }
    out
}

/// A drawing with its axes.
fn axes(label: String, across_by: (f64, f64), up_by: (f64, f64), unit_x: &str) -> Drawing {
    let mut d =
        Drawing { class: "small", width: WIDTH, height: HEIGHT, label, ..Drawing::default() };
    let (left, right) = (ROOM[0], WIDTH - ROOM[2]);
    for y in ticks(up_by) {
        let at = up(y, up_by);
        d.line("grid", &[(left, at), (right, at)]);
        d.text("axis", (left - 5.0, at + 4.0), "end", &words::number(y));
    }
    let list = ticks(across_by);
    for x in &list {
        let at = across(*x, across_by);
        d.line("tick", &[(at, HEIGHT - ROOM[3]), (at, HEIGHT - ROOM[3] + 4.0)]);
        // Where words would stand against the unit, there are none.
        if at + wide(&words::number(*x), WORDS) < right - wide(unit_x, WORDS) {
            d.text("axis", (at, HEIGHT - 7.0), "middle", &words::number(*x));
        }
    }
    d.text("axis", (right, HEIGHT - 7.0), "end", unit_x);
    d.line("tick", &[(left, HEIGHT - ROOM[3]), (right, HEIGHT - ROOM[3])]);
    d
}

/// What is expected of an item's number at an age.
fn expected(item: ItemId, ages: &Ages, lex: &Lexicon) -> Vec<(f64, f64)> {
    let it = &lex.items[item];
    let of = |bands: &[crate::lexicon::model::Band]| {
        bands.iter().filter(|b| b.is == Expect::Expected).map(|b| (b.from, b.to)).collect()
    };
    match (beyond(ages, lex), age_band(item, ages, lex)) {
        (None, _) => of(&it.bands),
        // Before term the band of the postmenstrual age takes the place of the rows for term.
        (Some(Ungraded::BeforeTerm | Ungraded::NotTerm), Some(band)) => of(&band.numbers),
        (Some(_), _) => Vec::new(),
    }
}

fn span_words((a, b): (f64, f64), unit: &str) -> String {
    match (a.is_finite(), b.is_finite()) {
        (true, true) => format!("{} to {}{unit}", words::number(a), words::number(b)),
        (true, false) => format!("from {}{unit}", words::number(a)),
        (false, true) => format!("up to {}{unit}", words::number(b)),
        (false, false) => "any".into(),
    }
}

fn numbers(
    item: ItemId,
    all: &[Course<'_>],
    columns: &[Column<'_>],
    times: &Times,
    lex: &Lexicon,
) -> Figure {
    let it = &lex.items[item];
    let unit = it.number.as_ref().map_or("", |n| lex.units[n.unit].say.as_str());
    let of: Vec<&Course<'_>> = all.iter().filter(|c| c.item == item).collect();
    let value = |c: &Course<'_>, k: usize| {
        let f = &c.cells[k].found?.finding;
        f.number.map(|n| (n, n)).or(f.range)
    };
    let bands: Vec<Vec<(f64, f64)>> =
        columns.iter().map(|c| expected(item, &c.graded.ages, lex)).collect();
    let found = of.iter().flat_map(|c| (0..columns.len()).filter_map(|k| value(c, k)));
    let limits = bands.iter().flatten().copied();
    let both = found.chain(limits).flat_map(|(a, b)| [a, b]).filter(|n| n.is_finite());
    let (low, high) = ends(both).unwrap_or((0.0, 1.0));
    let pad = ((high - low) * 0.12).max(step(1.0));
    let up_by = ((low - pad).max(if low >= 0.0 { 0.0 } else { f64::MIN }), high + pad);
    let label = format!("{} over the exams; the table below says the same", it.name);
    let unit_x = if times.by_age { "hours of age" } else { "exam" };
    let mut d = axes(label, times.span, up_by, unit_x);
    for (k, list) in bands.iter().enumerate() {
        for (a, b) in list {
            let (top, foot) = (up(b.min(up_by.1), up_by), up(a.max(up_by.0), up_by));
            let title = format!("expected {}", span_words((*a, *b), unit));
            d.bar("likely", [times.x(k) - 9.0, top, 18.0, foot - top], None, title);
        }
    }
    for c in &of {
        let (class, kind, shift) = match c.side {
            Some(Side::Left) => ("left", "left", -4.0),
            Some(Side::Right) => ("right", "right", 4.0),
            _ => ("left", "point", 0.0),
        };
        let mut line: Vec<(f64, f64)> = Vec::new();
        for k in 0..columns.len() {
            let Some((a, b)) = value(c, k) else { continue };
            let Some(s) = c.cells[k].found else { continue };
            let st = status::of(s, c.cells[k].grade);
            let at = (times.x(k) + shift, up((a + b) / 2.0, up_by));
            let title = format!("{}, {}", words::finding(&s.finding, lex), st.word());
            if a < b {
                d.line(class, &[(at.0, up(a, up_by)), (at.0, up(b, up_by))]);
            }
            match st {
                Status::Unsettled | Status::NotValid => d.glyph(st.shape(), at, None, title),
                _ => {
                    line.push(at);
                    d.glyph(kind, at, None, title);
                }
            }
        }
        if line.len() > 1 {
            d.line(class, &line);
        }
    }
    let mut head = vec!["Exam".to_owned(), "Age".to_owned()];
    head.extend(of.iter().map(|c| words::upper_first(side_name(c.side))));
    head.push("Expected".into());
    let rows = (0..columns.len())
        .map(|k| {
            let mut row = vec![(k + 1).to_string(), times.names[k].clone()];
            row.extend(of.iter().map(|c| match c.cells[k].found {
                Some(s) => format!(
                    "{}, {}",
                    words::value(&s.finding, lex),
                    status::of(s, c.cells[k].grade).word()
                ),
                None => "not found".into(),
            }));
            let list: Vec<String> = bands[k].iter().map(|b| span_words(*b, unit)).collect();
            row.push(match list.is_empty() {
                true => "no expectation for this age".into(),
                false => list.join(" or "),
            });
            row
        })
        .collect();
    Figure { title: titled(&it.name, unit), drawing: d.svg(), head, rows, below: Vec::new() }
}

fn titled(name: &str, unit: &str) -> String {
    match unit.trim() {
        "" => name.to_owned(),
        unit => format!("{name}, {unit}"),
    }
}

fn side_name(side: Option<Side>) -> &'static str {
    match side {
        Some(Side::Both) => "both sides",
        Some(Side::Unstated) => "side not said",
        Some(s) => s.word(),
        None => "found",
    }
}

fn scores(columns: &[Column<'_>], times: &Times) -> Vec<Figure> {
    let Some(first) = columns.first() else { return Vec::new() };
    let mut out = Vec::new();
    for (k, s) in first.overview.scored.iter().enumerate() {
        let scale = &first.overview.scales[s.scale];
        let row: Vec<_> = columns.iter().filter_map(|c| c.overview.scored.get(k)).collect();
        if row.iter().all(|s| matches!(s.status, Scored::Empty)) {
            continue;
        }
        let reach = row.iter().filter_map(|s| s.outcome.as_ref()).map(|o| o.ends());
        let both = reach.flat_map(|(a, b)| [f64::from(a), f64::from(b)]);
        let (low, high) = ends(both).unwrap_or((0.0, 1.0));
        let names = scale.outcomes();
        #[allow(clippy::cast_precision_loss)] // a few results
        let up_by = match names.is_empty() {
            true => (low - 1.0, high + 1.0),
            false => (-0.6, names.len() as f64 - 0.4),
        };
        let title = scales::title(s, scale);
        let label = format!("{title} over the exams; the table below says the same");
        let unit_x = if times.by_age { "hours of age" } else { "exam" };
        let mut d = axes(label, times.span, up_by, unit_x);
        for (k, s) in row.iter().enumerate() {
            let Some(o) = s.outcome.as_ref().filter(|_| s.status != Scored::Empty) else {
                continue;
            };
            let (a, b) = o.ends();
            let (top, foot) = (up(f64::from(b) + 0.3, up_by), up(f64::from(a) - 0.3, up_by));
            let class = if a == b { "sure" } else { "span" };
            let told = scales::headline(s, scale);
            d.bar(class, [times.x(k) - 7.0, top, 14.0, foot - top], None, told);
        }
        let rows = row
            .iter()
            .enumerate()
            .map(|(k, s)| {
                vec![(k + 1).to_string(), times.names[k].clone(), scales::headline(s, scale)]
            })
            .collect();
        let mut below: Vec<String> =
            names.iter().enumerate().map(|(k, name)| format!("{k} is {name}")).collect();
        below.push("A dashed bar spans what is still possible.".into());
        let head = ["Exam", "Age", "Result"].map(str::to_owned).into();
        out.push(Figure { title, drawing: d.svg(), head, rows, below });
    }
    out
}

/// Exam, x and y of a measurement.
type Point = (usize, f64, f64);

/// Measurements on the centile lines of the references they were held against.
fn growth(columns: &[Column<'_>], times: &Times, lex: &Lexicon) -> Vec<Figure> {
    let mut by: Vec<((usize, ItemId), Vec<Point>)> = Vec::new();
    let mut rows: Vec<(ItemId, Vec<String>)> = Vec::new();
    for (k, c) in columns.iter().enumerate() {
        for g in &c.graded.growth {
            let value = c.exam.finding(g.finding).map(|s| words::value(&s.finding, lex));
            let told = measures::growth(g, lex);
            let line =
                vec![(k + 1).to_string(), times.names[k].clone(), value.unwrap_or_default(), told];
            rows.push((g.item, line));
            let Outcome::Scored(s) = &g.outcome else { continue };
            let key = (s.reference, g.item);
            for p in &s.points {
                match by.iter_mut().find(|(of, _)| *of == key) {
                    Some((_, list)) => list.push((k, s.x, p.y)),
                    None => by.push((key, vec![(k, s.x, p.y)])),
                }
            }
        }
    }
    let sex = columns.iter().find_map(|c| c.exam.header.sex).map(|s| match s {
        crate::journal::Sex::Female => Sex::Female,
        crate::journal::Sex::Male => Sex::Male,
    });
    let head: Vec<String> = ["Exam", "Age", "Measured", "Against"].map(str::to_owned).into();
    let mut out: Vec<Figure> = Vec::new();
    let mut drawn: Vec<ItemId> = Vec::new();
    for ((reference, item), points) in &by {
        let Some(sex) = sex else { continue };
        drawn.push(*item);
        let rows = rows.iter().filter(|(i, _)| i == item).map(|(_, r)| r.clone()).collect();
        out.push(lines(*reference, *item, sex, points, (head.clone(), rows), lex));
    }
    // What no reference holds for is told in words.
    let mut rest: Vec<ItemId> =
        rows.iter().map(|(i, _)| *i).filter(|i| !drawn.contains(i)).collect();
    rest.dedup();
    for item in rest {
        let rows = rows.iter().filter(|(i, _)| *i == item).map(|(_, r)| r.clone()).collect();
        let (title, below) = (lex.items[item].name.clone(), Vec::new());
        out.push(Figure { title, drawing: String::new(), head: head.clone(), rows, below });
    }
    out
}

fn lines(
    reference: usize,
    item: ItemId,
    sex: Sex,
    points: &[(usize, f64, f64)],
    (head, rows): (Vec<String>, Vec<Vec<String>>),
    lex: &Lexicon,
) -> Figure {
    const PARTS: u32 = 48;
    let r = &lex.references[reference];
    let unit = lex.items[item].number.as_ref().map_or("", |n| lex.units[n.unit].say.as_str());
    let (first, last) = ends(points.iter().map(|p| p.1)).unwrap_or((0.0, 1.0));
    // Whole weeks around the measurements, so that the lines have a slope to be seen.
    let (pad, unit_x) = match r.axis {
        Axis::AgeDays => (14.0, "days of age"),
        Axis::PmaWeeks => (2.0, "weeks, postmenstrual"),
        Axis::GaWeeks => (2.0, "weeks at birth"),
    };
    let wanted = ((first - pad).max(0.0), last + pad);
    let xs: Vec<f64> = (0..=PARTS)
        .map(|k| wanted.0 + (wanted.1 - wanted.0) * f64::from(k) / f64::from(PARTS))
        .chain(points.iter().map(|p| p.1))
        .collect();
    let mut xs: Vec<f64> = xs.into_iter().filter(|x| spread_at(r, sex, *x).is_some()).collect();
    xs.sort_by(f64::total_cmp);
    let across_by = match ends(xs.iter().copied()) {
        Some((a, b)) if a < b => (a, b + (b - a) * 0.1),
        _ => (first - 1.0, last + 1.0),
    };
    let curve = |z: f64| -> Vec<(f64, f64)> {
        xs.iter().filter_map(|&x| Some((x, at_z(spread_at(r, sex, x)?.0, z)?))).collect()
    };
    let curves: Vec<(&str, Vec<(f64, f64)>)> =
        CENTILES.iter().map(|(name, z)| (*name, curve(*z))).collect();
    let all =
        curves.iter().flat_map(|(_, c)| c.iter().map(|p| p.1)).chain(points.iter().map(|p| p.2));
    let (low, high) = ends(all).unwrap_or((0.0, 1.0));
    let up_by = (low - 0.4, high + 0.4);
    let label = format!(
        "{} on the lines of the 3rd, 10th, 50th, 90th and 97th centile; the table below says the same",
        lex.items[item].name
    );
    let mut d = axes(label, across_by, up_by, unit_x);
    let place = |p: &(f64, f64)| (across(p.0, across_by), up(p.1, up_by));
    for (name, c) in &curves {
        let class = if *name == "50" { "middle" } else { "curve" };
        let points: Vec<(f64, f64)> = c.iter().map(place).collect();
        d.line(class, &points);
        if let Some((x, y)) = points.last() {
            d.text("name", (x + 4.0, y + WORDS / 3.0), "start", name);
        }
    }
    for (k, x, y) in points {
        let title = format!("exam {}: {}{unit}", k + 1, words::number(*y));
        d.glyph("point", place(&(*x, *y)), None, title);
    }
    let below = vec![measures::reference(reference, lex), format!("{}; {}", r.source, r.publisher)];
    Figure { title: titled(&lex.items[item].name, unit), drawing: d.svg(), head, rows, below }
}

fn row(c: &Course<'_>, columns: &[Column<'_>], lex: &Lexicon) -> Row {
    let item = &lex.items[c.item].name;
    let item = match c.side {
        None | Some(Side::Midline) => item.clone(),
        Some(s) => format!("{item}, {}", side_name(Some(s))),
    };
    let cells = c
        .cells
        .iter()
        .enumerate()
        .map(|(k, cell)| match cell.found {
            None => ("nothing found".to_owned(), "notdone", "", ""),
            Some(s) => {
                let st = status::of(s, cell.grade);
                let z = measures::z_of(columns[k].graded, s.finding.id);
                let state = words::state(s, lex);
                let state = if state.is_empty() { state } else { format!(" ({state})") };
                let change = if cell.change.is_change() { cell.change.word() } else { "" };
                let text = format!("{}{z}{state}", words::value(&s.finding, lex));
                (text, st.shape(), st.word(), change)
            }
        })
        .collect();
    Row { item, changed: c.cells.iter().any(|c| c.change.is_change()), cells }
}
