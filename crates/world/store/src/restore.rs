//! What an engine that was stopped needs to go on, and the end of boots that will not come back.

use crate::codec::{Place, Word, micros_to_nanos, unsigned};
use crate::totals::Totals;
use crate::{Store, StoreError};
use rusqlite::{Connection, Row, TransactionBehavior, params};
use std::sync::Arc;
use vocabulary::{
    Expected, Force, Gap, MachineCheck, Mono, Outcome, Severity, Shot, ShotKey, SlotId, Source, Span, Witness,
};

/// Everything of one boot that can still matter to an open shot or to what comes next.
#[derive(Clone, PartialEq, Debug)]
pub struct Restored {
    /// All open shots, and settled ones not older than the horizon, in order of their start and name.
    pub shots: Vec<RestoredShot>,
    /// Witnesses not older than the horizon, in order of their numbers.
    pub witnesses: Vec<RestoredWitness>,
    /// Gaps that reach past the horizon, in order of their start.
    pub gaps: Vec<Gap>,
    /// Where numbering goes on.
    pub numbers: Numbers,
}

impl Restored {
    /// Of a boot in which nothing happened yet.
    #[must_use]
    pub fn nothing(numbers: Numbers) -> Restored {
        Restored { shots: Vec::new(), witnesses: Vec::new(), gaps: Vec::new(), numbers }
    }
}

/// Where numbering goes on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Numbers {
    /// The first witness number that is free in the database.
    pub next_witness: i64,
    /// The first report number that is free in the run.
    pub next_report: i64,
    /// The greatest injection number in the database; 0 if there is none.
    pub last_injection: i64,
}

/// A shot of an earlier session.
#[derive(Clone, PartialEq, Debug)]
pub struct RestoredShot {
    /// The shot.
    pub shot: Shot,
    /// Its answer, if it is not open any more.
    pub settled: Option<Settled>,
}

/// What had been answered about a shot.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Settled {
    /// What became of it.
    pub outcome: Outcome,
    /// The report that fits it.
    pub report: Option<i64>,
    /// The slot that the report blames, where it names exactly one.
    pub blamed: Option<SlotId>,
    /// The report's severity.
    pub severity: Option<Severity>,
}

/// A witness of an earlier session.
#[derive(Clone, PartialEq, Debug)]
pub struct RestoredWitness {
    /// Its number.
    pub id: i64,
    /// When the pipeline learned of it.
    pub known: Mono,
    /// The observation.
    pub witness: Witness,
    /// The report that it became part of, if it has.
    pub report: Option<i64>,
}

/// An open shot of an earlier boot of the run.
#[derive(Clone, PartialEq, Debug)]
pub struct OpenBefore {
    /// The boot's number; the shot's times are on that boot's clock.
    pub boot: i64,
    /// The shot.
    pub shot: Shot,
}

/// The name of all shots of an injection: what orders shots of equal time. Live and restored shots must have the same.
#[must_use]
pub fn shot_name(injector: &str, id: &str) -> Arc<str> {
    format!("{injector}/{id}").into()
}

/// What [`Store::close_earlier_boots`] says about the shots.
const WENT_DOWN: &str = "the machine went down during the window";

const SHOT_COLUMNS: &str = "h.injection, h.shot, i.injector, i.id, h.slot, h.fired_ns, h.fired_to_ns, i.hold_us, i.corrected_ppm, i.arrived_ns, \
     i.lines, i.force, i.miscorrected_ppm";

impl Store {
    /// What an engine that was stopped in this boot needs. Any boot of any run may be asked for.
    ///
    /// The horizon is the start of the oldest open shot, or the time up to which the boot was watched if that is
    /// earlier, less `margin_ns`: the caller's longest window and delay. A shot counts as old once its hold time is over.
    ///
    /// # Errors
    /// What kept it from being read.
    pub fn restore(&self, run: i64, boot: i64, margin_ns: i64) -> Result<Restored, StoreError> {
        self.restored(run, boot, margin_ns).map_err(|e| StoreError::sort(&self.path, e))
    }

    fn restored(&self, run: i64, boot: i64, margin_ns: i64) -> rusqlite::Result<Restored> {
        // One transaction, so that all parts are of one moment.
        let tx = self.conn.unchecked_transaction()?;
        let watched: i64 = tx.query_row("SELECT watched_ns FROM boot WHERE boot = ?1", [boot], |r| r.get(0))?;
        let oldest: Option<i64> = tx.query_row(
            "SELECT min(fired_ns) FROM shot WHERE run = ?1 AND boot = ?2 AND outcome IS NULL",
            [run, boot],
            |r| r.get(0),
        )?;
        let horizon = Mono(oldest.map_or(watched, |o| o.min(watched))).minus(margin_ns);
        Ok(Restored {
            shots: shots(
                &tx,
                "(h.outcome IS NULL OR h.fired_to_ns + i.hold_us * 1000 >= ?2)",
                params![boot, horizon.0],
            )?,
            witnesses: witnesses(&tx, "(t_ns >= ?2 OR known_ns >= ?2)", params![boot, horizon.0])?,
            gaps: gaps(&tx, boot, horizon)?,
            numbers: numbers(&tx, run)?,
        })
    }

    /// Where numbering goes on in the run.
    ///
    /// # Errors
    /// What kept it from being read.
    pub fn numbers(&self, run: i64) -> Result<Numbers, StoreError> {
        numbers(&self.conn, run).map_err(|e| StoreError::sort(&self.path, e))
    }

    /// The shots of the run that are still open in other boots than this one: the machine was rebooted under them.
    ///
    /// # Errors
    /// What kept it from being read.
    pub fn open_before(&self, run: i64, boot: i64) -> Result<Vec<OpenBefore>, StoreError> {
        let ask = || -> rusqlite::Result<Vec<OpenBefore>> {
            let mut query = self.conn.prepare(&format!(
                "SELECT {SHOT_COLUMNS}, h.boot FROM shot h JOIN injection i USING (injection)
                 WHERE h.run = ?1 AND h.outcome IS NULL AND h.boot <> ?2
                 ORDER BY h.boot, h.fired_ns, i.injector, i.id, h.shot"
            ))?;
            query.query_map([run, boot], |r| Ok(OpenBefore { shot: shot(r)?, boot: r.get(13)? }))?.collect()
        };
        ask().map_err(|e| StoreError::sort(&self.path, e))
    }

    /// Settles the open shots of all other boots of the run as unknowable. Answers how many there were.
    ///
    /// # Errors
    /// What kept it from being stored; nothing is changed then.
    pub fn close_earlier_boots(&mut self, run: i64, boot: i64) -> Result<usize, StoreError> {
        let sort = |e| StoreError::sort(&self.path, e);
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate).map_err(sort)?;
        let mut totals = Totals::default();
        count_open(&tx, run, boot, &mut totals).map_err(sort)?;
        totals.write(&tx, run).map_err(sort)?;
        let closed = tx
            .execute(
                "UPDATE shot SET outcome = 'unknowable', watched = 0, why = ?3 WHERE run = ?1 AND boot <> ?2 AND outcome IS NULL",
                params![run, boot, WENT_DOWN],
            )
            .map_err(sort)?;
        tx.commit().map_err(sort)?;
        Ok(closed)
    }
}

/// Counts the shots that are open in other boots of the run as unknowable.
fn count_open(conn: &Connection, run: i64, boot: i64, totals: &mut Totals) -> rusqlite::Result<()> {
    let mut query = conn.prepare(
        "SELECT h.slot, i.lines, count(*) FROM shot h JOIN injection i USING (injection)
         WHERE h.run = ?1 AND h.boot <> ?2 AND h.outcome IS NULL GROUP BY h.slot, i.lines",
    )?;
    let mut open = query.query([run, boot])?;
    while let Some(row) = open.next()? {
        totals.unknowable(row.get(0)?, row.get_ref(1)?.as_str()?, row.get(2)?);
    }
    Ok(())
}

/// Where numbering goes on in the run.
pub(crate) fn numbers(conn: &Connection, run: i64) -> rusqlite::Result<Numbers> {
    let number = |sql, params: &[&dyn rusqlite::ToSql]| conn.query_row(sql, params, |r| r.get::<_, i64>(0));
    Ok(Numbers {
        next_witness: number("SELECT coalesce(max(witness), 0) + 1 FROM witness", &[])?,
        next_report: number("SELECT coalesce(max(report), 0) + 1 FROM report WHERE run = ?1", &[&run])?,
        last_injection: number("SELECT coalesce(max(injection), 0) FROM injection", &[])?,
    })
}

/// Shots of boot ?1 that fit a condition on ?2.
pub(crate) fn shots(
    conn: &Connection,
    which: &str,
    params: &[&dyn rusqlite::ToSql],
) -> rusqlite::Result<Vec<RestoredShot>> {
    let mut query = conn.prepare(&format!(
        "SELECT {SHOT_COLUMNS}, h.outcome, h.report, h.blamed_slot, o.severity
         FROM shot h JOIN injection i USING (injection)
         LEFT JOIN report o ON o.run = h.run AND o.report = h.report
         WHERE h.boot = ?1 AND {which}
         ORDER BY h.fired_ns, i.injector, i.id, h.shot"
    ))?;
    let read = |r: &Row<'_>| {
        let outcome = r.get::<_, Option<Word<Outcome>>>(13)?;
        let report = r.get(14)?;
        let blamed = r.get::<_, Option<u32>>(15)?.map(SlotId);
        let severity = r.get::<_, Option<Word<Severity>>>(16)?.map(|s| s.0);
        Ok(RestoredShot {
            shot: shot(r)?,
            settled: outcome.map(|o| Settled { outcome: o.0, report, blamed, severity }),
        })
    };
    query.query_map(params, read)?.collect()
}

/// From the columns of [`SHOT_COLUMNS`].
fn shot(r: &Row<'_>) -> rusqlite::Result<Shot> {
    let injector = r.get_ref(2)?.as_str()?;
    let id = r.get_ref(3)?.as_str()?;
    let lines: Vec<String> = serde_json::from_str(r.get_ref(10)?.as_str()?).unwrap_or_default();
    let word = r.get_ref(11)?.as_str_or_null()?;
    let force = [Force::Low, Force::High, Force::Invert].into_iter().find(|force| Some(force.word()) == word);
    Ok(Shot {
        key: ShotKey { injection: r.get(0)?, n: r.get(1)? },
        name: shot_name(injector, id),
        slot: SlotId(r.get(4)?),
        fired: Span { from: Mono(r.get(5)?), to: Mono(r.get(6)?) },
        hold_ns: micros_to_nanos(r.get(7)?),
        expect: Expected { corrected_ppm: r.get(8)?, miscorrected_ppm: r.get(12)? },
        forced: vocabulary::forced(lines.iter().map(String::as_str), force),
        known: Mono(r.get(9)?),
    })
}

/// Witnesses of boot ?1 that fit a condition on ?2.
pub(crate) fn witnesses(
    conn: &Connection,
    which: &str,
    params: &[&dyn rusqlite::ToSql],
) -> rusqlite::Result<Vec<RestoredWitness>> {
    let mut query = conn.prepare(&format!(
        "SELECT witness, known_ns, report, source, from_ns, t_ns, severity, controller, place, label, count, address,
                syndrome, message, detail, bank, status, misc, cpu, tsc, ipid, cpuvendor
         FROM witness WHERE boot = ?1 AND {which} ORDER BY witness"
    ))?;
    let read = |r: &Row<'_>| {
        let span = Span { from: Mono(r.get(4)?), to: Mono(r.get(5)?) };
        let mut w = Witness::new(r.get::<_, Word<Source>>(3)?.0, span, r.get::<_, Word<Severity>>(6)?.0);
        w.controller = r.get(7)?;
        if let Some(place) = r.get::<_, Option<Place>>(8)? {
            w.layers = place.0;
        }
        w.label = r.get(9)?;
        w.count = r.get(10)?;
        w.address = unsigned(r.get(11)?);
        w.syndrome = unsigned(r.get(12)?);
        w.message = r.get(13)?;
        w.detail = r.get(14)?;
        if let Some(bank) = r.get(15)? {
            let bits = |i: usize| Ok::<_, rusqlite::Error>(r.get::<_, i64>(i)?.cast_unsigned());
            w.machine_check = Some(Box::new(MachineCheck {
                bank,
                status: bits(16)?,
                misc: bits(17)?,
                cpu: r.get(18)?,
                tsc: bits(19)?,
                ipid: bits(20)?,
                cpuvendor: r.get(21)?,
            }));
        }
        Ok(RestoredWitness { id: r.get(0)?, known: Mono(r.get(1)?), witness: w, report: r.get(2)? })
    };
    query.query_map(params, read)?.collect()
}

/// Gaps of the boot that reach past the horizon.
pub(crate) fn gaps(conn: &Connection, boot: i64, horizon: Mono) -> rusqlite::Result<Vec<Gap>> {
    let mut query = conn.prepare(
        "SELECT from_ns, to_ns, source, controller, why FROM gap WHERE boot = ?1 AND to_ns >= ?2 ORDER BY from_ns, gap",
    )?;
    let read = |r: &Row<'_>| {
        Ok(Gap {
            span: Span { from: Mono(r.get(0)?), to: Mono(r.get(1)?) },
            of: r.get(2)?,
            controller: r.get(3)?,
            why: r.get(4)?,
        })
    };
    query.query_map([boot, horizon.0], read)?.collect()
}
