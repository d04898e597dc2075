//! The commands that settle gaps, as people type them: all of them here, so that they change with
//! the command line in one place.

use crate::lexicon::model::{Item, Lexicon};
use crate::reading::types::{Finding, FindingId, Side, Status};

use super::Field;

/// Gives a field of the header. The values shown are samples of the form.
pub fn header(field: Field, lex: &Lexicon) -> String {
    let what = match field {
        Field::Sex => "--sex f".into(),
        Field::Born => "--born 2031-04-05T09:26:00+02:00".into(),
        Field::Ga => "--ga 39+2".into(),
        Field::By => "--by INITIALS".into(),
        Field::Protocol => {
            format!("--protocol {}", lex.protocol(None).map_or("PROTOCOL", |p| &p.id))
        }
    };
    format!("cotside header EXAM {what}")
}

/// Says that the lexicon at hand holds from now on.
pub fn lexicon() -> String {
    "cotside header EXAM --adopt-lexicon".into()
}

/// Gives a reason for a gap.
pub fn reason(item: &Item, side: Option<Side>) -> String {
    let side = match side {
        Some(s @ (Side::Left | Side::Right)) => format!(" --side {}", s.word()),
        _ => String::new(),
    };
    format!("cotside settle EXAM --gap {}{side} --reason \"...\"", item.id)
}

/// Names the side of a finding; the rest stays as read. No side is proposed: a command that is copied
/// must not decide.
pub fn side(id: FindingId) -> String {
    format!("cotside settle EXAM {id} --side SIDE")
}

/// Names the side of a finding of which more than the side is in doubt.
pub fn side_and_rest(f: &Finding) -> String {
    format!("{} --side SIDE", as_read(f))
}

/// Gives a finding the value it lacks.
pub fn value(id: FindingId, item: &Item) -> String {
    let what = if item.values.is_empty() { "--number NUMBER" } else { "--value VALUE" };
    format!("cotside settle EXAM {id} {what}")
}

/// Confirms a finding as read; whoever types it changes what is wrong.
pub fn as_read(f: &Finding) -> String {
    let mut out = format!("cotside settle EXAM {}", f.id);
    if f.status != Status::Observed {
        out += &format!(" --status {}", f.status.word());
    }
    if let Some(v) = &f.value {
        out += &format!(" --value {v}");
    }
    if let Some(n) = f.number {
        out += &format!(" --number {n}");
    }
    if let Some((low, high)) = f.range {
        out += &format!(" --low {low} --high {high}");
    }
    out
}

/// Keeps a number that is out of the plausible range.
pub fn keep(f: &Finding) -> String {
    format!("{} --anyway", as_read(f))
}

/// Takes back a settlement.
pub fn undo(seq: u64) -> String {
    format!("cotside settle EXAM --undo {seq}")
}
