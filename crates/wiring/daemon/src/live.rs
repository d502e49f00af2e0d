//! The live loop: one task that owns the hub and turns events into records, replies and progress.
//!
//! It decides nothing about errors or shots; it only keeps the order: everything that was received is in the hub before
//! the hub goes on, and everything the hub says is on its way to the keeper before the next wait.

use crate::health::Health;
use crate::hub::{Hub, Line};
use crate::keeper::{Kept, Parcel};
use feed_receive::{FeedEvent, ReplySender};
use kernel_watch::{KernelEvent, WatchSource};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;
use store::Record;
use tokio::sync::{mpsc, watch};
use vocabulary::Mono;

/// How many events are taken from the queue before records go out.
const PER_TURN: usize = 512;
/// How far behind the clock the hub goes on: a feed's line that was stamped is here by then.
const FEED_LAG_NS: i64 = 100_000_000;
/// How often "watched up to here" reaches the disk while nothing else does.
const HEARTBEAT_NS: i64 = 2_000_000_000;
/// How often both clocks are compared.
const PAIR_NS: i64 = 60_000_000_000;
/// The idle turn: the time by which settled answers can be late in the database.
const TURN: Duration = Duration::from_millis(100);

/// Everything that comes in.
#[derive(Debug)]
pub(crate) enum Event {
    /// From the kernel's files.
    Kernel(KernelEvent),
    /// From a feed.
    Feed(FeedEvent),
}

impl From<KernelEvent> for Event {
    fn from(event: KernelEvent) -> Event {
        Event::Kernel(event)
    }
}

impl From<FeedEvent> for Event {
    fn from(event: FeedEvent) -> Event {
        Event::Feed(event)
    }
}

/// The state of the loop.
pub(crate) struct Live {
    pub(crate) hub: Hub<ReplySender>,
    pub(crate) health: Health,
    pub(crate) parcels: mpsc::Sender<Parcel>,
    /// Up to when each watching task has told everything.
    pub(crate) progress: BTreeMap<WatchSource, Mono>,
    /// Feeds that cannot be read now: since when and why.
    pub(crate) down: BTreeMap<Arc<str>, (Mono, String)>,
    /// Feeds that were not opened yet.
    pub(crate) unopened: BTreeSet<Arc<str>>,
    pub(crate) heartbeat: Mono,
    pub(crate) paired: Mono,
}

impl Live {
    /// Works until `stop` holds true and the sources have said their last word.
    pub(crate) async fn run(
        mut self,
        mut events: mpsc::Receiver<Event>,
        mut kept: mpsc::UnboundedReceiver<Kept>,
        mut stop: watch::Receiver<bool>,
    ) -> Hub<ReplySender> {
        let mut turn = tokio::time::interval(TURN);
        turn.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut batch = Vec::with_capacity(PER_TURN);
        let mut stopping = false;
        loop {
            let before = clocks::mono();
            let mut drained = false;
            tokio::select! {
                biased;
                Some(told) = kept.recv() => self.kept(told),
                n = events.recv_many(&mut batch, PER_TURN) => {
                    if n == 0 {
                        // Every source is gone: they end only after the word to stop.
                        break;
                    }
                    drained = n < PER_TURN;
                }
                _ = turn.tick() => drained = true,
                _ = stop.wait_for(|s| *s), if !stopping => stopping = true,
            }
            while let Ok(told) = kept.try_recv() {
                self.kept(told);
            }
            for event in batch.drain(..) {
                self.event(event);
            }
            let behind = !events.is_empty();
            if drained && !behind {
                self.go_on(before);
            }
            self.send(before).await;
        }
        self.last_words(&mut kept).await;
        self.hub
    }

    /// Lets the hub work up to where every source has told everything.
    fn go_on(&mut self, now: Mono) {
        let sources = self.progress.values().copied().min().unwrap_or(now);
        self.hub.advance(sources.min(now.minus(FEED_LAG_NS)));
    }

    async fn send(&mut self, now: Mono) {
        if now.since(self.paired) >= PAIR_NS {
            self.paired = now;
            self.hub.pair(clocks::pair());
        }
        self.health.tell(now, &self.hub, &self.unread_feeds(), &self.progress);
        let mut records = self.hub.take_records();
        let captured = self.hub.take_captured();
        let beat = now.since(self.heartbeat) >= HEARTBEAT_NS;
        if records.is_empty() && captured.is_none() && !beat {
            return;
        }
        if beat {
            self.heartbeat = now;
        }
        // What is watched is what the hub has worked through; a restart takes it up from there.
        records.push(Record::Watched(self.hub.horizon()));
        if self.parcels.send(Parcel { records, captured }).await.is_err() {
            tracing::error!("the store's thread is gone");
        }
    }

    /// Feeds that nothing is read from now, each with why.
    fn unread_feeds(&self) -> Vec<String> {
        let down = self.down.iter().map(|(feed, (_, why))| format!("feed {feed}: {why}"));
        let unopened = self.unopened.iter().filter(|feed| !self.down.contains_key(*feed));
        down.chain(unopened.map(|feed| format!("feed {feed} is not open yet"))).collect()
    }

    fn kept(&mut self, told: Kept) {
        match told {
            Kept::Acks(acks) => {
                for ack in acks {
                    if let Some((to, reply)) = self.hub.ack(ack) {
                        to.send(reply);
                    }
                }
            }
            Kept::Refused { tokens, why } => {
                for token in tokens {
                    if let Some((to, reply)) = self.hub.refuse(token, &why) {
                        to.send(reply);
                    }
                }
            }
            Kept::Trouble(why) => self.health.database(Some(why)),
            Kept::Mended => self.health.database(None),
        }
    }

    fn event(&mut self, event: Event) {
        match event {
            Event::Kernel(event) => self.kernel(event),
            Event::Feed(event) => self.feed(event),
        }
    }

    fn kernel(&mut self, event: KernelEvent) {
        match event {
            KernelEvent::Witnesses(witnesses) => {
                for witness in witnesses {
                    self.hub.witness(None, witness);
                }
            }
            KernelEvent::Gap(gap) => {
                tracing::warn!(of = gap.of, controller = gap.controller, why = gap.why, "a gap: not watched");
                self.hub.gap(gap);
            }
            KernelEvent::Inventory(dimms) => {
                for dimm in dimms {
                    self.hub.dimm(dimm);
                }
                tracing::info!(slots = self.hub.slots(), "inventory read");
            }
            KernelEvent::Controllers(controllers) => {
                tracing::info!(count = controllers.len(), "memory controllers found");
                self.health.controllers(controllers.len());
            }
            KernelEvent::Remark { warning, text } => {
                if warning {
                    tracing::warn!("{text}");
                    self.health.warning(text.clone());
                } else {
                    tracing::info!("{text}");
                }
                self.hub.remark(clocks::mono(), warning, text);
            }
            KernelEvent::Progress { source, to } => {
                let known = self.progress.entry(source).or_insert(to);
                *known = to.max(*known);
            }
            KernelEvent::Machine(sample) => self.hub.machine(sample),
            KernelEvent::CounterValues(values) => {
                let kept = |v: kernel_watch::CounterValue| store::CounterValue {
                    controller: v.controller,
                    layers: v.layers,
                    class: v.class,
                    value: v.value,
                    read: v.read,
                };
                self.hub.counters(values.into_iter().map(kept).collect());
            }
        }
    }

    fn feed(&mut self, event: FeedEvent) {
        match event {
            FeedEvent::Opened { feed, .. } => {
                self.unopened.remove(&feed);
            }
            FeedEvent::Closed { .. } => {}
            FeedEvent::Lines(lines) => {
                for received in lines.lines {
                    let line = Line {
                        feed: &lines.feed,
                        injector: &received.injector,
                        unit: received.unit,
                        number: received.number,
                        arrival: lines.arrival,
                        raw: &received.raw,
                        line: received.line,
                        sent: received.sent,
                    };
                    if let Some((to, reply)) = self.hub.line(line, lines.reply.clone()) {
                        to.send(reply);
                    }
                }
            }
            FeedEvent::Bad(bad) => self.hub.bad_lines(bad.count),
            FeedEvent::Down { feed, since, why } => {
                self.down.insert(feed, (since, why));
            }
            FeedEvent::Remark(text) => {
                tracing::info!("{text}");
                self.hub.remark(clocks::mono(), false, text);
            }
            FeedEvent::Gap(gap) => {
                self.down.retain(|feed, _| !gap.why.starts_with(&format!("feed {feed}: ")));
                self.hub.gap(gap);
            }
        }
    }

    /// After the last event: what is under way gets its acknowledgement, and what is open gets its answer.
    async fn last_words(&mut self, kept: &mut mpsc::UnboundedReceiver<Kept>) {
        // The last pair says to a recording how long the run was watched.
        let pair = clocks::pair();
        let now = pair.mono;
        self.hub.pair(pair);
        self.hub.counters_told();
        self.send(now).await;
        // The keeper answers every injection that it has; a second is long for a commit and short for a shutdown.
        let patience = tokio::time::sleep(Duration::from_secs(1));
        tokio::pin!(patience);
        while self.hub.load().0 > 0 {
            tokio::select! {
                Some(told) = kept.recv() => self.kept(told),
                () = &mut patience => break,
            }
        }
        self.hub.stop(now);
        let mut records = self.hub.take_records();
        records.push(Record::Watched(now));
        records.push(Record::RunEnded { wall: clocks::wall() });
        let captured = self.hub.take_captured();
        if self.parcels.send(Parcel { records, captured }).await.is_err() {
            tracing::error!("the store's thread is gone");
        }
    }
}
