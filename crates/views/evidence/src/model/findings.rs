//! Misses with their likely causes, and orphans.

use vocabulary::Wall;

/// Shots that were missed.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Misses {
    /// How many there are in all.
    pub total: i64,
    /// How many were looked into for the counts by cause: all, or a stated part.
    pub looked_into: i64,
    /// The likeliest causes, each with how many misses it is the likeliest of; most first.
    pub by_cause: Vec<CauseCount>,
    /// The first of them, at most about 50.
    pub first: Vec<Miss>,
    /// The command that lists all.
    pub all: String,
}

/// A cause and how many misses it is the likeliest of.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct CauseCount {
    /// The program's word for it.
    pub word: String,
    /// In plain words.
    pub what: String,
    /// How many misses.
    pub shots: i64,
}

/// One missed shot.
#[derive(Clone, PartialEq, Debug)]
pub struct Miss {
    /// The injection's id.
    pub injection: String,
    /// The shot's number in it.
    pub shot: i64,
    /// The slot.
    pub slot: String,
    /// The forced lines.
    pub lines: Vec<String>,
    /// When.
    pub fired: Option<Wall>,
    /// Probability that it was missed, where pairing gives one.
    pub confidence: Option<f64>,
    /// Likely causes, the likeliest first.
    pub causes: Vec<Cause>,
}

/// One likely cause.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Cause {
    /// The program's word for it, the same as in [`CauseCount`].
    pub word: String,
    /// How strongly the evidence speaks for it, such as `likely`.
    pub strength: String,
    /// In plain words.
    pub what: String,
    /// What was seen.
    pub seen: Vec<Seen>,
}

/// One thing that was seen.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Seen {
    /// What was looked at.
    pub fact: String,
    /// What it said.
    pub value: String,
}

/// Reports that no shot explains.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Orphans {
    /// How many there are in all.
    pub total: i64,
    /// How many of them name no slot, or several.
    pub without_place: i64,
    /// Slots with orphans, most first.
    pub by_slot: Vec<OrphanRate>,
    /// The first of them, at most about 50.
    pub first: Vec<Orphan>,
    /// The command that lists all.
    pub all: String,
}

/// How often nobody provoked a report at a slot.
#[derive(Clone, PartialEq, Debug)]
pub struct OrphanRate {
    /// The slot.
    pub slot: String,
    /// How many.
    pub orphans: i64,
    /// For how long the slot was watched, nanoseconds.
    pub watched_ns: i64,
    /// In an hour; nothing where it is not estimable.
    pub per_hour: Option<f64>,
    /// Lower end of the interval.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
    /// Confidence of the interval.
    pub confidence: f64,
}

/// One orphan.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Orphan {
    /// The report's number in the run.
    pub report: i64,
    /// When the kernel said it.
    pub seen: Option<Wall>,
    /// The slot that it blames, where it names one.
    pub slot: Option<String>,
    /// The kernel's word for how bad.
    pub severity: String,
    /// How many errors it stands for; 0 is "at least one".
    pub count: i64,
    /// The source of the witness that tells it.
    pub source: String,
    /// What the kernel said.
    pub message: Option<String>,
    /// Physical address, in hexadecimal.
    pub address: Option<String>,
    /// Syndrome, in hexadecimal.
    pub syndrome: Option<String>,
}
