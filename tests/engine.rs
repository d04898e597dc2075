//! The engine knows no medicine: a lexicon for another job, invented here, reads just as well.

use std::path::Path;

use cotside::capture::{Phrase, Source};
use cotside::lexicon::{Files, Lexicon, check, compile};
use cotside::reading::{Finding, Reader, Side, Status};

fn bicycle() -> Lexicon {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/lexicons/bicycle");
    let files = Files::folder(&dir).unwrap();
    let compiled = compile(&files).unwrap();
    assert_eq!(check(&files, &compiled), vec![], "the test lexicon passes its check");
    compiled.lexicon
}

fn read(lines: &[&str]) -> (Lexicon, Vec<Finding>) {
    let lex = bicycle();
    let mut reader = Reader::new(&lex);
    let mut out = Vec::new();
    for (i, text) in lines.iter().enumerate() {
        let phrase = Phrase {
            text: (*text).into(),
            start_ms: i as u64 * 4000,
            end_ms: i as u64 * 4000 + 1500,
            source: Source::Keys,
            line: None,
            speaker: None,
            alternatives: vec![],
            words: Vec::new(),
            certainty: None,
        };
        out.extend(reader.read(i as u64 + 1, &phrase).findings);
    }
    (lex, out)
}

#[test]
fn a_bicycle_is_read_by_side_value_and_number() {
    let (lex, f) = read(&[
        "headset smooth",
        "left pedal tight, right pedal wobbles",
        "brake pads",
        "right three point five, left one and a half millimetres",
    ]);
    let got: Vec<_> = f
        .iter()
        .map(|f| (lex.items[f.item].id.as_str(), f.side, f.value.as_deref(), f.number, f.is_sure()))
        .collect();
    assert_eq!(
        got,
        [
            ("headset", None, Some("smooth"), None, true),
            ("pedal", Some(Side::Left), Some("tight"), None, true),
            ("pedal", Some(Side::Right), Some("loose"), None, true),
            ("brake-pad", Some(Side::Right), None, Some(3.5), true),
            ("brake-pad", Some(Side::Left), None, Some(1.5), true),
        ]
    );
}

#[test]
fn a_bicycle_part_left_out_has_its_reason() {
    let (lex, f) = read(&["left pedal can't do, seized"]);
    assert_eq!(f.len(), 1);
    assert_eq!(lex.items[f[0].item].id, "pedal");
    assert_eq!((f[0].side, f[0].status), (Some(Side::Left), Status::Skipped));
    assert_eq!(f[0].reason.as_deref(), Some("seized"));
}
