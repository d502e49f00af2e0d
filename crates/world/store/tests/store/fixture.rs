//! Runs, records and a small filled database that the tests share.

use injector_clock::{Exchange, How, Queue, Summary};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use store::{Begun, CounterValue, Record, RunKind, RunStart, Store};
use tempfile::TempDir;
use vocabulary::{
    At, Class, ClockPair, Dimm, Expected, Force, Foreseen, Gap, Injection, Layer, Layers, MachineCheck, Mono, Outcome,
    ReportAnswer, Role, Severity, ShotAnswer, ShotKey, SlotBook, SlotId, Source, Span, Wall, Witness,
};

/// 2027-03-04T05:06:07Z
pub(crate) const BEGAN: Wall = Wall(1_804_136_767_000_000_000);
pub(crate) const SECOND: i64 = 1_000_000_000;

pub(crate) struct Place {
    pub(crate) dir: TempDir,
    pub(crate) db: PathBuf,
}

pub(crate) fn place() -> Place {
    let dir = tempfile::tempdir().unwrap();
    let db = dir.path().join("runs.db");
    Place { dir, db }
}

pub(crate) fn start(name: Option<&str>, boot_id: &str) -> RunStart {
    RunStart {
        name: name.map(str::to_owned),
        kind: RunKind::Watch,
        host: Some("bench-3".into()),
        version: "0.1.0".into(),
        settings_json: r#"{"window_ms":1000}"#.into(),
        boot_id: boot_id.into(),
        kernel: "6.12.0".into(),
        pair: ClockPair { mono: Mono(SECOND), wall: BEGAN },
    }
}

pub(crate) fn begun(db: &Path) -> (Store, Begun) {
    let mut store = Store::open(db).unwrap();
    let begun = store.begin(&start(Some("r"), "boot-a")).unwrap();
    (store, begun)
}

pub(crate) fn book() -> SlotBook {
    let mut book = SlotBook::new();
    for channel in 0..2 {
        for slot in 0..2 {
            book.add(Dimm {
                controller: 0,
                layers: Layers::from_slice(&[channel, slot]),
                layer_kinds: vec![Layer::Channel, Layer::Slot],
                label: format!("{}{}", ["A", "B"][channel as usize], slot + 1),
                edac_mode: Some("SECDED".into()),
                dev_type: Some("x8".into()),
                mem_type: Some("Registered-DDR4".into()),
                size_mb: Some(16_384),
                rank: false,
            });
        }
    }
    book
}

pub(crate) fn injection(id: &str, shots: u32) -> Injection {
    Injection {
        id: id.into(),
        t: None,
        at: At::Label("A1".into()),
        lines: vec!["DQ5".into(), "CB0".into()],
        hold_us: 200,
        shots,
        spacing_us: 500_000,
        force: Some(Force::Low),
        expect: Some(Severity::Corrected),
        note: Some("first \"light\"".into()),
    }
}

/// An injection into slot 0 whose first shot is at `at` seconds, give or take 1000 ns.
pub(crate) fn order(token: u64, id: &str, shots: u32, at: i64) -> Record {
    Record::Injection {
        token,
        feed: "bench".into(),
        injector: "inj1".into(),
        injection: Box::new(injection(id, shots)),
        slot: SlotId(0),
        foreseen: Box::new(Foreseen {
            expected: Expected::only(Severity::Corrected),
            code: Some("secded-72-64".into()),
            seen_ppm: Some(900_000),
            syndromes: vec![0x3b],
        }),
        arrived: Mono(at * SECOND + 5_000),
        first: Span::new(Mono(at * SECOND), Mono(at * SECOND + 1_000)),
        raw: r#"{"type":"injection","x_lot":7}"#.into(),
    }
}

pub(crate) fn seen(source: Source, at: Mono) -> Witness {
    let mut w = Witness::new(source, Span::point(at), Severity::Corrected);
    w.controller = Some(0);
    w.layers = Layers::from_slice(&[0, 0]);
    w.label = Some("A1".into());
    w.address = Some(0x8000_0000_1234_5678);
    w.syndrome = Some(0xffff_ffff_ffff_fffe);
    w.message = Some("memory read error".into());
    w.detail = Some("rank 1".into());
    w
}

pub(crate) fn machine_check(at: Mono) -> Witness {
    let mut w = seen(Source::MceRecord, at);
    w.machine_check = Some(Box::new(MachineCheck {
        bank: 7,
        status: 0x9c00_0040_0001_0091,
        misc: u64::MAX,
        cpu: 3,
        tsc: 12,
        ipid: 0,
        cpuvendor: 0,
    }));
    w
}

pub(crate) fn witness(id: i64, w: Witness) -> Record {
    let slot = Some(SlotId(0));
    Record::Witness { id, known: w.span.to, witness: Arc::new(w), slot }
}

pub(crate) fn answer(key: ShotKey, outcome: Outcome, report: Option<i64>) -> ShotAnswer {
    let latency = report.map(|_| 40_000_000);
    ShotAnswer {
        key,
        outcome,
        report,
        latency_min_ns: latency.map(|l| l - 1_000),
        latency_ns: latency,
        misplaced: false,
        misgraded: false,
        dangerous: false,
        late: false,
        shared: false,
        watched: outcome != Outcome::Unknowable,
        blamed: report.map(|_| SlotId(0)),
        margin: None,
        confidence: None,
        detected_p: [(Outcome::Detected, 1.0), (Outcome::Missed, 0.0)]
            .iter()
            .find(|(o, _)| *o == outcome)
            .map(|(_, p)| *p),
        why: None,
    }
}

pub(crate) fn report(report: i64, witnesses: &[i64], at: Mono, shot: Option<ShotKey>) -> ReportAnswer {
    ReportAnswer {
        report,
        anchor: witnesses[0],
        witnesses: witnesses.to_vec(),
        span: Span::point(at),
        slot: Some(SlotId(0)),
        severity: Severity::Corrected,
        count: 1,
        role: if shot.is_some() { Role::Match } else { Role::Orphan },
        shot,
        looks_like: None,
    }
}

pub(crate) fn counter(place: &[i16], value: u32) -> CounterValue {
    CounterValue {
        controller: 0,
        layers: Layers::from_slice(place),
        class: Class::Corrected,
        value,
        read: Mono(3 * SECOND),
    }
}

/// What is told of VDD at A1 once it has been read at so many milliseconds.
pub(crate) fn rail_read(rails: &mut rails::Rails, readings: &[(i64, f64)]) -> Vec<Record> {
    for (ms, mv) in readings {
        rails.read(&"inj1".into(), "VDD", Some(SlotId(0)), Mono(ms * 1_000_000), *mv).unwrap();
    }
    rails.tell().into_iter().map(|told| Record::Rail(Box::new(told))).collect()
}

/// One of everything: five shots of A1 (a detected one, a missed one next to a gap, an unknowable one, two open ones),
/// an orphan, a gap, counters, a tick, a rail reading, remarks.
/// What is known of an injector's clock after so many pongs.
pub(crate) fn clock(pongs: u64) -> Summary {
    Summary {
        how: How::TwoWay,
        at: Mono(9 * SECOND),
        uncertainty_ns: Some(3_000_999),
        round_trip_ns: Some(3_000_000),
        drift_ppb: Some(-21_500),
        drift_bound_ppb: Some(1_750),
        ticks: 40,
        pongs,
        resets: 1,
        wraps: 2,
        jumps: 3,
        contradictions: 4,
        queue: Some(Queue { p50_ns: 5, p95_ns: 6, max_ns: 7 }),
    }
}

pub(crate) fn fill(store: &mut Store) {
    let key = |n| ShotKey { injection: 1, n };
    let slots = book();
    let mut batch: Vec<Record> = slots.slots().iter().cloned().map(Record::Slot).collect();
    batch.push(order(1, "i-1", 5, 10));
    let first = Mono(10 * SECOND + 40_000_000);
    batch.push(witness(1, seen(Source::McEvent, first)));
    batch.push(witness(2, machine_check(first)));
    batch.push(witness(3, seen(Source::McEvent, Mono(20 * SECOND))));
    batch.push(Record::Report(Box::new(report(1, &[1, 2], first, Some(key(1))))));
    batch.push(Record::Report(Box::new(report(2, &[3], Mono(20 * SECOND), None))));
    batch.push(Record::Shot(Box::new(answer(key(1), Outcome::Detected, Some(1)))));
    batch.push(Record::Shot(Box::new(answer(key(2), Outcome::Missed, None))));
    let mut unknowable = answer(key(3), Outcome::Unknowable, None);
    unknowable.why = Some("mc_event: ring overrun".into());
    batch.push(Record::Shot(Box::new(unknowable)));
    batch.push(Record::Gap(Gap {
        span: Span::new(Mono(11 * SECOND), Mono(12 * SECOND)),
        of: "mc_event".into(),
        controller: None,
        why: "ring overrun".into(),
    }));
    batch.push(Record::Counters(vec![counter(&[0, 0], 4), counter(&[], 1)]));
    let exchange = Exchange { sent: Mono(9 * SECOND), received: 81, ticks: 82, arrived: Mono(9 * SECOND + 3_000_000) };
    batch.push(Record::Exchange { injector: "inj1".into(), exchange });
    batch.push(Record::InjectorClock { injector: "inj1".into(), summary: Box::new(clock(1)) });
    batch.push(Record::Tick { injector: "inj1".into(), ticks: 77, arrived: Mono(9 * SECOND) });
    batch.extend(rail_read(&mut rails::Rails::new(rails::Settings::default()), &[(9000, 1199.5)]));
    batch.push(Record::Remark { at: Mono(2 * SECOND), warning: true, text: "counters only".into() });
    batch.push(Record::Pair(ClockPair { mono: Mono(20 * SECOND), wall: Wall(BEGAN.0 + 19 * SECOND) }));
    batch.push(Record::Watched(Mono(20 * SECOND)));
    store.write(&batch).unwrap();
}
