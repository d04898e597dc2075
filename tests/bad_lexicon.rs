//! Broken lexicons, each with its whole error text; and the shipped one, which has none.

use cotside::lexicon::{Files, check, compile};

const HEAD: &str = r#"[lexicon]
name = "t"
title = "T"
version = "1"
language = "english"
subject = "thing"
item_context_s = 30
side_context_s = 15
[[source]]
id = "s"
cite = "common practice, no single source"
[[section]]
id = "a"
name = "A"
"#;

/// Everything said about a lexicon made of the head and this text.
fn told(body: &str) -> String {
    let text = format!("{HEAD}{body}");
    let files = match Files::from_texts(&[("t.toml", &text)]) {
        Ok(f) => f,
        Err(p) => return p.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"),
    };
    let problems = match compile(&files) {
        Ok(c) => check(&files, &c),
        Err(p) => p,
    };
    problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

fn item(rest: &str) -> String {
    format!(
        "[[item]]\nid = \"i\"\nsection = \"a\"\nname = \"I\"\nsided = false\nnames = [\"widget\"]\nsource = \"s\"\nverified = false\n{rest}"
    )
}

/// An item that takes a number and one value.
fn angle(rest: &str) -> String {
    item(&format!(
        "number = {{ unit = \"cm\", plausible = [0.0, 9.0] }}\n[[item.value]]\ncode = \"open\"\nsay = \"open\"\nwords = [\"red\"]\n{rest}"
    ))
}

#[test]
fn the_shipped_lexicon_passes_its_check() {
    let files = Files::shipped("newborn").unwrap();
    let compiled = compile(&files).unwrap();
    assert_eq!(check(&files, &compiled), vec![]);
    assert_eq!(compiled.lexicon.items.len(), 76);
}

#[test]
fn every_broken_lexicon_is_told_where_and_what_would_be_right() {
    let cases: Vec<String> = vec![
        "[[item]\n".into(),
        "[[item]]\nid = \"i\"\ncolour = \"red\"\n".into(),
        item("").replace("section = \"a\"", "section = \"b\""),
        item("").replace("source = \"s\"", "source = \"x\""),
        item("").replace("source = \"s\"\n", ""),
        item("").replace("sided = false", "sided = true"),
        item("").replace("[\"widget\"]", "[\"widget (a\"]"),
        item("").replace("[\"widget\"]", "[\"the\"]"),
        item("[[item.value]]\ncode = \"v\"\nsay = \"v\"\n"),
        item("[[item.value]]\ncode = \"v\"\nsay = \"v\"\nwords = [\"red\"]\n[[item.value]]\ncode = \"w\"\nsay = \"w\"\nwords = [\"red\"]\n"),
        item("[[item.value]]\ncode = \"v\"\nsay = \"v\"\nwords = [\"the widget\"]\n"),
        item("[[item.value]]\ncode = \"v\"\nsay = \"v\"\nconcepts = [\"abset\"]\n"),
        item("number = { unit = \"cmm\", plausible = [0.0, 1.0] }\n"),
        item("number = { unit = \"cm\", plausible = [5.0, 1.0] }\n"),
        "[[control]]\nact = \"finnish\"\nwords = [\"all done now\"]\n".into(),
        "[words.lefft]\nwords = [\"port\"]\n".into(),
        format!("{}{}", item(""), item("")),
        "[[protocol]]\nid = \"p\"\nname = \"P\"\ndefault = true\nrequired = [\"widgett\"]\nsource = \"s\"\nverified = false\n".into(),
        item("[item.noise]\nbelow = 5.0\n"),
        angle("[item.noise]\nbelow = 0.0\n"),
        angle("[item.mean]\nbetween = [3.0, 2.0]\n"),
        angle("[item.growth]\nimplausible_beyond = 5.0\n[[item.growth.row]]\nwithin = 2.0\nis = \"expected\"\n"),
        angle("[item.growth]\nimplausible_beyond = 5.0\n[[item.growth.row]]\nwithin = 3.0\nis = \"expected\"\n[[item.growth.row]]\nwithin = 2.0\nis = \"borderline\"\n[[item.growth.row]]\nis = \"outside\"\n"),
        angle("[[item.band]]\nfrom = \"28\"\nto = \"30+0\"\n"),
        angle("[[item.band]]\nfrom = \"32+0\"\nto = \"30+7\"\n"),
        angle("[[item.band]]\nfrom = \"32+0\"\nto = \"30+0\"\n"),
        angle("[[item.band]]\nfrom = \"28+0\"\nto = \"30+0\"\n[[item.band]]\nfrom = \"30+0\"\nto = \"33+0\"\n"),
        angle("[[item.band]]\nfrom = \"28+0\"\nto = \"30+0\"\n[item.band.values]\nopne = \"expected\"\n"),
        angle("[[item.band]]\nfrom = \"28+0\"\nto = \"30+0\"\nsource = \"z\"\nnumbers = [{ to = 5.0, is = \"expected\" }, { from = 5.0, is = \"outside\" }]\n"),
        angle("[item.series]\nanswered = [\"yes\", \"blinks\"]\nmissed = [\"blink\"]\nmisses = 3\nmost = 2\nnone_answered = \"open\"\nstill_answered = \"shut\"\n"),
        "[[pattern]]\nid = \"p\"\nname = \"P\"\nfirst = \"a\"\nsecond = \"b\"\n[[pattern.part]]\nof = \"c\"\nitem = \"i\"\n".into(),
        angle("expect = \"expected\"\nany_state = true\n"),
        angle("in_note = \" \"\n"),
        "[[protocol]]\nid = \"p\"\nname = \"P\"\ndefault = true\nweeks = [42, 37]\nrequired = []\nsource = \"s\"\nverified = false\n".into(),
        "[[never_lost]]\nid = \"n\"\nsay = \"fire\"\nwords = [\"smoke\"]\n".into(),
        "[[never_lost]]\nid = \"n\"\nsay = \"fire\"\nwords = [\"smoke (a\"]\ntold_by = [\"wigdet\"]\nsource = \"s\"\nverified = false\n".into(),
    ];
    let got: Vec<String> = cases.iter().map(|c| told(c)).collect();
    for (c, g) in cases.iter().zip(&got) {
        assert!(!g.is_empty(), "nothing was said about:\n{c}");
    }
    let text = got.join("\n----\n") + "\n";
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/bad/lexicon.expected");
    if std::env::var_os("BLESS").is_some() {
        std::fs::write(path, &text).unwrap();
    }
    assert_eq!(text, std::fs::read_to_string(path).unwrap());
}
