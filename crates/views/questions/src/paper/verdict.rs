//! The verdict as the page shows it: criterion by criterion, and in each of them slot by slot.
//!
//! Nothing is judged here: every answer and every bound is one of crate `verdict`.

use super::Judged;
use ::verdict::criteria::Method;
use ::verdict::{Bound as Side, Criterion as Which, Finding, Judgement, Value, Verdict as Found};
use evidence::model::{Answer, Bound, Criterion, Quantity, SlotAnswer, Verdict};

/// So many single findings are among the reasons.
const MOST_REASONS: usize = 5;

/// The criteria in the order in which they are read, with their names on the page.
const CRITERIA: [(Which, &str); 8] = [
    (Which::Detection, "Detection"),
    (Which::Latency, "Latency"),
    (Which::Misplaced, "Misplaced"),
    (Which::Misgraded, "Misgraded"),
    (Which::Dangerous, "Dangerous"),
    (Which::Orphans, "Orphans"),
    (Which::CoverSlot, "Slots covered"),
    (Which::CoverLines, "Lines covered"),
];

pub(super) fn told(judged: &Judged<'_>) -> Verdict {
    let judgement = judged.judgement;
    Verdict {
        answer: Some(answer(judgement.verdict)),
        reasons: reasons(judgement),
        criteria_from: Some(judged.from.to_owned()),
        criteria_text: Some(judged.text.to_owned()),
        plan: Some(plan(judgement)),
        criteria: CRITERIA.iter().filter_map(|(which, name)| criterion(judgement, *which, name)).collect(),
    }
}

fn answer(found: Found) -> Answer {
    match found {
        Found::Met => Answer::Met,
        Found::NotMet => Answer::NotMet,
        Found::NotEnough => Answer::NotEnough,
    }
}

/// The sentence over all, then what decided it, then what must be known before it is believed.
fn reasons(judgement: &Judgement) -> Vec<String> {
    let mut reasons = vec![super::capital(&judgement.sentence)];
    let deciding: Vec<&Finding> = match judgement.verdict {
        Found::Met => Vec::new(),
        found => judgement.findings().filter(|finding| finding.verdict == found).collect(),
    };
    reasons.extend(deciding.iter().take(MOST_REASONS).map(|finding| format!("{}: {}", finding.slot, finding.sentence)));
    let more = deciding.len().saturating_sub(MOST_REASONS);
    if more > 0 {
        reasons.push(format!("{more} more of the kind: see below."));
    }
    reasons.extend(judgement.cautions.iter().cloned());
    reasons
}

fn plan(judgement: &Judgement) -> String {
    let method = match judgement.method {
        Method::Fixed => "The number of shots was to be chosen before the run.",
        Method::Sequential => "Detection is decided by a sequential test, which may be asked after every shot.",
    };
    let together = if judgement.slots_together {
        "The confidence holds for all slots together (Holm)."
    } else {
        "The confidence holds for each slot by itself."
    };
    format!("{method} {together}")
}

fn criterion(judgement: &Judgement, which: Which, name: &str) -> Option<Criterion> {
    let findings: Vec<&Finding> = judgement.findings().filter(|finding| finding.criterion == which).collect();
    let first = findings.first()?;
    Some(Criterion {
        name: name.to_owned(),
        demand: first.requirement.clone(),
        limit: quantity(first.limit, first.unit),
        judges_detection: which == Which::Detection,
        answer: answer(Found::of_all(findings.iter().map(|finding| finding.verdict))),
        slots: findings.iter().map(|finding| slot(finding)).collect(),
        whole: None,
    })
}

fn slot(finding: &Finding) -> SlotAnswer {
    let bound = match finding.used {
        Some(Side::Lower) => finding.lower.and_then(|lower| quantity(lower, finding.unit)).map(Bound::AtLeast),
        Some(Side::Upper) => finding.upper.and_then(|upper| quantity(upper, finding.unit)).map(Bound::AtMost),
        // What is covered is counted, not estimated.
        None => finding.estimate.and_then(|counted| quantity(counted, finding.unit)).map(Bound::AtLeast),
    };
    let (against, of) = counts(finding);
    let missing = finding.more.as_ref().map(|more| format!("{} would settle it", more.text));
    SlotAnswer {
        slot: finding.slot.clone(),
        answer: answer(finding.verdict),
        estimate: finding.estimate.and_then(|estimate| quantity(estimate, finding.unit)),
        bound,
        against,
        of,
        note: missing.filter(|_| finding.verdict == Found::NotEnough),
    }
}

/// How many count against the criterion, and out of how many.
fn counts(finding: &Finding) -> (i64, i64) {
    let number = |name: &str| {
        finding.numbers.iter().find(|number| number.name == name).map_or(0, |number| match number.value {
            Value::Count(count) => i64::try_from(count).unwrap_or(i64::MAX),
            Value::Real(_) => 0,
        })
    };
    match finding.criterion {
        Which::Detection => (number("missed"), number("counted")),
        Which::Latency => (number("beyond_at_least"), number("counted")),
        Which::Misplaced | Which::Misgraded | Which::Dangerous => (number("bad"), number("counted")),
        // They are counted against the time watched, and are out of no number.
        Which::Orphans => (number("orphans"), number("orphans")),
        Which::CoverSlot => {
            let asked = finding.limit as i64;
            (asked.saturating_sub(number("counted")).max(0), asked)
        }
        Which::CoverLines => (number("asked").saturating_sub(number("covered")), number("asked")),
    }
}

fn quantity(value: f64, unit: &str) -> Option<Quantity> {
    match unit {
        "share" => Some(Quantity::Share(value)),
        "ms" => Some(Quantity::Nanoseconds(value * 1e6)),
        "per_hour" => Some(Quantity::PerHour(value)),
        "shots" | "lines" | "reports" => Some(Quantity::Count(value as i64)),
        _ => None,
    }
}
