//! How it was measured, and how each table can be made again.

/// How it was measured.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Method {
    /// How long a report may come after its shot, nanoseconds.
    pub window_ns: i64,
    /// From when on a detected shot counts as late, nanoseconds.
    pub deadline_ns: Option<i64>,
    /// The sources that were watched, in the kernel's words.
    pub sources: Vec<String>,
    /// What was calculated, each with its source: of [`formulas`](crate::formulas), those that were used.
    pub formulas: Vec<Formula>,
    /// What was not counted.
    pub not_counted: Vec<NotCounted>,
    /// What the numbers do not show, in plain words, beside what the page always says.
    pub limits: Vec<String>,
    /// Every setting that can change an answer, as the run began with them.
    pub settings: Vec<super::Fact>,
}

/// Something that was calculated.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Formula {
    /// What.
    pub what: &'static str,
    /// How, in plain words.
    pub how: &'static str,
    /// The published source.
    pub source: &'static str,
}

/// Shots or reports that were not counted.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct NotCounted {
    /// What.
    pub what: String,
    /// How many.
    pub count: i64,
    /// Why not.
    pub why: String,
}

/// How one table can be made again.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Recipe {
    /// The part of the page that it belongs to.
    pub section: Section,
    /// Which table or figure.
    pub what: String,
    /// The command, ready to be typed.
    pub command: Option<String>,
    /// What to ask SQLite.
    pub sql: Option<String>,
}

/// The parts of the page, in its order.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Section {
    /// What was tested, and the verdict in one line.
    Run,
    /// Criteria and verdict.
    Verdict,
    /// The machine.
    Machine,
    /// Detection slot by slot.
    Slots,
    /// Latency.
    Latency,
    /// The time line.
    Time,
    /// Lines against outcomes.
    Lines,
    /// Misses.
    Misses,
    /// Orphans.
    Orphans,
    /// Clocks and rails.
    ClockAndRails,
    /// How it was measured.
    Method,
    /// How to recompute it.
    Recompute,
    /// Cautions.
    Cautions,
}

impl Section {
    /// All of them, in the page's order.
    pub const ALL: [Section; 13] = [
        Section::Run,
        Section::Verdict,
        Section::Machine,
        Section::Slots,
        Section::Latency,
        Section::Time,
        Section::Lines,
        Section::Misses,
        Section::Orphans,
        Section::ClockAndRails,
        Section::Method,
        Section::Recompute,
        Section::Cautions,
    ];

    /// Its number on the page, from 1.
    #[must_use]
    pub fn number(self) -> usize {
        Section::ALL.iter().position(|s| *s == self).map_or(0, |n| n + 1)
    }

    /// Its heading.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Section::Run => "What was tested",
            Section::Verdict => "Criteria and verdict",
            Section::Machine => "The machine",
            Section::Slots => "Detection, slot by slot",
            Section::Latency => "How soon reports came",
            Section::Time => "What happened when",
            Section::Lines => "Forced lines and outcomes",
            Section::Misses => "Missed shots and their likely causes",
            Section::Orphans => "Reports that nobody provoked",
            Section::ClockAndRails => "Clocks and supply rails",
            Section::Method => "How it was measured",
            Section::Recompute => "Recompute it",
            Section::Cautions => "Cautions",
        }
    }
}
