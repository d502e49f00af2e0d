//! The criteria of wrong reports: are at most so many of the detected shots misplaced, misgraded, or dangerous?
//!
//! The exact one-sided bound of the share (Clopper and Pearson 1934) among the watched detections for which the answer is
//! known. The pair of shot and report is taken as pairing gives it: where shots are too close to be told apart, a report at the
//! wrong slot may belong to another shot, and `cautions` says so.

use crate::criteria::AtMost;
use crate::evidence::Share;
use crate::finding::{Ask, Bound, Criterion, Finding, More, Number, Verdict};
use crate::judge::Context;
use crate::together::{Decided, decide};
use crate::words::{count, percent, percent_down, percent_up};
use crate::{SlotEvidence, exact};

/// What tells one of the three from the others.
pub(crate) struct Kind {
    pub(crate) criterion: Criterion,
    pub(crate) of: fn(&SlotEvidence) -> Share,
    /// What they are called.
    pub(crate) word: &'static str,
    /// What must be known of a detected shot.
    pub(crate) known: &'static str,
    /// The question's filter that shows them.
    pub(crate) filter: Option<&'static str>,
}

/// Blamed on another slot.
pub(crate) const MISPLACED: Kind = Kind {
    criterion: Criterion::Misplaced,
    of: |slot| slot.misplaced,
    word: "blamed on another slot",
    known: "whose report names a slot",
    filter: Some("misplaced"),
};

/// Of a severity that the code does not allow.
pub(crate) const MISGRADED: Kind = Kind {
    criterion: Criterion::Misgraded,
    of: |slot| slot.misgraded,
    word: "reported with a wrong severity",
    known: "whose right severity is known",
    filter: Some("misgraded"),
};

/// Corrected in name only.
pub(crate) const DANGEROUS: Kind = Kind {
    criterion: Criterion::Dangerous,
    of: |slot| slot.dangerous,
    word: "reported as corrected although the code makes wrong data of them",
    known: "whose code is known",
    filter: Some("dangerous"),
};

pub(crate) fn judge(kind: &Kind, asked: &AtMost, of: &Context<'_>) -> Vec<Finding> {
    let shares: Vec<Share> = of.slots.iter().map(|slot| (kind.of)(slot)).collect();
    let holds = |test: fn(u64, u64, f64, f64) -> bool| {
        let shares = &shares;
        move |slot: usize, alpha: f64| shares.get(slot).is_some_and(|s| test(s.count, s.of, asked.at_most, alpha))
    };
    let decided = decide(shares.len(), of.alpha, of.together, holds(exact::shows_at_most), holds(exact::shows_above));
    let all = of.slots.iter().zip(&shares).zip(decided);
    all.map(|((slot, share), decided)| finding(kind, asked, slot, *share, decided, of)).collect()
}

fn finding(
    kind: &Kind,
    asked: &AtMost,
    slot: &SlotEvidence,
    share: Share,
    decided: Decided,
    of: &Context<'_>,
) -> Finding {
    let Share { count: bad, of: n } = share;
    let lower = exact::lower(bad, n, decided.not_met_alpha).filter(|_| n > 0);
    let upper = exact::upper(bad, n, decided.met_alpha).filter(|_| n > 0);
    let needed = exact::trials_for(bad, asked.at_most, decided.met_alpha);
    let more = needed.filter(|_| decided.verdict == Verdict::NotEnough).map(|needed| {
        let more = needed.saturating_sub(n).max(1);
        More {
            number: Number::count("more", more, "shots"),
            text: format!(
                "{} that {} not",
                count(more, "more detected shot", "more detected shots"),
                if more == 1 { "is" } else { "are" }
            ),
        }
    });
    let (word, shots) = (kind.word, count(n, "detected shot", "detected shots"));
    let are = if bad == 1 || n == 1 { "is" } else { "are" };
    let sentence = match decided.verdict {
        _ if n == 0 => format!("No watched detected shot {}: nothing is known.", kind.known),
        Verdict::Met => {
            format!("{bad} of {shots} {are} {word}: at most {}.", upper.map_or("all".to_owned(), percent_up))
        }
        Verdict::NotMet => {
            format!("{bad} of {shots} {are} {word}: at least {}.", lower.map_or("none".to_owned(), percent_down))
        }
        Verdict::NotEnough => {
            let would = more.as_ref().map_or("no number of shots".to_owned(), |more| more.text.clone());
            format!("{bad} of {shots} {are} {word}; {would} would settle it.")
        }
    };
    let used = if decided.verdict == Verdict::NotMet { Bound::Lower } else { Bound::Upper };
    Finding {
        slot: slot.name.clone(),
        criterion: kind.criterion,
        verdict: decided.verdict,
        requirement: format!("at most {} of the detected shots are {word}", percent(asked.at_most)),
        sentence,
        unit: "share",
        limit: asked.at_most,
        estimate: (n > 0).then(|| bad as f64 / n as f64),
        lower,
        upper,
        used: Some(used),
        confidence: 1.0 - decided.alpha(),
        numbers: vec![
            Number::count("bad", bad, "shots"),
            Number::count("counted", n, "shots"),
            Number::count("not_known", slot.detected_watched.saturating_sub(n), "shots"),
        ],
        more,
        ask: Ask::shots(of.run, &slot.name, kind.filter),
    }
}
