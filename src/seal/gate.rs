//! What stands in the way of signing, each with the command that settles it.

use chrono::{DateTime, FixedOffset};

use crate::exam::Exam;
use crate::gaps::{GapKind, Gaps};
use crate::report::words;

/// One matter that stands in the way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Matter {
    /// One plain line for people.
    pub text: String,
    /// The command that settles it; `EXAM` and words in capitals are to be filled in.
    pub settle: String,
    /// It stands in the way even of signing an incomplete exam: without it, it is not known who signs
    /// what.
    pub always: bool,
}

/// What stands in the way of `who` signing at `now`.
pub fn matters(x: &Exam, g: &Gaps, who: Option<&str>, now: DateTime<FixedOffset>) -> Vec<Matter> {
    let mut out: Vec<Matter> = g
        .open()
        .map(|gap| Matter {
            text: gap.text.clone(),
            settle: gap.settle.clone(),
            always: matches!(
                gap.kind,
                GapKind::HeaderMissing(crate::gaps::Field::By) | GapKind::LexiconDiffers
            ),
        })
        .collect();
    if let (Some(by), Some(who)) = (x.header.by.as_deref(), who)
        && by.trim() != who
    {
        out.push(Matter {
            text: format!("{by} examined, and {who} is to sign: the examiner signs"),
            settle: format!("cotside sign EXAM --by {}", by.trim()),
            always: true,
        });
    }
    if !x.ended {
        out.push(Matter {
            text: "the log was never ended: end it with Ctrl-C, or with `end of exam`".into(),
            settle: "cotside listen --keys --exam EXAM".into(),
            always: false,
        });
    }
    if x.header.started > now {
        out.push(Matter {
            text: format!(
                "the exam starts ({}) after what this machine's clock shows ({})",
                words::wall(&x.header.started),
                words::wall(&now)
            ),
            settle: "cotside header EXAM --started TIME".into(),
            always: false,
        });
    }
    out.sort_by_key(|m| !m.always);
    out
}
