mod support;
#[test]
fn tries() {
    let lex = support::lexicon();
    let path = std::env::var("TRY").unwrap();
    for line in std::fs::read_to_string(path).unwrap().lines() {
        if line.trim().is_empty() || line.starts_with('#') {
            println!("{line}");
            continue;
        }
        let (words, want) = line.split_once(" => ").unwrap_or((line, ""));
        let got = support::read(&lex, words);
        let ok = want.is_empty() || got == support::wanted(want);
        println!(
            "{} {words}\n      => {}{}",
            if ok { " " } else { "X" },
            got.join("; "),
            if ok { String::new() } else { format!("\n    want {want}") }
        );
    }
}
