//! Writing a batch of records: one transaction, durable when the call returns.
//!
//! Everything that can be sent twice is kept once, so that a batch that failed can be tried again as it is, and so can
//! one whose fate is not known.

use crate::codec::{Place, clamped, class_word, micros_to_nanos, signed, text};
use crate::run::Current;
use crate::totals::Totals;
use crate::{Ack, Checkpoint, CounterValue, Record, Store, StoreError};
use injector_clock::Summary;
use rusqlite::{CachedStatement, Connection, OptionalExtension, Row, TransactionBehavior, params};
use vocabulary::{
    Foreseen, Gap, Injection, LooksLike, MachineSample, Mono, ReportAnswer, Role, ShotAnswer, SlotEntry, SlotId, Span,
    Witness,
};

impl Store {
    /// Stores the batch in one transaction. When this returns, it is on disk, and what it acknowledges may be told.
    ///
    /// Answers one [`Ack`] for each injection, in the order of the batch. An empty batch touches nothing.
    ///
    /// # Errors
    /// [`StoreError::NotBegun`] without a run. With any error nothing of the batch is stored, everything stored before
    /// is as it was, and the same batch can be tried again.
    pub fn write(&mut self, batch: &[Record]) -> Result<Vec<Ack>, StoreError> {
        let Some(current) = self.current else { return Err(StoreError::NotBegun { path: self.path.clone() }) };
        if batch.is_empty() {
            return Ok(Vec::new());
        }
        let sort = |e| StoreError::sort(&self.path, e);
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate).map_err(sort)?;
        let mut acks = Vec::new();
        let mut writer = Writer::new(&tx, current).map_err(sort)?;
        for record in batch {
            writer.put(record, &mut acks).map_err(sort)?;
        }
        writer.totals.write(&tx, current.run).map_err(sort)?;
        drop(writer);
        tx.commit().map_err(sort)?;
        Ok(acks)
    }
}

/// The statements of one transaction, taken from the connection's cache.
struct Writer<'c> {
    conn: &'c Connection,
    current: Current,
    totals: Totals,
    injection: CachedStatement<'c>,
    shot: CachedStatement<'c>,
    open_shot: CachedStatement<'c>,
    settle_shot: CachedStatement<'c>,
    witness: CachedStatement<'c>,
    report: CachedStatement<'c>,
    settle_witness: CachedStatement<'c>,
}

impl<'c> Writer<'c> {
    fn new(conn: &'c Connection, current: Current) -> rusqlite::Result<Writer<'c>> {
        Ok(Writer {
            conn,
            current,
            totals: Totals::default(),
            injection: conn.prepare_cached(
                "INSERT INTO injection (boot, run, injector, id, feed, slot, arrived_ns, lines, hold_us, shots, spacing_us,
                                        force, expect, note, line, code, corrected_ppm, miscorrected_ppm, seen_ppm, syndromes)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20)
                 ON CONFLICT (run, injector, id) DO NOTHING",
            )?,
            shot: conn.prepare_cached(
                "INSERT INTO shot (injection, shot, run, boot, slot, fired_ns, fired_to_ns) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            )?,
            open_shot: conn
                .prepare_cached("SELECT h.slot, i.lines FROM shot h JOIN injection i USING (injection) WHERE injection = ?1 AND shot = ?2 AND outcome IS NULL")?,
            settle_shot: conn.prepare_cached(
                "UPDATE shot SET outcome = ?3, report = ?4, latency_min_ns = ?5, latency_ns = ?6, misplaced = ?7, misgraded = ?8,
                                 late = ?9, shared = ?10, blamed_slot = ?11, margin = ?12, confidence = ?13, detected_p = ?14, why = ?15,
                                 watched = ?16, dangerous = ?17
                 WHERE injection = ?1 AND shot = ?2",
            )?,
            witness: conn.prepare_cached(
                "INSERT INTO witness (witness, boot, run, source, from_ns, t_ns, known_ns, controller, place, label, slot,
                                      severity, count, address, syndrome, message, detail,
                                      bank, status, misc, cpu, tsc, ipid, cpuvendor)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17,
                         ?18, ?19, ?20, ?21, ?22, ?23, ?24)
                 ON CONFLICT (witness) DO NOTHING",
            )?,
            report: conn.prepare_cached(
                "INSERT INTO report (run, report, boot, seen_from_ns, seen_ns, slot, severity, count, role, injection, shot,
                                     anchor, witnesses, looks_like, late_injection, late_shot)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16)
                 ON CONFLICT (run, report) DO NOTHING",
            )?,
            settle_witness: conn.prepare_cached("UPDATE witness SET report = ?2 WHERE witness = ?1")?,
        })
    }

    fn put(&mut self, record: &Record, acks: &mut Vec<Ack>) -> rusqlite::Result<()> {
        let Current { run, boot } = self.current;
        match record {
            Record::Injection { token, feed, injector, injection, slot, foreseen, arrived, first, raw } => {
                let (arrived, first) = (*arrived, *first);
                let order = Order { feed, injector, injection, slot: *slot, foreseen, arrived, first, raw };
                let (number, is_new) = self.injection(&order)?;
                acks.push(Ack::Injection { token: *token, number, is_new });
            }
            Record::Witness { id, known, witness, slot } => self.witness(*id, *known, witness, *slot)?,
            Record::Shot(answer) => self.shot_answer(answer)?,
            Record::Report(answer) => self.report(answer)?,
            Record::Spent { witness } => {
                self.settle_witness.execute(params![witness, 0])?;
            }
            Record::Gap(gap) => self.gap(gap)?,
            Record::Slot(entry) => self.slot(entry)?,
            Record::Code { slot, code } => {
                self.run("UPDATE slot SET code = ?3 WHERE run = ?1 AND slot = ?2", params![run, slot.0, code])?;
            }
            Record::Counters(values) => self.counters(values)?,
            Record::Pair(pair) => {
                self.run(
                    "INSERT INTO clock_pair (boot, mono_ns, wall_ns) VALUES (?1, ?2, ?3)
                     ON CONFLICT (boot, mono_ns) DO NOTHING",
                    params![boot, pair.mono.0, pair.wall.0],
                )?;
            }
            Record::Watched(until) => {
                self.run(
                    "UPDATE boot SET watched_ns = ?2 WHERE boot = ?1 AND watched_ns < ?2",
                    params![boot, until.0],
                )?;
            }
            Record::Tick { injector, ticks, arrived } => {
                self.run(
                    "INSERT INTO tick (boot, injector, ticks, arrived_ns) VALUES (?1, ?2, ?3, ?4)",
                    params![boot, injector, ticks, arrived.0],
                )?;
            }
            Record::Exchange { injector, exchange: e } => {
                self.run(
                    "INSERT INTO exchange (boot, injector, sent_ns, received, ticks, arrived_ns) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                    params![boot, injector, e.sent.0, e.received, e.ticks, e.arrived.0],
                )?;
            }
            Record::InjectorClock { injector, summary } => self.injector_clock(injector, summary)?,
            Record::Rail(told) => crate::rails::keep(self.conn, boot, told)?,
            Record::Remark { at, warning, text } => {
                self.run(
                    "INSERT INTO remark (boot, at_ns, level, text) VALUES (?1, ?2, ?3, ?4)",
                    params![boot, at.0, if *warning { "warning" } else { "note" }, text],
                )?;
            }
            Record::Checkpoint(checkpoint) => self.checkpoint(checkpoint)?,
            Record::Machine(sample) => self.machine(sample)?,
            Record::RunEnded { wall } => {
                self.run("UPDATE run SET ended_wall_ns = ?2 WHERE run = ?1", params![run, wall.0])?;
            }
        }
        Ok(())
    }

    /// For the records that come rarely enough to look their statement up in the cache each time.
    fn run(&self, sql: &str, params: &[&dyn rusqlite::ToSql]) -> rusqlite::Result<usize> {
        self.conn.prepare_cached(sql)?.execute(params)
    }

    fn injection(&mut self, order: &Order<'_>) -> rusqlite::Result<(i64, bool)> {
        let Current { run, boot } = self.current;
        let (told, foreseen) = (order.injection, order.foreseen);
        let lines = serde_json::Value::from(told.lines.clone()).to_string();
        let spacing_us = clamped(told.spacing_us);
        let inserted = self.injection.execute(params![
            boot,
            run,
            order.injector,
            told.id,
            order.feed,
            order.slot.0,
            order.arrived.0,
            lines,
            clamped(told.hold_us),
            told.shots,
            spacing_us,
            told.force.map(|f| f.word()),
            told.expect.map(|s| s.word()),
            told.note,
            order.raw,
            foreseen.code,
            foreseen.expected.corrected_ppm,
            foreseen.expected.miscorrected_ppm,
            foreseen.seen_ppm,
            (!foreseen.syndromes.is_empty()).then(|| serde_json::Value::from(foreseen.syndromes.clone()).to_string()),
        ])?;
        if inserted == 0 {
            let mut query = self
                .conn
                .prepare_cached("SELECT injection FROM injection WHERE run = ?1 AND injector = ?2 AND id = ?3")?;
            let number = query.query_row(params![run, order.injector, told.id], |r| r.get(0))?;
            return Ok((number, false));
        }
        let number = self.conn.last_insert_rowid();
        let spacing_ns = micros_to_nanos(spacing_us);
        for n in 1..=told.shots {
            let later = spacing_ns.saturating_mul(i64::from(n) - 1);
            let (from, to) = (order.first.from.plus(later), order.first.to.plus(later));
            self.shot.execute(params![number, n, run, boot, order.slot.0, from.0, to.0])?;
        }
        self.totals.injection(i64::from(order.slot.0), &lines, told.shots, foreseen);
        Ok((number, true))
    }

    fn witness(&mut self, id: i64, known: Mono, w: &Witness, slot: Option<SlotId>) -> rusqlite::Result<()> {
        let Current { run, boot } = self.current;
        let mc = w.machine_check.as_deref();
        self.witness.execute(params![
            id,
            boot,
            run,
            w.source.word(),
            w.span.from.0,
            w.span.to.0,
            known.0,
            w.controller,
            (!w.layers.trimmed().is_empty()).then_some(Place(w.layers)),
            text(&w.label),
            slot.map(|s| s.0),
            w.severity.word(),
            w.count,
            signed(w.address),
            signed(w.syndrome),
            text(&w.message),
            text(&w.detail),
            mc.map(|m| m.bank),
            mc.map(|m| m.status.cast_signed()),
            mc.map(|m| m.misc.cast_signed()),
            mc.map(|m| m.cpu),
            mc.map(|m| m.tsc.cast_signed()),
            mc.map(|m| m.ipid.cast_signed()),
            mc.map(|m| m.cpuvendor),
        ])?;
        Ok(())
    }

    fn shot_answer(&mut self, a: &ShotAnswer) -> rusqlite::Result<()> {
        let totals = &mut self.totals;
        let count = |r: &Row<'_>| {
            totals.shot(r.get(0)?, r.get_ref(1)?.as_str()?, a);
            Ok(())
        };
        let open = self.open_shot.query_row(params![a.key.injection, a.key.n], count).optional()?;
        let Some(()) = open else { return Ok(()) };
        self.settle_shot.execute(params![
            a.key.injection,
            a.key.n,
            a.outcome.word(),
            a.report,
            a.latency_min_ns,
            a.latency_ns,
            a.misplaced,
            a.misgraded,
            a.late,
            a.shared,
            a.blamed.map(|s| s.0),
            a.margin,
            a.confidence,
            a.detected_p,
            a.why,
            a.watched,
            a.dangerous,
        ])?;
        Ok(())
    }

    fn report(&mut self, a: &ReportAnswer) -> rusqlite::Result<()> {
        let Current { run, boot } = self.current;
        let late = a.looks_like.and_then(LooksLike::shot);
        let inserted = self.report.execute(params![
            run,
            a.report,
            boot,
            a.span.from.0,
            a.span.to.0,
            a.slot.map(|s| s.0),
            a.severity.word(),
            a.count,
            a.role.word(),
            a.shot.map(|s| s.injection),
            a.shot.map(|s| s.n),
            a.anchor,
            clamped(a.witnesses.len() as u64),
            a.looks_like.map(LooksLike::words),
            late.map(|s| s.injection),
            late.map(|s| s.n),
        ])?;
        // A report that is there already came with its witnesses.
        if inserted > 0 {
            let explained = match a.shot {
                Some(shot) if a.role == Role::Echo => self.slot_of(shot.injection)?,
                _ => None,
            };
            self.totals.report(a, explained);
            for witness in &a.witnesses {
                self.settle_witness.execute(params![witness, a.report])?;
            }
        }
        Ok(())
    }

    fn slot_of(&self, injection: i64) -> rusqlite::Result<Option<i64>> {
        let mut query = self.conn.prepare_cached("SELECT slot FROM injection WHERE injection = ?1")?;
        query.query_row([injection], |r| r.get(0)).optional()
    }

    fn checkpoint(&self, c: &Checkpoint) -> rusqlite::Result<()> {
        self.run(
            "INSERT OR REPLACE INTO checkpoint (boot, horizon_ns, spacing_ns, next_witness, last_injection, version, state)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            params![
                self.current.boot,
                c.horizon.0,
                c.spacing_ns,
                c.next_witness,
                c.last_injection,
                c.version,
                c.state
            ],
        )?;
        Ok(())
    }

    /// Pieces of one long gap, which come while it lasts, become one row.
    fn gap(&self, gap: &Gap) -> rusqlite::Result<()> {
        let Current { run, boot } = self.current;
        let longer = self.run(
            "UPDATE gap SET to_ns = ?6
             WHERE gap = (SELECT gap FROM gap WHERE boot = ?1 AND run = ?2 AND source = ?3 AND controller IS ?4 AND why = ?7
                          ORDER BY gap DESC LIMIT 1)
               AND from_ns <= ?5 AND to_ns BETWEEN ?5 - 1 AND ?6",
            params![boot, run, gap.of, gap.controller, gap.span.from.0, gap.span.to.0, gap.why],
        )?;
        if longer > 0 {
            return Ok(());
        }
        self.run(
            "INSERT INTO gap (boot, run, source, controller, from_ns, to_ns, why) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            params![boot, run, gap.of, gap.controller, gap.span.from.0, gap.span.to.0, gap.why],
        )?;
        Ok(())
    }

    fn slot(&self, slot: &SlotEntry) -> rusqlite::Result<()> {
        let run = self.current.run;
        self.run(
            "INSERT INTO slot (run, slot, name, label, controller, channel, number, place) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
             ON CONFLICT (run, slot) DO UPDATE SET name = excluded.name, label = excluded.label,
                controller = excluded.controller, channel = excluded.channel, number = excluded.number, place = excluded.place",
            params![
                run,
                slot.id.0,
                slot.name,
                slot.label,
                slot.controller,
                slot.channel,
                slot.slot,
                Place(slot.layers)
            ],
        )?;
        for dimm in &slot.dimms {
            let kinds = serde_json::to_string(&dimm.layer_kinds)
                .map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))?;
            self.run(
                "INSERT INTO dimm (run, slot, controller, place, layer_kinds, label, edac_mode, dev_type, mem_type, size_mb, rank)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)
                 ON CONFLICT (run, controller, place) DO UPDATE SET slot = excluded.slot, layer_kinds = excluded.layer_kinds,
                    label = excluded.label, edac_mode = excluded.edac_mode, dev_type = excluded.dev_type,
                    mem_type = excluded.mem_type, size_mb = excluded.size_mb, rank = excluded.rank",
                params![
                    run,
                    slot.id.0,
                    dimm.controller,
                    Place(dimm.layers),
                    kinds,
                    dimm.label,
                    dimm.edac_mode,
                    dimm.dev_type,
                    dimm.mem_type,
                    dimm.size_mb.map(clamped),
                    dimm.rank
                ],
            )?;
        }
        Ok(())
    }

    fn machine(&self, sample: &MachineSample) -> rusqlite::Result<()> {
        let (boot, c) = (self.current.boot, sample.counts);
        self.run(
            "INSERT INTO machine_count (boot, at_ns, from_ns, mce, mcp, thr, dfr, collected, offlined, corrupted_kb)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10) ON CONFLICT (boot, at_ns) DO NOTHING",
            params![
                boot,
                sample.at.0,
                sample.from.0,
                c.mce.map(clamped),
                c.mcp.map(clamped),
                c.thr.map(clamped),
                c.dfr.map(clamped),
                c.collected.map(clamped),
                c.offlined.map(clamped),
                c.corrupted_kb.map(clamped)
            ],
        )?;
        if let Some(settings) = &sample.settings {
            let settings =
                serde_json::to_string(settings).map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))?;
            self.run(
                "INSERT INTO machine_setting (boot, at_ns, settings) VALUES (?1, ?2, ?3)
                 ON CONFLICT (boot, at_ns) DO NOTHING",
                params![boot, sample.at.0, settings],
            )?;
        }
        Ok(())
    }

    fn injector_clock(&self, injector: &str, s: &Summary) -> rusqlite::Result<()> {
        self.run(
            "INSERT OR REPLACE INTO injector_clock (boot, injector, how, at_ns, uncertainty_ns, round_trip_ns, drift_ppb,
                drift_bound_ppb, ticks, pongs, resets, wraps, jumps, contradictions, queue_p50_ns, queue_p95_ns, queue_max_ns)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17)",
            params![
                self.current.boot,
                injector,
                s.how.word(),
                s.at.0,
                s.uncertainty_ns,
                s.round_trip_ns,
                s.drift_ppb,
                s.drift_bound_ppb,
                clamped(s.ticks),
                clamped(s.pongs),
                clamped(s.resets),
                clamped(s.wraps),
                clamped(s.jumps),
                clamped(s.contradictions),
                s.queue.map(|q| q.p50_ns),
                s.queue.map(|q| q.p95_ns),
                s.queue.map(|q| q.max_ns)
            ],
        )?;
        Ok(())
    }

    fn counters(&self, values: &[CounterValue]) -> rusqlite::Result<()> {
        for v in values {
            self.run(
                "INSERT INTO counter (boot, controller, place, class, value, read_ns) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
                 ON CONFLICT (boot, controller, place, class) DO UPDATE SET value = excluded.value, read_ns = excluded.read_ns",
                params![
                    self.current.boot,
                    v.controller,
                    Place(v.layers),
                    class_word(v.class),
                    v.value,
                    v.read.0
                ],
            )?;
        }
        Ok(())
    }
}

/// An order as it is stored: the fields of [`Record::Injection`] without the caller's mark.
struct Order<'r> {
    feed: &'r str,
    injector: &'r str,
    injection: &'r Injection,
    slot: SlotId,
    foreseen: &'r Foreseen,
    arrived: Mono,
    first: Span,
    raw: &'r str,
}
