//! The task that reads the trace ring.
//!
//! It sleeps until a ring has something, but never for long: the kernel may miss the wake-up for an isolated record, and
//! memory errors are just that. If the channel is full it waits; the ring is the buffer, and what overruns is a gap.

use super::instance::TraceInstance;
use super::reader::{Next, Told, TraceReader};
use crate::event::{KernelEvent, WatchSource};
use crate::shutdown;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use vocabulary::Mono;

/// The longest sleep.
const IDLE: Duration = Duration::from_millis(250);
/// After something was read: soon enough to say that nothing else came at the same time.
const FOLLOW_UP: Duration = Duration::from_millis(5);
/// Witnesses in one message.
const BATCH: usize = 1024;

/// Nobody receives any more.
struct Deserted;

/// Reads the instance until told to stop, stops the recording, reads what is left, and removes the instance. Ends early
/// only if nobody receives any more.
pub async fn run_trace<T>(instance: TraceInstance, tx: mpsc::Sender<T>, mut shutdown: watch::Receiver<bool>)
where
    T: From<KernelEvent> + Send + 'static,
{
    // Whether or not anybody still listens, the instance must go.
    let _ = watch(&instance, &tx, &mut shutdown).await;
    if let Err(error) = instance.close().await {
        let text = format!("{error}: the trace instance is left behind");
        let _ = tx.send(KernelEvent::Remark { warning: false, text }.into()).await;
    }
}

async fn watch<T: From<KernelEvent>>(
    instance: &TraceInstance,
    tx: &mpsc::Sender<T>,
    shutdown: &mut watch::Receiver<bool>,
) -> Result<(), Deserted> {
    for text in instance.missing() {
        send(tx, KernelEvent::Remark { warning: false, text: format!("not watched: {text}") }).await?;
    }
    for text in instance.remarks() {
        send(tx, KernelEvent::Remark { warning: true, text: text.clone() }).await?;
    }
    let mut reader = TraceReader::new(instance);
    let mut wait = Duration::ZERO;
    let mut told_until = Mono(i64::MIN);
    loop {
        let stop = tokio::select! {
            biased;
            () = shutdown::requested(shutdown) => true,
            () = reader.readable() => false,
            () = tokio::time::sleep(wait) => false,
        };
        if stop {
            instance.stop_recording();
        }
        let started = clocks::mono();
        let found = sweep(&mut reader, tx, started, stop).await?;
        let to = reader.told_until(started);
        if to > told_until {
            told_until = to;
            send(tx, KernelEvent::Progress { source: WatchSource::Trace, to }).await?;
        }
        if stop {
            if reader.faults() > 1 {
                let text = format!("{} sub-buffers or records of the trace ring did not decode", reader.faults());
                send(tx, KernelEvent::Remark { warning: true, text }).await?;
            }
            return Ok(());
        }
        wait = if found { FOLLOW_UP } else { IDLE };
    }
}

/// Reads everything that was stamped before `started`; whether there was anything.
async fn sweep<T: From<KernelEvent>>(
    reader: &mut TraceReader,
    tx: &mpsc::Sender<T>,
    started: Mono,
    last: bool,
) -> Result<bool, Deserted> {
    let mut told = Told::default();
    let (mut found, mut lost) = (false, false);
    for index in 0..reader.rings() {
        while reader.step(index, started, &mut told) == Next::More {
            found = true;
            lost |= !told.gaps.is_empty();
            if told.witnesses.len() >= BATCH || !told.gaps.is_empty() {
                flush(&mut told, tx).await?;
            }
        }
    }
    found |= !told.witnesses.is_empty() || !told.gaps.is_empty();
    lost |= !told.gaps.is_empty();
    reader.check(started, lost || last, &mut told);
    flush(&mut told, tx).await?;
    if let Some(fault) = reader.take_fault() {
        let text = format!("the trace ring holds what does not decode: {fault}");
        send(tx, KernelEvent::Remark { warning: true, text }).await?;
    }
    Ok(found)
}

async fn flush<T: From<KernelEvent>>(told: &mut Told, tx: &mpsc::Sender<T>) -> Result<(), Deserted> {
    for gap in std::mem::take(&mut told.gaps) {
        send(tx, KernelEvent::Gap(gap)).await?;
    }
    if !told.witnesses.is_empty() {
        let mut witnesses = std::mem::take(&mut told.witnesses);
        witnesses.sort_by_key(|w| w.span);
        send(tx, KernelEvent::Witnesses(witnesses)).await?;
    }
    Ok(())
}

async fn send<T: From<KernelEvent>>(tx: &mpsc::Sender<T>, event: KernelEvent) -> Result<(), Deserted> {
    tx.send(event.into()).await.map_err(|_| Deserted)
}
