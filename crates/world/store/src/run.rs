//! Beginning and continuing a run.
//!
//! A run is one burn-in; it survives restarts of the daemon and reboots of the machine. What a continuing daemon must
//! know to go on as if it had never been away comes back from [`Store::begin`].

use crate::codec::{Place, Word, json};
use crate::{CounterValue, Store, StoreError};
use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};
use std::collections::BTreeMap;
use vocabulary::{ClockPair, Dimm, Mono, SlotEntry, SlotId, Wall};

/// What drives the run.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RunKind {
    /// The daemon on the real machine.
    Watch,
    /// The daemon on a simulated machine.
    Rehearse,
    /// A recorded capture.
    Replay,
}

impl RunKind {
    /// The word in the table `run`.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            RunKind::Watch => "watch",
            RunKind::Rehearse => "rehearse",
            RunKind::Replay => "replay",
        }
    }
}

/// What a run begins with.
#[derive(Clone, PartialEq, Debug)]
pub struct RunStart {
    /// The run's name. One that exists is continued, ended or not. Without a name, the newest run of this kind that has
    /// not ended is continued, and otherwise the date names a new one.
    pub name: Option<String>,
    /// What drives it.
    pub kind: RunKind,
    /// The machine's name.
    pub host: Option<String>,
    /// The program's version.
    pub version: String,
    /// JSON with every setting that can change an answer. A continued run keeps those that it began with.
    pub settings_json: String,
    /// `/proc/sys/kernel/random/boot_id`
    pub boot_id: String,
    /// The kernel's release.
    pub kernel: String,
    /// Both clocks, now.
    pub pair: ClockPair,
}

/// The run that records now go to.
#[derive(Clone, PartialEq, Debug)]
pub struct Begun {
    /// The run's number in the database.
    pub run: i64,
    /// The boot's number in the database.
    pub boot: i64,
    /// The run's name.
    pub name: String,
    /// What it had, if it is not new.
    pub continued: Option<Continued>,
}

/// What a continued run had.
#[derive(Clone, PartialEq, Debug)]
pub struct Continued {
    /// Whether the machine has not been rebooted since.
    pub same_boot: bool,
    /// Up to when this boot was watched; what follows is a gap. Nothing after a reboot: that boot is over.
    pub watched: Option<Mono>,
    /// All slots that the run knows, in order of their numbers.
    pub slots: Vec<SlotEntry>,
    /// What the counters held when they were last read in this boot; empty after a reboot, which clears them.
    pub counters: Vec<CounterValue>,
    /// The settings that the run began with.
    pub settings_json: String,
}

/// The run and boot that records belong to.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Current {
    pub(crate) run: i64,
    pub(crate) boot: i64,
}

impl Store {
    /// Begins a run, or continues one. Durable when it returns.
    ///
    /// # Errors
    /// [`StoreError::OtherKind`] if the name belongs to a run of another kind; otherwise what kept it from being stored.
    pub fn begin(&mut self, start: &RunStart) -> Result<Begun, StoreError> {
        let path = self.path.clone();
        let sort = |e| StoreError::sort(&path, e);
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate).map_err(sort)?;
        let known = find(&tx, start).map_err(sort)?;
        let begun = match known {
            Some(known) if known.kind != start.kind.word() => {
                let (name, found) = (known.name, known.kind);
                return Err(StoreError::OtherKind { path, name, found, wanted: start.kind.word() });
            }
            Some(known) => {
                tx.execute("UPDATE run SET ended_wall_ns = NULL WHERE run = ?1", [known.run]).map_err(sort)?;
                let (boot, watched) = boot_row(&tx, known.run, start).map_err(sort)?;
                let continued = Continued {
                    same_boot: watched.is_some(),
                    watched,
                    slots: slots(&tx, known.run).map_err(sort)?,
                    counters: counters(&tx, boot).map_err(sort)?,
                    settings_json: known.settings,
                };
                Begun { run: known.run, boot, name: known.name, continued: Some(continued) }
            }
            None => {
                let name = match &start.name {
                    Some(name) => name.clone(),
                    None => dated_name(&tx, start.pair.wall).map_err(sort)?,
                };
                tx.execute(
                    "INSERT INTO run (name, kind, host, version, settings, started_wall_ns) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                    params![name, start.kind.word(), start.host, start.version, start.settings_json, start.pair.wall.0],
                )
                .map_err(sort)?;
                let run = tx.last_insert_rowid();
                let (boot, _) = boot_row(&tx, run, start).map_err(sort)?;
                Begun { run, boot, name, continued: None }
            }
        };
        tx.commit().map_err(sort)?;
        self.current = Some(Current { run: begun.run, boot: begun.boot });
        Ok(begun)
    }
}

struct Known {
    run: i64,
    name: String,
    kind: String,
    settings: String,
}

fn find(conn: &Connection, start: &RunStart) -> rusqlite::Result<Option<Known>> {
    let known =
        |r: &rusqlite::Row<'_>| Ok(Known { run: r.get(0)?, name: r.get(1)?, kind: r.get(2)?, settings: r.get(3)? });
    match &start.name {
        Some(name) => conn.query_row("SELECT run, name, kind, settings FROM run WHERE name = ?1", [name], known),
        None => conn.query_row(
            "SELECT run, name, kind, settings FROM run WHERE kind = ?1 AND ended_wall_ns IS NULL ORDER BY run DESC LIMIT 1",
            [start.kind.word()],
            known,
        ),
    }
    .optional()
}

/// The boot's number, and up to when it was watched if it was there before.
fn boot_row(conn: &Connection, run: i64, start: &RunStart) -> rusqlite::Result<(i64, Option<Mono>)> {
    let pair = start.pair;
    let known = conn
        .query_row(
            "SELECT boot, watched_ns FROM boot WHERE run = ?1 AND boot_id = ?2",
            params![run, start.boot_id],
            |r| Ok((r.get(0)?, Some(Mono(r.get(1)?)))),
        )
        .optional()?;
    let found = match known {
        Some(found) => found,
        None => {
            conn.execute(
                "INSERT INTO boot (run, boot_id, kernel, first_ns, watched_ns) VALUES (?1, ?2, ?3, ?4, ?4)",
                params![run, start.boot_id, start.kernel, pair.mono.0],
            )?;
            (conn.last_insert_rowid(), None)
        }
    };
    conn.execute(
        "INSERT INTO clock_pair (boot, mono_ns, wall_ns) VALUES (?1, ?2, ?3) ON CONFLICT (boot, mono_ns) DO NOTHING",
        params![found.0, pair.mono.0, pair.wall.0],
    )?;
    Ok(found)
}

/// `run-20270304-050607`, with a number where two runs begin in the same second.
fn dated_name(conn: &Connection, wall: Wall) -> rusqlite::Result<String> {
    let digits: String = wall.rfc3339().chars().filter(char::is_ascii_digit).collect();
    let date = format!("run-{}-{}", digits.get(..8).unwrap_or(&digits), digits.get(8..14).unwrap_or_default());
    let mut name = date.clone();
    let mut again = 1;
    while conn.query_row("SELECT count(*) FROM run WHERE name = ?1", [&name], |r| r.get::<_, i64>(0))? > 0 {
        again += 1;
        name = format!("{date}-{again}");
    }
    Ok(name)
}

fn slots(conn: &Connection, run: i64) -> rusqlite::Result<Vec<SlotEntry>> {
    let mut objects: BTreeMap<u32, Vec<Dimm>> = BTreeMap::new();
    let mut query = conn.prepare(
        "SELECT slot, controller, place, layer_kinds, label, edac_mode, dev_type, mem_type, size_mb, rank
         FROM dimm WHERE run = ?1 ORDER BY slot, controller, place",
    )?;
    let mut rows = query.query([run])?;
    while let Some(r) = rows.next()? {
        let dimm = Dimm {
            controller: r.get(1)?,
            layers: r.get::<_, Place>(2)?.0,
            layer_kinds: json(r.get_ref(3)?.as_str()?)?,
            label: r.get(4)?,
            edac_mode: r.get(5)?,
            dev_type: r.get(6)?,
            mem_type: r.get(7)?,
            size_mb: r.get::<_, Option<i64>>(8)?.and_then(|n| u64::try_from(n).ok()),
            rank: r.get(9)?,
        };
        objects.entry(r.get(0)?).or_default().push(dimm);
    }
    let mut query = conn.prepare(
        "SELECT slot, name, label, controller, channel, number, place FROM slot WHERE run = ?1 ORDER BY slot",
    )?;
    let mut rows = query.query([run])?;
    let mut slots = Vec::new();
    while let Some(r) = rows.next()? {
        let id = r.get(0)?;
        let mut dimms = objects.remove(&id).unwrap_or_default();
        // Places sort as text in the database, `[10]` before `[2]`; the book keeps them sorted as numbers.
        dimms.sort();
        slots.push(SlotEntry {
            id: SlotId(id),
            name: r.get(1)?,
            label: r.get(2)?,
            controller: r.get(3)?,
            channel: r.get(4)?,
            slot: r.get(5)?,
            layers: r.get::<_, Place>(6)?.0,
            dimms,
        });
    }
    Ok(slots)
}

fn counters(conn: &Connection, boot: i64) -> rusqlite::Result<Vec<CounterValue>> {
    let mut query = conn.prepare(
        "SELECT controller, place, class, value, read_ns FROM counter WHERE boot = ?1 ORDER BY controller, place, class",
    )?;
    let read = |r: &rusqlite::Row<'_>| {
        Ok(CounterValue {
            controller: r.get(0)?,
            layers: r.get::<_, Place>(1)?.0,
            class: r.get::<_, Word<_>>(2)?.0,
            value: r.get(3)?,
            read: Mono(r.get(4)?),
        })
    };
    query.query_map([boot], read)?.collect()
}
