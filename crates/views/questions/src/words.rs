//! Outcomes and roles as rows and filters have them: the settled words, and "open" for what is not settled yet.

use serde::Serialize;

/// What is known about a shot.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum OutcomeWord {
    /// At least one report fits it.
    Detected,
    /// Its window closed with none, while every source that could have seen it was watching.
    Missed,
    /// None fits, but its window overlaps a gap.
    Unknowable,
    /// Not settled yet.
    Open,
}

impl OutcomeWord {
    /// Every outcome, in the order in which people are told.
    pub const ALL: [OutcomeWord; 4] =
        [OutcomeWord::Detected, OutcomeWord::Missed, OutcomeWord::Unknowable, OutcomeWord::Open];

    /// The word for files, tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            OutcomeWord::Detected => "detected",
            OutcomeWord::Missed => "missed",
            OutcomeWord::Unknowable => "unknowable",
            OutcomeWord::Open => "open",
        }
    }

    /// The outcome that a word names.
    #[must_use]
    pub fn parse(word: &str) -> Option<OutcomeWord> {
        OutcomeWord::ALL.into_iter().find(|o| o.word() == word)
    }

    /// The outcome in the database, where open is NULL.
    pub(crate) fn of_column(column: Option<&str>) -> OutcomeWord {
        column.and_then(OutcomeWord::parse).unwrap_or(OutcomeWord::Open)
    }
}

/// What is known about a report.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum RoleWord {
    /// It detected at least one shot.
    Match,
    /// A further report explained by an already detected shot.
    Echo,
    /// No shot explains it.
    Orphan,
    /// Not settled yet: a witness that no report has taken in.
    Open,
}

impl RoleWord {
    /// Every role, in the order in which people are told.
    pub const ALL: [RoleWord; 4] = [RoleWord::Match, RoleWord::Echo, RoleWord::Orphan, RoleWord::Open];

    /// The word for files, tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            RoleWord::Match => "match",
            RoleWord::Echo => "echo",
            RoleWord::Orphan => "orphan",
            RoleWord::Open => "open",
        }
    }

    /// The role that a word names.
    #[must_use]
    pub fn parse(word: &str) -> Option<RoleWord> {
        RoleWord::ALL.into_iter().find(|r| r.word() == word)
    }

    /// The role in the database; the schema allows no other word.
    pub(crate) fn of_column(column: &str) -> RoleWord {
        RoleWord::parse(column).unwrap_or(RoleWord::Open)
    }
}
