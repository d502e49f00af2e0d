//! What is still open: shots, reports and gaps.
//!
//! The table finds things by number at once and by slot and time in logarithmic time, and forgets what can no longer matter,
//! so that its size follows the window and not the run. It decides nothing; `settle` does.

use std::collections::{BTreeSet, VecDeque};
use vocabulary::{Blame, Gap, Mono, Outcome, Severity, Shot, ShotKey, SlotId, Span};

/// An open report's number within this process, in order of making.
pub(crate) type ReportSeq = u64;
/// A shot's number within this process, in order of becoming known.
pub(crate) type ShotSeq = u64;

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
    /// Probability that no shot of its slot caused it, where the slot's chain does not keep it.
    pub(crate) free: f64,
    /// Probability with which shots of other slots have claimed it.
    pub(crate) claimed: f64,
    /// Its number in the run and the first shot that it was given to, once it was.
    pub(crate) taken: Option<(i64, ShotKey)>,
}

#[derive(Clone, Debug)]
pub(crate) struct HeldShot {
    pub(crate) seq: ShotSeq,
    pub(crate) shot: Shot,
    /// The end of its window.
    pub(crate) end: Mono,
    /// Reports before this one were there before the shot was told of.
    pub(crate) first_seq: ReportSeq,
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

    /// The slots of which its report is, or would be: its own, and the one that was blamed.
    fn slots(&self) -> impl Iterator<Item = Option<SlotId>> {
        let own = self.shot.slot;
        let blamed = self.settled.as_ref().and_then(|s| s.blamed).filter(|blamed| *blamed != own);
        [None, Some(own)].into_iter().chain(blamed.map(Some))
    }
}

/// Numbered things of which the old ones go first, more or less.
#[derive(Debug)]
struct Numbered<T> {
    first: u64,
    items: VecDeque<Option<T>>,
    held: usize,
}

impl<T> Default for Numbered<T> {
    fn default() -> Self {
        Numbered { first: 0, items: VecDeque::new(), held: 0 }
    }
}

impl<T> Numbered<T> {
    fn next(&self) -> u64 {
        self.first + self.items.len() as u64
    }

    fn push(&mut self, item: T) {
        self.items.push_back(Some(item));
        self.held += 1;
    }

    fn place(&self, n: u64) -> Option<usize> {
        usize::try_from(n.checked_sub(self.first)?).ok()
    }

    fn get(&self, n: u64) -> Option<&T> {
        self.items.get(self.place(n)?)?.as_ref()
    }

    fn get_mut(&mut self, n: u64) -> Option<&mut T> {
        let place = self.place(n)?;
        self.items.get_mut(place)?.as_mut()
    }

    fn remove(&mut self, n: u64) -> Option<T> {
        let place = self.place(n)?;
        let gone = self.items.get_mut(place)?.take()?;
        self.held -= 1;
        while let Some(None) = self.items.front() {
            self.items.pop_front();
            self.first += 1;
        }
        Some(gone)
    }
}

#[derive(Default)]
pub(crate) struct Table {
    shots: Numbered<HeldShot>,
    open_by_time: BTreeSet<(Mono, ShotSeq)>,
    /// Detected shots by the slot that they explain echoes of; none stands for reports without a place.
    detected: BTreeSet<(Option<SlotId>, Mono, ShotSeq)>,
    /// The longest window of any shot yet: how far back a shot can reach.
    longest_window: i64,
    reports: Numbered<OpenReport>,
    reports_by_time: BTreeSet<(Mono, ReportSeq)>,
    /// The longest span of any report yet: how far an interval can reach past a window's end.
    longest_span: i64,
    gaps: Vec<Gap>,
}

impl Table {
    // --- shots

    pub(crate) fn add_shot(&mut self, shot: Shot, end: Mono, settled: Option<Settled>) -> ShotSeq {
        let (from, seq) = (shot.fired.from, self.shots.next());
        self.longest_window = self.longest_window.max(end.since(from));
        self.open_by_time.insert((from, seq));
        self.shots.push(HeldShot { seq, shot, end, first_seq: self.reports.next(), settled: None });
        if let Some(settled) = settled {
            self.close_shot(seq, settled);
        }
        seq
    }

    pub(crate) fn shot(&self, seq: ShotSeq) -> Option<&HeldShot> {
        self.shots.get(seq)
    }

    pub(crate) fn close_shot(&mut self, seq: ShotSeq, settled: Settled) {
        if let Some(held) = self.shots.get_mut(seq) {
            self.open_by_time.remove(&(held.shot.fired.from, seq));
            let detected = settled.outcome == Outcome::Detected;
            held.settled = Some(settled);
            if detected {
                let from = held.shot.fired.from;
                self.detected.extend(held.slots().map(|slot| (slot, from, seq)));
            }
        }
    }

    pub(crate) fn forget_shot(&mut self, seq: ShotSeq) {
        if let Some(held) = self.shots.remove(seq) {
            let from = held.shot.fired.from;
            self.open_by_time.remove(&(from, seq));
            for slot in held.slots() {
                self.detected.remove(&(slot, from, seq));
            }
        }
    }

    /// All open shots whose window shares an instant with `span`, earliest first.
    pub(crate) fn open_shots_over(&self, span: Span) -> impl Iterator<Item = &HeldShot> {
        let first = (span.from.minus(self.longest_window), 0);
        let last = (span.to, ShotSeq::MAX);
        self.open_by_time
            .range(first..=last)
            .filter_map(|(_, seq)| self.shots.get(*seq))
            .filter(move |held| held.window().overlaps(span))
    }

    /// Detected shots whose window shares an instant with `span`, of one slot or of all, latest first.
    ///
    /// A shot counts for the slot that it was fired at and for the slot that its report blamed.
    pub(crate) fn detected_over(&self, slot: Option<SlotId>, span: Span) -> impl Iterator<Item = &HeldShot> {
        let first = (slot, span.from.minus(self.longest_window), 0);
        let last = (slot, span.to, ShotSeq::MAX);
        self.detected
            .range(first..=last)
            .rev()
            .filter_map(|(_, _, seq)| self.shots.get(*seq))
            .filter(move |held| held.window().overlaps(span))
    }

    pub(crate) fn open_shots(&self) -> impl Iterator<Item = &HeldShot> {
        self.open_by_time.iter().filter_map(|(_, seq)| self.shots.get(*seq))
    }

    // --- reports

    pub(crate) fn add_report(&mut self, report: OpenReport) -> ReportSeq {
        let seq = self.reports.next();
        self.longest_span = self.longest_span.max(report.span.to.since(report.span.from));
        self.reports_by_time.insert((report.span.to, seq));
        self.reports.push(report);
        seq
    }

    /// The number that the next report will have.
    pub(crate) fn next_report(&self) -> ReportSeq {
        self.reports.next()
    }

    pub(crate) fn report(&self, seq: ReportSeq) -> Option<&OpenReport> {
        self.reports.get(seq)
    }

    pub(crate) fn report_mut(&mut self, seq: ReportSeq) -> Option<&mut OpenReport> {
        self.reports.get_mut(seq)
    }

    pub(crate) fn forget_report(&mut self, seq: ReportSeq) -> Option<OpenReport> {
        let report = self.reports.remove(seq)?;
        self.reports_by_time.remove(&(report.span.to, seq));
        Some(report)
    }

    /// Reports of all places that share an instant with `span`, earliest first, that can still cover a shot.
    pub(crate) fn reports_over(&self, span: Span) -> impl Iterator<Item = (ReportSeq, &OpenReport)> {
        let first = (span.from, 0);
        let last = (span.to.plus(self.longest_span), ReportSeq::MAX);
        self.reports_by_time.range(first..=last).filter_map(move |(_, seq)| {
            let report = self.reports.get(*seq)?;
            (report.capacity > 0 && report.span.overlaps(span)).then_some((*seq, report))
        })
    }

    // --- gaps

    pub(crate) fn add_gap(&mut self, gap: Gap) {
        self.gaps.push(gap);
    }

    /// The first gap that hides something from a shot's window. A gap of one controller hides only that one's slots.
    pub(crate) fn gap_over(&self, window: Span, controller: Option<u16>) -> Option<&Gap> {
        let hides = |gap: &&Gap| {
            let all = gap.controller.is_none() || controller.is_none();
            gap.span.overlaps(window) && (all || gap.controller == controller)
        };
        self.gaps.iter().filter(hides).min()
    }

    /// Forgets gaps that end before any window that can still be asked about.
    pub(crate) fn prune_gaps(&mut self, before: Mono) {
        self.gaps.retain(|gap| gap.span.to >= before);
    }

    /// How much is held: shots, reports and gaps.
    pub(crate) fn sizes(&self) -> (usize, usize, usize) {
        (self.shots.held, self.reports.held, self.gaps.len())
    }
}
