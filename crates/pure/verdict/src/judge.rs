//! Holds a run's counts against criteria: one finding for each slot and criterion, a verdict for each slot, and one for all.
//!
//! Which slots are judged: those that `[cover]` asks for, and all that have shots, asked for or not; where neither is any, all
//! of the run, of which nothing is known then. Only where coverage is all that is asked, other slots with shots have nothing to
//! be judged by. The numbers are decided in the files of the criteria; here they are only brought together, with what a reader
//! must know before believing them. `questions` counts the evidence and calls this.

use crate::criteria::{Criteria, Fault, Method, Slots};
use crate::evidence::{Evidence, RunState, SlotEvidence};
use crate::finding::{Finding, Judgement, NotJudged, Refused, SlotJudgement, Verdict};
use crate::words::count;
use crate::{cover, detection, latency, orphans, share};
use std::collections::BTreeSet;
use thiserror::Error;

/// Why a run cannot be judged by these criteria.
#[derive(Clone, PartialEq, Eq, Debug, Error)]
pub enum JudgeError {
    /// The criteria contradict themselves.
    #[error("criteria: {0}")]
    Criteria(#[from] Fault),
    /// The criteria name a slot that the run does not have.
    #[error("cover.slots: the run has no slot {slot:?}; it has {}", list(known))]
    UnknownSlot {
        /// The slot.
        slot: String,
        /// The slots that there are.
        known: Vec<String>,
    },
    /// Later than the window, nothing is a detection any more.
    #[error(
        "latency.at_most_ms: {at_most_ms} ms is longer than the run's window, {window_ms} ms: nothing waited so long"
    )]
    LatencyBehindWindow {
        /// What is asked.
        at_most_ms: u64,
        /// For how long a report was waited for.
        window_ms: u64,
    },
    /// Two slots of the evidence have one name.
    #[error("the evidence has two slots {0:?}")]
    SlotTwice(String),
    /// Counts that cannot be true together.
    #[error("the evidence of slot {slot:?} cannot be true: {why}")]
    Evidence {
        /// The slot.
        slot: String,
        /// Why.
        why: String,
    },
}

fn list(names: &[String]) -> String {
    if names.is_empty() { "none at all".to_owned() } else { names.join(", ") }
}

/// What every criterion is judged with.
pub(crate) struct Context<'a> {
    pub(crate) run: &'a str,
    pub(crate) alpha: f64,
    pub(crate) together: bool,
    pub(crate) window_ns: Option<u64>,
    pub(crate) slots: Vec<&'a SlotEvidence>,
}

impl Context<'_> {
    /// Among how many statements a level that is divided beforehand is divided.
    pub(crate) fn family(&self) -> usize {
        if self.together { self.slots.len().max(1) } else { 1 }
    }
}

/// The verdict on a run.
///
/// # Errors
/// When criteria and run do not fit: a slot that the run does not have, a latency behind its window, counts that cannot be true.
pub fn judge(criteria: &Criteria, evidence: &Evidence) -> Result<Judgement, JudgeError> {
    criteria.check()?;
    fit(criteria, evidence)?;
    let judged = judged(criteria, evidence);
    let of = Context {
        run: &evidence.run,
        alpha: criteria.alpha(),
        together: criteria.slots_together,
        window_ns: evidence.window_ns,
        slots: judged,
    };
    let mut findings = Vec::new();
    if let Some(asked) = &criteria.cover {
        findings.extend(cover::judge(asked, &criteria.lines(), &of));
    }
    if let Some(asked) = &criteria.detection {
        findings.extend(detection::judge(asked, criteria.method, &of));
    }
    if let Some(asked) = &criteria.latency {
        findings.extend(latency::judge(asked, &of));
    }
    let shares = [
        (&share::MISPLACED, &criteria.misplaced),
        (&share::MISGRADED, &criteria.misgraded),
        (&share::DANGEROUS, &criteria.dangerous),
    ];
    for (kind, asked) in shares {
        findings.extend(asked.iter().flat_map(|asked| share::judge(kind, asked, &of)));
    }
    if let Some(asked) = &criteria.orphans {
        findings.extend(orphans::judge(asked, &of));
    }

    let slots: Vec<SlotJudgement> = of.slots.iter().filter_map(|slot| slot_judgement(slot, &findings)).collect();
    let names: BTreeSet<&str> = slots.iter().map(|slot| slot.slot.as_str()).collect();
    let left = evidence.slots.iter().filter(|slot| !names.contains(slot.name.as_str()));
    let not_judged =
        left.map(|slot| NotJudged { slot: slot.name.clone(), shots: slot.shots, orphans: slot.orphans }).collect();
    let verdict = if slots.is_empty() { Verdict::NotEnough } else { Verdict::of_all(slots.iter().map(|s| s.verdict)) };
    let mut refused = Refused::default();
    for slot in &slots {
        refused.unknowable = refused.unknowable.saturating_add(slot.refused.unknowable);
        refused.unwatched = refused.unwatched.saturating_add(slot.refused.unwatched);
        refused.open = refused.open.saturating_add(slot.refused.open);
        refused.dangerous = refused.dangerous.saturating_add(slot.refused.dangerous);
    }
    let mut judgement = Judgement {
        verdict,
        sentence: String::new(),
        run: evidence.run.clone(),
        state: evidence.state,
        so_far: evidence.state == RunState::Running,
        method: criteria.method,
        confidence: criteria.confidence,
        slots_together: criteria.slots_together,
        slots,
        not_judged,
        refused,
        cautions: Vec::new(),
        criteria: criteria.clone(),
    };
    judgement.sentence = sentence(&judgement);
    judgement.cautions = cautions(&judgement, evidence);
    Ok(judgement)
}

/// Whether criteria and evidence fit together.
fn fit(criteria: &Criteria, evidence: &Evidence) -> Result<(), JudgeError> {
    let mut known = BTreeSet::new();
    for slot in &evidence.slots {
        if !known.insert(slot.name.as_str()) {
            return Err(JudgeError::SlotTwice(slot.name.clone()));
        }
        if let Some(why) = slot.contradiction() {
            return Err(JudgeError::Evidence { slot: slot.name.clone(), why });
        }
    }
    if let Some(Slots::Named(names)) = criteria.cover.as_ref().and_then(|cover| cover.slots.as_ref())
        && let Some(slot) = names.iter().find(|name| !known.contains(name.as_str()))
    {
        let known = evidence.slots.iter().map(|slot| slot.name.clone()).collect();
        return Err(JudgeError::UnknownSlot { slot: slot.clone(), known });
    }
    if let (Some(latency), Some(window_ns)) = (&criteria.latency, evidence.window_ns)
        && latency.at_most_ms.saturating_mul(1_000_000) > window_ns
    {
        return Err(JudgeError::LatencyBehindWindow {
            at_most_ms: latency.at_most_ms,
            window_ms: window_ns / 1_000_000,
        });
    }
    Ok(())
}

/// The slots that are judged, in the order of the evidence.
fn judged<'a>(criteria: &Criteria, evidence: &'a Evidence) -> Vec<&'a SlotEvidence> {
    let slots = criteria.cover.as_ref().and_then(|cover| cover.slots.as_ref());
    let asked = |name: &str| match slots {
        None => false,
        Some(Slots::All) => true,
        Some(Slots::Named(names)) => names.iter().any(|n| n == name),
    };
    let some: Vec<_> = evidence.slots.iter().filter(|slot| slot.shots > 0 || asked(&slot.name)).collect();
    if some.is_empty() { evidence.slots.iter().collect() } else { some }
}

/// Nothing where nothing is asked of the slot.
fn slot_judgement(slot: &SlotEvidence, findings: &[Finding]) -> Option<SlotJudgement> {
    let findings: Vec<Finding> = findings.iter().filter(|finding| finding.slot == slot.name).cloned().collect();
    if findings.is_empty() {
        return None;
    }
    let settled = slot.shots.saturating_sub(slot.open);
    Some(SlotJudgement {
        slot: slot.name.clone(),
        verdict: Verdict::of_all(findings.iter().map(|finding| finding.verdict)),
        blind: settled > 0 && slot.watched() == 0,
        shots: slot.shots,
        counted: slot.watched(),
        missed: slot.missed,
        refused: Refused {
            unknowable: slot.unknowable,
            unwatched: slot.unwatched(),
            open: slot.open,
            dangerous: slot.dangerous.count,
        },
        findings,
    })
}

fn sentence(of: &Judgement) -> String {
    let so_far = if of.so_far { "So far: " } else { "" };
    let with = |verdict| {
        of.slots.iter().filter(|slot| slot.verdict == verdict).map(|slot| slot.slot.as_str()).collect::<Vec<_>>()
    };
    let total = count(of.slots.len() as u64, "slot", "slots");
    let said = match of.verdict {
        Verdict::Met => format!("met: all criteria at {total}"),
        Verdict::NotMet => {
            let bad = with(Verdict::NotMet);
            format!("not met: {} of {total} ({})", bad.len(), bad.join(", "))
        }
        Verdict::NotEnough if of.slots.is_empty() => "not enough evidence: the run knows no slot".to_owned(),
        Verdict::NotEnough => {
            let open = with(Verdict::NotEnough);
            format!("not enough evidence: {} of {total} ({})", open.len(), open.join(", "))
        }
    };
    format!("{so_far}{said}.")
}

fn cautions(of: &Judgement, evidence: &Evidence) -> Vec<String> {
    let mut all = Vec::new();
    match evidence.state {
        RunState::Ended => {}
        RunState::Running => {
            all.push("The run goes on: this is the verdict so far.".to_owned());
            if of.method == Method::Fixed {
                all.push(
                    "Asking again and again until it is met makes any machine pass in the end: with a fixed number of \
                     shots, only the verdict after the planned number counts. method = \"sequential\" allows looking \
                     after every shot."
                        .to_owned(),
                );
            }
        }
        RunState::CutOff => all.push(
            "The run has no end and nobody is watching: it was cut off. It is judged on what is in the database; shots \
             that were not settled do not count."
                .to_owned(),
        ),
    }
    let Refused { unknowable, unwatched, open, dangerous } = of.refused;
    if unknowable > 0 {
        all.push(format!(
            "{} not count: nobody was watching in the whole window.",
            count(unknowable, "unknowable shot does", "unknowable shots do")
        ));
    }
    if unwatched > 0 {
        all.push(format!(
            "{} not count either: the window had gaps, and after a miss nobody would know.",
            count(unwatched, "detected shot does", "detected shots do")
        ));
    }
    if open > 0 {
        all.push(format!("{} not count yet: not settled.", count(open, "shot does", "shots do")));
    }
    if dangerous > 0 {
        all.push(format!(
            "{} reported as corrected where the code more likely than not makes wrong data: no pass and no miss, so detection is \
             judged without; see `flipwitness shots --dangerous`.",
            count(dangerous, "detected shot was", "detected shots were")
        ));
    }
    let blind: Vec<&str> = of.slots.iter().filter(|slot| slot.blind).map(|slot| slot.slot.as_str()).collect();
    if !blind.is_empty() {
        all.push(format!(
            "Not one shot was watched in its whole window at {}: see `flipwitness gaps`.",
            blind.join(", ")
        ));
    }
    if evidence.window_ns.is_none() {
        all.push(
            "The run keeps no window: detections are not corrected for unprovoked reports that pass for them."
                .to_owned(),
        );
    }
    let told = |slot: &NotJudged| {
        let counts = [count(slot.shots, "shot", "shots"), count(slot.orphans, "orphan", "orphans")];
        format!("{} ({})", slot.slot, counts.join(", "))
    };
    let left: Vec<String> = of.not_judged.iter().map(told).collect();
    if !left.is_empty() {
        all.push(format!("Not judged, since the criteria do not ask for them: {}.", left.join(", ")));
    }
    all
}

#[cfg(test)]
#[path = "judge_tests.rs"]
mod tests;
