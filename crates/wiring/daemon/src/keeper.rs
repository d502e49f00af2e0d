//! The store's own thread: takes batches of records, commits as many as wait in one go, and tells what is on disk.
//!
//! While the database cannot be written, injections are refused (an injector must never be told `accepted` for nothing)
//! and everything else is kept and tried again. The queue in front is bounded: when it is full the hub waits, and then
//! the kernel's ring is the buffer, whose overrun is a gap.

use crate::capture::{CaptureFiles, Captured};
use std::time::Duration;
use store::{Ack, Record, Store, StoreError};
use tokio::sync::mpsc;

/// How many records go into one transaction at the most.
const PER_COMMIT: usize = 16_384;
/// How long to wait before the database is tried again.
const TRY_AGAIN: Duration = Duration::from_millis(500);

/// What the hub hands over.
#[derive(Debug, Default)]
pub(crate) struct Parcel {
    /// To be stored, in order.
    pub(crate) records: Vec<Record>,
    /// To be appended to the capture's files.
    pub(crate) captured: Option<Captured>,
}

/// What the keeper tells.
#[derive(Debug)]
pub(crate) enum Kept {
    /// These are on disk.
    Acks(Vec<Ack>),
    /// These injections could not be stored.
    Refused {
        /// Their tokens.
        tokens: Vec<u64>,
        /// Why.
        why: String,
    },
    /// The database cannot be written, since now.
    Trouble(String),
    /// It can be written again.
    Mended,
}

/// Works until the sender of parcels is gone and everything is stored. Blocks; run it on a thread of its own.
///
/// # Errors
/// When the sender is gone and the last parcel still cannot be stored.
pub(crate) fn keep(
    mut store: Store,
    mut files: Option<CaptureFiles>,
    mut parcels: mpsc::Receiver<Parcel>,
    told: mpsc::UnboundedSender<Kept>,
) -> Result<Store, StoreError> {
    let mut batch: Vec<Record> = Vec::new();
    let mut trouble = false;
    loop {
        if batch.is_empty() {
            match parcels.blocking_recv() {
                Some(parcel) => take(parcel, &mut batch, &mut files),
                None => return Ok(store),
            }
        }
        while batch.len() < PER_COMMIT
            && let Ok(parcel) = parcels.try_recv()
        {
            take(parcel, &mut batch, &mut files);
        }
        match store.write(&batch) {
            Ok(acks) => {
                batch.clear();
                if std::mem::take(&mut trouble) {
                    let _ = told.send(Kept::Mended);
                }
                if !acks.is_empty() {
                    // Nobody listens any more only when the daemon ends; the records are stored all the same.
                    let _ = told.send(Kept::Acks(acks));
                }
            }
            Err(error) if !error.passes() => {
                tracing::error!(%error, "a record was refused by the database and is left out");
                one_by_one(&mut store, &mut batch, &told);
            }
            Err(error) => {
                let why = error.to_string();
                if !std::mem::replace(&mut trouble, true) {
                    tracing::error!(why, "the database cannot be written; trying again until it can");
                    let _ = told.send(Kept::Trouble(why.clone()));
                }
                let tokens = refuse_injections(&mut batch);
                if !tokens.is_empty() {
                    let _ = told.send(Kept::Refused { tokens, why: format!("not stored: {why}") });
                }
                if parcels.is_closed() && parcels.is_empty() {
                    return Err(error);
                }
                std::thread::sleep(TRY_AGAIN);
            }
        }
    }
}

/// Stores what can be stored of a batch that the database refuses for good, so that one bad record costs only itself. Its
/// sender is told if it was an injection: nothing is worked through past an injection that has no answer.
fn one_by_one(store: &mut Store, batch: &mut Vec<Record>, told: &mpsc::UnboundedSender<Kept>) {
    for record in batch.drain(..) {
        let kept = match store.write(std::slice::from_ref(&record)) {
            Ok(acks) => Kept::Acks(acks),
            Err(error) => {
                tracing::error!(%error, ?record, "refused");
                Kept::Refused { tokens: token(&record).into_iter().collect(), why: format!("not stored: {error}") }
            }
        };
        let _ = told.send(kept);
    }
}

fn take(parcel: Parcel, batch: &mut Vec<Record>, files: &mut Option<CaptureFiles>) {
    batch.extend(parcel.records);
    if let (Some(captured), Some(open)) = (&parcel.captured, files.as_mut())
        && let Err(error) = open.append(captured)
    {
        // A capture with a hole in it would replay to other answers, so it ends here.
        tracing::error!(%error, "the capture cannot be written and ends here; the run goes on");
        *files = None;
    }
}

fn refuse_injections(batch: &mut Vec<Record>) -> Vec<u64> {
    let tokens = batch.iter().filter_map(token).collect();
    batch.retain(|record| token(record).is_none());
    tokens
}

/// What an injection is acknowledged by.
fn token(record: &Record) -> Option<u64> {
    match record {
        Record::Injection { token, .. } => Some(*token),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use store::{RunKind, RunStart};
    use vocabulary::{At, ClockPair, Dimm, Injection, Layers, Mono, SlotId, Span, Wall};

    fn order(token: u64) -> Record {
        let injection = Injection {
            id: token.to_string(),
            t: None,
            at: At::Label("A1".into()),
            lines: Vec::new(),
            hold_us: 1,
            shots: 1,
            spacing_us: 0,
            force: None,
            expect: None,
            note: None,
        };
        Record::Injection {
            token,
            feed: "bench".into(),
            injector: "inj".into(),
            injection: Box::new(injection),
            slot: SlotId(0),
            foreseen: Box::default(),
            arrived: Mono(1),
            first: Span::point(Mono(1)),
            raw: "{}".into(),
        }
    }

    #[test]
    fn an_injection_that_the_database_refuses_for_good_is_answered() {
        let home = tempfile::tempdir().unwrap();
        let db = home.path().join("runs.db");
        let mut store = Store::open(&db).unwrap();
        store
            .begin(&RunStart {
                name: None,
                kind: RunKind::Watch,
                host: None,
                version: "0".into(),
                settings_json: "{}".into(),
                boot_id: "b".into(),
                kernel: "k".into(),
                pair: ClockPair { mono: Mono(0), wall: Wall(0) },
            })
            .unwrap();
        rusqlite::Connection::open(&db)
            .unwrap()
            .execute_batch(
                "CREATE TRIGGER no BEFORE INSERT ON injection WHEN new.id = '2' BEGIN SELECT RAISE(ABORT, 'no'); END",
            )
            .unwrap();
        let mut book = vocabulary::SlotBook::new();
        book.add(Dimm {
            controller: 0,
            layers: Layers::from_slice(&[0]),
            layer_kinds: vec![vocabulary::Layer::Slot],
            label: "A1".into(),
            edac_mode: None,
            dev_type: None,
            mem_type: None,
            size_mb: None,
            rank: false,
        });
        let slots = book.slots().iter().cloned().map(Record::Slot);
        let records = slots.chain([order(1), order(2), order(3)]).collect();
        let (parcels, taken) = mpsc::channel(1);
        parcels.try_send(Parcel { records, captured: None }).unwrap();
        drop(parcels);
        let (tell, mut told) = mpsc::unbounded_channel();
        keep(store, None, taken, tell).unwrap();
        let (mut accepted, mut refused) = (Vec::new(), Vec::new());
        while let Ok(kept) = told.try_recv() {
            match kept {
                Kept::Acks(acks) => accepted.extend(acks.into_iter().map(|Ack::Injection { token, .. }| token)),
                Kept::Refused { tokens, why } => {
                    assert!(tokens.is_empty() || why.starts_with("not stored: "), "{why}");
                    refused.extend(tokens);
                }
                Kept::Trouble(why) => panic!("{why}"),
                Kept::Mended => {}
            }
        }
        assert_eq!((accepted, refused), (vec![1, 3], vec![2]));
    }
}
