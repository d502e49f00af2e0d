//! What is still open: shots, reports and gaps, all of them and by slot.
//!
//! The table finds things by number at once and by slot and time in logarithmic time, and forgets what can no longer matter,
//! so that its size follows the window and not the run. It decides nothing; `settle` does.

use crate::sorted::Sorted;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};
use vocabulary::{Blame, Expected, FoundBy, Gap, Mono, Outcome, Severity, Shot, ShotKey, SlotId, Span};

/// An open report's number within this engine, in order of making.
pub(crate) type ReportSeq = u64;
/// A shot's number within this engine, in order of becoming known.
pub(crate) type ShotSeq = u64;
/// The place of a slot in lists of all slots, in order of first sight.
pub(crate) type LaneNo = usize;

#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct OpenReport {
    pub(crate) anchor: i64,
    pub(crate) witnesses: Vec<i64>,
    pub(crate) found_by: FoundBy,
    pub(crate) span: Span,
    pub(crate) blame: Blame,
    /// The slot that it blames, where it names exactly one.
    pub(crate) lane: Option<LaneNo>,
    pub(crate) severity: Severity,
    /// The syndrome, if there was one; drivers say 0 where there was none.
    pub(crate) syndrome: Option<u64>,
    pub(crate) count: u32,
    /// How many more shots it can cover.
    pub(crate) capacity: u32,
    /// Whether the chain of its slot keeps it, and otherwise the probability that no shot of its slot caused it.
    pub(crate) chained: bool,
    pub(crate) free: f64,
    /// Probability with which shots of other slots have claimed it.
    pub(crate) claimed: f64,
    /// Its number in the run and the first shot that it was given to, once it was.
    pub(crate) taken: Option<(i64, ShotKey)>,
}

#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(crate) struct HeldShot {
    pub(crate) seq: ShotSeq,
    pub(crate) key: ShotKey,
    pub(crate) slot: SlotId,
    pub(crate) lane: LaneNo,
    pub(crate) fired: Span,
    /// The end of its window.
    pub(crate) end: Mono,
    pub(crate) known: Mono,
    pub(crate) expect: Expected,
    /// Names the lines that were forced and how; 0 where that is not known.
    pub(crate) forced: u64,
    /// Reports before this one were there before the shot was told of.
    pub(crate) first_seq: ReportSeq,
    /// Nothing while open.
    pub(crate) settled: Option<Settled>,
}

/// What a settled shot is remembered for: explaining echoes.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(crate) struct Settled {
    pub(crate) outcome: Outcome,
    /// The slot that its report blamed, where it named one.
    pub(crate) blamed: Option<SlotId>,
    pub(crate) severity: Option<Severity>,
}

impl HeldShot {
    pub(crate) fn window(&self) -> Span {
        Span { from: self.fired.from, to: self.end }
    }
}

/// Numbered things of which the old ones go first, more or less.
#[derive(Debug, Serialize, Deserialize)]
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

/// What is held of one slot.
#[derive(Default, Debug, Serialize, Deserialize)]
struct Lane {
    controller: Option<u16>,
    /// Open shots at the slot, by the start of their forcing.
    open: Sorted,
    /// Shots that explain echoes of this slot, by the start of their forcing: fired at it, or blamed on it.
    detected: Sorted,
    /// Reports that blame the slot, by the end of their span.
    reports: Sorted,
}

#[derive(Default, Serialize, Deserialize)]
pub(crate) struct Table {
    shots: Numbered<HeldShot>,
    lanes: Vec<Lane>,
    lane_of: BTreeMap<SlotId, LaneNo>,
    /// Reports that name no slot or that their slot's chain does not keep, by the end of their span.
    unchained: Sorted,
    /// All detected shots, which can explain a report without a place.
    detected: Sorted,
    /// The longest window of any shot yet: how far back a shot can reach.
    longest_window: i64,
    /// Open shots that were told of after their window had ended.
    told_late: Sorted,
    reports: Numbered<OpenReport>,
    /// The longest span of any report yet: how far an interval can reach past a window's end.
    longest_span: i64,
    gaps: Vec<Gap>,
}

impl Table {
    // --- slots

    /// The slot's place in lists of all slots.
    pub(crate) fn lane(&mut self, slot: SlotId) -> LaneNo {
        *self.lane_of.entry(slot).or_insert_with(|| {
            self.lanes.push(Lane::default());
            self.lanes.len() - 1
        })
    }

    pub(crate) fn know_slot(&mut self, slot: SlotId, controller: Option<u16>) {
        let lane = self.lane(slot);
        if let Some(lane) = self.lanes.get_mut(lane) {
            lane.controller = controller;
        }
    }

    pub(crate) fn lanes(&self) -> usize {
        self.lanes.len()
    }

    // --- shots

    pub(crate) fn add_shot(&mut self, shot: &Shot, end: Mono, settled: Option<Settled>) -> HeldShot {
        let (fired, seq, lane) = (shot.fired, self.shots.next(), self.lane(shot.slot));
        self.longest_window = self.longest_window.max(end.since(fired.from));
        let held = HeldShot {
            seq,
            key: shot.key,
            slot: shot.slot,
            lane,
            fired,
            end,
            known: shot.known,
            expect: shot.expect,
            forced: shot.forced,
            first_seq: self.reports.next(),
            settled: None,
        };
        if let Some(lane) = self.lanes.get_mut(lane) {
            lane.open.insert(fired.from, seq);
        }
        if shot.known > end {
            self.told_late.insert(fired.from, seq);
        }
        self.shots.push(held);
        if let Some(settled) = settled {
            self.close_shot(seq, settled);
        }
        held
    }

    pub(crate) fn shot(&self, seq: ShotSeq) -> Option<&HeldShot> {
        self.shots.get(seq)
    }

    pub(crate) fn close_shot(&mut self, seq: ShotSeq, settled: Settled) {
        let Some(held) = self.shots.get_mut(seq) else { return };
        held.settled = Some(settled);
        let held = *held;
        if let Some(lane) = self.lanes.get_mut(held.lane) {
            lane.open.remove(held.fired.from, seq);
        }
        self.told_late.remove(held.fired.from, seq);
        if settled.outcome == Outcome::Detected {
            self.detected.insert(held.fired.from, seq);
            for lane in self.explains(&held) {
                if let Some(lane) = self.lanes.get_mut(lane) {
                    lane.detected.insert(held.fired.from, seq);
                }
            }
        }
    }

    pub(crate) fn forget_shot(&mut self, seq: ShotSeq) {
        let Some(held) = self.shots.remove(seq) else { return };
        let from = held.fired.from;
        match held.settled {
            None => {
                if let Some(lane) = self.lanes.get_mut(held.lane) {
                    lane.open.remove(from, seq);
                }
            }
            Some(settled) if settled.outcome == Outcome::Detected => {
                self.detected.remove(from, seq);
                for lane in self.explains(&held) {
                    if let Some(lane) = self.lanes.get_mut(lane) {
                        lane.detected.remove(from, seq);
                    }
                }
            }
            Some(_) => {}
        }
    }

    /// The slots of which its report is, or would be: its own, and the one that was blamed.
    fn explains(&self, held: &HeldShot) -> impl Iterator<Item = LaneNo> + use<> {
        let blamed = held.settled.and_then(|s| s.blamed).filter(|slot| *slot != held.slot);
        let blamed = blamed.and_then(|slot| self.lane_of.get(&slot)).copied();
        [held.lane].into_iter().chain(blamed.filter(|blamed| *blamed != held.lane))
    }

    /// Open shots of a slot whose window shares an instant with `span`, earliest first.
    pub(crate) fn open_shots_over(&self, lane: LaneNo, span: Span) -> impl Iterator<Item = &HeldShot> {
        let reach = Span { from: span.from.minus(self.longest_window), to: span.to };
        let open = self.lanes.get(lane).into_iter().flat_map(move |lane| lane.open.within(reach));
        open.filter_map(|seq| self.shots.get(seq)).filter(move |held| held.window().overlaps(span))
    }

    /// Until when an open shot can claim a report that ended at `to`; shots of the future cannot.
    pub(crate) fn wanted_until(&self, to: Mono, latest_end: Mono) -> Mono {
        let in_time = latest_end.min(to.plus(self.longest_window));
        let told_late = self.told_late.within(Span { from: to.minus(self.longest_window), to });
        told_late.filter_map(|seq| self.shots.get(seq)).map(|held| held.known).fold(in_time, Mono::max)
    }

    /// Detected shots whose window shares an instant with `span`, that explain echoes of one slot or of any, latest first.
    ///
    /// A shot counts for the slot that it was fired at and for the slot that its report blamed.
    pub(crate) fn detected_over(&self, lane: Option<LaneNo>, span: Span) -> impl Iterator<Item = &HeldShot> {
        let of = match lane {
            Some(lane) => self.lanes.get(lane).map(|lane| &lane.detected),
            None => Some(&self.detected),
        };
        let reach = Span { from: span.from.minus(self.longest_window), to: span.to };
        of.into_iter()
            .flat_map(move |sorted| sorted.within(reach).rev())
            .filter_map(|seq| self.shots.get(seq))
            .filter(move |held| held.window().overlaps(span))
    }

    pub(crate) fn open_shots(&self) -> impl Iterator<Item = &HeldShot> {
        self.lanes.iter().flat_map(|lane| lane.open.all()).filter_map(|seq| self.shots.get(seq))
    }

    // --- reports

    pub(crate) fn add_report(&mut self, report: OpenReport) -> ReportSeq {
        let seq = self.reports.next();
        self.longest_span = self.longest_span.max(report.span.to.since(report.span.from));
        if let Some(lane) = report.lane.and_then(|lane| self.lanes.get_mut(lane)) {
            lane.reports.insert(report.span.to, seq);
        }
        if !report.chained {
            self.unchained.insert(report.span.to, seq);
        }
        self.reports.push(report);
        seq
    }

    /// The slot's chain has forgotten a report, which is nobody's with this probability.
    pub(crate) fn unchain(&mut self, seq: ReportSeq, free: f64) {
        let Some(report) = self.reports.get_mut(seq) else { return };
        (report.chained, report.free) = (false, free);
        self.unchained.insert(report.span.to, seq);
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
        if let Some(lane) = report.lane.and_then(|lane| self.lanes.get_mut(lane)) {
            lane.reports.remove(report.span.to, seq);
        }
        if !report.chained {
            self.unchained.remove(report.span.to, seq);
        }
        Some(report)
    }

    /// Reports that blame a slot and share an instant with `span`, earliest first.
    pub(crate) fn reports_over(&self, lane: LaneNo, span: Span) -> impl Iterator<Item = (ReportSeq, &OpenReport)> {
        let reach = self.reach_of_reports(span);
        let all = self.lanes.get(lane).into_iter().flat_map(move |lane| lane.reports.within(reach));
        self.over(all, span)
    }

    /// Reports that no chain keeps, and that share an instant with `span`, earliest first.
    pub(crate) fn unchained_over(&self, span: Span) -> impl Iterator<Item = (ReportSeq, &OpenReport)> {
        self.over(self.unchained.within(self.reach_of_reports(span)), span)
    }

    fn over(&self, all: impl Iterator<Item = ReportSeq>, span: Span) -> impl Iterator<Item = (ReportSeq, &OpenReport)> {
        let known = all.filter_map(|seq| self.reports.get(seq).map(|report| (seq, report)));
        known.filter(move |(_, report)| report.span.overlaps(span))
    }

    fn reach_of_reports(&self, span: Span) -> Span {
        Span { from: span.from, to: span.to.plus(self.longest_span) }
    }

    // --- gaps

    pub(crate) fn add_gap(&mut self, gap: Gap) {
        if !self.gaps.contains(&gap) {
            self.gaps.push(gap);
        }
    }

    /// The first gap that hides something from a shot's window. A gap of one controller hides only that one's slots.
    pub(crate) fn gap_over(&self, held: &HeldShot) -> Option<&Gap> {
        let controller = self.lanes.get(held.lane).and_then(|lane| lane.controller);
        let hides = |gap: &&Gap| {
            let all = gap.controller.is_none() || controller.is_none();
            gap.span.overlaps(held.window()) && (all || gap.controller == controller)
        };
        self.gaps.iter().filter(hides).min()
    }

    /// Forgets gaps that end before any window that can still be asked about.
    pub(crate) fn prune_gaps(&mut self, before: Mono) {
        if !self.gaps.is_empty() {
            let oldest = self.open_shots().map(|held| held.fired.from).fold(before, Mono::min);
            self.gaps.retain(|gap| gap.span.to >= oldest);
        }
    }

    /// How much is held: shots, reports and gaps.
    pub(crate) fn sizes(&self) -> (usize, usize, usize) {
        (self.shots.held, self.reports.held, self.gaps.len())
    }
}
