//! Protocol against exam: every kind of gap, when it is open, what settles it.
//!
//! What a complete exam holds is the lexicon's protocol (common practice, no single source). That
//! skipped, left for later and tried without result are three different things, and that a finding
//! in a wrong state is not valid rather than absent, is common practice, no single source.

mod in_memory;

use std::path::Path;

use cotside::exam::Exam;
use cotside::gaps::{Field, Gap, GapKind, Gaps, gaps, left_to_do};
use cotside::journal::{Decision, Digest};
use cotside::lexicon::model::Need;
use cotside::lexicon::{Files, compile};
use cotside::reading::Side;
use in_memory::Value::{NotObtained, Number, Skipped, Word};
use in_memory::{Log, newborn, time};

const WATCH: &str = "encephalopathy-watch";

/// An empty log with its protocol named.
fn log(protocol: &str) -> Log<'static> {
    let mut log = Log::new(newborn());
    log.header.protocol = Some(protocol.into());
    log
}

/// All the short protocol requires, said.
const WHOLE: [&str; 11] = [
    "quiet awake",
    "alert and responsive",
    "spontaneous activity normal",
    "posture fully flexed",
    "overall tone normal",
    "pupils equal and reactive",
    "suck strong",
    "moro complete",
    "heart rate 130",
    "breathing regular",
    "no seizures",
];

fn whole_without(left_out: &str) -> Log<'static> {
    let mut log = log(WATCH);
    for said in WHOLE.iter().filter(|s| !s.contains(left_out)) {
        log.say(said);
    }
    log
}

fn of(exam: &Exam) -> Gaps {
    let g = gaps(exam, newborn());
    assert_eq!(g.met, g.open().next().is_none());
    for gap in &g.list {
        assert!(!gap.text.is_empty() && !gap.text.contains('\n'), "{gap:?}");
        assert_eq!(gap.open, !gap.settle.is_empty(), "an open gap says what settles it: {gap:?}");
    }
    g
}

fn about<'g>(g: &'g Gaps, item: &str) -> Vec<&'g Gap> {
    let item = newborn().item(item).unwrap();
    g.list.iter().filter(|gap| gap.item == Some(item)).collect()
}

/// Kind, side and whether open of all gaps about an item.
fn kinds(g: &Gaps, item: &str) -> Vec<(GapKind, Option<Side>, bool)> {
    about(g, item).iter().map(|gap| (gap.kind, gap.side, gap.open)).collect()
}

#[test]
fn an_exam_with_all_the_protocol_requires_meets_it() {
    let g = of(&whole_without("(nothing)").exam());
    assert_eq!(g.list, vec![]);
    assert_eq!((g.met, g.required, g.done, g.with_reason), (true, 11, 11, 0));
    assert_eq!(g.protocol_id.as_deref(), Some(WATCH));
    assert_eq!(g.protocol, "Repeated examination when encephalopathy is in question");
}

#[test]
fn what_the_header_lacks_is_listed_with_the_command_that_gives_it() {
    let mut log = whole_without("(nothing)");
    let h = &mut log.header;
    (h.sex, h.born, h.ga, h.by, h.protocol) = (None, None, None, Some(" ".into()), None);
    let g = of(&log.exam());
    let told: Vec<_> = g
        .list
        .iter()
        .filter(|gap| gap.item.is_none())
        .map(|gap| (gap.kind, gap.settle.as_str(), gap.open))
        .collect();
    use GapKind::HeaderMissing as Missing;
    assert_eq!(
        told,
        [
            (Missing(Field::Sex), "cotside header EXAM --sex f", true),
            (Missing(Field::Born), "cotside header EXAM --born 2031-04-05T09:26:00+02:00", true),
            (Missing(Field::Ga), "cotside header EXAM --ga 39+2", true),
            (Missing(Field::By), "cotside header EXAM --by INITIALS", true),
            (Missing(Field::Protocol), "cotside header EXAM --protocol full-term", true),
        ]
    );
    assert_eq!(g.protocol_id.as_deref(), Some("full-term"), "counted against the usual one");
    assert!(!g.met);
}

#[test]
fn a_protocol_the_lexicon_does_not_have_counts_nothing_and_is_said() {
    let mut log = whole_without("(nothing)");
    log.header.protocol = Some("full-trem".into());
    let g = of(&log.exam());
    assert_eq!(g.list.len(), 1);
    assert_eq!(g.list[0].kind, GapKind::HeaderWrong(Field::Protocol));
    assert!(g.list[0].text.contains("`full-trem`"), "{}", g.list[0].text);
    assert_eq!((g.required, g.met, g.protocol.as_str()), (0, false, ""));
}

#[test]
fn an_exam_before_birth_is_an_open_gap() {
    let mut log = whole_without("(nothing)");
    log.header.born = Some(time("2031-04-07T09:26:00+02:00"));
    let g = of(&log.exam());
    assert_eq!(g.list.len(), 1);
    assert_eq!((g.list[0].kind, g.met), (GapKind::HeaderWrong(Field::Born), false));
}

#[test]
fn a_required_item_not_done_is_open_until_a_reason_is_given() {
    let mut log = whole_without("suck");
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "suck"), [(GapKind::NotDone, None, true)]);
    let gap = about(&g, "suck")[0];
    assert_eq!(gap.text, "Suck: not done");
    assert_eq!(gap.settle, "cotside settle EXAM --gap suck --reason \"...\"");
    assert_eq!((g.met, g.required, g.done, g.with_reason), (false, 11, 10, 0));

    let seq = log.reason("suck", None, "tube in place");
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "suck"), [(GapKind::NotDone, None, false)]);
    assert_eq!(about(&g, "suck")[0].text, "Suck: not done; reason: tube in place (QK)");
    assert_eq!((g.met, g.required, g.done, g.with_reason), (true, 11, 10, 1));

    log.decide(None, Decision::Undo { seq });
    assert!(!of(&log.exam()).met, "the reason was taken back");
}

#[test]
fn an_item_skipped_with_a_reason_is_closed() {
    let mut log = whole_without("moro");
    log.say("skip the moro, just fed");
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "moro"), [(GapKind::NotDone, None, false)]);
    assert_eq!(about(&g, "moro")[0].reason.as_deref(), Some("just fed"));
    assert_eq!((g.met, g.done, g.with_reason), (true, 10, 1));
}

#[test]
fn an_item_skipped_without_a_reason_is_open_where_it_is_required() {
    let mut log = whole_without("moro");
    log.add("moro", Some("both"), Skipped);
    log.add("knee-jerk", Some("both"), Skipped);
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "moro"), [(GapKind::SkippedWithoutReason, None, true)]);
    assert_eq!(
        kinds(&g, "knee-jerk"),
        [(GapKind::SkippedWithoutReason, None, false)],
        "optional: may be left out without a word, yet it was said and is listed"
    );
    assert!(!g.met);
    log.reason("moro", None, "arm in a splint");
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "moro"), [(GapKind::NotDone, None, false)]);
    assert!(g.met);
}

#[test]
fn an_item_tried_and_not_elicited_is_a_finding_and_listed() {
    let mut log = whole_without("moro");
    log.add("moro", Some("both"), NotObtained);
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "moro"), [(GapKind::NotObtained, Some(Side::Both), false)]);
    assert_eq!((g.met, g.done, g.with_reason), (true, 11, 0));
}

#[test]
fn one_side_alone_leaves_the_other_unknown() {
    let mut log = whole_without("moro");
    log.add("moro", Some("left"), Word("absent"));
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "moro"), [(GapKind::OneSideOnly, Some(Side::Right), true)]);
    let gap = about(&g, "moro")[0];
    assert_eq!(gap.text, "Moro reflex, right: not done, only the left");
    assert_eq!(gap.settle, "cotside settle EXAM --gap moro --side right --reason \"...\"");
    assert_eq!((g.done, g.with_reason), (10, 0));

    let mut reason = whole_without("moro");
    reason.add("moro", Some("left"), Word("absent"));
    reason.reason("moro", Some("left"), "not the missing side");
    assert!(!of(&reason.exam()).met, "a reason for the side that was done closes nothing");
    reason.reason("moro", Some("right"), "arm in a splint");
    let g = of(&reason.exam());
    assert_eq!((g.met, g.done, g.with_reason), (true, 10, 1));

    log.add("moro", Some("right"), Word("complete"));
    let g = of(&log.exam());
    assert_eq!((kinds(&g, "moro"), g.met), (vec![], true));
}

#[test]
fn one_side_alone_is_a_gap_of_an_optional_item_too() {
    let mut log = whole_without("(nothing)");
    log.add("knee-jerk", Some("right"), Word("brisk"));
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "knee-jerk"), [(GapKind::OneSideOnly, Some(Side::Left), true)]);
}

#[test]
fn a_side_not_done_and_a_side_skipped_are_two_gaps() {
    let mut log = whole_without("moro");
    log.add("moro", Some("left"), Skipped);
    log.reason("moro", Some("left"), "arm in a splint");
    let g = of(&log.exam());
    assert_eq!(
        kinds(&g, "moro"),
        [(GapKind::NotDone, Some(Side::Right), true), (GapKind::NotDone, Some(Side::Left), false)]
    );
}

#[test]
fn an_item_announced_and_never_judged_is_a_gap_and_no_finding() {
    let mut log = whole_without("moro");
    log.say("now the arm recoil");
    log.say("now the moro");
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "moro"), [(GapKind::Announced, None, true)]);
    assert_eq!(kinds(&g, "arm-recoil"), [(GapKind::Announced, None, true)], "optional, yet begun");
    assert!(
        about(&g, "moro")[0].text.contains("announced at 0:52"),
        "{}",
        about(&g, "moro")[0].text
    );
    log.say("complete");
    assert_eq!(kinds(&of(&log.exam()), "moro"), []);
}

#[test]
fn an_item_left_for_later_and_never_done_is_a_gap() {
    let mut log = whole_without("moro");
    log.say("moro later");
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "moro"), [(GapKind::LeftForLater, None, true)]);
    let text = &about(&g, "moro")[0].text;
    assert_eq!(text, "Moro reflex: left for later at 0:48 (\"moro later\") and never done");

    log.add("moro", Some("left"), Word("complete"));
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "moro"), [(GapKind::OneSideOnly, Some(Side::Right), true)]);
    log.add("moro", Some("right"), Word("complete"));
    assert_eq!(kinds(&of(&log.exam()), "moro"), []);
}

#[test]
fn the_last_word_on_an_item_not_done_counts() {
    // Tried in vain, then left for later: still to do.
    let mut tried = whole_without("moro");
    tried.add("moro", Some("both"), NotObtained);
    tried.say("moro later");
    let g = of(&tried.exam());
    assert_eq!(
        kinds(&g, "moro"),
        [(GapKind::LeftForLater, None, true), (GapKind::NotObtained, Some(Side::Both), false)]
    );
    // Left for later, then skipped for a reason: settled.
    let mut skipped = whole_without("moro");
    skipped.say("moro later");
    skipped.say("skip the moro, just fed");
    let g = of(&skipped.exam());
    assert_eq!(kinds(&g, "moro"), [(GapKind::NotDone, None, false)]);
}

#[test]
fn a_finding_without_a_value_is_a_gap_and_a_stated_one_is_not() {
    let mut log = whole_without("suck");
    log.add("suck", None, Word("stated-normal"));
    let mut exam = log.exam();
    let g = of(&exam);
    assert_eq!((kinds(&g, "suck"), g.met, g.done), (vec![], true, 11));
    let suck = newborn().item("suck").unwrap();
    let k = exam.findings.iter().position(|s| s.finding.item == suck).unwrap();
    exam.findings[k].finding.value = None;
    let id = exam.findings[k].finding.id;
    let g = of(&exam);
    assert_eq!(kinds(&g, "suck"), [(GapKind::NoValue, None, true)]);
    assert_eq!(about(&g, "suck")[0].settle, format!("cotside settle EXAM {id} --value VALUE"));
    assert_eq!((g.met, g.done), (false, 10));
}

#[test]
fn a_finding_in_a_wrong_state_is_a_gap_until_a_reason_is_given() {
    let mut log = whole_without("moro");
    log.say("light sleep");
    log.add("moro", Some("both"), Word("absent"));
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "moro"), [(GapKind::WrongState, Some(Side::Both), true)]);
    let text = &about(&g, "moro")[0].text;
    assert!(text.starts_with("Moro reflex, both sides: absent in the state light"), "{text}");
    assert!(text.contains("not valid: judged in drowsy, "), "{text}");
    assert_eq!((g.met, g.done, g.with_reason), (false, 10, 0));
    log.reason("moro", None, "slept throughout");
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "moro"), [(GapKind::WrongState, Some(Side::Both), false)]);
    assert_eq!((g.met, g.done, g.with_reason), (true, 10, 1), "closed, and still not done");
}

#[test]
fn a_number_out_of_the_plausible_range_is_told_once_and_closed_by_a_person() {
    let mut log = whole_without("heart rate");
    let seq = log.say("heart rate four hundred");
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "heart-rate"), [(GapKind::OutOfRange, None, true)]);
    let gap = about(&g, "heart-rate")[0];
    assert_eq!(gap.text, "Heart rate: 400/min is outside the plausible 30 to 300/min");
    assert_eq!(gap.settle, format!("cotside settle EXAM {seq}.1 --number 400 --anyway"));
    let same = in_memory::chosen("heart-rate", None, Number(400.0));
    log.decide(Some((seq, 1)), Decision::Choose(same));
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "heart-rate"), [(GapKind::OutOfRange, None, false)], "kept, and listed");
    assert_eq!((g.met, g.done), (true, 11));
    let right = in_memory::chosen("heart-rate", None, Number(140.0));
    log.decide(Some((seq, 1)), Decision::Choose(right));
    assert_eq!(kinds(&of(&log.exam()), "heart-rate"), []);
}

#[test]
fn a_doubtful_finding_is_a_gap_that_lists_its_doubts() {
    let mut log = whole_without("(nothing)");
    let seq = log.say("popliteal angle ninety");
    let g = of(&log.exam());
    assert_eq!(
        kinds(&g, "popliteal-angle"),
        [(GapKind::Unsettled, Some(Side::Unstated), true)],
        "which side is missing cannot be said before"
    );
    let gap = about(&g, "popliteal-angle")[0];
    assert_eq!(
        gap.text,
        format!("Popliteal angle, side not said: 90° ({seq}.1) is not settled: no side was said")
    );
    assert_eq!(gap.settle, format!("cotside settle EXAM {seq}.1 --side SIDE"));
    let chosen = in_memory::chosen("popliteal-angle", Some("right"), Number(90.0));
    log.decide(Some((seq, 1)), Decision::Choose(chosen));
    let g = of(&log.exam());
    assert_eq!(kinds(&g, "popliteal-angle"), [(GapKind::OneSideOnly, Some(Side::Left), true)]);
}

#[test]
fn every_doubt_of_a_finding_is_in_its_line() {
    let mut log = whole_without("(nothing)");
    log.say("popliteal angle ninety");
    let mut exam = log.exam();
    let item = newborn().item("popliteal-angle").unwrap();
    let k = exam.findings.iter().position(|s| s.finding.item == item).unwrap();
    exam.findings[k].finding.doubts.push(cotside::reading::Doubt::Hedged("maybe".into()));
    let g = of(&exam);
    let text = &about(&g, "popliteal-angle")[0].text;
    assert!(text.ends_with("no side was said; said with a doubt: \"maybe\""), "{text}");
}

#[test]
fn a_settlement_that_could_not_be_applied_is_listed_last_and_settled_by_undoing_it() {
    let mut log = whole_without("(nothing)");
    let seq = log.decide(Some((99, 1)), Decision::NotAFinding);
    let g = of(&log.exam());
    assert_eq!(g.list.len(), 1);
    assert_eq!((g.list[0].kind, g.list[0].open), (GapKind::StraySettlement, true));
    assert_eq!(g.list[0].settle, format!("cotside settle EXAM --undo {seq}"));
    log.decide(None, Decision::Undo { seq });
    assert!(of(&log.exam()).met);
}

#[test]
fn another_lexicon_than_the_journal_names_is_a_gap() {
    let mut log = whole_without("(nothing)");
    log.header.lexicon.sha256 = Digest::ZERO;
    let g = of(&log.exam());
    assert_eq!(g.list.len(), 1);
    assert_eq!((g.list[0].kind, g.list[0].open), (GapKind::LexiconDiffers, true));
    assert!(
        g.list[0].text.contains("`newborn` 000000000000, now `newborn` "),
        "{}",
        g.list[0].text
    );
}

#[test]
fn only_what_is_required_is_missed_in_an_empty_exam() {
    for p in &newborn().protocols {
        let g = of(&log(&p.id).exam());
        let missed: Vec<_> = g.list.iter().map(|gap| gap.item.unwrap()).collect();
        let required: Vec<_> =
            p.items.iter().filter(|(_, n, _)| *n == Need::Required).map(|(i, ..)| *i).collect();
        assert_eq!(missed, required, "in protocol order, optional and only-if items not listed");
        assert!(g.list.iter().all(|gap| gap.kind == GapKind::NotDone && gap.open));
        assert_eq!((g.required, g.done, g.with_reason), (required.len(), 0, 0));
    }
}

#[test]
fn open_gaps_stand_first_and_both_parts_in_protocol_order() {
    let mut log = log("full-term");
    log.header.sex = None;
    log.reason("cry", None, "slept");
    log.reason("spine", None, "on cooling mattress");
    log.add("scarf-sign", Some("left"), Word("midline"));
    log.decide(Some((99, 1)), Decision::NotAFinding);
    let g = of(&log.exam());
    let first_closed = g.list.iter().position(|gap| !gap.open).unwrap();
    assert!(g.list[first_closed..].iter().all(|gap| !gap.open));
    let closed: Vec<_> = g.list[first_closed..]
        .iter()
        .map(|gap| newborn().items[gap.item.unwrap()].id.as_str())
        .collect();
    assert_eq!(closed, ["cry", "spine"]);
    assert_eq!(g.list[0].kind, GapKind::HeaderMissing(Field::Sex));
    assert_eq!(g.list[first_closed - 1].kind, GapKind::StraySettlement);
    let items: Vec<_> = g.list[1..first_closed - 1].iter().map(|gap| gap.item.unwrap()).collect();
    assert!(items.is_sorted(), "{items:?}");
    assert!(items.contains(&newborn().item("scarf-sign").unwrap()));
}

#[test]
fn a_reason_for_every_open_gap_of_an_empty_exam_meets_the_protocol() {
    let mut log = log("full-term");
    for gap in of(&log.exam()).open() {
        log.reason(&newborn().items[gap.item.unwrap()].id, None, "went home");
    }
    let g = of(&log.exam());
    assert_eq!((g.met, g.done, g.with_reason), (true, 0, g.required));
    assert!(g.required > 30);
}

#[test]
fn required_items_are_done_left_out_with_reason_or_open_and_nothing_else() {
    let mut log = log("full-term");
    log.say("quiet awake");
    log.say("popliteal angle ninety");
    log.say("moro complete");
    log.say("suck strong");
    log.say("arm recoil left brisk");
    log.say("skip the head lag, just fed");
    let exam = log.exam();
    let g = of(&exam);
    let protocol = newborn().protocol(Some("full-term")).unwrap();
    let open = protocol
        .items
        .iter()
        .filter(|(i, n, _)| *n == Need::Required && g.open().any(|gap| gap.item == Some(*i)))
        .count();
    assert_eq!(g.required, g.done + g.with_reason + open);
    // State, Moro and suck; head lag with its reason.
    assert_eq!((g.done, g.with_reason), (3, 1));
}

#[test]
fn what_is_left_goes_section_by_section_and_asks_for_no_side_twice() {
    let mut log = log("full-term");
    log.say("quiet awake");
    log.add("arm-recoil", Some("left"), Word("brisk"));
    log.say("moro later");
    log.say("skip the suck, just fed");
    let left = left_to_do(&log.exam(), newborn());
    let sections: Vec<_> = left.iter().map(|s| s.section).collect();
    assert!(sections.is_sorted_by(|a, b| a < b), "{sections:?}");
    let all: Vec<_> = left.iter().flat_map(|s| &s.items).collect();
    let find = |id: &str| {
        let item = newborn().item(id).unwrap();
        all.iter().find(|t| t.item == item).map(|t| (t.side, t.need, t.later))
    };
    assert_eq!(find("arm-recoil"), Some((Some(Side::Right), Need::Required, false)));
    assert_eq!(find("moro"), Some((None, Need::Required, true)));
    assert_eq!(find("scarf-sign"), Some((None, Need::Required, false)));
    assert_eq!(find("galant"), Some((None, Need::Optional, false)));
    assert_eq!(find("suck"), None, "said not to be done");
    assert_eq!(find("behavioural-state"), None, "the state was said");
    assert_eq!(find("corneal"), None, "only on an indication");
    let whole = whole_without("(nothing)").exam();
    let left = left_to_do(&whole, newborn());
    assert!(left.iter().flat_map(|s| &s.items).all(|t| t.need == Need::Optional));
}

#[test]
fn a_lexicon_without_gestation_and_protocol_asks_for_neither() {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/lexicons/bicycle");
    let lex = compile(&Files::folder(&dir).unwrap()).unwrap().lexicon;
    let mut log = Log::new(&lex);
    let h = &mut log.header;
    (h.sex, h.born, h.ga) = (None, None, None);
    log.header.protocol = lex.protocol(None).map(|p| p.id.clone());
    log.say("left pedal tight");
    let g = gaps(&log.exam(), &lex);
    assert!(g.list.iter().all(|gap| gap.item.is_some()), "{:?}", g.list);
    assert!(
        g.list.iter().any(|gap| gap.kind == GapKind::OneSideOnly && gap.text.contains("right"))
    );
}
