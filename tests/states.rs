//! What is said of the infant's state, and of nothing else.

mod in_memory;

use in_memory::{Log, newborn};

#[test]
fn the_name_of_a_state_judges_no_item_that_is_at_hand() {
    // "Anterior fontanelle … deep sleep" is no deep, sunken fontanelle.
    let names = [
        "deep sleep",
        "light sleep",
        "drowsy",
        "quiet awake",
        "active awake",
        "crying",
        "awake and quiet",
    ];
    let mut wrong = Vec::new();
    for (i, item) in newborn().items.iter().enumerate() {
        if newborn().state_item == Some(i) {
            continue;
        }
        for name in names {
            let mut log = Log::new(newborn());
            log.say(&item.name);
            log.say(name);
            let x = log.exam();
            assert_eq!(x.states.len(), 1, "{} / {name}", item.id);
            wrong.extend(x.of(i).map(|s| format!("{} / {name}: {:?}", item.id, s.finding.value)));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
