//! Which report a shot gets where several shots could have the same ones.
//!
//! Where the stories are known, that assignment is given in which the sum of the probabilities of being right is largest.
//! Where the shots are too many for all their stories, the one likeliest assignment is given, and nobody can say how much
//! likelier it is than others. Both are solved exactly by `assign`; `settle` calls them.

use crate::assign::cheapest;
use crate::settle::{Candidate, Desk, Found};
use crate::table::{HeldShot, OpenReport, ReportSeq};
use crate::weighed::Weighed;
use vocabulary::{Mono, Span};

/// How many shots are assigned together: bounded work, whatever the load.
const TOGETHER: usize = 64;

impl Desk {
    /// The shot's part of the assignment with the most expected right answers, among the slot's open shots.
    pub(crate) fn most_right(&mut self, held: &HeldShot, options: &[Candidate], now: Mono) -> Option<Candidate> {
        let others: Vec<HeldShot> = self.rivals(held, now).copied().collect();
        let mut gains: Vec<Vec<(ReportSeq, f64)>> = Vec::with_capacity(1 + others.len());
        gains.push(options.iter().filter_map(|o| o.found.map(|found| (found.report, o.p))).collect());
        let (model, chain) = (self.learned.at(held.lane, now), self.chains.get_mut(held.lane)?);
        let mut weighed = Weighed::default();
        for other in &others {
            chain.weigh(other.seq, &model, &mut weighed);
            let total = weighed.total(model.unreported(other.window()));
            gains.push(weighed.reports.iter().map(|(report, weight, _)| (*report, weight / total)).collect());
        }
        // A report has a column for each error of its count that is left, and no more than there are rows.
        let mut units: Vec<ReportSeq> = Vec::new();
        for (report, _) in gains.iter().flatten() {
            if !units.contains(report) {
                let left = self.table.report(*report).map_or(0, |report| report.capacity as usize);
                units.extend(std::iter::repeat_n(*report, left.min(gains.len())));
            }
        }
        // Each row has a column of its own for getting none of them, which is worth nothing.
        let cost = |row: usize, column: usize| match units.get(column) {
            Some(report) => {
                gains.get(row).and_then(|g| g.iter().find(|g| g.0 == *report)).map_or(1.0, |gain| 1.0 - gain.1)
            }
            None if column == units.len() + row => 1.0,
            None => f64::INFINITY,
        };
        let answer = cheapest(gains.len(), units.len() + gains.len(), cost)?;
        let report = *units.get(*answer.first()?)?;
        options.iter().find(|o| o.found.is_some_and(|found| found.report == report)).copied()
    }

    /// The shot's part of the one likeliest assignment of its slot's open shots to the reports that are left: what is answered in
    /// a crowd that is too large to weigh all its stories.
    pub(crate) fn in_crowd(&self, held: &HeldShot, now: Mono) -> Option<Candidate> {
        let model = self.learned.at(held.lane, now);
        let mut rows: Vec<&HeldShot> = vec![held];
        rows.extend(self.rivals(held, now));
        let mut units: Vec<(ReportSeq, &OpenReport, f64)> = Vec::new();
        let left = self.table.reports_over(held.lane, reach(held, now)).filter(|(_, report)| report.capacity > 0);
        for (seq, report) in left.take(2 * TOGETHER) {
            let unprovoked = libm::log(model.rates.background(Some(held.lane), report.severity.class(), now));
            for n in 0..report.capacity.min(rows.len() as u32) {
                // Explaining a report saves an unprovoked one; explaining a further error of its count saves less.
                units.push((seq, report, if report.taken.is_none() && n == 0 { unprovoked } else { 0.0 }));
            }
        }
        let placed = libm::log(model.rates.placed());
        let price = |row: usize, column: usize| -> f64 {
            let Some(shot) = rows.get(row) else { return f64::INFINITY };
            match units.get(column) {
                Some((_, report, saves)) if report.span.overlaps(shot.window()) => {
                    let said = (report.severity.class(), report.syndrome);
                    let agrees = model.agrees((shot.expect, shot.forced), shot.lane, said);
                    saves - placed - libm::log(agrees * model.density(report.found_by, shot.fired.from, report.span))
                }
                Some(_) => f64::INFINITY,
                // Each row has a column of its own for "no report", or none yet.
                None if column == units.len() + row => -libm::log(model.unreported(shot.window())),
                None => f64::INFINITY,
            }
        };
        // Each price is asked for many times.
        let columns = units.len() + rows.len();
        let prices: Vec<f64> = (0..rows.len() * columns).map(|n| price(n / columns, n % columns)).collect();
        let answer =
            cheapest(rows.len(), columns, |r, c| prices.get(r * columns + c).copied().unwrap_or(f64::INFINITY))?;
        let given = |row: usize| answer.get(row).and_then(|column| units.get(*column)).map(|(seq, _, _)| *seq);
        let report = given(0)?;
        let taken = self.table.report(report).is_some_and(|report| report.taken.is_some());
        let shared = taken || (1..rows.len()).any(|row| given(row) == Some(report));
        Some(Candidate { found: Some(Found { report, shared, own: true }), p: 0.0 })
    }

    /// The slot's other open shots that can want the same reports, earliest first.
    fn rivals(&self, held: &HeldShot, now: Mono) -> impl Iterator<Item = &HeldShot> {
        let own = held.seq;
        self.table.open_shots_over(held.lane, reach(held, now)).filter(move |other| other.seq != own).take(TOGETHER - 1)
    }
}

/// The span in which reports can matter to a shot that is settled now.
fn reach(held: &HeldShot, now: Mono) -> Span {
    Span { from: held.fired.from, to: now }
}
