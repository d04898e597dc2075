//! The families of ordinary words the reader asks for by name.

/// A family of words of the language layer (`[words.NAME]`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Family {
    /// Left out when phrases are compared.
    Filler,
    /// The left side.
    Left,
    /// The right side.
    Right,
    /// Both sides.
    Both,
    /// Both sides alike.
    Equal,
    /// The side opposite to the one just named.
    OtherSide,
    /// The side at hand, or one of two whose names are not said (*this side*, *the good side*).
    ThisSide,
    /// *Left* or *right* that is no side.
    NotASide,
    /// *Right* that is no side unless a breath opens with it (*right at the midline*); of those above.
    PerhapsASide,
    /// A part of the body after a side word (*right arm*).
    BodyPart,
    /// No, not, without.
    Negation,
    /// Tried, could not be elicited.
    NotObtained,
    /// Not done.
    Skip,
    /// Not done, at the end of a phrase only.
    WeakSkip,
    /// Left for later.
    Defer,
    /// Takes one out of a statement about all.
    Except,
    /// As the one before.
    Same,
    /// As the one before, when nothing else is said.
    Too,
    /// What follows replaces what went before.
    Correct,
    /// Corrects only where it goes on to judge (*actually*); else it is talk.
    MildCorrect,
    /// Asks what was said before, which what follows replaces (*did I say*).
    Recall,
    /// Takes back what went before.
    Strike,
    /// Takes back what went before, said of the manoeuvre.
    Withdraw,
    /// The two sides were mixed up.
    Swap,
    /// Another trial.
    Again,
    /// Says which of several things counts.
    Directive,
    /// Earlier than this examination.
    Past,
    /// Back to now.
    Present,
    /// Past tense, which alone means nothing.
    Was,
    /// Somebody else.
    OtherSubject,
    /// What should, might or would be.
    Teach,
    /// Not quite sure.
    Hedge,
    /// Joins.
    And,
    /// All of them.
    All,
    /// But.
    But,
    /// A reason follows.
    Because,
    /// The manoeuvre is being held.
    Hold,
    /// The manoeuvre is released.
    Release,
    /// First, second.
    Ordinal,
    /// Joins the ends of a range.
    Range,
    /// How often something was tried.
    Times,
    /// Something under way.
    Doing,
    /// Casts doubt on what was said last.
    SecondThoughts,
    /// After these words a state is not the infant's state now.
    NotAState,
    /// Judges, but so shortly that it may be said of anything (*none*, *fine*).
    Bare,
    /// Judges nothing where it stands alone (*okay*, *there we go*).
    Praise,
    /// Ordinary talk around findings.
    Talk,
    /// Speaks to somebody (*sweetheart*).
    Address,
    /// Talk that beside a finding may say more of it (*slightly*, *only when*).
    Qualifier,
    /// Words that say nothing of how an item is (*see*, *there*).
    Idle,
    /// A measure of something that is no item; a number after it is its own.
    OtherMeasure,
}

impl Family {
    /// All families with their names in the files.
    pub const ALL: &'static [(&'static str, Family)] = &[
        ("filler", Family::Filler),
        ("left", Family::Left),
        ("right", Family::Right),
        ("both", Family::Both),
        ("equal", Family::Equal),
        ("other-side", Family::OtherSide),
        ("this-side", Family::ThisSide),
        ("not-a-side", Family::NotASide),
        ("perhaps-a-side", Family::PerhapsASide),
        ("body-part", Family::BodyPart),
        ("negation", Family::Negation),
        ("not-obtained", Family::NotObtained),
        ("skip", Family::Skip),
        ("weak-skip", Family::WeakSkip),
        ("defer", Family::Defer),
        ("except", Family::Except),
        ("same", Family::Same),
        ("too", Family::Too),
        ("correct", Family::Correct),
        ("mild-correct", Family::MildCorrect),
        ("recall", Family::Recall),
        ("strike", Family::Strike),
        ("withdraw", Family::Withdraw),
        ("swap", Family::Swap),
        ("again", Family::Again),
        ("directive", Family::Directive),
        ("past", Family::Past),
        ("present", Family::Present),
        ("was", Family::Was),
        ("other-subject", Family::OtherSubject),
        ("teach", Family::Teach),
        ("hedge", Family::Hedge),
        ("and", Family::And),
        ("all", Family::All),
        ("but", Family::But),
        ("because", Family::Because),
        ("hold", Family::Hold),
        ("release", Family::Release),
        ("ordinal", Family::Ordinal),
        ("range", Family::Range),
        ("times", Family::Times),
        ("doing", Family::Doing),
        ("second-thoughts", Family::SecondThoughts),
        ("not-a-state", Family::NotAState),
        ("bare", Family::Bare),
        ("praise", Family::Praise),
        ("talk", Family::Talk),
        ("address", Family::Address),
        ("qualifier", Family::Qualifier),
        ("idle", Family::Idle),
        ("other-measure", Family::OtherMeasure),
    ];

    /// Whether its words stand beside the atoms of a phrase and take no words from them.
    pub fn stands_beside(self) -> bool {
        matches!(
            self,
            Family::SecondThoughts
                | Family::PerhapsASide
                | Family::MildCorrect
                | Family::Praise
                | Family::Bare
                | Family::NotAState
                | Family::Address
                | Family::Qualifier
                | Family::Idle
                | Family::OtherMeasure
        )
    }

    /// The family of that name.
    pub fn named(name: &str) -> Option<Family> {
        Family::ALL.iter().find(|(n, _)| *n == name).map(|(_, f)| *f)
    }

    /// The name in the files.
    pub fn name(self) -> &'static str {
        Family::ALL.iter().find(|(_, f)| *f == self).map_or("", |(n, _)| n)
    }
}
