//! What pairing takes in of a witness, and what it answers.

use crate::{Blame, FoundBy, Layers, Mono, Severity, ShotKey, SlotId, Source, Span};
use serde::{Deserialize, Serialize};

/// A witness as pairing takes it: numbered, its place looked up, free of text.
///
/// The order of the fields makes the derived order the canonical one for equal-time inputs; `id` comes last, since it is
/// given in order of arrival.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
pub struct Sighted {
    /// When the pipeline learned of it: its own time, unless it came late.
    pub known: Mono,
    /// When it happened.
    pub span: Span,
    /// Where it came from.
    pub source: Source,
    /// The memory controller, if known.
    pub controller: Option<u16>,
    /// The position below the controller.
    pub layers: Layers,
    /// How bad.
    pub severity: Severity,
    /// How many errors; 0 is "at least one".
    pub count: u32,
    /// The physical address, if there was one: [`Witness::physical_address`](crate::Witness::physical_address).
    pub address: Option<u64>,
    /// The syndrome as a driver tells it, if there was one: [`Witness::driver_syndrome`](crate::Witness::driver_syndrome).
    pub syndrome: Option<u64>,
    /// Whether it was made up by the kernel from a firmware record (bank 255).
    pub synthetic: bool,
    /// How the error was found, as far as this witness says.
    pub found_by: FoundBy,
    /// The slots that it may be about.
    pub blame: Blame,
    /// The witness's number in the database.
    pub id: i64,
}

/// What became of a shot.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
pub enum Outcome {
    /// At least one report fits it.
    Detected,
    /// The window closed with none, while every source that could have seen it was watching.
    Missed,
    /// None fits, but the window overlaps a gap.
    Unknowable,
}

impl Outcome {
    /// The word for files, tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Outcome::Detected => "detected",
            Outcome::Missed => "missed",
            Outcome::Unknowable => "unknowable",
        }
    }
}

/// The settled answer about one shot.
#[derive(Clone, PartialEq, Debug)]
pub struct ShotAnswer {
    /// Which shot.
    pub key: ShotKey,
    /// What became of it.
    pub outcome: Outcome,
    /// The number of the report that fits it.
    pub report: Option<i64>,
    /// The least that the latency can have been.
    pub latency_min_ns: Option<i64>,
    /// The latency, as far as it is proven: to the report, or to the read that showed the counter moved.
    pub latency_ns: Option<i64>,
    /// The report blames another slot.
    pub misplaced: bool,
    /// The report's severity class is not one that a working machine may report here.
    pub misgraded: bool,
    /// The report says corrected, and the code more likely than not took several wrong bits for another one: the data are wrong then.
    pub dangerous: bool,
    /// Detected after the deadline, inside the window.
    pub late: bool,
    /// The report covers other shots too.
    pub shared: bool,
    /// Everything that could have seen the shot was watching through its whole window: without a report it would have been
    /// missed, not unknowable. Counting a detected shot that was not watched would flatter the rate, since its twin without a
    /// report does not count. Never true of an unknowable shot, always of a missed one.
    pub watched: bool,
    /// The slot that the report blames, where it names one.
    pub blamed: Option<SlotId>,
    /// Log-likelihood distance to the second-best answer, where pairing gives one.
    pub margin: Option<f64>,
    /// Probability of this answer, where pairing gives one.
    pub confidence: Option<f64>,
    /// Probability that any report was about the shot, over all plausible assignments: what rates are summed from. Nothing
    /// for an unknowable shot.
    pub detected_p: Option<f64>,
    /// For an unknowable shot: why nobody can know.
    pub why: Option<String>,
}

/// What a report turned out to be.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Role {
    /// It detected at least one shot.
    Match,
    /// A further report explained by an already detected shot.
    Echo,
    /// No shot explains it.
    Orphan,
}

impl Role {
    /// The word for files, tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Role::Match => "match",
            Role::Echo => "echo",
            Role::Orphan => "orphan",
        }
    }
}

/// What the syndrome of an orphan says of where it comes from.
///
/// Under a linear code the same wrong bits give the same syndrome, whoever made them wrong.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LooksLike {
    /// Lines that were forced on its slot are known to give this syndrome: perhaps a report that came after its window.
    LateReport {
        /// The last shot of these lines before it that nothing was said of, where one is known.
        shot: Option<ShotKey>,
    },
    /// No lines that were forced on its slot are known to give this syndrome: perhaps the module fails on its own.
    UnknownFingerprint,
}

impl LooksLike {
    /// The words for files, tables and JSON.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            LooksLike::LateReport { .. } => "late report",
            LooksLike::UnknownFingerprint => "unknown fingerprint",
        }
    }

    /// The shot that it may be about.
    #[must_use]
    pub fn shot(self) -> Option<ShotKey> {
        match self {
            LooksLike::LateReport { shot } => shot,
            LooksLike::UnknownFingerprint => None,
        }
    }
}

/// The settled answer about one report.
#[derive(Clone, PartialEq, Debug)]
pub struct ReportAnswer {
    /// The report's number in the run, given in the order of settling.
    pub report: i64,
    /// The witness that the report is told by: its message, label and address are the report's.
    pub anchor: i64,
    /// All witnesses of it, the anchor first.
    pub witnesses: Vec<i64>,
    /// When the kernel said it.
    pub span: Span,
    /// The slot it blames, where it names exactly one.
    pub slot: Option<SlotId>,
    /// How bad.
    pub severity: Severity,
    /// How many errors it stands for; 0 is "at least one".
    pub count: u32,
    /// What it turned out to be.
    pub role: Role,
    /// The shot that explains it; the first, if it covers several.
    pub shot: Option<ShotKey>,
    /// For an orphan: what its syndrome says. Nothing where it has none, or where no syndromes are known of its slot.
    pub looks_like: Option<LooksLike>,
}
