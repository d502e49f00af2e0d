//! What `/v1/health` answers: made here from the live loop's state, at most once a second and at every change of
//! readiness.
//!
//! Ready means that every part is: the database is written, the kernel is watched by at least the counters, every feed is
//! open.

use crate::hub::Hub;
use kernel_watch::WatchSource;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use tokio::sync::watch;
use vocabulary::Mono;

const EVERY_NS: i64 = 1_000_000_000;

/// Collects and tells.
pub(crate) struct Health {
    run: String,
    /// When the daemon began: what was read before is not this daemon's reading.
    began: Mono,
    out: watch::Sender<Value>,
    told: Option<(Mono, bool)>,
    database: Option<String>,
    controllers: usize,
    trace: Result<(), String>,
    feeds: Vec<String>,
    warnings: Vec<String>,
}

impl Health {
    /// Nothing is ready yet. `trace` says why the trace ring is not watched, if it is not.
    pub(crate) fn new(
        run: String,
        began: Mono,
        trace: Result<(), String>,
        feeds: Vec<String>,
    ) -> (Health, watch::Receiver<Value>) {
        let (out, seen) = watch::channel(json!({ "ready": false, "run": run, "why": ["starting"] }));
        let health =
            Health { run, began, out, told: None, database: None, controllers: 0, trace, feeds, warnings: Vec::new() };
        (health, seen)
    }

    /// What is told.
    pub(crate) fn watch(&self) -> watch::Receiver<Value> {
        self.out.subscribe()
    }

    /// The database cannot be written, or can again.
    pub(crate) fn database(&mut self, trouble: Option<String>) {
        self.database = trouble;
        self.told = None;
    }

    /// How many memory controllers there are.
    pub(crate) fn controllers(&mut self, count: usize) {
        self.controllers = count;
        self.told = None;
    }

    /// Something that limits what the run's numbers prove.
    pub(crate) fn warning(&mut self, text: String) {
        if !self.warnings.contains(&text) && self.warnings.len() < 32 {
            self.warnings.push(text);
        }
        self.told = None;
    }

    /// Tells the state, if a second has passed or readiness has changed. Answers whether everything is ready.
    pub(crate) fn tell<R>(
        &mut self,
        now: Mono,
        hub: &Hub<R>,
        unread_feeds: &[String],
        progress: &BTreeMap<WatchSource, Mono>,
    ) -> bool {
        let mut why: Vec<String> = Vec::new();
        if let Some(trouble) = &self.database {
            why.push(format!("the database cannot be written: {trouble}"));
        }
        let unread = |source| progress.get(&source).is_none_or(|to| *to <= self.began);
        if unread(WatchSource::Counters) {
            why.push("the counters have not been read yet".into());
        }
        if self.trace.is_ok() && unread(WatchSource::Trace) {
            why.push("the trace ring has not been read yet".into());
        }
        why.extend_from_slice(unread_feeds);
        let ready = why.is_empty();
        let due = self.told.is_none_or(|(at, was)| was != ready || now.since(at) >= EVERY_NS);
        if due {
            self.told = Some((now, ready));
            let (storing, (shots, reports, gaps)) = hub.load();
            let trace = match &self.trace {
                Ok(()) => json!({ "watched": true }),
                Err(why) => json!({ "watched": false, "why": why }),
            };
            let lag = |source| progress.get(&source).map(|to| now.since(*to));
            // Nobody may be listening, which is fine.
            let _ = self.out.send(json!({
                "ready": ready,
                "why": why,
                "run": self.run,
                "now_ns": now,
                "settled_to_ns": hub.horizon(),
                "controllers": self.controllers,
                "slots": hub.slots(),
                "trace": trace,
                "trace_lag_ns": lag(WatchSource::Trace),
                "counters_lag_ns": lag(WatchSource::Counters),
                "feeds": self.feeds,
                "counts": hub.counts(),
                "held": { "injections_not_stored_yet": storing, "shots": shots, "reports": reports, "gaps": gaps },
                "warnings": self.warnings,
            }));
        }
        ready
    }
}
