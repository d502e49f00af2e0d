//! One story about a slot: which report each open shot has, and which reports are nobody's. `chain` keeps many.

use serde::{Deserialize, Serialize};

/// The most shots that are open in a story.
pub(crate) const MOST_SHOTS: usize = 16;
/// The most reports that stories differ in.
pub(crate) const MOST_REPORTS: usize = 64;

/// See the module's page. Shots and reports are known by their place in the chain's lists.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(crate) struct Story {
    /// Likelihood of what came, but for the silence about shots without a report.
    pub(crate) weight: f64,
    /// By the shot's place; 0 for none, otherwise one more than the report's place.
    pub(crate) answers: [u8; MOST_SHOTS],
    /// A bit for each place whose shot has no report, and for each that no shot has: what `answers` says, at a glance.
    pub(crate) silent: u16,
    /// A bit for each report that is nobody's.
    pub(crate) nobody: u64,
    /// A bit for each report that is somebody's, and counts more errors than these shots.
    pub(crate) spare: u64,
    /// A bit for each report that is several shots'.
    pub(crate) several: u64,
}

impl Story {
    pub(crate) const EMPTY: Story =
        Story { weight: 1.0, answers: [0; MOST_SHOTS], silent: u16::MAX, nobody: 0, spare: 0, several: 0 };

    /// The report that a shot has.
    pub(crate) fn answer(&self, shot: usize) -> Option<usize> {
        self.answers.get(shot).and_then(|answer| usize::from(*answer).checked_sub(1))
    }

    /// Whether a shot has no report.
    pub(crate) fn is_silent(&self, shot: usize) -> bool {
        self.silent >> shot & 1 == 1
    }

    pub(crate) fn give(&mut self, shot: usize, report: Option<usize>) {
        if let Some(answer) = self.answers.get_mut(shot) {
            *answer = report.and_then(|report| u8::try_from(report + 1).ok()).unwrap_or(0);
            let bit = 1 << shot;
            self.silent = if *answer == 0 { self.silent | bit } else { self.silent & !bit };
        }
    }

    /// What makes two stories the same one.
    pub(crate) fn key(&self) -> (u128, u64, u64, u64) {
        (u128::from_le_bytes(self.answers), self.nobody, self.spare, self.several)
    }
}
