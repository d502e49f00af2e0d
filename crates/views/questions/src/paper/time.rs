//! The time line: shots and orphans in bins, gaps, and rails outside their limits.
//!
//! The run's shots are gone through once, and its orphans once; nothing of them is held but counts. `paper` calls this.

use super::Case;
use super::rails::{Outside, Rails};
use crate::{QuestionError, Snapshot};
use evidence::model::{Excursion, Gap, SlotEvents, TimeBin, TimeLine};
use rusqlite::params;
use std::collections::BTreeMap;
use vocabulary::{Mono, Wall};

/// No more bins than this.
const MOST_BINS: i64 = 400;
/// So many slots have a line of their own, those with most misses and orphans.
const MOST_SLOTS: usize = 40;
/// So many gaps are shown, the longest.
const MOST_GAPS: i64 = 50;

/// Lengths of a bin that people can read, nanoseconds: from a millisecond to thirty days.
const LENGTHS_MS: [i64; 29] = [
    1,
    2,
    5,
    10,
    20,
    50,
    100,
    200,
    500,
    1_000,
    2_000,
    5_000,
    10_000,
    15_000,
    30_000,
    60_000,
    120_000,
    300_000,
    600_000,
    900_000,
    1_800_000,
    3_600_000,
    7_200_000,
    14_400_000,
    28_800_000,
    86_400_000,
    172_800_000,
    604_800_000,
    2_592_000_000,
];

/// What the pass over the shots saw beside.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Seen {
    /// Shots and orphans before the first or behind the last bin, which stand in those.
    pub(super) beyond: i64,
}

/// The bins in the making.
struct Bins {
    from: Wall,
    bin_ns: i64,
    bins: Vec<TimeBin>,
    /// Misses and orphans by slot and bin.
    slots: BTreeMap<i64, BTreeMap<usize, (i64, i64)>>,
    seen: Seen,
}

impl Snapshot<'_> {
    pub(super) fn paper_time(&self, case: &Case<'_>, rails: &Rails) -> Result<(TimeLine, Seen), QuestionError> {
        let mut excursions = rails.outside.clone();
        let mut bins = self.empty_bins(case)?;
        let happened = case.summary.totals.shots + case.summary.totals.orphans > 0;
        if happened {
            self.put_shots(case, &mut bins, &mut excursions)?;
            self.put_orphans(case, &mut bins)?;
        } else {
            bins.bins.clear();
        }
        let seen = bins.seen;
        let (slots, slots_left_out) = self.events(&bins);
        let line = TimeLine {
            from: bins.from,
            bin_ns: bins.bin_ns,
            bins: bins.bins,
            slots,
            slots_left_out,
            gaps: self.longest_gaps(case)?,
            gap_count: case.summary.gaps.count,
            gap_ns: case.summary.gaps.total_ns,
            excursions: excursions.into_iter().map(|outside| outside.shown).collect::<Vec<Excursion>>(),
            excursion_count: rails.excursions,
        };
        Ok((line, seen))
    }

    /// From the beginning of the first boot, or the first injection if that came before it, to the end of the last boot.
    fn empty_bins(&self, case: &Case<'_>) -> Result<Bins, QuestionError> {
        let (mut from, mut to) = case.calendar.span().unwrap_or((Wall(0), Wall(0)));
        let mut ask = self.db.prepare_cached(
            "SELECT boot, arrived_ns FROM injection WHERE injection IN ((SELECT min(injection) FROM injection WHERE run = ?1),
             (SELECT max(injection) FROM injection WHERE run = ?1))",
        )?;
        let mut found = ask.query([self.run])?;
        while let Some(row) = found.next()? {
            if let Some(at) = case.calendar.wall(row.get(0)?, Mono(row.get(1)?)) {
                (from, to) = (from.min(at), to.max(at));
            }
        }
        let length = to.0.saturating_sub(from.0).max(0);
        let fits = |ns: &i64| length / ns < MOST_BINS;
        let bin_ns = LENGTHS_MS.iter().map(|ms| ms * 1_000_000).find(fits).unwrap_or(length / (MOST_BINS - 1) + 1);
        // The end is in a bin, too.
        let count = usize::try_from(length / bin_ns + 1).unwrap_or(1);
        Ok(Bins { from, bin_ns, bins: vec![TimeBin::default(); count], slots: BTreeMap::new(), seen: Seen::default() })
    }

    fn put_shots(&self, case: &Case<'_>, to: &mut Bins, excursions: &mut [Outside]) -> Result<(), QuestionError> {
        // The numbers of a run's injections lie close together, and the shots are in their order. How long lines were forced is in
        // another table, and only needed where a rail was outside.
        let hold = if excursions.is_empty() {
            "0"
        } else {
            "(SELECT hold_us FROM injection i WHERE i.injection = h.injection)"
        };
        let mut ask = self.db.prepare_cached(&format!(
            "SELECT h.boot, h.fired_ns, h.outcome, h.slot, h.fired_to_ns, {hold} FROM shot h WHERE h.run = ?1
             AND h.injection >= (SELECT min(injection) FROM injection WHERE run = ?1)
             AND h.injection <= (SELECT max(injection) FROM injection WHERE run = ?1)"
        ))?;
        let mut found = ask.query([self.run])?;
        while let Some(row) = found.next()? {
            let (boot, fired_ns): (i64, i64) = (row.get(0)?, row.get(1)?);
            if !excursions.is_empty() {
                let held: i64 = row.get(5)?;
                let end =
                    row.get::<_, i64>(4)?.saturating_add(held.saturating_mul(1000)).saturating_add(case.window_ns);
                let slot: i64 = row.get(3)?;
                for outside in excursions.iter_mut().filter(|o| o.boot == boot && o.slot.is_none_or(|s| s == slot)) {
                    outside.shown.shots += i64::from(fired_ns < outside.to_ns && end >= outside.from_ns);
                }
            }
            let Some(at) = case.calendar.wall(boot, Mono(fired_ns)) else { continue };
            let place = to.place(at);
            let Some(bin) = to.bins.get_mut(place) else { continue };
            match row.get_ref(2)?.as_str_or_null().map_err(rusqlite::Error::from)? {
                Some("detected") => bin.detected += 1,
                Some("unknowable") => bin.unknowable += 1,
                Some(_) => {
                    bin.missed += 1;
                    to.slots.entry(row.get(3)?).or_default().entry(place).or_default().0 += 1;
                }
                None => bin.open += 1,
            }
        }
        Ok(())
    }

    fn put_orphans(&self, case: &Case<'_>, to: &mut Bins) -> Result<(), QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT o.boot, o.seen_ns, o.slot FROM report role CROSS JOIN report o ON o.run = role.run AND o.report = role.report
             WHERE role.run = ?1 AND role.role = 'orphan'",
        )?;
        let mut found = ask.query([self.run])?;
        while let Some(row) = found.next()? {
            let Some(at) = case.calendar.wall(row.get(0)?, Mono(row.get(1)?)) else { continue };
            let place = to.place(at);
            if let Some(bin) = to.bins.get_mut(place) {
                bin.orphans += 1;
            }
            if let Some(slot) = row.get(2)? {
                to.slots.entry(slot).or_default().entry(place).or_default().1 += 1;
            }
        }
        Ok(())
    }

    /// The slots with most misses and orphans, in the order of the slots, and how many are left out.
    fn events(&self, bins: &Bins) -> (Vec<SlotEvents>, i64) {
        let mut most: Vec<(i64, i64)> = bins
            .slots
            .iter()
            .map(|(slot, at)| (at.values().map(|(missed, orphans)| missed + orphans).sum(), *slot))
            .collect();
        most.sort_by_key(|(events, slot)| (std::cmp::Reverse(*events), *slot));
        let left_out = most.len().saturating_sub(MOST_SLOTS);
        most.truncate(MOST_SLOTS);
        most.sort_by_key(|(_, slot)| *slot);
        let told = most.into_iter().filter_map(|(_, slot)| {
            let at = bins.slots.get(&slot)?;
            let of = |which: fn(&(i64, i64)) -> i64| {
                at.iter().map(|(bin, counts)| (*bin, which(counts))).filter(|(_, n)| *n > 0).collect()
            };
            let name = self.slot_name(Some(slot))?.to_string();
            Some(SlotEvents { slot: name, missed: of(|(missed, _)| *missed), orphans: of(|(_, orphans)| *orphans) })
        });
        (told.collect(), i64::try_from(left_out).unwrap_or(i64::MAX))
    }

    fn longest_gaps(&self, case: &Case<'_>) -> Result<Vec<Gap>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT boot, from_ns, to_ns, source, controller, why FROM gap WHERE run = ?1 ORDER BY to_ns - from_ns DESC, gap LIMIT ?2",
        )?;
        let mut found = ask.query(params![self.run, MOST_GAPS])?;
        let mut gaps = Vec::new();
        while let Some(row) = found.next()? {
            let wall = |at_ns| case.calendar.wall(row.get(0).ok()?, Mono(at_ns));
            let (Some(from), Some(to)) = (wall(row.get(1)?), wall(row.get(2)?)) else { continue };
            gaps.push(Gap { from, to, source: row.get(3)?, controller: row.get(4)?, why: row.get(5)? });
        }
        gaps.sort_by_key(|gap| (gap.from, gap.to));
        Ok(gaps)
    }
}

impl Bins {
    /// The bin of a date. One before the first or behind the last is counted, and put there.
    fn place(&mut self, at: Wall) -> usize {
        let last = self.bins.len().saturating_sub(1);
        let nth = at.0.saturating_sub(self.from.0).div_euclid(self.bin_ns);
        let place = usize::try_from(nth.max(0)).unwrap_or(last).min(last);
        self.seen.beyond += i64::from(i64::try_from(place).is_ok_and(|place| place != nth));
        place
    }
}
