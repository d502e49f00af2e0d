//! The rows of supply rails: written as the state machine tells them, and read again for one that goes on.
//!
//! Every row stands in the place of the one before, so that a batch can be tried again, and a restart in the middle of a second
//! neither loses nor doubles what was told. Nothing is summed up here. `Store::write` and the daemon's module `resume` call this.

use crate::{Store, StoreError};
use rails::{Key, Last, Left, Second, Told, Totals};
use rusqlite::{Connection, OptionalExtension, Row, params};
use vocabulary::{Mono, SlotId};

impl Store {
    /// The rails of a boot as they were last told, in order of their numbers.
    ///
    /// # Errors
    /// What kept them from being read.
    pub fn rails(&self, boot: i64) -> Result<Vec<Left>, StoreError> {
        left(&self.conn, boot).map_err(|e| StoreError::sort(&self.path, e))
    }
}

/// Keeps what was told of a rail.
pub(crate) fn keep(conn: &Connection, boot: i64, told: &Told) -> rusqlite::Result<()> {
    let Told { number, key, limits, totals: t, seconds } = told;
    let absolute = limits.and_then(|l| l.absolute);
    conn.prepare_cached(
        "INSERT OR REPLACE INTO rail_total
             (boot, rail, injector, name, slot, min_limit_uv, max_limit_uv, limits_of_vdd, absolute_min_uv, absolute_max_uv,
              limits_from, readings, late, sum_uv, min_uv, max_uv, covered_ns, outside, outside_ns, excursions, longest_ns,
              excursion_ns, first_outside_ns, first_ns, last_ns, last_uv, last_outside)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20, ?21, ?22, ?23, ?24,
                 ?25, ?26, ?27)",
    )?
    .execute(params![
        boot,
        number,
        key.injector,
        key.name,
        key.slot.map(|s| s.0),
        limits.map(|l| l.min.at(l.nominal_vdd_uv)),
        limits.map(|l| l.max.at(l.nominal_vdd_uv)),
        limits.is_some_and(|l| l.is_of_vdd()),
        absolute.map(|(min, _)| min),
        absolute.map(|(_, max)| max),
        limits.map(|l| l.from),
        signed(t.readings),
        signed(t.late),
        t.sum_uv,
        t.min_uv,
        t.max_uv,
        t.covered_ns,
        signed(t.outside),
        t.outside_ns,
        signed(t.excursions),
        t.longest_ns,
        t.excursion_ns,
        t.first_outside.map(|at| at.0),
        t.first.0,
        t.last.at.0,
        t.last.uv,
        t.last.outside,
    ])?;
    let mut put = conn.prepare_cached(
        "INSERT OR REPLACE INTO rail_second
             (boot, rail, at_s, readings, sum_uv, min_uv, max_uv, covered_ns, outside, outside_ns)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
    )?;
    for s in seconds {
        put.execute(params![
            boot,
            number,
            s.at_s,
            signed(s.readings),
            s.sum_uv,
            s.min_uv,
            s.max_uv,
            s.covered_ns,
            signed(s.outside),
            s.outside_ns
        ])?;
    }
    Ok(())
}

fn left(conn: &Connection, boot: i64) -> rusqlite::Result<Vec<Left>> {
    let mut ask = conn.prepare(
        "SELECT rail, injector, name, slot, readings, late, sum_uv, min_uv, max_uv, covered_ns, outside, outside_ns, excursions,
                longest_ns, excursion_ns, first_outside_ns, first_ns, last_ns, last_uv, last_outside
         FROM rail_total WHERE boot = ?1 ORDER BY rail",
    )?;
    let mut found = ask.query([boot])?;
    let mut rails = Vec::new();
    while let Some(r) = found.next()? {
        let key = Key {
            injector: r.get::<_, String>(1)?.into(),
            slot: r.get::<_, Option<u32>>(3)?.map(SlotId),
            name: r.get::<_, String>(2)?.into(),
        };
        let totals = Totals {
            readings: count(r, 4)?,
            late: count(r, 5)?,
            sum_uv: r.get(6)?,
            min_uv: r.get(7)?,
            max_uv: r.get(8)?,
            covered_ns: r.get(9)?,
            outside: count(r, 10)?,
            outside_ns: r.get(11)?,
            excursions: count(r, 12)?,
            longest_ns: r.get(13)?,
            excursion_ns: r.get(14)?,
            first_outside: r.get::<_, Option<i64>>(15)?.map(Mono),
            first: Mono(r.get(16)?),
            last: Last { at: Mono(r.get(17)?), uv: r.get(18)?, outside: r.get(19)? },
        };
        let number: i64 = r.get(0)?;
        rails.push(Left { key, totals, open: newest_second(conn, boot, number)? });
    }
    Ok(rails)
}

fn newest_second(conn: &Connection, boot: i64, rail: i64) -> rusqlite::Result<Option<Second>> {
    let mut ask = conn.prepare_cached(
        "SELECT at_s, readings, sum_uv, min_uv, max_uv, covered_ns, outside, outside_ns FROM rail_second
         WHERE boot = ?1 AND rail = ?2 ORDER BY at_s DESC LIMIT 1",
    )?;
    let read = |r: &Row<'_>| {
        Ok(Second {
            at_s: r.get(0)?,
            readings: count(r, 1)?,
            sum_uv: r.get(2)?,
            min_uv: r.get(3)?,
            max_uv: r.get(4)?,
            covered_ns: r.get(5)?,
            outside: count(r, 6)?,
            outside_ns: r.get(7)?,
        })
    };
    ask.query_row([boot, rail], read).optional()
}

/// Counts of readings are far below 2^63.
fn signed(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

fn count(row: &Row<'_>, column: usize) -> rusqlite::Result<u64> {
    row.get::<_, i64>(column).map(i64::unsigned_abs)
}
