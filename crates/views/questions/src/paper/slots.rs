//! The slots: what is in them, what was counted, and the interval of their detection.

use super::Case;
use crate::sums::count;
use crate::{QuestionError, SlotRow, Snapshot};
use evidence::model::{Blamed, Interval, Inventory, Slot, SlotCounts};
use statistics::proportion;
use std::collections::BTreeMap;

/// What the kernel's drivers say of a slot's objects. Where its objects differ, the first two in order of the alphabet are told.
#[derive(Default)]
struct Objects {
    count: i64,
    size_mb: Option<i64>,
    memory: Option<String>,
    devices: Option<String>,
    ecc: Option<String>,
}

impl Snapshot<'_> {
    pub(super) fn paper_slots(&self, case: &Case<'_>) -> Result<Vec<Slot>, QuestionError> {
        let mut objects = self.objects()?;
        let mut labels = self.labels()?;
        let watched = self.watched_slots()?;
        let slots = self.slots.keys().zip(&case.slots).zip(watched).map(|((number, row), watched)| {
            let has = objects.remove(number).unwrap_or_default();
            let inventory = Inventory {
                controller: row.controller,
                channel: row.channel,
                number: row.number,
                label: labels.remove(number),
                size_mb: has.size_mb,
                memory: has.memory,
                devices: has.devices,
                objects: has.count,
                ecc_stated: has.ecc,
                ecc_assumed: row.code.as_deref().map(str::to_owned),
                ecc_because: row.code.as_ref().and_then(|_| because(case, &row.slot)).map(str::to_owned),
            };
            slot(row, watched.dangerous, inventory, case)
        });
        Ok(slots.collect())
    }

    fn labels(&self) -> Result<BTreeMap<i64, String>, QuestionError> {
        let mut ask = self.db.prepare_cached("SELECT slot, label FROM slot WHERE run = ?1 AND label <> ''")?;
        let labels = ask.query_map([self.run], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(labels.collect::<rusqlite::Result<_>>()?)
    }

    fn objects(&self) -> Result<BTreeMap<i64, Objects>, QuestionError> {
        let both = |column: &str| {
            format!("min({column}) || CASE WHEN max({column}) > min({column}) THEN ', ' || max({column}) ELSE '' END")
        };
        let mut ask = self.db.prepare_cached(&format!(
            "SELECT slot, count(*), sum(size_mb), {}, {}, {} FROM dimm WHERE run = ?1 GROUP BY slot",
            both("mem_type"),
            both("dev_type"),
            both("edac_mode")
        ))?;
        let objects = ask.query_map([self.run], |row| {
            let objects = Objects {
                count: row.get(1)?,
                size_mb: row.get(2)?,
                memory: row.get(3)?,
                devices: row.get(4)?,
                ecc: row.get(5)?,
            };
            Ok((row.get(0)?, objects))
        })?;
        Ok(objects.collect::<rusqlite::Result<_>>()?)
    }
}

/// Whence the code of a slot is, if not from what the driver states.
fn because(case: &Case<'_>, slot: &str) -> Option<&'static str> {
    let set = case.summary.settings.get("ecc").and_then(serde_json::Value::as_array);
    let says = |entry: &serde_json::Value| {
        let of = entry.get("slot").and_then(serde_json::Value::as_str);
        let has = |key: &str| entry.get(key).is_some_and(|value| !value.is_null());
        of.is_none_or(|name| name == slot) && (has("code") || has("matrix") || has("device_width"))
    };
    set.is_some_and(|set| set.iter().any(says)).then_some("from the settings")
}

fn slot(row: &SlotRow, dangerous_watched: i64, inventory: Inventory, case: &Case<'_>) -> Slot {
    let counts = SlotCounts {
        shots: row.shots,
        detected: row.detected,
        unwatched: row.detected - row.watched,
        missed: row.missed,
        unknowable: row.unknowable,
        open: row.open,
        misplaced: row.misplaced,
        misgraded: row.misgraded,
        dangerous: row.dangerous,
        dangerous_watched,
        late: row.late,
        shared: row.shared,
        echoes: row.echoes,
        orphans: row.orphans,
        unsure: row.doubt.unsure,
    };
    Slot {
        name: row.slot.to_string(),
        inventory,
        detection: interval(row.watched - dangerous_watched, counts.judged(), case),
        counts,
        accidental: row.chance.accidental,
        blamed_on: row.blamed_on.iter().map(|b| Blamed { slot: b.slot.to_string(), shots: b.shots }).collect(),
    }
}

/// The exact interval and the exact lower bound; nothing where no shot can be judged.
fn interval(detected: i64, judged: i64, case: &Case<'_>) -> Option<Interval> {
    let (count, of) = (count(detected), count(judged));
    let both = proportion::exact(count, of, case.alpha()).ok()?;
    Some(Interval {
        estimate: count as f64 / of as f64,
        low: both.lower,
        high: both.upper,
        confidence: case.confidence,
        at_least: proportion::exact_lower(count, of, case.alpha()).ok()?,
        at_least_confidence: case.confidence,
    })
}
