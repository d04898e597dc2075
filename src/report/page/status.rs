//! How a finding stands, by one shape and one word.

use crate::exam::Standing;
use crate::grade::{Grade, Ungraded};
use crate::reading::types;

/// How a finding stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// As expected.
    Expected,
    /// Borderline.
    Borderline,
    /// Outside.
    Outside,
    /// A person has still to decide.
    Unsettled,
    /// Recorded, compared with nothing.
    Recorded,
    /// Made in a state in which it cannot be judged.
    NotValid,
    /// Tried, could not be elicited.
    NotElicited,
    /// Not done.
    NotDone,
}

/// All of them, in the order of the legend.
pub const ALL: [Status; 8] = [
    Status::Outside,
    Status::Borderline,
    Status::Expected,
    Status::Recorded,
    Status::Unsettled,
    Status::NotValid,
    Status::NotElicited,
    Status::NotDone,
];

/// How a standing finding stands.
pub fn of(s: &Standing, grade: Option<Grade>) -> Status {
    let f = &s.finding;
    if !f.is_sure() {
        return Status::Unsettled;
    }
    match (f.status, grade) {
        (types::Status::Skipped, _) => Status::NotDone,
        (types::Status::NotObtained, _) => Status::NotElicited,
        (_, Some(Grade::Outside)) => Status::Outside,
        (_, Some(Grade::Borderline)) => Status::Borderline,
        (_, Some(Grade::Expected)) => Status::Expected,
        (_, Some(Grade::Ungraded(Ungraded::WrongState))) => Status::NotValid,
        (_, Some(Grade::Ungraded(_)) | None) => Status::Recorded,
    }
}

impl Status {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Status::Expected => "expected",
            Status::Borderline => "borderline",
            Status::Outside => "outside",
            Status::Unsettled => "unsettled",
            Status::Recorded => "ungraded",
            Status::NotValid => "not valid in this state",
            Status::NotElicited => "not elicited",
            Status::NotDone => "not done",
        }
    }

    /// The name of its shape.
    pub fn shape(self) -> &'static str {
        match self {
            Status::Expected => "expected",
            Status::Borderline => "borderline",
            Status::Outside => "outside",
            Status::Unsettled => "unsettled",
            Status::Recorded => "recorded",
            Status::NotValid => "notvalid",
            Status::NotElicited => "notelicited",
            Status::NotDone => "notdone",
        }
    }

    /// Whether it is named where it is drawn.
    pub fn stands_out(self) -> bool {
        matches!(self, Status::Outside | Status::Borderline | Status::Unsettled | Status::NotValid)
    }
}
