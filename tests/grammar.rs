//! Every example of `src/reading/GRAMMAR.md` reads as it says.

mod support;

#[test]
fn every_example_of_the_grammar_reads_as_it_says() {
    let lex = support::lexicon();
    let text = include_str!("../src/reading/GRAMMAR.md");
    let mut wrong = Vec::new();
    let mut seen = 0;
    for line in text.lines().filter_map(|l| l.strip_prefix("> ")) {
        let (words, want) = line.split_once(" => ").expect("an example has =>");
        let (want, got) = (support::wanted(want), support::read(&lex, words));
        seen += 1;
        if got != want {
            wrong.push(format!("{words}\n   want {want:?}\n   got  {got:?}"));
        }
    }
    assert!(seen > 40, "only {seen} examples found");
    assert!(wrong.is_empty(), "{} of {seen} examples:\n{}", wrong.len(), wrong.join("\n"));
}
