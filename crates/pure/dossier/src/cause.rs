//! A cause, how strongly its evidence speaks for it, and the evidence.
//!
//! Every rule makes its cause through [`Cause::new`] and the helpers here; nobody else does.

use serde::Serialize;

/// How strongly the evidence speaks for a cause. The strongest is the least, so that it sorts first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Strength {
    /// Something was seen that this cause leaves behind and that little else does.
    Likely,
    /// What was seen fits; so may it fit other causes.
    Possible,
    /// Nothing speaks for it but that it could be so on this machine.
    #[serde(rename = "cannot_be_excluded")]
    NotExcluded,
}

impl Strength {
    /// The words for people.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Strength::Likely => "likely",
            Strength::Possible => "possible",
            Strength::NotExcluded => "cannot be excluded",
        }
    }
}

/// One thing that was seen.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Evidence {
    /// What was looked at: a file of the kernel where there is one.
    pub fact: String,
    /// What it said.
    pub value: String,
}

/// One likely cause.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Cause {
    /// A word for programs, which stays the same from version to version.
    #[serde(rename = "cause")]
    pub word: &'static str,
    /// How strongly the evidence speaks for it.
    pub strength: Strength,
    /// One or two plain sentences.
    pub what: String,
    /// What was seen.
    pub evidence: Vec<Evidence>,
    /// Where the mechanism can be read: a file of the kernel's source, or a standard.
    pub source: &'static str,
}

impl Cause {
    pub(crate) fn new(word: &'static str, strength: Strength, what: impl Into<String>, source: &'static str) -> Cause {
        Cause { word, strength, what: what.into(), evidence: Vec::new(), source }
    }

    /// Adds something that was seen.
    pub(crate) fn seen(mut self, fact: impl Into<String>, value: impl ToString) -> Cause {
        self.evidence.push(Evidence { fact: fact.into(), value: value.to_string() });
        self
    }

    /// Adds what others have put together.
    pub(crate) fn and(mut self, evidence: impl IntoIterator<Item = Evidence>) -> Cause {
        self.evidence.extend(evidence);
        self
    }
}
