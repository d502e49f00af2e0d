//! A finding, its weight, and what all of them come to.
//!
//! Every file that judges makes findings through [`Finding::new`] and the helpers here; nobody else does.

use crate::facts::{Fact, Found};
use serde::Serialize;

/// How much a finding matters. The worst is the least, so that it sorts first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Weight {
    /// With this, errors that are to be proved will not be reported.
    Blocks,
    /// A run is possible; some answers will be worse, later or wrong.
    Warns,
    /// As it should be, or nothing but good to know.
    Fine,
}

/// One thing that was found.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Finding {
    /// How much it matters.
    #[serde(rename = "severity")]
    pub weight: Weight,
    /// One plain sentence.
    pub what: String,
    /// The file and what it said.
    pub evidence: String,
    /// What to do; nothing where nothing is to be done.
    pub remedy: Option<String>,
}

/// What all findings come to.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub enum Readiness {
    /// Nothing is wrong.
    #[serde(rename = "ready")]
    Ready,
    /// A run is possible, and whoever reads its numbers should know the warnings.
    #[serde(rename = "warnings")]
    ReadyWithWarnings,
    /// Errors will not be reported.
    #[serde(rename = "not_able")]
    NotAble,
}

impl Readiness {
    /// What these findings come to.
    #[must_use]
    pub fn of(findings: &[Finding]) -> Readiness {
        match findings.iter().map(|finding| finding.weight).min() {
            Some(Weight::Blocks) => Readiness::NotAble,
            Some(Weight::Warns) => Readiness::ReadyWithWarnings,
            Some(Weight::Fine) | None => Readiness::Ready,
        }
    }
}

impl Finding {
    pub(crate) fn new(weight: Weight, what: impl Into<String>, evidence: impl Into<String>) -> Finding {
        Finding { weight, what: what.into(), evidence: evidence.into(), remedy: None }
    }

    pub(crate) fn blocks(what: impl Into<String>, evidence: impl Into<String>) -> Finding {
        Finding::new(Weight::Blocks, what, evidence)
    }

    pub(crate) fn warns(what: impl Into<String>, evidence: impl Into<String>) -> Finding {
        Finding::new(Weight::Warns, what, evidence)
    }

    pub(crate) fn fine(what: impl Into<String>, evidence: impl Into<String>) -> Finding {
        Finding::new(Weight::Fine, what, evidence)
    }

    pub(crate) fn remedy(mut self, remedy: impl Into<String>) -> Finding {
        self.remedy = Some(remedy.into());
        self
    }
}

/// A fact as evidence: `file: what it said`.
pub(crate) fn evidence<T: std::fmt::Display>(fact: &Fact<T>) -> String {
    match &fact.found {
        Found::Value(value) => format!("{}: {value}", fact.file),
        Found::Absent | Found::Unreadable(_) => without_value(fact),
    }
}

/// The same for what has no text, such as a directory.
pub(crate) fn without_value<T>(fact: &Fact<T>) -> String {
    match &fact.found {
        Found::Value(_) => format!("{}: is there", fact.file),
        Found::Absent => format!("{}: not there", fact.file),
        Found::Unreadable(why) => format!("{}: could not be read: {why}", fact.file),
    }
}

/// The finding that something could not be seen; none for what was read, and for what is known not to be there.
pub(crate) fn unseen<T>(fact: &Fact<T>, subject: &str) -> Option<Finding> {
    let Found::Unreadable(_) = &fact.found else { return None };
    let what = format!("It could not be seen {subject}.");
    Some(Finding::warns(what, without_value(fact)).remedy("run this as root"))
}

/// The number that a setting holds; what is no number, and what could not be read, becomes a finding.
pub(crate) fn number(fact: &Fact, subject: &str, findings: &mut Vec<Finding>) -> Option<u64> {
    let number = fact.value().and_then(|text| text.parse().ok());
    if number.is_none() && fact.value().is_some() {
        findings.push(Finding::warns(format!("It could not be seen {subject}: no number is there."), evidence(fact)));
    }
    findings.extend(unseen(fact, subject));
    number
}

/// The first few of many, so that a finding stays readable.
pub(crate) fn some(names: &[String]) -> String {
    const SHOWN: usize = 4;
    let shown = names.iter().take(SHOWN).cloned().collect::<Vec<_>>().join(", ");
    if names.len() > SHOWN { format!("{shown} and {} more", names.len() - SHOWN) } else { shown }
}
