//! Reports that a shot's own slot does not explain it by: on other slots, without a place, and on its own slot from before it
//! was told of or after it had to be settled early. `settle` weighs them against a miss.

use crate::chain::{Chain, ones};
use crate::fingerprints::MOST_AGREEMENT;
use crate::model::Learned;
use crate::settle::{Desk, echo_density};
use crate::table::{HeldShot, LaneNo, OpenReport, ReportSeq, Table};
use crate::weighed::Loose;
use vocabulary::{Class, Mono};

/// A report whose odds against a miss are below this is not looked at.
const NOT_WORTH: f64 = 3e-3;
/// Other shots are asked whether they are silent too only about reports whose odds against a miss are above this.
const WORTH_ASKING: f64 = 0.05;
/// A rival whose report this could be at less than this share of what nobody provoked does not matter.
const NO_RIVAL: f64 = 0.01;
/// The most reports that are looked at of those that no chain keeps: bounded work, whatever the load.
const MOST_UNCHAINED: usize = 512;

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
    /// All reports that could be about a shot that its own slot is silent about: those that the chains of other slots are not
    /// sure to be their own shots', and those that no chain keeps.
    pub(crate) fn elsewhere(&mut self, held: &HeldShot, now: Mono, found: &mut Vec<Stray>) {
        found.clear();
        let Desk { table, chains, learned, .. } = self;
        let mut look = Look { table, chains, learned, held, now };
        let own = look.chains.get(held.lane);
        // Its own slot's reports from before it was told of, or after it was settled early, were not weighed with it.
        let after_early = own.and_then(|chain| chain.early(held.seq));
        let in_chain = |seq: ReportSeq| seq >= held.first_seq && after_early.is_none_or(|after| seq < after);
        for (seq, report) in table.reports_over(held.lane, held.window()).filter(|(seq, _)| !in_chain(*seq)) {
            found.extend(look.stray(seq, report, None));
        }
        let shots = learned.at(held.lane, now);
        let window = held.window();
        let least = |class| NOT_WORTH * shots.rates.missed() * shots.rates.least_background(class, now);
        let (least_corrected, least_other) = (least(Class::Corrected), least(Class::NotCorrected));
        let misplaced = shots.rates.misplaced();
        for lane in (0..look.chains.len()).filter(|lane| *lane != held.lane) {
            for place in ones(look.chains.get_mut(lane).map_or(0, |chain| chain.loose_places(&learned.at(lane, now)))) {
                let known = look.chains.get(lane).and_then(|chain| chain.loose_at(place));
                let Some((told, loose)) = known.filter(|(told, _)| told.seen.overlaps(window)) else { continue };
                // Most are ruled out by this alone.
                let agrees = if told.syndrome.is_some() { misplaced * MOST_AGREEMENT } else { misplaced };
                let at_most = agrees * loose.nobody * shots.density(told.found_by, held.fired.from, told.seen);
                let least = if told.class == Class::Corrected { least_corrected } else { least_other };
                if at_most < least && told.count < 2 {
                    continue;
                }
                let seq = told.seq;
                found.extend(table.report(seq).and_then(|report| look.stray(seq, report, Some(loose))));
            }
        }
        let unchained = table.unchained_over(held.window()).filter(|(_, report)| report.lane != Some(held.lane));
        for (seq, report) in unchained.take(MOST_UNCHAINED) {
            found.extend(look.stray(seq, report, None));
        }
    }
}

/// What is needed to look for a shot's report in other places.
struct Look<'a> {
    table: &'a Table,
    chains: &'a mut [Chain],
    learned: &'a Learned,
    held: &'a HeldShot,
    now: Mono,
}

impl Look<'_> {
    /// What a report is worth to the shot, if anything.
    ///
    /// The chain of the other slot priced a report that is nobody's there by what comes to that slot on the average: unprovoked,
    /// or about shots elsewhere. The odds replace the average by what is known now: this shot, and the others that are silent.
    fn stray(&mut self, seq: ReportSeq, report: &OpenReport, at_most: Option<Loose>) -> Option<Stray> {
        let (held, now, lane) = (self.held, self.now, report.lane);
        if lane.is_none() && !report.blame.allows(held.slot) {
            return None;
        }
        let shots = self.learned.at(held.lane, now);
        let rates = shots.rates;
        let share = match lane {
            Some(lane) if lane == held.lane => rates.placed(),
            Some(_) => rates.misplaced(),
            None => rates.placeless(),
        };
        let missed = rates.missed();
        let class = report.severity.class();
        let reported = lane.unwrap_or(held.lane);
        let agrees = share * shots.agrees((held.expect, held.forced), reported, (class, report.syndrome));
        let caused = agrees * shots.density(report.found_by, held.fired.from, report.span);
        let unprovoked = rates.background(lane, class, now);
        let nobody = at_most.map_or(report.free, |loose| loose.nobody);
        let worth = caused * nobody >= NOT_WORTH * missed * unprovoked;
        if !worth && report.count < 2 {
            return None;
        }
        let chain = lane.filter(|_| report.chained).and_then(|lane| self.chains.get_mut(lane));
        let known = chain.and_then(|chain| chain.loose(seq, &self.learned.at(reported, now)));
        let loose = known.unwrap_or(Loose { nobody: report.free, spare: 0.0 });
        let nobody = (loose.nobody - report.claimed).max(0.0);
        let mut odds = 0.0;
        if nobody > 0.0 && worth {
            let (inflow, echo) = match lane {
                Some(_) => (rates.inflow(class), echo_density(self.table, self.learned, report, unprovoked, now)),
                None => (0.0, 0.0),
            };
            let average = unprovoked + inflow + echo;
            let weight = caused * nobody / average;
            let mut known = unprovoked + echo;
            if weight > WORTH_ASKING * missed {
                known += self.rivals(report, NO_RIVAL * unprovoked);
            }
            odds += weight / (1.0 - nobody + nobody * known / average);
        }
        let mut shared = 0.0;
        if loose.spare > 0.0 {
            // The record of somebody else's error waited until this one's was merged into it.
            let before = shots.waited(held.fired.from, report.span);
            shared = agrees * before * loose.spare * (1.0 - rates.spare()) / rates.spare();
        }
        (odds + shared > 0.0).then_some(Stray { report: seq, lane, odds: odds + shared, shared: shared > odds })
    }

    /// Density of a report as one about another open shot that its slot is silent about, for each missed shot's worth.
    fn rivals(&self, report: &OpenReport, least: f64) -> f64 {
        let class = report.severity.class();
        let rates = &self.learned.rates;
        let lane = report.lane;
        let share = if lane.is_some() { rates.misplaced() } else { rates.placeless() };
        let mut sum = 0.0;
        for (other_lane, chain) in self.chains.iter().enumerate().filter(|(other, _)| Some(*other) != lane) {
            let model = self.learned.at(other_lane, self.now);
            for other in chain.perhaps_silent(report.span).filter_map(|seq| self.table.shot(seq)) {
                if other.seq == self.held.seq || lane.is_none() && !report.blame.allows(other.slot) {
                    continue;
                }
                let reported = lane.unwrap_or(other_lane);
                let agrees = share * model.agrees((other.expect, other.forced), reported, (class, report.syndrome));
                let density = agrees * model.density(report.found_by, other.fired.from, report.span);
                // Even a shot that is surely silent is only so many times likelier to be the cause than it is to be missed.
                if density < least * rates.missed() {
                    continue;
                }
                let none = model.unreported(other.window());
                sum += density * chain.silence(other.seq, none, &model);
            }
        }
        sum
    }
}
