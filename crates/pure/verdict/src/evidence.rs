//! What a run's counts are, as the verdict takes them: plain numbers for each slot.
//!
//! Whoever fills these in (the crate `questions`) has decided nothing: outcomes are pairing's, and sums are sums. A shot is
//! *watched* if nothing was blind in its whole window, so that a miss would have been seen as one. Counting detected shots whose
//! window had gaps would flatter the machine: its misses in such windows are unknowable. That is why only watched shots count.

use serde::Serialize;

/// A run's counts.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Evidence {
    /// The run's name.
    pub run: String,
    /// Whether it is over.
    pub state: RunState,
    /// For how long after its forcing has ended a report is still the shot's, in nanoseconds; nothing where the run keeps no
    /// window.
    pub window_ns: Option<u64>,
    /// Every slot that the run knows, those without shots too, in the order in which they are shown.
    pub slots: Vec<SlotEvidence>,
}

/// Whether a run is over.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RunState {
    /// It was ended in order.
    Ended,
    /// It is going on: a verdict is one so far.
    Running,
    /// It has no end, and nobody is watching any more: a crash, a kill, or the power.
    CutOff,
}

/// One slot's counts. All are shots unless said otherwise.
#[derive(Clone, PartialEq, Debug, Default, Serialize)]
pub struct SlotEvidence {
    /// The slot's name, unique in the run.
    pub name: String,
    /// All: detected + missed + unknowable + open.
    pub shots: u64,
    /// With at least one report that fits.
    pub detected: u64,
    /// Whose window closed with none, while everything was watching.
    pub missed: u64,
    /// Whose window overlaps a gap, and no report fits.
    pub unknowable: u64,
    /// Not settled yet.
    pub open: u64,
    /// Of the detected, those whose whole window was watched.
    pub detected_watched: u64,
    /// How sure pairing is of the watched shots; nothing where the run keeps no probabilities: then counts are taken as they are.
    pub rated: Option<Rated>,
    /// Watched detections blamed on another slot, of those whose report names a slot.
    pub misplaced: Share,
    /// Watched detections of a severity that is not allowed there, of those for which that is known.
    pub misgraded: Share,
    /// Watched detections reported as corrected where the ECC code makes a miscorrection, of those for which that is known. They are
    /// no pass and no miss: detection is judged without them.
    pub dangerous: Share,
    /// Detected after the run's deadline.
    pub late: u64,
    /// Reports that blame the slot and that no shot explains.
    pub orphans: u64,
    /// The time in which the slot was watched, in nanoseconds.
    pub watched_ns: u64,
    /// Latencies of watched detections, as intervals; shots of which none is known are in none.
    pub latencies: Vec<LatencyCell>,
    /// Watched shots by the line that they forced; a shot that forced two lines is in both.
    pub lines: Vec<LineEvidence>,
}

/// Sums over the probabilities that pairing gives: for each watched shot, the probability p that a report was about it.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize)]
pub struct Rated {
    /// Σ p: how many were detected, in the mean.
    pub detected: f64,
    /// Σ p (1 − p): the variance of that number.
    pub variance: f64,
}

/// So many of so many.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct Share {
    /// How many.
    pub count: u64,
    /// Of how many for which it is known.
    pub of: u64,
}

/// Latencies of shots, known to lie in this interval, both ends included; one point where they are equal.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize)]
pub struct LatencyCell {
    /// The least that it can have been, in nanoseconds; negative where clocks are not known well enough.
    pub from_ns: i64,
    /// The most that it can have been, in nanoseconds.
    pub to_ns: i64,
    /// How many shots.
    pub shots: u64,
}

/// The watched shots that forced one line.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct LineEvidence {
    /// The line's name, as in the feed.
    pub line: String,
    /// How many.
    pub shots: u64,
    /// Of these, detected.
    pub detected: u64,
}

impl SlotEvidence {
    /// Shots that count: settled, and watched in their whole window.
    #[must_use]
    pub fn watched(&self) -> u64 {
        self.detected_watched.saturating_add(self.missed)
    }

    /// Shots by which detection is judged: those that count, without the dangerous ones.
    #[must_use]
    pub fn for_detection(&self) -> u64 {
        self.watched().saturating_sub(self.dangerous.count)
    }

    /// Detected shots that do not count: their window had gaps.
    #[must_use]
    pub fn unwatched(&self) -> u64 {
        self.detected.saturating_sub(self.detected_watched)
    }

    /// Why these numbers cannot be true, if they cannot.
    pub(crate) fn contradiction(&self) -> Option<String> {
        let settled = [self.detected, self.missed, self.unknowable, self.open];
        let sum = settled.iter().try_fold(0_u64, |sum, n| sum.checked_add(*n));
        if sum != Some(self.shots) {
            return Some(format!(
                "detected, missed, unknowable and open are {settled:?}, but there are {} shots",
                self.shots
            ));
        }
        if self.detected_watched > self.detected {
            return Some(format!("{} of {} detected shots were watched", self.detected_watched, self.detected));
        }
        for (what, share) in
            [("misplaced", self.misplaced), ("misgraded", self.misgraded), ("dangerous", self.dangerous)]
        {
            if share.count > share.of || share.of > self.detected_watched {
                return Some(format!("{what}: {} of {} of {}", share.count, share.of, self.detected_watched));
            }
        }
        let cells = self.latencies.iter().map(|cell| cell.shots).fold(0_u64, u64::saturating_add);
        if cells > self.detected_watched || self.latencies.iter().any(|cell| cell.from_ns > cell.to_ns) {
            return Some("latencies of more shots than were detected, or ending before they begin".to_owned());
        }
        if let Some(Rated { detected, variance }) = self.rated {
            // Stored sums are rounded.
            let most = self.watched() as f64 + 0.01;
            if !(detected >= -0.01 && detected <= most && variance >= -0.01 && variance <= most / 4.0 + 0.01) {
                return Some(format!(
                    "probabilities of {} shots that sum up to {detected}, variance {variance}",
                    self.watched()
                ));
            }
        }
        None
    }
}
