//! The criterion of coverage: were all slots shot at, and all lines forced, often enough while everything was watching?
//!
//! Counts, no statistics: what is not covered is not enough, and never not met. Whether the shots were detected is another
//! criterion's matter.

use crate::SlotEvidence;
use crate::criteria::{Cover, Slots};
use crate::finding::{Ask, Criterion, Finding, More, Number, Verdict};
use crate::judge::Context;
use crate::lines;
use crate::words::count;
use std::collections::BTreeMap;

impl Cover {
    /// Whether the slot must be covered, if it is one that is judged.
    pub(crate) fn asks_for(&self, slot: &str) -> bool {
        match &self.slots {
            None | Some(Slots::All) => true,
            Some(Slots::Named(names)) => names.iter().any(|name| name == slot),
        }
    }

    /// How many watched shots each slot must have; nothing where only lines are asked for.
    pub(crate) fn shots_asked(&self) -> Option<u64> {
        self.shots_per_slot.or(self.slots.as_ref().map(|_| 1))
    }
}

pub(crate) fn judge(asked: &Cover, all_lines: &[String], of: &Context<'_>) -> Vec<Finding> {
    let mut findings = Vec::new();
    for slot in of.slots.iter().filter(|slot| asked.asks_for(&slot.name)) {
        if let Some(shots) = asked.shots_asked() {
            findings.push(slot_covered(slot, shots, of));
        }
        if !all_lines.is_empty() {
            findings.push(lines_covered(slot, all_lines, asked.shots_per_line.unwrap_or(1), of));
        }
    }
    findings
}

fn slot_covered(slot: &SlotEvidence, asked: u64, of: &Context<'_>) -> Finding {
    let n = slot.watched();
    let missing = asked.saturating_sub(n);
    let sentence = match missing {
        0 => format!("{} watched.", count(n, "shot", "shots")),
        _ => format!("{} watched; {} would settle it.", count(n, "shot", "shots"), count(missing, "more", "more")),
    };
    Finding {
        criterion: Criterion::CoverSlot,
        requirement: format!("at least {} at the slot", count(asked, "watched shot", "watched shots")),
        sentence,
        unit: "shots",
        limit: asked as f64,
        estimate: Some(n as f64),
        numbers: vec![Number::count("counted", n, "shots")],
        ..counted(slot, missing, of)
    }
}

fn lines_covered(slot: &SlotEvidence, all: &[String], each: u64, of: &Context<'_>) -> Finding {
    let mut shots: BTreeMap<String, u64> = BTreeMap::new();
    for line in &slot.lines {
        let so_far = shots.entry(line.line.to_ascii_uppercase()).or_default();
        *so_far = so_far.saturating_add(line.shots);
    }
    let lacks = |line: &String| each.saturating_sub(shots.get(line).copied().unwrap_or(0));
    let uncovered: Vec<String> = all.iter().filter(|line| lacks(line) > 0).cloned().collect();
    let missing = uncovered.iter().map(lacks).fold(0_u64, u64::saturating_add);
    let covered = (all.len() - uncovered.len()) as u64;
    let sentence = if uncovered.is_empty() {
        format!("{} of {} forced.", all.len(), count(all.len() as u64, "line was", "lines were"))
    } else {
        let more = count(missing, "more shot", "more shots");
        format!("{covered} of {} lines; missing: {}; {more} would settle it.", all.len(), lines::compress(&uncovered))
    };
    Finding {
        criterion: Criterion::CoverLines,
        requirement: format!(
            "{} forced by at least {} each",
            lines::compress(all),
            count(each, "watched shot", "watched shots")
        ),
        sentence,
        unit: "lines",
        limit: all.len() as f64,
        estimate: Some(covered as f64),
        numbers: vec![
            Number::count("covered", covered, "lines"),
            Number::count("asked", all.len() as u64, "lines"),
            Number::count("shots_per_line", each, "shots"),
        ],
        ..counted(slot, missing, of)
    }
}

/// What both have in common.
fn counted(slot: &SlotEvidence, missing: u64, of: &Context<'_>) -> Finding {
    let more = (missing > 0).then(|| More {
        number: Number::count("more", missing, "shots"),
        text: count(missing, "more watched shot", "more watched shots"),
    });
    Finding {
        slot: slot.name.clone(),
        criterion: Criterion::CoverSlot,
        verdict: if missing == 0 { Verdict::Met } else { Verdict::NotEnough },
        requirement: String::new(),
        sentence: String::new(),
        unit: "shots",
        limit: 0.0,
        estimate: None,
        lower: None,
        upper: None,
        used: None,
        confidence: 1.0,
        numbers: Vec::new(),
        more,
        ask: Ask::shots(of.run, &slot.name, None),
    }
}
