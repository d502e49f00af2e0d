//! A run with restarts in the middle against the same run without, over the real store.
//!
//! Both are given the same inputs, and both have the same gap while nobody watches; only one of them is killed there and begins again
//! from the database.

use super::{Left, left};
use crate::hub::{Hub, Line};
use crate::settings::Settings;
use feed_lines::{FeedLine, Reply, Unit};
use rusqlite::types::ValueRef;
use std::path::Path;
use std::sync::Arc;
use store::{Ack, Begun, Record, RunKind, RunStart, Store};
use vocabulary::{
    At, ClockPair, Dimm, Gap, Injection, Layer, Layers, Mono, Severity, SlotBook, Source, Span, Wall, Witness,
};

const MS: i64 = 1_000_000;
const SECOND: i64 = 1_000 * MS;
const SLOTS: i16 = 4;
/// How long nobody watches at a restart.
const AWAY: i64 = 3 * SECOND;
const END: i64 = 150 * SECOND;

/// What comes in.
#[derive(Clone, Debug)]
enum What {
    Order { id: String, slot: i16, lines: usize },
    Rail { slot: i16, millivolts: f64 },
    Seen(Box<Witness>),
}

/// One thing after the other, in order of time. Each slot is shot at about once a second; one shot in ten is not reported, one
/// is reported twice, one on the neighbour; every event has a counter's step behind it; now and then a slot reports by itself.
fn inputs() -> Vec<(i64, What)> {
    let mut inputs = Vec::new();
    let seen = |at: i64, slot: i16, count: u32| {
        let mut event = Witness::new(Source::McEvent, Span::point(Mono(at)), Severity::Corrected);
        event.controller = Some(0);
        event.layers = Layers::from_slice(&[slot]);
        event.label = Some(format!("DIMM{slot}").into());
        event.count = count;
        let read = (at / (100 * MS) + 1) * 100 * MS;
        let mut step = Witness::new(Source::Counter, Span::new(Mono(read - 100 * MS), Mono(read)), Severity::Corrected);
        step.controller = Some(0);
        step.layers = event.layers;
        step.count = count;
        vec![(at, What::Seen(Box::new(event))), (read, What::Seen(Box::new(step)))]
    };
    let mut n = 0_i64;
    let mut at = 2 * SECOND;
    while at < END - 20 * SECOND {
        let slot = i16::try_from(n % i64::from(SLOTS)).unwrap();
        inputs.push((at, What::Order { id: format!("i{n}"), slot, lines: 1 + usize::from(n % 7 == 0) }));
        // Anything that is the same each time and has no period will do.
        let latency = (20 + n * 7919 % 83) * MS;
        match n % 10 {
            3 => {}
            5 => inputs.extend([seen(at + latency, slot, 1), seen(at + 2 * latency, slot, 1)].concat()),
            8 => inputs.extend(seen(at + latency, (slot + 1) % SLOTS, 1)),
            _ => inputs.extend(seen(at + latency, slot, 1 + u32::from(n % 6 == 0))),
        }
        if n % 41 == 40 {
            inputs.extend(seen(at + 777 * MS, 2, 1));
        }
        // Out of its limits for some of the time, in the middle of seconds.
        let millivolts = if n % 9 < 7 { 1200.5 } else { 1132.25 };
        inputs.push((at + 11 * MS, What::Rail { slot: slot % 2, millivolts }));
        n += 1;
        at += (230 + n * 104_729 % 47) * MS;
    }
    inputs.sort_by_key(|(at, _)| *at);
    inputs
}

/// The daemon without its tasks: a hub and a store, driven by hand.
struct Bench {
    store: Store,
    hub: Hub<()>,
    begun: Begun,
    lost: Option<String>,
}

impl Bench {
    fn open(db: &Path, now: i64) -> Bench {
        let mut store = Store::open(db).unwrap();
        let pair = ClockPair { mono: Mono(now), wall: Wall(1_804_136_767 * SECOND + now) };
        let settings = Settings::default();
        let start = RunStart {
            name: Some("r".into()),
            kind: RunKind::Watch,
            host: None,
            version: "0".into(),
            settings_json: settings.to_json(),
            boot_id: "boot-a".into(),
            kernel: "k".into(),
            pair,
        };
        let begun = store.begin(&start).unwrap();
        let left: Left = left(&mut store, &begun, &settings, Mono(now)).unwrap();
        let watched = begun.continued.as_ref().and_then(|c| c.watched);
        let lost = left.lost.clone();
        let mut hub = Hub::new(settings, SlotBook::new(), pair, Some(watched.unwrap_or(Mono(now))), left.numbers());
        if let Some(continued) = &begun.continued {
            hub.resume(continued.slots.clone(), Some(left), watched.map(|from| away(from, now)));
        }
        for slot in 0..SLOTS {
            hub.dimm(Dimm {
                controller: 0,
                layers: Layers::from_slice(&[slot]),
                layer_kinds: vec![Layer::Slot],
                label: format!("DIMM{slot}"),
                edac_mode: None,
                dev_type: None,
                mem_type: Some("Registered-DDR4".into()),
                size_mb: None,
                rank: false,
            });
        }
        Bench { store, hub, begun, lost }
    }

    fn take(&mut self, at: i64, what: &What) {
        let feed: Arc<str> = "bench".into();
        let line = |line| Line {
            feed: &feed,
            injector: &feed,
            unit: Unit::Microseconds,
            number: 1,
            arrival: Mono(at),
            raw: "{}",
            line,
            sent: None,
        };
        match what {
            What::Seen(witness) => self.hub.witness(None, (**witness).clone()),
            What::Rail { slot, millivolts } => {
                let slot = Some(At::Label(format!("DIMM{slot}")));
                let rail = FeedLine::Rail { name: "VDD".into(), slot, millivolts: *millivolts, t: None };
                assert_eq!(self.hub.line(line(rail), ()), None);
            }
            What::Order { id, slot, lines } => {
                let injection = Injection {
                    id: id.clone(),
                    t: None,
                    at: At::Label(format!("DIMM{slot}")),
                    lines: (0..*lines).map(|n| format!("DQ{n}")).collect(),
                    hold_us: 200,
                    shots: 1,
                    spacing_us: 0,
                    force: None,
                    expect: None,
                    note: None,
                };
                assert_eq!(self.hub.line(line(FeedLine::Injection(injection)), ()), None);
            }
        }
    }

    /// What was said reaches the disk, and nobody has heard yet that it did.
    fn store(&mut self) -> Vec<Ack> {
        self.hub.counters_told();
        let mut records = self.hub.take_records();
        records.push(Record::Watched(self.hub.horizon()));
        self.store.write(&records).unwrap()
    }

    fn turn(&mut self, to: i64) {
        for ack in self.store() {
            self.hub.ack(ack);
        }
        self.hub.advance(Mono(to));
        self.store();
    }
}

fn away(from: Mono, to: i64) -> Gap {
    Gap {
        span: Span::new(from, Mono(to)),
        of: "daemon".into(),
        controller: None,
        why: "the daemon was not running".into(),
    }
}

/// Runs from beginning to end, with somebody looking away at each of these times, and killed there if `killed`. Answers why
/// each time what was learned was lost.
fn run(db: &Path, times: &[i64], killed: bool) -> Vec<Option<String>> {
    let mut bench = Bench::open(db, SECOND);
    let inputs = inputs();
    let mut inputs = inputs.iter().peekable();
    let mut times = times.iter().copied().peekable();
    let mut lost = Vec::new();
    let mut now = SECOND;
    while now < END {
        now += 100 * MS;
        while let Some((at, what)) = inputs.next_if(|(at, _)| *at <= now) {
            bench.take(*at, what);
        }
        let Some(_) = times.next_if(|at| *at <= now) else {
            bench.turn(now - 100 * MS);
            continue;
        };
        // The last orders are on disk, and the engine has not got them.
        let acks = bench.store();
        let back = now + AWAY;
        if killed {
            drop(bench);
            bench = Bench::open(db, back);
            lost.push(bench.lost.clone());
        } else {
            for ack in acks {
                bench.hub.ack(ack);
            }
            let from = bench.hub.horizon();
            bench.hub.gap(away(from, back));
        }
        // What happens meanwhile, nobody sees.
        while inputs.next_if(|(at, _)| *at <= back).is_some() {}
        now = back;
    }
    bench.hub.stop(Mono(END));
    bench.store();
    assert_eq!(bench.begun.run, 1);
    lost
}

/// Every row of a question, as text.
fn rows(db: &Path, sql: &str) -> Vec<String> {
    let conn = store::open_read(db).unwrap();
    let mut query = conn.prepare(sql).unwrap();
    let width = query.column_count();
    let shown = |value: ValueRef<'_>| match value {
        ValueRef::Text(text) => String::from_utf8_lossy(text).into_owned(),
        other => format!("{other:?}"),
    };
    let row = |r: &rusqlite::Row<'_>| -> rusqlite::Result<String> {
        Ok((0..width).map(|i| r.get_ref(i).map(shown)).collect::<rusqlite::Result<Vec<_>>>()?.join(" "))
    };
    query.query_map([], row).unwrap().map(Result::unwrap).collect()
}

fn assert_same(with: &Path, without: &Path, sql: &str, least: usize) {
    let (with, without) = (rows(with, sql), rows(without, sql));
    assert!(without.len() >= least, "a comparison of nothing proves nothing: {} rows of {sql}", without.len());
    for (a, b) in with.iter().zip(&without) {
        assert_eq!(a, b, "{sql}");
    }
    assert_eq!(with.len(), without.len(), "{sql}");
}

#[test]
fn a_restart_changes_nothing_but_the_gap() {
    let home = tempfile::tempdir().unwrap();
    let (with, without) = (home.path().join("with.db"), home.path().join("without.db"));
    // Twice in a row within the time between two checkpoints, and once just after one.
    let times = [25 * SECOND, 31 * SECOND, 77 * SECOND + 300 * MS];
    let lost = run(&with, &times, true);
    run(&without, &times, false);
    assert_same(&with, &without, "SELECT from_ns, to_ns, source, why FROM gap ORDER BY from_ns", 3);
    assert_same(&with, &without, "SELECT injection, id, arrived_ns FROM injection ORDER BY injection", 300);
    assert_eq!(lost, [None, None, None]);
    assert_same(&with, &without, "SELECT * FROM shot ORDER BY injection, shot", 300);
    assert_same(&with, &without, "SELECT * FROM report ORDER BY report", 300);
    assert_same(&with, &without, "SELECT * FROM witness ORDER BY witness", 600);
    assert_same(&with, &without, "SELECT * FROM slot_total ORDER BY slot", 4);
    assert_same(&with, &without, "SELECT * FROM latency_cell ORDER BY slot, to_ns, from_ns", 30);
    assert_same(&with, &without, "SELECT * FROM line_total ORDER BY slot, line", 8);
    assert_same(&with, &without, "SELECT * FROM blame_total ORDER BY slot, blamed_slot", 4);
    assert_same(&with, &without, "SELECT * FROM checkpoint", 1);
    assert_same(&with, &without, "SELECT * FROM rail_total WHERE excursions > 20", 2);
    assert_same(&with, &without, "SELECT * FROM rail_second ORDER BY rail, at_s", 200);
}

#[test]
fn what_was_learned_is_lost_with_a_word() {
    let home = tempfile::tempdir().unwrap();
    let db = home.path().join("runs.db");
    // Before the first checkpoint.
    let lost = run(&db, &[5 * SECOND], true);
    assert_eq!(lost, [Some("no checkpoint had been kept yet".to_owned())]);
    let said = rows(&db, "SELECT level, text FROM remark");
    assert!(said.len() == 1 && said.iter().all(|r| r.contains("lost: no checkpoint had been kept yet")), "{said:?}");

    // A run that was stopped has settled everything, and goes on with what it had learned.
    let store = Store::open(&db).unwrap();
    assert_eq!(store.checkpoint(1).unwrap().unwrap().horizon, Mono(END));
    drop(store);
    let mut bench = Bench::open(&db, END + SECOND);
    assert_eq!(bench.lost, None);
    bench.turn(END + 2 * SECOND);
    bench.turn(END + 13 * SECOND);
    assert_eq!(bench.store.checkpoint(1).unwrap().unwrap().horizon, Mono(END + 13 * SECOND));
}

#[test]
fn a_damaged_checkpoint_costs_only_what_was_learned() {
    let home = tempfile::tempdir().unwrap();
    let db = home.path().join("runs.db");
    let mut bench = Bench::open(&db, SECOND);
    for to in [2, 30] {
        bench.turn(to * SECOND);
    }
    let mut kept = bench.store.checkpoint(1).unwrap().unwrap();
    kept.state = vec![0xff; 100];
    bench.store.write(&[Record::Checkpoint(Box::new(kept))]).unwrap();
    drop(bench);
    let bench = Bench::open(&db, 40 * SECOND);
    assert!(bench.lost.is_some());
    assert_eq!(bench.store.checkpoint(1).unwrap(), None);
}

#[test]
fn readings_that_cannot_be_taken_are_rejected_and_cost_only_themselves() {
    let home = tempfile::tempdir().unwrap();
    let db = home.path().join("runs.db");
    let mut bench = Bench::open(&db, SECOND);
    let feed: Arc<str> = "bench".into();
    let mut tell = |number: i64, slot: Option<&str>, millivolts, t: Option<&str>| {
        let slot = slot.map(|label| At::Label(label.into()));
        let rail = FeedLine::Rail { name: "vpp".into(), slot, millivolts, t: t.map(str::to_owned) };
        let arrival = Mono(2 * SECOND + number * MS);
        let number = number.unsigned_abs();
        let unit = Unit::Microseconds;
        let line = Line { feed: &feed, injector: &feed, unit, number, arrival, raw: "{}", line: rail, sent: None };
        bench.hub.line(line, ()).map(|((), reply)| reply)
    };
    let rejected = |line, why: &str| Some(Reply::Rejected { line, why: why.into(), id: None });
    assert_eq!(tell(1, Some("DIMM0"), 2500.0, None), None);
    assert_eq!(tell(2, Some("DIMM9"), 2500.0, None), rejected(2, "no slot is named \"DIMM9\""));
    let why = "`millivolts` must lie between -1000000 and 1000000";
    assert_eq!(tell(3, Some("DIMM0"), 1e9, None), rejected(3, why));
    // A date in years to come is the arrival: nothing that follows is late.
    assert_eq!(tell(4, Some("DIMM0"), 2501.0, Some("2099-01-01T00:00:00Z")), None);
    assert_eq!(tell(5, Some("DIMM0"), 2502.0, None), None);
    bench.store();
    let rows = rows(&db, "SELECT name, slot, readings, late, last_ns, last_uv FROM rail_total");
    assert_eq!(rows, ["VPP Integer(0) Integer(3) Integer(0) Integer(2005000000) Integer(2502000)"]);
}
