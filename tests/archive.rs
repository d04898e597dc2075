//! Folders of many exams: sums, filters, tables, and one bad exam among good ones. All invented.

mod made;
mod outside;
#[path = "cli/support.rs"]
mod support;

use std::process::Command;

use cotside::report::deidentify::Shown;
use cotside::report::table;
use serde_json::{Value, json};
use support::{Bench, root};

/// Seven exams in folders of two depths, by three people, on three days, by two protocols.
fn exams() -> Bench {
    let bench = Bench::new();
    let dir = root().join("tests/narrations/dev");
    let texts = [
        "d01-terse",
        "d02-teacher",
        "d03-consultant-repeat",
        "d05-cooled-night",
        "d06-resident-isolette",
        "d07-plexus-crying",
        "d08-transcribed",
    ];
    for (n, text) in texts.iter().enumerate() {
        let bytes = std::fs::read(dir.join(format!("{text}.txt"))).unwrap();
        let folder = if n % 2 == 0 { format!("all/ward/{text}") } else { format!("all/{text}") };
        let mut h = made::header();
        let day = format!("2031-04-0{}T23:30:00+02:00", 4 + n % 3);
        h.started = chrono::DateTime::parse_from_rfc3339(&day).unwrap();
        h.by = Some(["KT", "QF", "LW"][n % 3].into());
        h.protocol = Some(if n == 3 { "short-discharge" } else { "full-term" }.into());
        made::write(&bench.path(&folder), &bytes, h);
    }
    let skip = ["settle", "all/d02-teacher", "--gap", "red-reflex", "--reason", "just fed"];
    bench.run(&skip).code(0);
    bench
}

fn archive(bench: &Bench, more: &[&str]) -> Value {
    bench.run(&[&["archive", "all", "--json"][..], more].concat()).code(0).json()
}

fn folders(v: &Value) -> Vec<&str> {
    let list = v["list"].as_array().unwrap();
    let mut out: Vec<&str> =
        list.iter().map(|l| l["folder"].as_str().unwrap().rsplit('/').next().unwrap()).collect();
    out.sort_unstable();
    out
}

#[test]
fn the_sums_are_those_of_the_exams_one_by_one() {
    let bench = exams();
    let v = archive(&bench, &[]);
    assert_eq!(v["exams"], 7);
    let mut durations = Vec::new();
    let (mut required, mut done, mut left_out, mut met) = (0, 0, 0, 0);
    for l in v["list"].as_array().unwrap() {
        let exam = l["folder"].as_str().unwrap();
        let o = made::open(&bench.path(exam));
        durations.push(o.x.end_ms);
        required += o.g.required as u64;
        done += o.g.done as u64;
        left_out += o.g.with_reason as u64;
        met += u64::from(o.g.met);
        assert_eq!(l["unsettled"], json!(o.x.unsettled().count()), "{exam}");
        assert_eq!(l["complete"], o.g.met);
    }
    let sum = |key: &str, of: &str| -> u64 {
        v[of].as_array().unwrap().iter().map(|r| r[key].as_u64().unwrap()).sum()
    };
    for of in ["items", "sections"] {
        assert_eq!(sum("required", of), required, "{of}");
        assert_eq!(sum("done", of), done, "{of}");
        assert_eq!(sum("left_out", of), left_out, "{of}");
        assert_eq!(sum("open", of), required - done - left_out, "{of}");
    }
    assert_eq!(v["complete"], met);
    durations.sort_unstable();
    assert_eq!(v["median_duration_ms"], durations[3]);
    // Whatever is skipped with a reason is told with it.
    let red = v["skipped"].as_array().unwrap().iter().find(|s| s["item"] == "red-reflex").unwrap();
    let whys: u64 =
        red["why"].as_array().unwrap().iter().map(|w| w["exams"].as_u64().unwrap()).sum();
    assert_eq!(red["exams"], whys);
}

#[test]
fn exams_are_chosen_by_day_protocol_examiner_and_item() {
    let bench = exams();
    let all = folders(&archive(&bench, &[])).len();
    assert_eq!(
        folders(&archive(&bench, &["--by", "qf"])),
        ["d02-teacher", "d06-resident-isolette"]
    );
    assert_eq!(folders(&archive(&bench, &["--protocol", "short-discharge"])), ["d05-cooled-night"]);
    // A day is the day where the exam was made, though in Greenwich it is another hour.
    assert_eq!(
        folders(&archive(&bench, &["--from", "2031-04-05", "--to", "2031-04-05"])),
        ["d02-teacher", "d06-resident-isolette"]
    );
    let with = folders(&archive(&bench, &["--item", "moro"])).len();
    let without = folders(&archive(&bench, &["--without", "moro"])).len();
    assert_eq!(with + without, all);
    assert!(with > 0);
    let complete = folders(&archive(&bench, &["--complete"])).len();
    let incomplete = folders(&archive(&bench, &["--incomplete"])).len();
    assert_eq!(complete + incomplete, all);
    for (flag, value) in [("--item", "mora"), ("--protocol", "full-tern"), ("--from", "5 April")] {
        let err = bench.run(&["archive", "all", flag, value]).code(2).err;
        assert!(err.contains("help") || err.contains("write a day"), "{err}");
    }
}

#[test]
fn a_damaged_exam_is_told_and_the_others_are_counted() {
    let bench = exams();
    let path = bench.path("all/d02-teacher/journal.jsonl");
    let text = std::fs::read_to_string(&path).unwrap().replacen("phrase", "phrasse", 1);
    std::fs::write(&path, text).unwrap();
    bench.file("all/empty/journal.jsonl", "");
    let ran = bench.run(&["archive", "all"]).code(4);
    assert!(ran.out.contains("5 exams") || ran.out.contains("6 exams"), "{}", ran.out);
    assert!(ran.out.contains("d02-teacher/journal.jsonl:2"), "{}", ran.out);
    let v = bench.run(&["archive", "all", "--json"]).code(4).json();
    assert_eq!(v["damaged"].as_array().unwrap().len(), 2);
    assert_eq!(v["exams"], 6);
    let ran = bench.run(&["gather", "all", "-o", "all.csv"]).code(4);
    assert!(ran.err.contains("d02-teacher") && ran.err.contains("6 exams"), "{}", ran.err);
}

#[test]
fn locked_exams_are_told_and_not_counted() {
    let bench = exams();
    bench.file("pass", "four plain words here\n");
    let lock = |exam: &str| bench.run(&["lock", exam, "--passphrase-file", "pass"]);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        let owner = std::fs::Permissions::from_mode(0o600);
        std::fs::set_permissions(bench.path("pass"), owner).unwrap();
    }
    let before = archive(&bench, &[])["exams"].as_u64().unwrap();
    lock("all/d02-teacher").code(0);
    let v = archive(&bench, &[]);
    assert_eq!(v["exams"], before - 1);
    assert_eq!(v["locked"], serde_json::json!(["all/d02-teacher.age"]));
    let told = bench.run(&["archive", "all"]).code(0).out;
    assert!(told.contains("Locked, and not counted: 1\n  all/d02-teacher.age"), "{told}");
    let err = bench.run(&["gather", "all", "-o", "rest.csv"]).code(0).err;
    assert!(err.contains("locked, and left out: all/d02-teacher.age"), "{err}");
    bench.file("only/x.age", "age-encryption.org/v1\n");
    let err = bench.run(&["archive", "only"]).code(2).err;
    assert!(err.contains("are locked: only/x.age"), "{err}");
}

#[test]
fn everything_a_person_reads_fits_into_80_columns() {
    let bench = exams();
    for args in [&["archive", "all"][..], &["archive", "all", "--list"]] {
        let out = bench.run(args).code(0).out;
        assert!(out.lines().all(|l| l.chars().count() <= 80), "{out}");
        assert!(out.contains("Median duration"), "{out}");
    }
}

#[test]
fn a_folder_without_exams_is_told() {
    let bench = Bench::new();
    bench.file("none/readme.txt", "nothing");
    for args in [&["archive", "none"][..], &["gather", "none", "-o", "x.csv"]] {
        let err = bench.run(args).code(2).err;
        assert!(err.contains("no exam"), "{err}");
    }
    assert!(!bench.path("x.csv").exists());
    bench.run(&["gather", "none", "-o", "x.ods"]).code(2);
}

#[test]
fn a_cohort_has_the_rows_of_its_exams() {
    let bench = exams();
    bench.run(&["gather", "all", "-o", "all.csv"]).code(0);
    let rows = |text: &str| -> Vec<Vec<String>> {
        let mut reader = ::csv::Reader::from_reader(text.as_bytes());
        let mut out: Vec<Vec<String>> =
            reader.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect();
        out.sort();
        out
    };
    let mut single = Vec::new();
    for l in archive(&bench, &[])["list"].as_array().unwrap() {
        let exam = l["folder"].as_str().unwrap();
        let o = made::open(&bench.path(exam));
        let of = table::rows(&o.x, made::newborn(), &o.graded, &o.g, &[], &Shown::Whole);
        single.extend(rows(&table::csv::whole(&of)));
    }
    single.sort();
    assert_eq!(rows(&bench.text("all.csv")), single);
    // Nothing is written over.
    bench.run(&["gather", "all", "-o", "all.csv"]).code(2);
}

/// The completeness table out of the Parquet file by SQL, in DuckDB.
const SQL: &str = "
import duckdb, json, sys
rows = duckdb.connect().execute('''
  with one as (select distinct exam, section, item, came_to from read_parquet(?) where required)
  select item, count(*), sum((came_to = 'done')::int), sum((came_to = 'left-out')::int),
         sum((came_to = 'open')::int)
  from one group by item order by item
''', [sys.argv[1]]).fetchall()
types = duckdb.connect().execute('describe select * from read_parquet(?)', [sys.argv[1]]).fetchall()
unsettled = duckdb.connect().execute(
    'select count(*) from read_parquet(?) where certainty = ? ', [sys.argv[1], 'unsettled']).fetchone()[0]
print(json.dumps({'rows': rows, 'types': {t[0]: t[1] for t in types}, 'unsettled': unsettled}))
";

#[test]
fn a_database_finds_the_completeness_table_in_the_parquet_file() {
    let bench = exams();
    let v = archive(&bench, &[]);
    let python = match outside::python("duckdb", "duckdb.txt") {
        Ok(python) => python,
        Err(why) => return outside::without("DuckDB", &why),
    };
    for more in [&[][..], &["--deidentify"]] {
        let _ = std::fs::remove_file(bench.path("all.parquet"));
        bench.run(&[&["gather", "all", "-o", "all.parquet"][..], more].concat()).code(0);
        let done = Command::new(&python)
            .args(["-c", SQL])
            .arg(bench.path("all.parquet"))
            .output()
            .unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        let said: Value = serde_json::from_slice(&done.stdout).unwrap();
        let mut ours: Vec<Value> = v["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|r| json!([r["item"], r["required"], r["done"], r["left_out"], r["open"]]))
            .collect();
        ours.sort_by_key(|r| r[0].as_str().unwrap().to_owned());
        assert_eq!(said["rows"], Value::Array(ours));
        assert_eq!(said["unsettled"], v["unsettled"]);
        for (column, kind) in [
            ("exam", "VARCHAR"),
            ("number", "DOUBLE"),
            ("trials", "BIGINT"),
            ("required", "BOOLEAN"),
        ] {
            assert_eq!(said["types"][column], kind, "{column}");
        }
    }
}
