//! The question `rails`: each supply rail, its limits, and how it kept to them. Also what of it the slots and the misses show.

use crate::{Listing, Page, QuestionError, Snapshot};
use dossier::RailOutside;
use rusqlite::{Row, params};
use serde::Serialize;
use std::collections::BTreeMap;
use std::sync::Arc;
use vocabulary::Span;

/// How many rails of one shot are told of.
const OF_A_SHOT: i64 = 8;
const SECOND_NS: i64 = 1_000_000_000;

/// Which rails. Everything that is set must hold.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct RailFilter {
    /// The name of the slot that the rail feeds.
    pub slot: Option<String>,
    /// The rail's name; the case does not matter.
    pub rail: Option<String>,
}

/// One supply rail as one injector has read it, over all boots of the run.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct RailRow {
    /// The slot that it feeds; null for one that feeds no certain slot.
    pub slot: Option<Arc<str>>,
    /// Its JEDEC name, in upper case.
    pub rail: String,
    /// Who reads it.
    pub injector: String,
    /// The least that it may have; null where no limits are known.
    pub min_limit_mv: Option<f64>,
    /// The most.
    pub max_limit_mv: Option<f64>,
    /// Whether the limits move with VDD; the two above are then those at its nominal value.
    pub limits_of_vdd: bool,
    /// Below this the module may be damaged; null where that is not known.
    pub absolute_min_mv: Option<f64>,
    /// Above this.
    pub absolute_max_mv: Option<f64>,
    /// Where the limits come from, in words.
    pub limits_from: Option<String>,
    /// Readings, without late ones.
    pub readings: i64,
    /// Readings that were older than the newest one when they came.
    pub late: i64,
    /// The least reading, late ones included.
    pub min_mv: f64,
    /// The mean of the readings.
    pub mean_mv: Option<f64>,
    /// The greatest reading, late ones included.
    pub max_mv: f64,
    /// For how long a reading held.
    pub covered_ns: i64,
    /// Readings outside the limits; this and what follows is null where no limits are known.
    pub outside: Option<i64>,
    /// For how long a reading outside the limits held.
    pub outside_ns: Option<i64>,
    /// How often the rail was outside.
    pub excursions: Option<i64>,
    /// The longest time of these.
    pub longest_ns: Option<i64>,
    /// The boot whose clock the next stamp is on; null if the rail was never outside.
    pub boot: Option<i64>,
    /// The first reading outside.
    pub first_outside_ns: Option<i64>,
    /// The same as a date, RFC 3339 in UTC.
    pub first_outside: Option<String>,
}

/// What the slots show of their rails.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct SlotSupply {
    /// How often a rail of the slot was outside its limits; null where no rail of it that has limits was read.
    pub rail_excursions: Option<i64>,
    /// For how long, the rails' times added up.
    pub rails_outside_ns: Option<i64>,
}

/// A rail of the run: a row of `rail_total`, and those of later boots put to it.
pub(crate) struct OfBoot {
    /// The boot, and the rail's number in it.
    number: (i64, i64),
    /// The same of later boots.
    later: Vec<(i64, i64)>,
    pub(crate) slot: Option<i64>,
    sum_uv: i64,
    pub(crate) row: RailRow,
}

impl Snapshot<'_> {
    /// The rails in the order in which they were first read.
    ///
    /// # Errors
    /// When there is no slot of that name, the cursor is not one of this question, or the database cannot be read.
    pub fn rails(&self, filter: &RailFilter, page: &Page) -> Result<Listing<RailRow>, QuestionError> {
        let after = page.cursor()?;
        let wanted = filter.slot.as_deref().map(|name| self.slot_named(name)).transpose()?;
        let named = |rail: &str| filter.rail.as_ref().is_none_or(|name| name.trim().eq_ignore_ascii_case(rail));
        let rows = self.rails_of_run()?.into_iter();
        let rows = rows.filter(|r| wanted.is_none_or(|w| r.slot == Some(w)) && named(&r.row.rail));
        // Numbers of rails begin at 0, and so does the cursor of the beginning.
        let rows = rows.map(|r| (r.row, (r.number.0, r.number.1 + 1))).filter(|(_, cursor)| *cursor > after);
        Ok(Listing::of(rows.collect(), page))
    }

    /// Every rail of the run, with its boots put together.
    pub(crate) fn rails_of_run(&self) -> Result<Vec<OfBoot>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT t.boot, t.rail, t.slot, t.name, t.injector, t.min_limit_uv, t.max_limit_uv, t.limits_of_vdd, t.absolute_min_uv,
                    t.absolute_max_uv, t.limits_from, t.readings, t.late, t.min_uv, t.sum_uv, t.max_uv, t.covered_ns, t.outside,
                    t.outside_ns, t.excursions, t.longest_ns, t.first_outside_ns
             FROM rail_total t JOIN boot b USING (boot) WHERE b.run = ?1 ORDER BY t.boot, t.rail",
        )?;
        let mut found = ask.query([self.run])?;
        let mut places = BTreeMap::new();
        let mut rails: Vec<OfBoot> = Vec::new();
        while let Some(r) = found.next()? {
            let next = self.read_rail(r)?;
            let key = (next.row.injector.clone(), next.row.rail.clone(), next.slot);
            let place = *places.entry(key).or_insert(rails.len());
            match rails.get_mut(place) {
                Some(rail) => rail.add(next),
                None => rails.push(next),
            }
        }
        for rail in &mut rails {
            // Sums of microvolts are far below 2^53 but for runs of many years.
            rail.row.mean_mv = (rail.row.readings > 0).then(|| mv(rail.sum_uv) / rail.row.readings as f64);
        }
        Ok(rails)
    }

    fn read_rail(&self, r: &Row<'_>) -> rusqlite::Result<OfBoot> {
        let millivolts = |n| r.get::<_, Option<i64>>(n).map(|uv| uv.map(mv));
        let (boot, slot) = (r.get(0)?, r.get(2)?);
        let min_limit_mv = millivolts(5)?;
        let judged = |n| r.get::<_, i64>(n).map(|count| min_limit_mv.map(|_| count));
        let first_outside_ns: Option<i64> = r.get(21)?;
        let row = RailRow {
            slot: self.slot_name(slot),
            rail: r.get(3)?,
            injector: r.get(4)?,
            min_limit_mv,
            max_limit_mv: millivolts(6)?,
            limits_of_vdd: r.get(7)?,
            absolute_min_mv: millivolts(8)?,
            absolute_max_mv: millivolts(9)?,
            limits_from: r.get(10)?,
            readings: r.get(11)?,
            late: r.get(12)?,
            min_mv: mv(r.get(13)?),
            mean_mv: None,
            max_mv: mv(r.get(15)?),
            covered_ns: r.get(16)?,
            outside: judged(17)?,
            outside_ns: judged(18)?,
            excursions: judged(19)?,
            longest_ns: judged(20)?,
            boot: first_outside_ns.map(|_| boot),
            first_outside_ns,
            first_outside: first_outside_ns.and_then(|at| self.dates.date(boot, at)),
        };
        Ok(OfBoot { number: (boot, r.get(1)?), later: Vec::new(), slot, sum_uv: r.get(14)?, row })
    }

    /// What each slot's rails with limits come to.
    pub(crate) fn supplies(&self) -> Result<BTreeMap<i64, SlotSupply>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT t.slot, sum(t.excursions), sum(t.outside_ns) FROM rail_total t JOIN boot b USING (boot)
             WHERE b.run = ?1 AND t.slot IS NOT NULL AND t.min_limit_uv IS NOT NULL GROUP BY t.slot",
        )?;
        let read = |r: &Row<'_>| {
            let supply = SlotSupply { rail_excursions: r.get(1)?, rails_outside_ns: r.get(2)? };
            Ok((r.get(0)?, supply))
        };
        Ok(ask.query_map([self.run], read)?.collect::<rusqlite::Result<_>>()?)
    }

    /// The rails of a slot, and those of no slot, that were outside their limits in the seconds that a window touches.
    pub(crate) fn rails_outside(&self, boot: i64, slot: i64, window: Span) -> Result<Vec<RailOutside>, QuestionError> {
        let (from, to) = (window.from.0.div_euclid(SECOND_NS), window.to.0.div_euclid(SECOND_NS));
        let mut ask = self.db.prepare_cached(
            "SELECT t.name, t.slot, min(s.min_uv), max(s.max_uv), t.min_limit_uv, t.max_limit_uv, t.limits_of_vdd, t.absolute_min_uv,
                    t.absolute_max_uv, t.limits_from, sum(s.outside_ns)
             FROM rail_total t JOIN rail_second s USING (boot, rail)
             WHERE t.boot = ?1 AND (t.slot = ?2 OR t.slot IS NULL) AND t.min_limit_uv IS NOT NULL AND s.at_s BETWEEN ?3 AND ?4
             GROUP BY t.rail HAVING sum(s.outside) > 0 OR sum(s.outside_ns) > 0 ORDER BY t.rail LIMIT ?5",
        )?;
        let rails = ask.query_map(params![boot, slot, from, to, OF_A_SHOT], |r| {
            let absolute: (Option<i64>, Option<i64>) = (r.get(7)?, r.get(8)?);
            Ok(RailOutside {
                name: r.get(0)?,
                slot: self.slot_name(r.get(1)?).map(|name| name.to_string()),
                range_uv: (r.get(2)?, r.get(3)?),
                limits_uv: (r.get(4)?, r.get(5)?),
                of_vdd: r.get(6)?,
                absolute_uv: absolute.0.zip(absolute.1),
                limits_from: r.get::<_, Option<String>>(9)?.unwrap_or_default(),
                outside_ns: r.get(10)?,
                around_ns: to.saturating_sub(from).saturating_add(1).saturating_mul(SECOND_NS),
            })
        })?;
        Ok(rails.collect::<rusqlite::Result<_>>()?)
    }
}

impl OfBoot {
    /// The boots in which it was read, each with the rail's number in it.
    pub(crate) fn numbers(&self) -> impl Iterator<Item = (i64, i64)> {
        std::iter::once(self.number).chain(self.later.iter().copied())
    }

    /// The same rail in a later boot, whose limits are the newer ones.
    fn add(&mut self, later: OfBoot) {
        self.later.push(later.number);
        let (sum, more) = (&mut self.row, later.row);
        self.sum_uv = self.sum_uv.saturating_add(later.sum_uv);
        (sum.min_limit_mv, sum.max_limit_mv) = (more.min_limit_mv, more.max_limit_mv);
        (sum.absolute_min_mv, sum.absolute_max_mv) = (more.absolute_min_mv, more.absolute_max_mv);
        (sum.limits_of_vdd, sum.limits_from) = (more.limits_of_vdd, more.limits_from);
        sum.readings += more.readings;
        sum.late += more.late;
        (sum.min_mv, sum.max_mv) = (sum.min_mv.min(more.min_mv), sum.max_mv.max(more.max_mv));
        sum.covered_ns = sum.covered_ns.saturating_add(more.covered_ns);
        let either = |a: Option<i64>, b: Option<i64>, join: fn(i64, i64) -> i64| match (a, b) {
            (Some(a), Some(b)) => Some(join(a, b)),
            (one, other) => one.or(other),
        };
        sum.outside = either(sum.outside, more.outside, i64::saturating_add);
        sum.outside_ns = either(sum.outside_ns, more.outside_ns, i64::saturating_add);
        sum.excursions = either(sum.excursions, more.excursions, i64::saturating_add);
        sum.longest_ns = either(sum.longest_ns, more.longest_ns, i64::max);
        if sum.first_outside_ns.is_none() {
            sum.boot = more.boot;
            sum.first_outside_ns = more.first_outside_ns;
            sum.first_outside = more.first_outside;
        }
    }
}

fn mv(uv: i64) -> f64 {
    uv as f64 / 1e3
}
