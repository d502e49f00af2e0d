//! The arithmetic of a plan: shots for each criterion, time for shots, spacing for banks.
//!
//! Everything is asked of the same tests that the verdict uses. `plan` puts the answers together.

use crate::chance::ByChance;
use crate::criteria::{Criteria, Detection, Slots};
use crate::evidence::SlotEvidence;
use crate::exact;
use crate::finding::Criterion;
use crate::orphans::{self, HOUR_NS};
use crate::plan::{Bank, InSequence, Need, PlanError, PlanSlot, Row, Setup};
use crate::sequential::{self, Lines};
use crate::spacing::Banks;
use crate::words::{count, up};
use std::collections::BTreeMap;

/// No row is sought with more allowed misses than this.
pub(crate) const MOST_MISSES: u64 = 200;

/// What is reckoned with throughout.
pub(crate) struct Reckoning<'a> {
    pub(crate) setup: &'a Setup,
    pub(crate) slots: Vec<&'a PlanSlot>,
    banks: Vec<SharedBank>,
    /// Between two shots at a slot that is shot at alone.
    alone_ms: u64,
    /// The level of the statement about one slot.
    pub(crate) alpha: f64,
    /// The level of the criteria.
    alpha_all: f64,
    /// Among how many slots a level is divided.
    family: usize,
}

struct SharedBank {
    name: String,
    slots: Vec<String>,
    spacing_ms: u64,
}

impl<'a> Reckoning<'a> {
    pub(crate) fn of(criteria: &Criteria, setup: &'a Setup) -> Result<Reckoning<'a>, PlanError> {
        let slots = slots(criteria, setup)?;
        let family = if criteria.slots_together { slots.len() } else { 1 };
        let (apart_ms, _) = setup.way.apart();
        // Two shots at one slot must not be taken for one another.
        let told_apart_ms = setup.advised_ms.or(setup.window_ms).unwrap_or(0);
        let mut banks: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for slot in &slots {
            banks.entry(bank_name(slot, setup.banks)).or_default().push(slot.name.clone());
        }
        let shared = |(name, slots): (String, Vec<String>)| {
            let spacing_ms = apart_ms.max(told_apart_ms.div_ceil(slots.len().max(1) as u64));
            SharedBank { name, slots, spacing_ms }
        };
        Ok(Reckoning {
            setup,
            slots,
            banks: banks.into_iter().map(shared).collect(),
            alone_ms: apart_ms.max(told_apart_ms),
            alpha: statistics::several::for_each(criteria.alpha(), family),
            alpha_all: criteria.alpha(),
            family,
        })
    }

    /// How long so many shots at each slot take.
    pub(crate) fn hours(&self, shots_per_slot: u64) -> f64 {
        let side_by_side = self.banks.iter().map(|bank| bank.hours(shots_per_slot)).fold(0.0, f64::max);
        let slots = self.slots.len() as u64;
        let at_once = self.setup.at_once.map_or(slots, u64::from).clamp(1, slots.max(1));
        if at_once == slots {
            return side_by_side;
        }
        let rounds = slots.div_ceil(at_once);
        side_by_side.max(rounds as f64 * shots_per_slot as f64 * self.alone_ms as f64 / 3.6e6)
    }

    pub(crate) fn bank_plans(&self, shots_per_slot: u64) -> Vec<Bank> {
        let plan = |bank: &SharedBank| Bank {
            name: bank.name.clone(),
            slots: bank.slots.clone(),
            spacing_ms: bank.spacing_ms,
            hours: bank.hours(shots_per_slot),
        };
        self.banks.iter().map(plan).collect()
    }

    /// The share of shots that the verdict of a run of so many will allow to be covered by unprovoked reports.
    fn by_chance(&self, shots_per_slot: u64, window_ms: Option<u64>) -> ByChance {
        let hours = self.hours(shots_per_slot);
        let slot = SlotEvidence {
            orphans: (self.setup.orphans_per_hour * hours).ceil() as u64,
            watched_ns: (hours * HOUR_NS) as u64,
            ..SlotEvidence::default()
        };
        ByChance::of(&slot, window_ms.map(|ms| ms.saturating_mul(1_000_000)), self.alpha_all)
    }

    /// The fewest shots that show a share of at most `bad`, if no more than `misses` are bad, with the allowance for chance in a
    /// window of so long.
    fn trials(&self, misses: u64, bad: f64, window_ms: Option<u64>) -> Option<u64> {
        let needed = |shots: u64| {
            let by_chance = self.by_chance(shots, window_ms);
            if by_chance.hides_all() { None } else { exact::trials_for(misses, by_chance.seen(bad), self.alpha) }
        };
        let textbook = exact::trials_for(misses, bad, self.alpha)?;
        if window_ms.is_none() {
            return Some(textbook);
        }
        // The longer the run, the better its background is known, and the smaller the allowance.
        let enough = |shots: u64| needed(shots).is_some_and(|n| n <= shots);
        let (mut few, mut many) = (textbook.saturating_sub(1), textbook);
        while !enough(many) {
            (few, many) = (many, many.checked_mul(2).filter(|n| *n < 1 << 40)?);
        }
        while many - few > 1 {
            let middle = few + (many - few) / 2;
            if enough(middle) { many = middle } else { few = middle }
        }
        Some(many)
    }

    /// Rows up to the one to take and one more; of many, the first and the last.
    pub(crate) fn rows(&self, asked: &Detection) -> Result<Vec<Row>, PlanError> {
        let slots = self.slots.len() as u64;
        let passes =
            |shots, misses, detected: f64| statistics::plan::chance_to_pass(shots, misses, detected).unwrap_or(0.0);
        let mut rows: Vec<Row> = Vec::new();
        let mut found = asked.good.is_none();
        for misses in 0..=MOST_MISSES {
            let shots = self
                .trials(misses, 1.0 - asked.at_least, self.setup.window_ms)
                .ok_or(PlanError::OutOfReach("detection"))?;
            let slot_passes_if_good = asked.good.map(|good| passes(shots, misses, good));
            let passes_if_good = slot_passes_if_good.map(|p| p.powf(slots as f64));
            let recommended = match passes_if_good {
                Some(p) => !found && p >= 1.0 - asked.false_alarm,
                None => misses == 0,
            };
            let last = found && misses >= 3;
            found |= recommended;
            rows.push(Row {
                allowed_misses: misses,
                shots_per_slot: shots,
                shots: shots.saturating_mul(slots),
                hours: self.hours(shots),
                slot_passes_if_good,
                passes_if_good,
                slot_fails_at_limit: 1.0 - passes(shots, misses, asked.at_least),
                recommended,
            });
            if last {
                break;
            }
        }
        let taken = rows.iter().find(|row| row.recommended).map_or(MOST_MISSES, |row| row.allowed_misses);
        rows.retain(|row| row.allowed_misses < 4 || row.allowed_misses.abs_diff(taken) < 2);
        Ok(rows)
    }

    /// What the sequential test takes, and the shots at each slot to reckon with.
    pub(crate) fn in_sequence(&self, asked: &Detection) -> Result<(InSequence, u64), PlanError> {
        let lines = |shots: u64| {
            let by_chance = self.by_chance(shots, self.setup.window_ms).most;
            sequential::lines(asked, self.alpha_all, self.family, by_chance)
        };
        let plain =
            sequential::lines(asked, self.alpha_all, self.family, 0.0).ok_or(PlanError::OutOfReach("detection"))?;
        let accepts_after: Vec<u64> = (0..4)
            .map(|misses| {
                let textbook = plain.first_accept(misses);
                lines(textbook).map_or(textbook, |lines: Lines| lines.first_accept(misses))
            })
            .collect();
        let good = asked.good.and_then(|good| plain.outlook(good));
        let limit = plain.outlook(asked.at_least);
        let earliest = accepts_after.first().copied().unwrap_or(0);
        let shots = good.map_or(earliest, |outlook| (outlook.shots.ceil() as u64).max(earliest));
        let told = InSequence {
            accepts_after,
            shots_if_good: good.map(|outlook| outlook.shots),
            shots_at_limit: limit.map(|outlook| outlook.shots),
            accepts_if_good: good.map(|outlook| outlook.accepted),
            accepts_at_limit: limit.map(|outlook| outlook.accepted),
        };
        Ok((told, shots))
    }

    /// What all criteria but detection need, if so many shots are missed and all else goes well.
    pub(crate) fn other_needs(&self, criteria: &Criteria, misses: u64) -> Result<Vec<Need>, PlanError> {
        let mut needs = Vec::new();
        let shots = |criterion, n: u64, text: String| Need { criterion, shots_per_slot: Some(n), hours: None, text };
        if let Some(asked) = &criteria.latency {
            let n = self.trials(
                misses,
                1.0 - asked.quantile,
                Some(asked.at_most_ms).filter(|_| self.setup.window_ms.is_some()),
            );
            let n = n.ok_or(PlanError::OutOfReach("latency"))?;
            let text = format!("{}, all that are not missed within {} ms", count(n, "shot", "shots"), asked.at_most_ms);
            needs.push(shots(Criterion::Latency, n, text));
        }
        let shares = [
            (Criterion::Misplaced, "misplaced", &criteria.misplaced),
            (Criterion::Misgraded, "misgraded", &criteria.misgraded),
            (Criterion::Dangerous, "dangerous", &criteria.dangerous),
        ];
        for (criterion, word, asked) in shares {
            let Some(asked) = asked else { continue };
            let n = exact::trials_for(0, asked.at_most, self.alpha).ok_or(PlanError::OutOfReach(word))?;
            let text = format!("{} that are not {word}", count(n, "detected shot", "detected shots"));
            needs.push(shots(criterion, n.saturating_add(misses), text));
        }
        if let Some(cover) = &criteria.cover {
            if let Some(n) = cover.shots_asked() {
                needs.push(shots(Criterion::CoverSlot, n, count(n, "watched shot", "watched shots")));
            }
            let lines = criteria.lines().len() as u64;
            if lines > 0 {
                let each = cover.shots_per_line.unwrap_or(1);
                let text = format!("{} with {} each", count(lines, "line", "lines"), count(each, "shot", "shots"));
                needs.push(shots(Criterion::CoverLines, lines.saturating_mul(each), text));
            }
        }
        if let Some(asked) = &criteria.orphans {
            let hours =
                orphans::hours_for(0, asked.at_most_per_hour, self.alpha).ok_or(PlanError::OutOfReach("orphans"))?;
            let text = format!("{} watched hours without an unprovoked report", up(hours));
            needs.push(Need { criterion: Criterion::Orphans, shots_per_slot: None, hours: Some(hours), text });
        }
        Ok(needs)
    }
}

impl SharedBank {
    fn hours(&self, shots_per_slot: u64) -> f64 {
        shots_per_slot as f64 * self.slots.len() as f64 * self.spacing_ms as f64 / 3.6e6
    }
}

/// The slots that the criteria ask for; all of the machine where they name none.
fn slots<'a>(criteria: &Criteria, setup: &'a Setup) -> Result<Vec<&'a PlanSlot>, PlanError> {
    let asked = criteria.cover.as_ref().and_then(|cover| cover.slots.as_ref());
    let slots: Vec<&PlanSlot> = match asked {
        Some(Slots::Named(names)) => names
            .iter()
            .map(|name| {
                setup.slots.iter().find(|slot| slot.name == *name).ok_or_else(|| PlanError::UnknownSlot(name.clone()))
            })
            .collect::<Result<_, _>>()?,
        _ => setup.slots.iter().collect(),
    };
    if slots.is_empty() { Err(PlanError::NoSlot) } else { Ok(slots) }
}

/// Slots whose place is not known are taken to share a bank: that is the slower way, and never wrong.
fn bank_name(slot: &PlanSlot, banks: Banks) -> String {
    let controller = slot.controller.map_or("mc?".to_owned(), |mc| format!("mc{mc}"));
    match (banks, slot.channel) {
        (Banks::Machine, _) => "machine".to_owned(),
        (Banks::Controller, _) => controller,
        (Banks::Channel, Some(channel)) => format!("{controller} channel {channel}"),
        (Banks::Channel, None) => format!("{controller} channel ?"),
    }
}
