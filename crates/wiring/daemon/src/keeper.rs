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
                let acks = one_by_one(&mut store, &mut batch);
                let _ = told.send(Kept::Acks(acks));
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

/// Stores what can be stored of a batch that the database refuses for good, so that one bad record costs only itself.
fn one_by_one(store: &mut Store, batch: &mut Vec<Record>) -> Vec<Ack> {
    let mut acks = Vec::new();
    for record in batch.drain(..) {
        match store.write(std::slice::from_ref(&record)) {
            Ok(told) => acks.extend(told),
            Err(error) => tracing::error!(%error, ?record, "refused"),
        }
    }
    acks
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
    let token = |record: &Record| match record {
        Record::Injection { token, .. } => Some(*token),
        _ => None,
    };
    let tokens = batch.iter().filter_map(token).collect();
    batch.retain(|record| token(record).is_none());
    tokens
}
