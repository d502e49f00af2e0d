//! The criterion of latency: is at least the share q of the shots reported within the limit?
//!
//! That is the question whether the q-quantile of the latency is at most the limit, put so that misses have their place: a
//! missed shot was not reported in time. It is answered by the exact binomial test, whatever the distribution is. Latencies are
//! known as intervals (a counter step lies between two reads; two clocks are never one): for "met" a shot is in time only if
//! its whole interval is, for "not met" it is late only if its whole interval is. Doubt about misses and accidental matches are
//! taken as in `detection`, with the limit in the place of the window. The bounds of the quantile itself are order statistics
//! (`statistics::order`) of the same counts, so that they pass the limit exactly where the test does.

use crate::chance::ByChance;
use crate::criteria::Latency;
use crate::doubt::Misses;
use crate::finding::{Ask, Bound, Criterion, Finding, More, Number, Verdict};
use crate::judge::Context;
use crate::orphans::HOUR_NS;
use crate::together::{Decided, decide};
use crate::words::{count, percent, up};
use crate::{SlotEvidence, exact};
use statistics::interval_censored::Between;
use statistics::order;

struct Counted<'a> {
    slot: &'a SlotEvidence,
    misses: Misses,
    by_chance: ByChance,
    /// As many as can have been late or missed.
    beyond_most: u64,
    /// The same once there are many more shots in time.
    beyond_later: u64,
    /// As many as were, at least.
    beyond_least: u64,
}

pub(crate) fn judge(asked: &Latency, of: &Context<'_>) -> Vec<Finding> {
    let (limit_ns, bad) = (asked.at_most_ms.saturating_mul(1_000_000), 1.0 - asked.quantile);
    let counted: Vec<Counted<'_>> = of.slots.iter().map(|slot| counted(slot, limit_ns, of.alpha)).collect();
    let met = |slot: usize, alpha: f64| {
        counted.get(slot).is_some_and(|c| {
            !c.by_chance.hides_all() && exact::shows_at_most(c.beyond_most, c.misses.of, c.by_chance.seen(bad), alpha)
        })
    };
    let not_met = |slot: usize, alpha: f64| {
        counted.get(slot).is_some_and(|c| exact::shows_above(c.beyond_least, c.misses.of, bad, alpha))
    };
    let decided = decide(counted.len(), of.alpha, of.together, met, not_met);
    counted.iter().zip(decided).map(|(c, decided)| finding(asked, c, decided, of)).collect()
}

fn counted(slot: &SlotEvidence, limit_ns: u64, alpha: f64) -> Counted<'_> {
    let misses = Misses::of(slot, alpha);
    let limit = i64::try_from(limit_ns).unwrap_or(i64::MAX);
    let in_time: u64 = slot.latencies.iter().filter(|cell| cell.to_ns <= limit).map(|cell| cell.shots).sum();
    let late: u64 = slot.latencies.iter().filter(|cell| cell.from_ns > limit).map(|cell| cell.shots).sum();
    let hidden = |most: u64| most.saturating_sub(slot.missed);
    let beyond = misses.of.saturating_sub(in_time);
    Counted {
        slot,
        misses,
        by_chance: ByChance::of(slot, Some(limit_ns), alpha),
        beyond_most: beyond.saturating_add(hidden(misses.most)).min(misses.of),
        beyond_later: beyond.saturating_add(hidden(misses.most_later)),
        beyond_least: late.saturating_add(misses.least.min(slot.missed)).min(misses.of),
    }
}

fn finding(asked: &Latency, c: &Counted<'_>, decided: Decided, of: &Context<'_>) -> Finding {
    let (n, quantile) = (c.misses.of, asked.quantile);
    let tail = c.by_chance.seen(1.0 - quantile);
    let right_ends = right_ends(c);
    let estimate_ns = empirical(&right_ends_seen(c.slot), quantile);
    let upper_ns = order::upper_bound(&right_ends, 1.0 - tail, decided.met_alpha).ok();
    let lower_ns = order::lower_bound(&left_ends(c, of.window_ns), quantile, decided.not_met_alpha).ok();
    let seen = c.slot.latencies.iter().map(|cell| cell.shots).sum::<u64>();
    let numbers = vec![
        Number::real("quantile", quantile, "share"),
        Number::count("counted", n, "shots"),
        Number::count("missed", c.slot.missed, "shots"),
        Number::count("beyond_at_least", c.beyond_least, "shots"),
        Number::count("beyond_at_most", c.beyond_most, "shots"),
        Number::count("latency_unknown", c.slot.detected_watched.saturating_sub(seen), "shots"),
        Number::count("orphans", c.slot.orphans, "reports"),
        Number::real("watched", c.slot.watched_ns as f64 / HOUR_NS, "hours"),
        Number::real("by_chance_at_most", c.by_chance.most, "share"),
    ];
    let needed = exact::trials_for(c.beyond_later, tail, decided.met_alpha).filter(|_| !c.by_chance.hides_all());
    let more = needed.filter(|_| decided.verdict == Verdict::NotEnough).map(|needed| {
        let more = needed.saturating_sub(n).max(1);
        More {
            number: Number::count("more", more, "shots"),
            text: format!("{} in time", count(more, "more shot", "more shots")),
        }
    });
    let (limit, share) = (asked.at_most_ms, percent(quantile));
    let shots = count(n, "shot", "shots");
    let sentence = match decided.verdict {
        _ if n == 0 => "No watched shot: nothing is known.".to_owned(),
        Verdict::Met => format!(
            "{} of {shots} came in time: {share} of them within {} ms.",
            n.saturating_sub(c.beyond_most),
            upper_ns.map_or(limit.to_string(), |ns| up(ns / 1e6))
        ),
        Verdict::NotMet => format!("{} of {shots} came after {limit} ms or not at all.", c.beyond_least),
        Verdict::NotEnough if c.by_chance.hides_all() => {
            "Reports come so often by themselves, or the slot was watched so shortly, that a latency says nothing."
                .to_owned()
        }
        Verdict::NotEnough => {
            let would = more.as_ref().map_or("no number of shots".to_owned(), |more| more.text.clone());
            format!("{} of {shots} came in time for certain; {would} would settle it.", n.saturating_sub(c.beyond_most))
        }
    };
    let in_ms = |ns: f64| ns / 1e6;
    let used = if decided.verdict == Verdict::NotMet { Bound::Lower } else { Bound::Upper };
    Finding {
        slot: c.slot.name.clone(),
        criterion: Criterion::Latency,
        verdict: decided.verdict,
        requirement: format!("at least {share} of the shots are reported within {limit} ms"),
        sentence,
        unit: "ms",
        limit: limit as f64,
        estimate: estimate_ns.map(in_ms),
        lower: lower_ns.map(in_ms),
        upper: upper_ns.map(in_ms),
        used: Some(used),
        confidence: 1.0 - decided.alpha(),
        numbers,
        more,
        ask: Ask::shots(of.run, &c.slot.name, None),
    }
}

/// The right ends of all watched shots: misses, and latencies that nobody knows, have none.
fn right_ends_seen(slot: &SlotEvidence) -> Vec<Between> {
    let mut ends: Vec<(i64, u64)> = slot.latencies.iter().map(|cell| (cell.to_ns, cell.shots)).collect();
    ends.sort_unstable();
    let seen = ends.iter().map(|(_, shots)| shots).sum::<u64>();
    let mut all: Vec<Between> = ends.into_iter().map(|(to, shots)| Between::exactly(to as f64, shots)).collect();
    all.push(Between::not_until(0.0, slot.watched().saturating_sub(seen)));
    all
}

/// The same, where as many of the earliest as can be misses are taken for misses.
fn right_ends(c: &Counted<'_>) -> Vec<Between> {
    let mut hidden = c.misses.most.saturating_sub(c.slot.missed);
    let mut all = right_ends_seen(c.slot);
    let mut moved = 0;
    for cell in all.iter_mut().filter(|cell| cell.to.is_finite()) {
        let taken = hidden.min(cell.count);
        cell.count -= taken;
        hidden -= taken;
        moved += taken;
    }
    all.push(Between::not_until(0.0, moved));
    all
}

/// The left ends: a miss has the end of its window, and what need not be one has nothing.
fn left_ends(c: &Counted<'_>, window_ns: Option<u64>) -> Vec<Between> {
    let latest = c.slot.latencies.iter().map(|cell| cell.to_ns).max().unwrap_or(0);
    let end = window_ns.map_or(latest as f64, |ns| ns as f64);
    let sure = c.misses.least.min(c.slot.missed);
    let cells = &c.slot.latencies;
    let seen = cells.iter().map(|cell| cell.shots).sum::<u64>();
    let mut all: Vec<Between> =
        cells.iter().map(|cell| Between { from: cell.from_ns as f64, to: f64::INFINITY, count: cell.shots }).collect();
    all.push(Between::not_until(end, sure));
    all.push(Between::not_until(f64::MIN, c.misses.of.saturating_sub(seen).saturating_sub(sure)));
    all
}

/// The smallest right end that the share `quantile` of all does not exceed. Where latencies are points this is Kaplan and Meier's
/// quantile, since all that is censored is censored at the end of the window.
fn empirical(ends: &[Between], quantile: f64) -> Option<f64> {
    let all = ends.iter().map(|end| end.count).sum::<u64>();
    let rank = (all as f64 * quantile).ceil().max(1.0);
    let mut so_far = 0;
    let found = ends.iter().filter(|end| end.count > 0).find(|end| {
        so_far += end.count;
        so_far as f64 >= rank
    });
    found.map(|end| end.to).filter(|to| to.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::LatencyCell;

    fn slot(cells: &[(i64, i64, u64)], missed: u64) -> SlotEvidence {
        let latencies: Vec<LatencyCell> = cells
            .iter()
            .map(|(from, to, shots)| LatencyCell { from_ns: from * 1_000_000, to_ns: to * 1_000_000, shots: *shots })
            .collect();
        let detected = latencies.iter().map(|cell| cell.shots).sum();
        SlotEvidence {
            name: "A1".into(),
            shots: detected + missed,
            detected,
            missed,
            detected_watched: detected,
            latencies,
            watched_ns: u64::MAX,
            ..SlotEvidence::default()
        }
    }

    fn told(slot: &SlotEvidence, asked: &Latency) -> Finding {
        let of = Context { run: "r", alpha: 0.05, together: true, window_ns: Some(5_000_000_000), slots: vec![slot] };
        judge(asked, &of).remove(0)
    }

    #[test]
    fn sizes_are_those_of_the_success_run() {
        // The sample's largest value is an upper 95 % bound for the 95 % quantile from 59 shots on (0.95^59 = 0.0485).
        let asked = Latency { quantile: 0.95, at_most_ms: 250 };
        let enough = told(&slot(&[(10, 40, 59)], 0), &asked);
        assert_eq!((enough.verdict, enough.upper, enough.estimate), (Verdict::Met, Some(40.0), Some(40.0)));
        let few = told(&slot(&[(10, 40, 58)], 0), &asked);
        assert_eq!((few.verdict, few.upper), (Verdict::NotEnough, None));
        assert_eq!(few.more.unwrap().text, "1 more shot in time");
        // With one miss, 93 are needed; a shot that may have been late counts as late.
        assert_eq!(told(&slot(&[(10, 40, 92)], 1), &asked).verdict, Verdict::Met);
        assert_eq!(told(&slot(&[(10, 40, 91)], 1), &asked).verdict, Verdict::NotEnough);
        assert_eq!(told(&slot(&[(10, 40, 92), (200, 300, 1)], 0), &asked).verdict, Verdict::Met);
        assert_eq!(told(&slot(&[(10, 40, 91), (200, 300, 1)], 0), &asked).verdict, Verdict::NotEnough);
    }

    #[test]
    fn misses_and_late_ones_fail_but_not_those_that_may_be_in_time() {
        let asked = Latency { quantile: 0.95, at_most_ms: 250 };
        assert_eq!(told(&slot(&[(10, 40, 50), (300, 400, 8)], 8), &asked).verdict, Verdict::NotMet);
        assert_eq!(told(&slot(&[(10, 40, 50), (240, 400, 16)], 0), &asked).verdict, Verdict::NotEnough);
        let all = told(&slot(&[], 20), &asked);
        assert_eq!((all.verdict, all.estimate, all.lower), (Verdict::NotMet, None, Some(5000.0)));
    }

    #[test]
    fn bounds_pass_the_limit_where_the_test_does() {
        for (fast, slow, missed) in
            [(100, 0, 0), (90, 10, 0), (90, 3, 3), (60, 0, 1), (20, 30, 4), (500, 12, 9), (40, 1, 0)]
        {
            for at_most_ms in [30, 40, 100, 250, 700, 4999] {
                let asked = Latency { quantile: 0.95, at_most_ms };
                let told = told(&slot(&[(10, 40, fast), (200, 700, slow)], missed), &asked);
                let met = told.upper.is_some_and(|upper| upper <= told.limit);
                let not_met = told.lower.is_some_and(|lower| lower > told.limit);
                assert_eq!(told.verdict == Verdict::Met, met, "{told:?}");
                assert_eq!(told.verdict == Verdict::NotMet, not_met, "{told:?}");
            }
        }
    }
}
