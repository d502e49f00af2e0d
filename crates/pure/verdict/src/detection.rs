//! The criterion of detection: is at least the share R of the shots detected?
//!
//! Dangerous detections, which say corrected where the data are wrong, are neither passes nor misses and are left out.
//!
//! Fixed: the exact binomial test of the misses among the watched shots (Clopper and Pearson 1934, one-sided). For "met" the
//! misses are as many as they can be (`doubt`), and chance covers as many as it can (`chance`): n shots with x misses show R at
//! the level alpha where P(at most x of n | (1 − R)(1 − c)) ≤ alpha. For "not met" the misses are as few as they can be, and
//! chance covers none: P(at least x of n | 1 − R) ≤ alpha. Sequential: the same counts against Wald's lines (`sequential`).

use crate::chance::ByChance;
use crate::criteria::{Detection, Method};
use crate::doubt::Misses;
use crate::finding::{Ask, Bound, Criterion, Finding, More, Number, Verdict};
use crate::judge::Context;
use crate::orphans::HOUR_NS;
use crate::sequential::{self, Lines};
use crate::together::{Decided, decide};
use crate::words::{count, percent, percent_down, percent_up};
use crate::{SlotEvidence, exact};

/// What the test takes of a slot.
struct Counted<'a> {
    slot: &'a SlotEvidence,
    misses: Misses,
    by_chance: ByChance,
}

pub(crate) fn judge(asked: &Detection, method: Method, of: &Context<'_>) -> Vec<Finding> {
    let bad = 1.0 - asked.at_least;
    let counted: Vec<Counted<'_>> = of
        .slots
        .iter()
        .map(|slot| Counted {
            slot,
            misses: Misses::for_detection(slot, of.alpha),
            by_chance: ByChance::of(slot, of.window_ns, of.alpha),
        })
        .collect();
    let decided = match method {
        Method::Fixed => {
            let met = |slot: usize, alpha: f64| {
                counted.get(slot).is_some_and(|c| {
                    !c.by_chance.hides_all()
                        && exact::shows_at_most(c.misses.most, c.misses.of, c.by_chance.seen(bad), alpha)
                })
            };
            let not_met = |slot: usize, alpha: f64| {
                counted.get(slot).is_some_and(|c| exact::shows_above(c.misses.least, c.misses.of, bad, alpha))
            };
            decide(counted.len(), of.alpha, of.together, met, not_met)
        }
        Method::Sequential => counted.iter().map(|c| in_sequence(asked, c, of)).collect(),
    };
    let lines = |c: &Counted<'_>| match method {
        Method::Fixed => None,
        Method::Sequential => sequential::lines(asked, of.alpha, of.family(), c.by_chance.most),
    };
    counted.iter().zip(decided).map(|(c, decided)| finding(asked, c, decided, lines(c), of)).collect()
}

/// Wald's lines have the levels in them, so that they are divided among the slots beforehand (Bonferroni).
fn in_sequence(asked: &Detection, c: &Counted<'_>, of: &Context<'_>) -> Decided {
    let alpha = statistics::several::for_each(of.alpha, of.family());
    let accepts = sequential::lines(asked, of.alpha, of.family(), c.by_chance.most)
        .is_some_and(|lines| !c.by_chance.hides_all() && lines.accepts(c.misses.of, c.misses.most));
    let rejects = sequential::lines(asked, of.alpha, of.family(), 0.0)
        .is_some_and(|lines| lines.rejects(c.misses.of, c.misses.least));
    let verdict = match (accepts, rejects) {
        (_, true) => Verdict::NotMet,
        (true, false) => Verdict::Met,
        (false, false) => Verdict::NotEnough,
    };
    let false_alarm = statistics::several::for_each(asked.false_alarm, of.family());
    Decided { verdict, met_alpha: alpha, not_met_alpha: false_alarm }
}

fn finding(asked: &Detection, c: &Counted<'_>, decided: Decided, lines: Option<Lines>, of: &Context<'_>) -> Finding {
    let (n, misses, by_chance) = (c.misses.of, c.misses, c.by_chance);
    let estimate =
        (n > 0).then(|| statistics::chance::corrected(1.0 - misses.mean / n as f64, by_chance.expected)).flatten();
    let most_missed = exact::upper(misses.most, n, decided.met_alpha).filter(|_| !by_chance.hides_all());
    let lower = most_missed.map(|missed| (1.0 - missed / (1.0 - by_chance.most)).max(0.0));
    let upper = exact::lower(misses.least, n, decided.not_met_alpha).map(|missed| 1.0 - missed);

    let mut numbers = vec![
        Number::count("counted", n, "shots"),
        Number::count("dangerous", c.slot.dangerous.count, "shots"),
        Number::count("missed", c.slot.missed, "shots"),
        Number::real("misses_expected", misses.mean, "shots"),
        Number::count("misses_at_least", misses.least, "shots"),
        Number::count("misses_at_most", misses.most, "shots"),
        Number::count("orphans", c.slot.orphans, "reports"),
        Number::real("watched", c.slot.watched_ns as f64 / HOUR_NS, "hours"),
        Number::real("by_chance", by_chance.expected, "share"),
        Number::real("by_chance_at_most", by_chance.most, "share"),
    ];
    if let Some(lines) = &lines {
        numbers.push(Number::real("accepted_at_misses", lines.accept_at(n), "shots"));
        numbers.push(Number::real("rejected_from_misses", lines.reject_from(n), "shots"));
    }
    let open = decided.verdict == Verdict::NotEnough && !by_chance.hides_all();
    let needed = match &lines {
        Some(lines) => Some(lines.first_accept(misses.most_later)),
        None => exact::trials_for(misses.most_later, by_chance.seen(1.0 - asked.at_least), decided.met_alpha),
    };
    let more = needed.filter(|_| open).map(|needed| {
        let more = needed.saturating_sub(n).max(1);
        More {
            number: Number::count("more", more, "shots"),
            text: format!("{} without a miss", count(more, "more shot", "more shots")),
        }
    });

    let asked_share = percent(asked.at_least);
    let (shots, show) = (count(n, "shot", "shots"), if n == 1 { "shows" } else { "show" });
    let sentence = match decided.verdict {
        _ if n == 0 && c.slot.dangerous.count > 0 => "All that was watched is dangerous: nothing is known.".to_owned(),
        _ if n == 0 => "No watched shot: nothing is known.".to_owned(),
        Verdict::Met => {
            let missed = at_most(misses);
            match lower.filter(|_| lines.is_none()) {
                Some(lower) => {
                    format!("{shots} with {missed} {show} that at least {} are detected.", percent_down(lower))
                }
                None => format!("{shots} with {missed} are enough for the sequential test to accept {asked_share}."),
            }
        }
        Verdict::NotMet => {
            let missed = at_least(misses);
            match upper.filter(|_| lines.is_none()) {
                Some(upper) => format!("{shots} with {missed} {show} that at most {} are detected.", percent_up(upper)),
                None => format!("{shots} with {missed} are enough for the sequential test to refuse {asked_share}."),
            }
        }
        Verdict::NotEnough if by_chance.hides_all() => {
            "Reports come so often by themselves, or the slot was watched so shortly, that a detection says nothing."
                .to_owned()
        }
        Verdict::NotEnough => {
            let would = more.as_ref().map_or("no number of shots".to_owned(), |more| more.text.clone());
            let shown = lower.map_or("nothing".to_owned(), |lower| format!("{} so far", percent_down(lower)));
            format!("{shots} with {} {show} {shown}; {would} would settle it.", at_most(misses))
        }
    };
    let used = if decided.verdict == Verdict::NotMet { Bound::Upper } else { Bound::Lower };
    Finding {
        slot: c.slot.name.clone(),
        criterion: Criterion::Detection,
        verdict: decided.verdict,
        requirement: format!("at least {asked_share} of the shots are detected"),
        sentence,
        unit: "share",
        limit: asked.at_least,
        estimate,
        lower,
        upper,
        used: Some(used),
        confidence: 1.0 - decided.alpha(),
        numbers,
        more,
        ask: Ask::shots(of.run, &c.slot.name, Some("missed")),
    }
}

fn at_most(misses: Misses) -> String {
    match misses.most {
        0 => "no miss".to_owned(),
        most if misses.least == most => count(most, "miss", "misses"),
        most => format!("at most {}", count(most, "miss", "misses")),
    }
}

fn at_least(misses: Misses) -> String {
    match misses.least {
        least if misses.most == least => count(least, "miss", "misses"),
        least => format!("at least {}", count(least, "miss", "misses")),
    }
}
