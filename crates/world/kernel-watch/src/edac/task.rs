//! The task that reads the counters at a set interval.
//!
//! [`CounterWatch`] does one round and says what is to be sent; [`run_counters`] waits, sends, and ends.

use super::reader::{CounterReader, Unread};
use super::tree::{EdacError, EdacTree};
use crate::event::{KernelEvent, WatchSource};
use crate::shutdown;
use kernel_bytes::{CounterBook, Start};
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::time::MissedTickBehavior;
use vocabulary::Mono;

/// How often the tree is looked at for controllers that came or went.
const RESCAN_NS: i64 = 1_000_000_000;
/// Every so many looks also look for objects and labels that changed.
const THOROUGH_EVERY: u32 = 10;
/// How often the counters' values are sent though none moved.
const REFRESH_NS: i64 = 10_000_000_000;

/// How the counters are watched.
#[derive(Clone, Debug)]
pub struct CountersConfig {
    /// From one round to the next.
    pub interval: Duration,
    /// What the first round's values mean.
    pub start: Start,
}

/// The state between two rounds.
pub struct CounterWatch {
    reader: CounterReader,
    book: CounterBook,
    rescan_at: Mono,
    rescans: u32,
    refresh_at: Mono,
    told_missing: bool,
}

impl CounterWatch {
    /// Watches the controllers of this tree.
    #[must_use]
    pub fn new(tree: EdacTree, start: Start) -> CounterWatch {
        CounterWatch {
            reader: CounterReader::new(tree),
            book: CounterBook::new(start),
            rescan_at: Mono::default(),
            rescans: 0,
            refresh_at: Mono::default(),
            told_missing: false,
        }
    }

    /// Makes the next round look whether controllers, objects or labels have changed, which otherwise is done once a
    /// second for controllers, and every ten seconds for the rest.
    pub fn look_again(&mut self) {
        self.rescans = 0;
        self.rescan_at = Mono::default();
    }

    /// One round: what is to be sent, in order. The last message is always the progress.
    pub fn round(&mut self) -> Vec<KernelEvent> {
        let started = clocks::mono();
        let mut out = Vec::new();
        if started >= self.rescan_at {
            self.rescan(started, &mut out);
        }
        let mut moved = false;
        let mut vanished = false;
        for controller in self.reader.controllers() {
            match self.reader.read(controller, |totals| self.book.wants_full(controller, totals)) {
                Ok(reading) => {
                    let taken = self.book.take(&reading);
                    moved |= !taken.is_empty();
                    out.extend(taken.gaps.into_iter().map(KernelEvent::Gap));
                    if !taken.witnesses.is_empty() {
                        out.push(KernelEvent::Witnesses(taken.witnesses));
                    }
                }
                Err(unread) => {
                    vanished |= unread == Unread::Gone;
                    out.extend(self.book.unread(controller, clocks::mono(), unread.why()).map(KernelEvent::Gap));
                }
            }
        }
        let present = self.reader.controllers();
        let missing: Vec<u16> = self.book.controllers().filter(|c| !present.contains(c)).collect();
        for controller in missing {
            out.extend(self.book.unread(controller, clocks::mono(), Unread::Gone.why()).map(KernelEvent::Gap));
        }
        if vanished {
            self.rescan_at = started;
        }
        if moved || started >= self.refresh_at {
            self.refresh_at = started.plus(REFRESH_NS);
            let values = self.book.values();
            if !values.is_empty() {
                out.push(KernelEvent::CounterValues(values));
            }
        }
        out.push(KernelEvent::Progress { source: WatchSource::Counters, to: self.book.end_round(started) });
        out
    }

    fn rescan(&mut self, now: Mono, out: &mut Vec<KernelEvent>) {
        self.rescan_at = now.plus(RESCAN_NS);
        let thoroughly = self.rescans.is_multiple_of(THOROUGH_EVERY);
        self.rescans = self.rescans.wrapping_add(1);
        match self.reader.rescan(thoroughly) {
            Ok(changed) => {
                self.told_missing = false;
                if changed {
                    let inventory = self.reader.inventory();
                    out.push(KernelEvent::Controllers(inventory.controllers.clone()));
                    out.push(KernelEvent::Inventory(inventory.dimms.clone()));
                }
            }
            Err(error) if !self.told_missing => {
                self.told_missing = true;
                out.push(missing(&error));
            }
            Err(_) => {}
        }
    }
}

fn missing(error: &EdacError) -> KernelEvent {
    KernelEvent::Remark { warning: true, text: format!("{error}; {}", error.advice()) }
}

/// Reads the counters until told to stop, then once more. Ends early only if nobody receives any more.
pub async fn run_counters<T>(
    tree: EdacTree,
    config: CountersConfig,
    tx: mpsc::Sender<T>,
    mut shutdown: watch::Receiver<bool>,
) where
    T: From<KernelEvent> + Send + 'static,
{
    let mut watch = CounterWatch::new(tree, config.start);
    let mut ticks = tokio::time::interval(config.interval.max(Duration::from_millis(1)));
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        let stop = tokio::select! {
            biased;
            () = shutdown::requested(&mut shutdown) => true,
            _ = ticks.tick() => false,
        };
        if stop {
            // The next daemon counts on from these values.
            watch.refresh_at = Mono::default();
        }
        for event in watch.round() {
            if tx.send(event.into()).await.is_err() {
                return;
            }
        }
        if stop {
            return;
        }
    }
}
