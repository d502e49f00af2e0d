//! Reports that a shot's own slot does not explain it by: on other slots, without a place, and on its own slot from before it
//! was told of or after it had to be settled early. `settle` weighs them against a miss.

use crate::chain::Chain;
use crate::model::Learned;
use crate::settle::{Desk, echo_density};
use crate::table::{HeldShot, LaneNo, OpenReport, ReportSeq, Table};
use crate::weighed::{Loose, Weighed};
use vocabulary::{Mono, Span};

/// A report whose odds against a miss are below this is not looked at.
const NOT_WORTH: f64 = 3e-3;
/// Other shots are asked whether they are silent too only about reports whose odds against a miss are above this.
const WORTH_ASKING: f64 = 0.05;
/// A rival whose report this could be at less than this share of what nobody provoked does not matter.
const NO_RIVAL: f64 = 0.01;
/// The most reports of one slot that are looked at: bounded work, whatever the load.
const MOST_STRAYS: usize = 128;

/// A report that could be about a shot that its own slot is silent about.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stray {
    pub(crate) report: ReportSeq,
    /// The slot that it names.
    pub(crate) lane: Option<LaneNo>,
    /// Its odds against nothing having been said of the shot.
    pub(crate) odds: f64,
    /// Whether it is more likely one that was merged with another shot's.
    pub(crate) shared: bool,
}

impl Desk {
    /// All reports that could be about a shot that its own slot is silent about.
    ///
    /// The chain of the other slot priced a report that is nobody's there by what comes to that slot on the average: unprovoked,
    /// or about shots elsewhere. The odds replace the average by what is known now: this shot, and the others that are silent.
    pub(crate) fn elsewhere(&mut self, held: &HeldShot, now: Mono, found: &mut Vec<Stray>) {
        found.clear();
        for lane in (0..self.table.lanes()).map(Some).chain([None]) {
            self.strays(held, lane, now, found);
        }
    }

    fn strays(&mut self, held: &HeldShot, lane: Option<LaneNo>, now: Mono, found: &mut Vec<Stray>) {
        let Desk { table, chains, learned, .. } = self;
        let shots = learned.at(held.lane, now);
        let rates = shots.rates;
        let own = lane == Some(held.lane);
        let share = match lane {
            Some(_) if own => rates.placed(),
            Some(_) => rates.misplaced(),
            None => rates.placeless(),
        };
        let missed = rates.missed();
        let after_early =
            if own { lane.and_then(|lane| chains.get(lane)).and_then(|chain| chain.early(held.seq)) } else { None };
        let in_chain =
            |report: ReportSeq| own && report >= held.first_seq && after_early.is_none_or(|after| report < after);
        let each = table.reports_over(lane, held.window()).filter(|(report, _)| !in_chain(*report));
        for (report, told) in each.take(MOST_STRAYS) {
            let chain = lane.and_then(|lane| chains.get_mut(lane));
            let reported = lane.unwrap_or(held.lane);
            let known = chain.and_then(|chain| chain.loose(report, &learned.at(reported, now)));
            let loose = known.unwrap_or(Loose { nobody: told.free, spare: 0.0 });
            let nobody = (loose.nobody - told.claimed).max(0.0);
            if nobody + loose.spare <= 0.0 || lane.is_none() && !told.blame.allows(held.slot) {
                continue;
            }
            let class = told.severity.class();
            let agrees = share * shots.agrees((held.expect, held.forced), reported, (class, told.syndrome));
            let caused = agrees * shots.density(told.found_by, held.fired.from, told.span);
            let unprovoked = rates.background(lane, class, now);
            let mut odds = 0.0;
            if nobody > 0.0 && caused >= NOT_WORTH * missed * unprovoked {
                let (inflow, echo) = match lane {
                    Some(_) => (rates.inflow(class), echo_density(table, learned, told)),
                    None => (0.0, 0.0),
                };
                let average = unprovoked + inflow + echo;
                let weight = caused * nobody / average;
                let mut known = unprovoked + echo;
                if weight > WORTH_ASKING * missed {
                    let rivals = Rivals { table, chains, learned, now };
                    known += rivals.of(held, told, lane, NO_RIVAL * unprovoked);
                }
                odds += weight / (1.0 - nobody + nobody * known / average);
            }
            let mut shared = 0.0;
            if loose.spare > 0.0 {
                // The record of somebody else's error waited until this one's was merged into it.
                let before = 1.0 - shots.survival(told.span.to.since(held.fired.from));
                shared = agrees * before * loose.spare * (1.0 - rates.spare()) / rates.spare();
            }
            if odds + shared > 0.0 {
                found.push(Stray { report, lane, odds: odds + shared, shared: shared > odds });
            }
        }
    }
}

/// What is needed to ask other open shots whether they are silent too.
struct Rivals<'a> {
    table: &'a Table,
    chains: &'a mut [Chain],
    learned: &'a Learned,
    now: Mono,
}

impl Rivals<'_> {
    /// Density of a report as one about another open shot that its slot is silent about, for each missed shot's worth.
    fn of(self, held: &HeldShot, report: &OpenReport, lane: Option<LaneNo>, least: f64) -> f64 {
        let class = report.severity.class();
        let rates = &self.learned.rates;
        let share = if lane.is_some() { rates.misplaced() } else { rates.placeless() };
        let mut weighed = Weighed::default();
        let mut sum = 0.0;
        for other_lane in (0..self.table.lanes()).filter(|other| Some(*other) != lane) {
            let model = self.learned.at(other_lane, self.now);
            for other in self.table.open_shots_over(other_lane, report.span) {
                if other.seq == held.seq || lane.is_none() && !report.blame.allows(other.slot) {
                    continue;
                }
                let reported = lane.unwrap_or(other_lane);
                let agrees = share * model.agrees((other.expect, other.forced), reported, (class, report.syndrome));
                let density = agrees * model.density(report.found_by, other.fired.from, report.span);
                // Even a shot that is surely silent is only so many times likelier to be the cause than it is to be missed.
                if density < least * rates.missed() {
                    continue;
                }
                let Some(chain) = self.chains.get_mut(other_lane) else { continue };
                chain.weigh(other.seq, &model, &mut weighed);
                let silence = model.unreported(Span { from: other.fired.from, to: self.now.min(other.end) });
                sum += density * weighed.none / weighed.total(silence);
            }
        }
        sum
    }
}
