//! What is still open: shots, reports, gaps, and the orphan rate that chance is measured by.
//!
//! The table finds things by slot and time in logarithmic time and forgets what can no longer matter, so that its size
//! follows the window and not the run. It decides nothing; `settle` does.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use vocabulary::{Blame, Gap, Mono, Outcome, Severity, Shot, ShotKey, SlotId, Span};

/// An open report's number within this process, in order of making.
pub(crate) type ReportSeq = u64;

#[derive(Clone, Debug)]
pub(crate) struct OpenReport {
    pub(crate) anchor: i64,
    pub(crate) witnesses: Vec<i64>,
    pub(crate) span: Span,
    pub(crate) blame: Blame,
    pub(crate) severity: Severity,
    pub(crate) count: u32,
    /// How many more shots it can cover.
    pub(crate) capacity: u32,
    /// Its number in the run and the first shot that it was given to, once it was.
    pub(crate) taken: Option<(i64, ShotKey)>,
}

#[derive(Clone, Debug)]
pub(crate) struct HeldShot {
    pub(crate) shot: Shot,
    /// The end of its window.
    pub(crate) end: Mono,
    /// Nothing while open.
    pub(crate) settled: Option<Settled>,
}

/// What a settled shot is remembered for: explaining echoes.
#[derive(Clone, Debug)]
pub(crate) struct Settled {
    pub(crate) outcome: Outcome,
    /// The slot that its report blamed, where it named one.
    pub(crate) blamed: Option<SlotId>,
    pub(crate) severity: Option<Severity>,
}

impl HeldShot {
    pub(crate) fn window(&self) -> Span {
        Span { from: self.shot.fired.from, to: self.end }
    }
}

#[derive(Default)]
pub(crate) struct Table {
    shots: HashMap<ShotKey, HeldShot>,
    shots_by_slot: BTreeSet<(SlotId, Mono, ShotKey)>,
    open_by_time: BTreeSet<(Mono, ShotKey)>,
    detected_by_time: BTreeSet<(Mono, ShotKey)>,
    /// The longest window of any shot yet: how far back a shot can reach.
    longest_window: i64,
    reports: HashMap<ReportSeq, OpenReport>,
    /// By slot (none where no single slot is named), latest instant, and number.
    reports_by_slot: BTreeSet<(Option<SlotId>, Mono, ReportSeq)>,
    reports_by_time: BTreeSet<(Mono, ReportSeq)>,
    /// The longest span of any report yet: how far an interval can reach past a window's end.
    longest_span: i64,
    next_seq: ReportSeq,
    gaps: Vec<Gap>,
    orphans: BTreeMap<Option<SlotId>, u64>,
    began: Option<Mono>,
}

impl Table {
    /// Keeps the earliest instant of the run, for rates.
    pub(crate) fn note_time(&mut self, at: Mono) {
        self.began.get_or_insert(at);
    }

    // --- shots

    pub(crate) fn add_shot(&mut self, shot: Shot, end: Mono, settled: Option<Settled>) {
        let (slot, from, key) = (shot.slot, shot.fired.from, shot.key);
        self.longest_window = self.longest_window.max(end.since(from));
        self.shots_by_slot.insert((slot, from, key));
        self.open_by_time.insert((from, key));
        self.shots.insert(key, HeldShot { shot, end, settled: None });
        if let Some(settled) = settled {
            self.close_shot(key, settled);
        }
    }

    pub(crate) fn shot(&self, key: ShotKey) -> Option<&HeldShot> {
        self.shots.get(&key)
    }

    pub(crate) fn close_shot(&mut self, key: ShotKey, settled: Settled) {
        if let Some(held) = self.shots.get_mut(&key) {
            self.open_by_time.remove(&(held.shot.fired.from, key));
            if settled.outcome == Outcome::Detected {
                self.detected_by_time.insert((held.shot.fired.from, key));
            }
            held.settled = Some(settled);
        }
    }

    pub(crate) fn forget_shot(&mut self, key: ShotKey) {
        if let Some(held) = self.shots.remove(&key) {
            self.shots_by_slot.remove(&(held.shot.slot, held.shot.fired.from, key));
            self.open_by_time.remove(&(held.shot.fired.from, key));
            self.detected_by_time.remove(&(held.shot.fired.from, key));
        }
    }

    /// Open shots of a slot that were fired up to `to`, earliest first.
    pub(crate) fn open_shots_of(&self, slot: SlotId, to: Mono) -> impl Iterator<Item = &HeldShot> {
        let first = (slot, Mono(i64::MIN), ShotKey { injection: i64::MIN, n: 0 });
        let last = (slot, to, ShotKey { injection: i64::MAX, n: u32::MAX });
        self.shots_by_slot
            .range(first..=last)
            .filter_map(|(_, _, key)| self.shots.get(key))
            .filter(|held| held.settled.is_none())
    }

    /// All open shots whose window shares an instant with `span`, earliest first.
    pub(crate) fn open_shots_over(&self, span: Span) -> impl Iterator<Item = &HeldShot> {
        let first = (span.from.minus(self.longest_window), ShotKey { injection: i64::MIN, n: 0 });
        let last = (span.to, ShotKey { injection: i64::MAX, n: u32::MAX });
        self.open_by_time
            .range(first..=last)
            .filter_map(|(_, key)| self.shots.get(key))
            .filter(move |held| held.window().overlaps(span))
    }

    /// Detected shots whose window shares an instant with `span`, of one slot or of all, latest first.
    ///
    /// A shot counts for the slot that it was fired at and for the slot that its report blamed.
    pub(crate) fn detected_over(&self, slot: Option<SlotId>, span: Span) -> impl Iterator<Item = &HeldShot> {
        let first = (span.from.minus(self.longest_window), ShotKey { injection: i64::MIN, n: 0 });
        let last = (span.to, ShotKey { injection: i64::MAX, n: u32::MAX });
        self.detected_by_time.range(first..=last).rev().filter_map(|(_, key)| self.shots.get(key)).filter(move |held| {
            let blamed = held.settled.as_ref().and_then(|s| s.blamed);
            let here = slot.is_none_or(|slot| held.shot.slot == slot || blamed == Some(slot));
            here && held.window().overlaps(span)
        })
    }

    pub(crate) fn open_shots(&self) -> impl Iterator<Item = &HeldShot> {
        self.open_by_time.iter().filter_map(|(_, key)| self.shots.get(key))
    }

    // --- reports

    pub(crate) fn add_report(&mut self, report: OpenReport) -> ReportSeq {
        let seq = self.next_seq;
        self.next_seq += 1;
        self.longest_span = self.longest_span.max(report.span.to.since(report.span.from));
        self.reports_by_slot.insert((report.blame.exact(), report.span.to, seq));
        self.reports_by_time.insert((report.span.to, seq));
        self.reports.insert(seq, report);
        seq
    }

    pub(crate) fn report(&self, seq: ReportSeq) -> Option<&OpenReport> {
        self.reports.get(&seq)
    }

    pub(crate) fn report_mut(&mut self, seq: ReportSeq) -> Option<&mut OpenReport> {
        self.reports.get_mut(&seq)
    }

    pub(crate) fn forget_report(&mut self, seq: ReportSeq) -> Option<OpenReport> {
        let report = self.reports.remove(&seq)?;
        self.reports_by_slot.remove(&(report.blame.exact(), report.span.to, seq));
        self.reports_by_time.remove(&(report.span.to, seq));
        Some(report)
    }

    /// Reports that blame exactly this slot (or none exactly) and share an instant with `span`, earliest first, that can
    /// still cover a shot.
    pub(crate) fn reports_of(
        &self,
        slot: Option<SlotId>,
        span: Span,
    ) -> impl Iterator<Item = (ReportSeq, &OpenReport)> {
        let first = (slot, span.from, 0);
        let last = (slot, span.to.plus(self.longest_span), ReportSeq::MAX);
        self.reports_by_slot.range(first..=last).filter_map(move |(_, _, seq)| self.usable(*seq, span))
    }

    /// Reports of all places that share an instant with `span`, earliest first, that can still cover a shot.
    pub(crate) fn reports_over(&self, span: Span) -> impl Iterator<Item = (ReportSeq, &OpenReport)> {
        let first = (span.from, 0);
        let last = (span.to.plus(self.longest_span), ReportSeq::MAX);
        self.reports_by_time.range(first..=last).filter_map(move |(_, seq)| self.usable(*seq, span))
    }

    fn usable(&self, seq: ReportSeq, span: Span) -> Option<(ReportSeq, &OpenReport)> {
        let report = self.reports.get(&seq)?;
        (report.capacity > 0 && report.span.overlaps(span)).then_some((seq, report))
    }

    // --- gaps and chance

    pub(crate) fn add_gap(&mut self, gap: Gap) {
        self.gaps.push(gap);
    }

    /// The first gap that hides something from a shot's window. A gap of one controller hides only that one's slots.
    pub(crate) fn gap_over(&self, window: Span, controller: Option<u16>) -> Option<&Gap> {
        let hides = |gap: &&Gap| {
            gap.span.overlaps(window)
                && (gap.controller.is_none() || controller.is_none() || gap.controller == controller)
        };
        self.gaps.iter().filter(hides).min()
    }

    /// Forgets gaps that end before any window that can still be asked about.
    pub(crate) fn prune_gaps(&mut self, before: Mono) {
        self.gaps.retain(|gap| gap.span.to >= before);
    }

    pub(crate) fn count_orphan(&mut self, slot: Option<SlotId>) {
        *self.orphans.entry(slot).or_default() += 1;
    }

    /// Orphans a second on a slot so far, starting from "half an orphan in ten seconds" so that it is never zero.
    pub(crate) fn orphan_rate(&self, slot: Option<SlotId>, now: Mono) -> f64 {
        let seconds = self.began.map_or(0, |began| now.since(began).max(0)) as f64 / 1e9;
        (self.orphans.get(&slot).copied().unwrap_or(0) as f64 + 0.5) / (seconds + 10.0)
    }

    /// How much is held: shots, reports and gaps.
    pub(crate) fn sizes(&self) -> (usize, usize, usize) {
        (self.shots.len(), self.reports.len(), self.gaps.len())
    }
}
