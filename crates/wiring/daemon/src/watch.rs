//! The daemon: opens everything, runs it until told to stop, closes everything.
//!
//! The order of opening is the order of trust: first the database, since without it nothing may be accepted; then the
//! kernel's files; then the feeds; last the endpoint.

use crate::capture::CaptureFiles;
use crate::config::Config;
use crate::health::Health;
use crate::hub::{Hub, resume};
use crate::keeper::{Kept, Parcel, keep};
use crate::live::{Event, Live};
use anyhow::{Context, Result, anyhow};
use feed_receive::{Feed, Transport};
use kernel_watch::edac::{CountersConfig, EdacTree};
use kernel_watch::machine::MachineConfig;
use kernel_watch::trace::{TraceInstance, TraceSetup};
use kernel_watch::{Start, SystemFacts};
use questions::RunRef;
use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;
use store::{Begun, RunKind, RunStart, Store};
use tokio::sync::{mpsc, watch};
use vocabulary::{Gap, Mono, SlotBook, Span};

/// Events that may wait for the hub.
const EVENTS: usize = 256;
/// How often the machine is looked at beside its reports, where looking is cheap.
const MACHINE_INTERVAL: Duration = Duration::from_secs(1);
/// Parcels that may wait for the store.
const PARCELS: usize = 64;

/// A daemon that is set up and not yet running.
pub struct Daemon {
    config: Config,
    live: Live,
    events: (mpsc::Sender<Event>, mpsc::Receiver<Event>),
    kept: mpsc::UnboundedReceiver<Kept>,
    keeper: std::thread::JoinHandle<Result<Store, store::StoreError>>,
    trace: Option<TraceInstance>,
    counters: CountersConfig,
    feeds: Vec<Feed>,
    listener: tokio::net::TcpListener,
    health: watch::Receiver<serde_json::Value>,
    begun: Begun,
    db: PathBuf,
    criteria: Option<verdict::Criteria>,
}

impl Daemon {
    /// Opens everything. Must be called inside a tokio runtime.
    ///
    /// # Errors
    /// When the database, a feed or the endpoint's address cannot be had. Missing kernel files are no error: what is not
    /// watched is said loudly and kept with the run.
    pub async fn open(config: Config, kind: RunKind) -> Result<Daemon> {
        let mut settings = config.settings()?;
        let specs = config.feeds()?;
        let criteria = config.criteria.read()?;
        let facts = SystemFacts::read(&config.kernel.proc)?;
        let mut store = Store::open(&config.database.path)?;
        let pair = clocks::pair();
        let now = pair.mono;
        let begun = store.begin(&RunStart {
            name: config.run.name.clone(),
            kind,
            host: Some(facts.host),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            settings_json: settings.to_json(),
            boot_id: facts.boot_id,
            kernel: facts.kernel,
            pair,
        })?;
        if let Some(kept) = begun.continued.as_ref().and_then(|c| crate::Settings::from_json(&c.settings_json))
            && kept != settings
        {
            tracing::warn!("the run goes on with the settings that it began with; the configuration's differ");
            settings = kept;
        }
        for doubt in config.doubts() {
            tracing::warn!("{doubt}");
        }
        let closed = store.close_earlier_boots(begun.run, begun.boot)?;
        if closed > 0 {
            tracing::warn!(shots = closed, "the machine went down while shots were open");
        }
        let left = resume::left(&mut store, &begun, &settings, now)?;
        let watched = begun.continued.as_ref().and_then(|c| c.watched);
        let mut hub = Hub::new(settings, SlotBook::new(), pair, Some(watched.unwrap_or(now)), left.numbers());
        let files = match &config.capture.directory {
            Some(directory) => {
                hub.capture();
                let open = CaptureFiles::open(directory);
                Some(open.with_context(|| format!("cannot write the capture to {}", directory.display()))?)
            }
            None => None,
        };
        hub.pair(pair);
        if let Some(continued) = &begun.continued {
            let why = "the daemon was not running".to_owned();
            let gap =
                watched.map(|from| Gap { span: Span::new(from, now), of: "daemon".into(), controller: None, why });
            hub.resume(continued.slots.clone(), watched.map(|_| left), gap);
            tracing::info!(run = begun.name, same_boot = continued.same_boot, "the run goes on");
        } else {
            tracing::info!(run = begun.name, "a run begins");
        }

        let counters = CountersConfig {
            interval: Duration::from_millis(config.counters.interval_ms),
            start: match &begun.continued {
                None => Start::Fresh,
                Some(c) if !c.same_boot => Start::Boot,
                Some(c) if c.counters.is_empty() => Start::Fresh,
                Some(c) => Start::Baseline(c.counters.iter().map(counter_value).collect()),
            },
        };
        // Slots must be known before the first line of a feed names one. The counters' task tells what is missing.
        if let Ok(inventory) = EdacTree::new(&config.kernel.sys).inventory() {
            for dimm in inventory.dimms {
                hub.dimm(dimm);
            }
        }
        let mut feeds = Vec::new();
        let mut unopened = BTreeSet::new();
        for spec in specs {
            if !matches!(spec.transport, Transport::Tcp(_) | Transport::Unix(_)) {
                unopened.insert(spec.name.clone());
            }
            feeds.push(Feed::bind(spec)?);
        }
        let address = config.endpoint.listen;
        let bound = tokio::net::TcpListener::bind(address).await;
        let listener = bound.with_context(|| format!("the endpoint cannot listen on {address}"))?;
        let trace = open_trace(&config, watched);
        let (health, seen) = Health::new(
            begun.name.clone(),
            now,
            trace.as_ref().map(|_| ()).map_err(Clone::clone),
            feeds.iter().map(|f| f.spec().name.to_string()).collect(),
        );

        let (parcels, parcels_in) = mpsc::channel::<Parcel>(PARCELS);
        let (told, kept) = mpsc::unbounded_channel();
        let keeper =
            std::thread::Builder::new().name("store".into()).spawn(move || keep(store, files, parcels_in, told));
        let mut live = Live {
            hub,
            health,
            parcels,
            progress: BTreeMap::new(),
            down: BTreeMap::new(),
            unopened,
            heartbeat: now,
            paired: now,
        };
        let trace = match trace {
            Ok(instance) => {
                live.progress.insert(kernel_watch::WatchSource::Trace, watched.unwrap_or(now));
                Some(instance)
            }
            Err(why) => {
                tracing::warn!("{why}");
                live.health.warning(why.clone());
                live.hub.remark(now, true, why);
                None
            }
        };
        live.progress.insert(kernel_watch::WatchSource::Counters, watched.unwrap_or(now));
        Ok(Daemon {
            db: config.database.path.clone(),
            config,
            live,
            events: mpsc::channel(EVENTS),
            kept,
            keeper: keeper.context("cannot start the store's thread")?,
            trace,
            counters,
            feeds,
            listener,
            health: seen,
            begun,
            criteria,
        })
    }

    /// The run's name.
    pub fn run_name(&self) -> &str {
        &self.begun.name
    }

    /// Where the endpoint listens.
    pub fn endpoint(&self) -> Option<SocketAddr> {
        self.listener.local_addr().ok()
    }

    /// Where each feed listens, for feeds that listen on an address.
    pub fn feed_addresses(&self) -> Vec<Option<SocketAddr>> {
        self.feeds.iter().map(Feed::local_addr).collect()
    }

    /// What `/v1/health` answers.
    pub fn health(&self) -> watch::Receiver<serde_json::Value> {
        self.health.clone()
    }

    /// Runs until `stop` becomes true, then reads what is left, settles what is open, and closes everything.
    ///
    /// # Errors
    /// When the last records could not be stored.
    pub async fn run(self, stop: watch::Receiver<bool>) -> Result<()> {
        let (events, events_in) = self.events;
        let mut sources = tokio::task::JoinSet::new();
        let tree = EdacTree::new(&self.config.kernel.sys);
        sources.spawn(kernel_watch::run_counters(tree, self.counters, events.clone(), stop.clone()));
        let machine = MachineConfig {
            sys: self.config.kernel.sys.clone(),
            proc: self.config.kernel.proc.clone(),
            interval: MACHINE_INTERVAL,
        };
        sources.spawn(kernel_watch::run_machine(machine, events.clone(), stop.clone()));
        if let Some(instance) = self.trace {
            sources.spawn(kernel_watch::run_trace(instance, events.clone(), stop.clone()));
        }
        for feed in self.feeds {
            sources.spawn(feed.run(events.clone(), stop.clone()));
        }
        drop(events);
        let run = RunRef::Number(self.begun.run);
        let served = endpoint::Served { db: self.db, run, criteria: self.criteria };
        let endpoint = tokio::spawn(endpoint::serve(self.listener, served, self.health, stop.clone()));
        let notify = tokio::spawn(crate::notify::notify(self.live.health.watch(), stop.clone()));

        let hub = self.live.run(events_in, self.kept, stop).await;
        drop(hub);
        while sources.join_next().await.is_some() {}
        let _ = notify.await;
        match endpoint.await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => tracing::error!(%error, "the endpoint ended"),
            Err(error) => tracing::error!(%error, "the endpoint ended"),
        }
        let keeper = tokio::task::spawn_blocking(move || self.keeper.join()).await?;
        keeper.map_err(|_| anyhow!("the store's thread panicked"))?.context("the last records could not be stored")?;
        Ok(())
    }
}

fn counter_value(v: &store::CounterValue) -> kernel_watch::CounterValue {
    kernel_watch::CounterValue {
        controller: v.controller,
        layers: v.layers,
        class: v.class,
        value: v.value,
        read: v.read,
    }
}

fn open_trace(config: &Config, watched: Option<Mono>) -> Result<TraceInstance, String> {
    let setup = TraceSetup {
        per_cpu_kib: config.trace.per_cpu_kib,
        total_mib: config.trace.total_mib,
        watched_until: watched,
        mc_event: config.trace.mc_event.clone(),
        mce_record: config.trace.mce_record.clone(),
    };
    TraceInstance::open(&config.kernel.tracefs, &config.trace.instance, &setup).map_err(|error| {
        format!("COUNTERS ONLY: the trace ring is not watched: {error}; to mend it, {}", error.advice())
    })
}
