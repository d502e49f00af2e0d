//! Answers: which report a shot gets, and what a report turns out to be. Each answer is given once.
//!
//! A shot is settled when no report about it can come any more. Its slot's open shots and usable reports are then
//! assigned to each other as a whole, at the least price, and the part of the answer that is about this shot is kept;
//! the rest is asked again when its own time comes. A shot that gets nothing on its own slot may get a report without a
//! place, or one that blames another slot if that beats chance.
//!
//! A report is settled when every shot that could claim it is: a match, an echo of a detected shot, or an orphan.

use crate::Settings;
use crate::assign::cheapest;
use crate::engine::Answer;
use crate::score::{EXPLAINED, SHARED, beats_chance, misgraded, miss_price, pair_price};
use crate::table::{HeldShot, OpenReport, ReportSeq, Settled, Table};
use std::collections::BTreeMap;
use vocabulary::{Gap, Mono, Outcome, ReportAnswer, Role, ShotAnswer, ShotKey, SlotId, Span};

/// How many shots of one slot are assigned together at the most: bounded work, whatever the load.
const TOGETHER: usize = 32;

pub(crate) struct Desk {
    pub(crate) table: Table,
    settings: Settings,
    controllers: BTreeMap<SlotId, Option<u16>>,
    next_report: i64,
}

/// The report that a shot gets.
#[derive(Clone, Copy)]
struct Found {
    report: ReportSeq,
    /// Whether other shots get it too.
    shared: bool,
}

/// One column of the assignment: one error that a report can stand for.
struct Unit {
    report: ReportSeq,
    /// What explaining it is worth.
    worth: f64,
}

impl Desk {
    pub(crate) fn new(settings: Settings, next_report: i64) -> Desk {
        Desk { table: Table::default(), settings, controllers: BTreeMap::new(), next_report }
    }

    pub(crate) fn know_slot(&mut self, slot: SlotId, controller: Option<u16>) {
        self.controllers.insert(slot, controller);
    }

    /// Adds a witness to a report, if that is still open.
    pub(crate) fn join(&mut self, seq: ReportSeq, witness: i64, answers: &mut Vec<Answer>) {
        match self.table.report_mut(seq) {
            Some(report) if report.taken.is_none() => report.witnesses.push(witness),
            _ => answers.push(Answer::Spent { witness }),
        }
    }

    /// Forgets gaps that no open or future shot can ask about.
    pub(crate) fn prune(&mut self, before: Mono) {
        let oldest = self.table.open_shots().next().map(|held| held.shot.fired.from);
        self.table.prune_gaps(oldest.map_or(before, |o| o.min(before)));
    }

    pub(crate) fn settle_shot(&mut self, key: ShotKey, now: Mono, answers: &mut Vec<Answer>) {
        let Some(held) = self.table.shot(key).filter(|held| held.settled.is_none()).cloned() else { return };
        let found = self.on_own_slot(&held, now).or_else(|| self.elsewhere(&held, now));
        let answer = match found.and_then(|found| self.claim(found, &held, answers)) {
            Some(answer) => answer,
            None => self.unreported(&held),
        };
        answers.push(Answer::Shot(answer));
    }

    /// The report that the best assignment of the slot gives this shot.
    fn on_own_slot(&self, held: &HeldShot, now: Mono) -> Option<Found> {
        let slot = held.shot.slot;
        let mut rows: Vec<&HeldShot> = self.table.open_shots_of(slot, now).take(TOGETHER).collect();
        let me = match rows.iter().position(|row| row.shot.key == held.shot.key) {
            Some(me) => me,
            None => {
                rows.pop();
                rows.push(held);
                rows.len() - 1
            }
        };
        let all =
            rows.iter().map(|row| row.window()).reduce(|a, b| Span { from: a.from.min(b.from), to: a.to.max(b.to) })?;
        let mut units: Vec<Unit> = Vec::new();
        for (seq, report) in self.table.reports_of(Some(slot), all).take(4 * TOGETHER) {
            let fresh = report.taken.is_none();
            for n in 0..report.capacity.min(rows.len() as u32) {
                units.push(Unit { report: seq, worth: if fresh && n == 0 { EXPLAINED } else { SHARED } });
            }
        }
        // Each row has a column of its own for "no report".
        let price = |r: usize, c: usize| -> f64 {
            let Some(row) = rows.get(r) else { return f64::INFINITY };
            match units.get(c) {
                Some(unit) => match self.table.report(unit.report) {
                    Some(report) if report.span.overlaps(row.window()) => {
                        pair_price(&row.shot, report.span, report.severity) - unit.worth
                    }
                    _ => f64::INFINITY,
                },
                None if c == units.len() + r => miss_price(now.since(row.shot.fired.from), row.end <= held.end),
                None => f64::INFINITY,
            }
        };
        let best = cheapest(rows.len(), units.len() + rows.len(), price)?;
        let given: Vec<Option<ReportSeq>> = best.iter().map(|c| units.get(*c).map(|unit| unit.report)).collect();
        let report = given.get(me).copied().flatten()?;
        let shared = given.iter().filter(|other| **other == Some(report)).count() > 1;
        Some(Found { report, shared })
    }

    /// A report without a place, or one that blames another slot where no shot of that slot can have it.
    fn elsewhere(&self, held: &HeldShot, now: Mono) -> Option<Found> {
        let mut best: Option<(f64, Found)> = None;
        for (seq, report) in self.table.reports_over(held.window()) {
            let price = pair_price(&held.shot, report.span, report.severity);
            let fits = match report.blame.exact() {
                Some(slot) if slot == held.shot.slot => false,
                Some(slot) => {
                    let wanted = self.table.open_shots_over(report.span).any(|other| other.shot.slot == slot);
                    let explained = self.table.detected_over(Some(slot), report.span).next().is_some();
                    let rate = self.table.orphan_rate(Some(slot), now);
                    report.taken.is_none()
                        && !wanted
                        && !explained
                        && beats_chance(&held.shot, report.span, report.severity, rate)
                }
                None => report.blame.allows(held.shot.slot) && !self.fits_another_better(held, report, price),
            };
            if fits && best.is_none_or(|(least, _)| price < least) {
                let shared = report.capacity > 1 && self.others_without_report(held, report).next().is_some();
                best = Some((price, Found { report: seq, shared }));
            }
        }
        best.map(|(_, found)| found)
    }

    /// Whether another open shot has a better claim to a report without a place.
    fn fits_another_better(&self, held: &HeldShot, report: &OpenReport, price: f64) -> bool {
        report.capacity == 1
            && self
                .others_without_report(held, report)
                .any(|other| pair_price(&other.shot, report.span, report.severity) < price)
    }

    /// Other open shots that a report can be about and that have no report on their own slot.
    fn others_without_report(&self, held: &HeldShot, report: &OpenReport) -> impl Iterator<Item = &HeldShot> {
        self.table.open_shots_over(report.span).filter(move |other| {
            other.shot.key != held.shot.key
                && report.blame.allows(other.shot.slot)
                && self.table.reports_of(Some(other.shot.slot), other.window()).next().is_none()
        })
    }

    /// Gives one error of a report to a shot, and answers both.
    fn claim(&mut self, found: Found, held: &HeldShot, answers: &mut Vec<Answer>) -> Option<ShotAnswer> {
        let next = self.next_report;
        let report = self.table.report_mut(found.report)?;
        report.capacity = report.capacity.saturating_sub(1);
        let taken = report.taken.is_some();
        let (number, _) = *report.taken.get_or_insert((next, held.shot.key));
        let report = report.clone();
        if !taken {
            self.next_report += 1;
            answers.push(Answer::Report(told(&report, number, Role::Match, Some(held.shot.key))));
        }
        let blamed = report.blame.exact();
        let settled = Settled { outcome: Outcome::Detected, blamed, severity: Some(report.severity) };
        self.table.close_shot(held.shot.key, settled);
        let latency = report.span.to.since(held.shot.fired.from).max(0);
        Some(ShotAnswer {
            key: held.shot.key,
            outcome: Outcome::Detected,
            report: Some(number),
            latency_min_ns: Some(report.span.from.since(held.shot.fired.to).max(0)),
            latency_ns: Some(latency),
            misplaced: blamed.is_some_and(|slot| slot != held.shot.slot),
            misgraded: misgraded(&held.shot, report.severity.class()),
            late: self.settings.deadline_ns.is_some_and(|deadline| latency > deadline),
            shared: taken || found.shared,
            blamed,
            margin: None,
            confidence: None,
            why: None,
        })
    }

    /// Missed, if everything was watched.
    fn unreported(&mut self, held: &HeldShot) -> ShotAnswer {
        let controller = self.controllers.get(&held.shot.slot).copied().flatten();
        let why = self.told_too_late(held).or_else(|| self.table.gap_over(held.window(), controller).map(hidden_by));
        let outcome = if why.is_some() { Outcome::Unknowable } else { Outcome::Missed };
        self.table.close_shot(held.shot.key, Settled { outcome, blamed: None, severity: None });
        ShotAnswer {
            key: held.shot.key,
            outcome,
            report: None,
            latency_min_ns: None,
            latency_ns: None,
            misplaced: false,
            misgraded: false,
            late: false,
            shared: false,
            blamed: None,
            margin: None,
            confidence: None,
            why,
        }
    }

    /// An injection told of after its reports may have been settled already proves nothing by having none.
    fn told_too_late(&self, held: &HeldShot) -> Option<String> {
        let late = held.shot.known.since(held.shot.fired.from);
        (late > self.settings.feed_late_ns.max(self.settings.settle_ns()))
            .then(|| format!("the injection was told of {:.1} s after it was fired", late as f64 / 1e9))
    }

    /// Settles a report, or answers when to ask again since shots that could claim it are still open.
    pub(crate) fn settle_report(&mut self, seq: ReportSeq, now: Mono, answers: &mut Vec<Answer>) -> Option<Mono> {
        let report = self.table.report(seq)?;
        let wanted_until = (report.capacity > 0)
            .then(|| self.table.open_shots_over(report.span).map(|held| held.end.max(held.shot.known)).max())
            .flatten();
        if let Some(end) = wanted_until {
            return Some(end.plus(self.settings.settle_ns()).max(now.plus(1)));
        }
        let report = self.table.forget_report(seq)?;
        if report.taken.is_none() {
            let number = self.next_report;
            self.next_report += 1;
            let cause = self.echo_of(&report);
            let role = if cause.is_some() { Role::Echo } else { Role::Orphan };
            if role == Role::Orphan {
                self.table.count_orphan(report.blame.exact());
            }
            answers.push(Answer::Report(told(&report, number, role, cause)));
        }
        None
    }

    /// The detected shot that explains a further report: the latest on its slot, if the severity class is the same.
    fn echo_of(&self, report: &OpenReport) -> Option<ShotKey> {
        let same_class = |held: &&HeldShot| {
            let severity = held.settled.as_ref().and_then(|s| s.severity);
            let here = report.blame.exact().is_some() || report.blame.allows(held.shot.slot);
            here && severity.is_some_and(|s| s.class() == report.severity.class())
        };
        self.table.detected_over(report.blame.exact(), report.span).find(same_class).map(|held| held.shot.key)
    }
}

fn told(report: &OpenReport, number: i64, role: Role, shot: Option<ShotKey>) -> ReportAnswer {
    ReportAnswer {
        report: number,
        anchor: report.anchor,
        witnesses: report.witnesses.clone(),
        span: report.span,
        slot: report.blame.exact(),
        severity: report.severity,
        count: report.count,
        role,
        shot,
    }
}

fn hidden_by(gap: &Gap) -> String {
    format!("{} was not watched: {}", gap.of, gap.why)
}
