//! Turning monotonic stamps into dates, and dates into monotonic stamps.

use rusqlite::Connection;
use std::collections::BTreeMap;
use vocabulary::{ClockPair, Mono, Wall};

/// The last measured clock pair of each boot of a run.
///
/// One pair per boot, so that within a boot the distance of two dates is the distance of their stamps, whatever was done
/// to the wall clock meanwhile. The views of the schema go by the same pair.
#[derive(Debug, Default)]
pub(crate) struct Dates {
    pairs: BTreeMap<i64, ClockPair>,
}

impl Dates {
    pub(crate) fn load(db: &Connection, run: i64) -> rusqlite::Result<Dates> {
        let mut ask = db.prepare_cached(
            "SELECT b.boot, p.mono_ns, p.wall_ns FROM boot b JOIN clock_pair p ON p.boot = b.boot
             AND p.mono_ns = (SELECT max(q.mono_ns) FROM clock_pair q WHERE q.boot = b.boot)
             WHERE b.run = ?1",
        )?;
        let pairs = ask
            .query_map([run], |row| Ok((row.get(0)?, ClockPair { mono: Mono(row.get(1)?), wall: Wall(row.get(2)?) })))?
            .collect::<rusqlite::Result<_>>()?;
        Ok(Dates { pairs })
    }

    /// The date of a stamp; nothing for a boot in which no pair was measured.
    pub(crate) fn wall(&self, boot: i64, at_ns: i64) -> Option<Wall> {
        self.pairs.get(&boot).map(|p| p.wall_at(Mono(at_ns)))
    }

    /// RFC 3339 in UTC; nothing for a boot in which no pair was measured.
    pub(crate) fn date(&self, boot: i64, at_ns: i64) -> Option<String> {
        self.wall(boot, at_ns).map(Wall::rfc3339)
    }

    /// The stamp in that boot at a date.
    pub(crate) fn stamp(&self, boot: i64, date: Wall) -> Option<i64> {
        self.pairs.get(&boot).map(|p| p.mono_at(date).0)
    }
}
