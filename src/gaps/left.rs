//! What is left: the protocol's items not found yet, section by section.

use crate::exam::Exam;
use crate::lexicon::model::{ItemId, Lexicon, Need};
use crate::reading::types::Side;

use super::items::{Place, place, places};

/// One section with something left.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftToDo {
    /// Section, index into the lexicon's sections.
    pub section: usize,
    /// What is left of it, in protocol order.
    pub items: Vec<ToDo>,
}

/// One item, or one side of it, not found yet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ToDo {
    /// Item.
    pub item: ItemId,
    /// The side still missing, when the other one is not.
    pub side: Option<Side>,
    /// Whether the protocol requires it.
    pub need: Need,
    /// Left for later by the examiner.
    pub later: bool,
}

/// The items of the protocol not found yet, section by section in examination order. Optional
/// items are among them (see [`ToDo::need`]); items done only on an indication and items said not
/// to be done are not. Without a protocol nothing is left.
pub fn left_to_do(exam: &Exam, lex: &Lexicon) -> Vec<LeftToDo> {
    let mut out: Vec<LeftToDo> = Vec::new();
    let Some(protocol) = lex.protocol(exam.header.protocol.as_deref()) else { return out };
    for (item, need, _) in protocol.items.iter().filter(|(_, need, _)| *need != Need::OnlyIf) {
        let it = &lex.items[*item];
        let missing: Vec<(Option<Side>, bool)> = places(it)
            .iter()
            .filter_map(|&side| match place(exam, lex, *item, side) {
                Place::Nothing => Some((side, false)),
                Place::Later { .. } => Some((side, true)),
                _ => None,
            })
            .collect();
        let Some(&(side, _)) = missing.first() else { continue };
        let to_do = ToDo {
            item: *item,
            side: side.filter(|_| missing.len() == 1),
            need: *need,
            later: missing.iter().any(|(_, later)| *later),
        };
        match out.iter_mut().find(|s| s.section == it.section) {
            Some(s) => s.items.push(to_do),
            None => out.push(LeftToDo { section: it.section, items: vec![to_do] }),
        }
    }
    out.sort_by_key(|s| s.section);
    out
}
