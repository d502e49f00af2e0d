//! The criterion of unprovoked reports: does the slot send at most so many an hour?
//!
//! A Poisson rate with its exact one-sided bounds (Garwood 1936) over the time in which the slot was watched. Orphans that name
//! no slot, or several, belong to no slot and are in none of these counts.

use crate::SlotEvidence;
use crate::criteria::Orphans;
use crate::finding::{Ask, Bound, Criterion, Finding, More, Number, Verdict};
use crate::judge::Context;
use crate::together::{Decided, decide};
use crate::words::{count, down, plain, up};
use statistics::poisson;

pub(crate) const HOUR_NS: f64 = 3.6e12;

fn hours(slot: &SlotEvidence) -> f64 {
    slot.watched_ns as f64 / HOUR_NS
}

pub(crate) fn judge(asked: &Orphans, of: &Context<'_>) -> Vec<Finding> {
    let limit = asked.at_most_per_hour;
    let met = |slot: usize, alpha: f64| {
        let slot = of.slots.get(slot);
        slot.is_some_and(|slot| poisson::exact_upper(slot.orphans, hours(slot), alpha).is_ok_and(|most| most <= limit))
    };
    let not_met = |slot: usize, alpha: f64| {
        let slot = of.slots.get(slot);
        slot.is_some_and(|slot| poisson::exact_lower(slot.orphans, hours(slot), alpha).is_ok_and(|least| least > limit))
    };
    let decided = decide(of.slots.len(), of.alpha, of.together, met, not_met);
    of.slots.iter().zip(decided).map(|(slot, decided)| finding(limit, slot, decided, of)).collect()
}

/// How many hours show the limit if `orphans` is all that comes in them.
pub(crate) fn hours_for(orphans: u64, limit_per_hour: f64, alpha: f64) -> Option<f64> {
    poisson::exact_upper(orphans, 1.0, alpha).ok().map(|events| events / limit_per_hour)
}

fn finding(limit: f64, slot: &SlotEvidence, decided: Decided, of: &Context<'_>) -> Finding {
    let hours = hours(slot);
    let lower = poisson::exact_lower(slot.orphans, hours, decided.not_met_alpha).ok();
    let upper = poisson::exact_upper(slot.orphans, hours, decided.met_alpha).ok();
    let needed = hours_for(slot.orphans, limit, decided.met_alpha).filter(|_| decided.verdict == Verdict::NotEnough);
    let more = needed.map(|needed| {
        let more = (needed - hours).max(0.0);
        More {
            number: Number::real("more", more, "hours"),
            text: format!("{} more hours without an unprovoked report", up(more)),
        }
    });
    let reports = count(slot.orphans, "unprovoked report", "unprovoked reports");
    let in_hours = format!("{reports} in {} watched hours", down(hours));
    let sentence = match decided.verdict {
        _ if slot.watched_ns == 0 => "The slot was not watched for any time: nothing is known.".to_owned(),
        Verdict::Met => format!("{in_hours}: at most {} an hour.", upper.map_or("?".to_owned(), up)),
        Verdict::NotMet => format!("{in_hours}: at least {} an hour.", lower.map_or("?".to_owned(), down)),
        Verdict::NotEnough => {
            let would = more.as_ref().map_or("no time".to_owned(), |more| more.text.clone());
            format!("{in_hours}; {would} would settle it.")
        }
    };
    let used = if decided.verdict == Verdict::NotMet { Bound::Lower } else { Bound::Upper };
    Finding {
        slot: slot.name.clone(),
        criterion: Criterion::Orphans,
        verdict: decided.verdict,
        requirement: format!("at most {} unprovoked reports an hour", plain(limit)),
        sentence,
        unit: "per_hour",
        limit,
        estimate: (hours > 0.0).then(|| slot.orphans as f64 / hours),
        lower,
        upper,
        used: Some(used),
        confidence: 1.0 - decided.alpha(),
        numbers: vec![Number::count("orphans", slot.orphans, "reports"), Number::real("watched", hours, "hours")],
        more,
        ask: Ask::orphans(of.run, &slot.name),
    }
}
