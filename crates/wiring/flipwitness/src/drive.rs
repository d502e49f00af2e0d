//! The commands that drive the pipeline: live, replayed, rehearsed.

use crate::ask;
use crate::cli::{Limits, Rehearse, Replay, Watch};
use crate::rehearsed;
use anyhow::{Context, Result};
use daemon::{Config, Daemon, FeedPart, Rehearsal, RehearseOrder, ReplayOrder};
use questions::{RunRef, Snapshot, slots_table};
use std::net::SocketAddr;
use std::time::Duration;
use store::RunKind;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::watch;

pub(crate) fn watch(order: Watch) -> Result<()> {
    let mut config = Config::load(order.config.as_deref())?;
    limits(&mut config, &order.limits);
    if let Some(db) = order.db {
        config.database.path = db;
    }
    if let Some(listen) = order.listen {
        config.endpoint.listen = listen;
    }
    if !order.feed.is_empty() {
        config.feed = order.feed.into_iter().map(FeedPart::of).collect();
    }
    config.run.name = order.run.or(config.run.name);
    config.capture.directory = order.capture.or(config.capture.directory);
    on_runtime(async move {
        let stop = stop_on_signal()?;
        let daemon = Daemon::open(config, RunKind::Watch).await?;
        if let Some(address) = daemon.endpoint() {
            tracing::info!("the endpoint is at http://{address}/v1/health");
        }
        daemon.run(stop).await
    })
}

pub(crate) fn replay(order: Replay) -> Result<()> {
    let mut config = match &order.config {
        Some(path) => Config::load(Some(path))?,
        None => Config::default(),
    };
    limits(&mut config, &order.limits);
    let done = daemon::replay(&ReplayOrder {
        feed: order.feed,
        witnesses: order.witnesses,
        db: order.db.clone(),
        run: order.run,
        settings: config.settings()?,
    })?;
    for (file, refused) in [("feed", &done.refused_feed), ("witness", &done.refused_witnesses)] {
        for why in &refused.first {
            tracing::warn!("{file} file: {why}");
        }
        if refused.count > 0 {
            tracing::warn!("{file} file: {} lines were refused", refused.count);
        }
    }
    let db = order.db.display();
    tracing::info!("replayed as run {:?}; ask: flipwitness slots --db {db}", done.run);
    Ok(())
}

pub(crate) fn rehearse(order: Rehearse) -> Result<()> {
    let db = match order.db {
        Some(db) => db,
        None => std::env::temp_dir().join(format!("flipwitness-rehearsal-{}.db", std::process::id())),
    };
    let mut plan = RehearseOrder::new(db.clone());
    plan.seconds = order.seconds;
    plan.seed = order.seed;
    plan.capture = order.capture;
    plan.listen = order.listen.unwrap_or_else(usual_or_free_port);
    let done = on_runtime(async move {
        let stop = stop_on_signal()?;
        let rehearsal = Rehearsal::open(&plan).await?;
        let settling = rehearsal.settling().as_secs_f64().ceil() as u64;
        ask::say(&rehearsed::before(plan.seconds + settling, rehearsal.endpoint()))?;
        rehearsal.run(stop).await
    })?;
    let connection = store::open_read(&done.db)?;
    let snapshot = Snapshot::of(&connection, &RunRef::Name(done.run.clone()))?;
    let rows = snapshot.slots()?;
    ask::say(&slots_table(&rows, &snapshot.run_summary()?))?;
    ask::say(&rehearsed::after(&done, &rows))
}

/// The endpoint's usual address, or any free port where another program has that.
fn usual_or_free_port() -> SocketAddr {
    let usual = Config::default().endpoint.listen;
    match std::net::TcpListener::bind(usual) {
        Ok(_) => usual,
        Err(_) => SocketAddr::new(usual.ip(), 0),
    }
}

pub(crate) fn limits(config: &mut Config, limits: &Limits) {
    let ms = |d: Duration| u64::try_from(d.as_millis()).unwrap_or(u64::MAX);
    if let Some(window) = limits.window {
        config.pairing.window_ms = ms(window);
    }
    config.pairing.deadline_ms = limits.deadline.map(ms).or(config.pairing.deadline_ms);
}

/// One thread is enough: the store has its own, and the database is read on the blocking pool.
fn on_runtime<T>(work: impl Future<Output = Result<T>>) -> Result<T> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .max_blocking_threads(4)
        .build()
        .context("cannot start the runtime")?;
    let done = runtime.block_on(work);
    // A full pipe on stdout must not hold up the end.
    runtime.shutdown_timeout(Duration::from_millis(200));
    done
}

/// Becomes true at SIGTERM or SIGINT. A second signal ends the process at once.
fn stop_on_signal() -> Result<watch::Receiver<bool>> {
    let (stop, stopped) = watch::channel(false);
    let mut term = signal(SignalKind::terminate()).context("cannot listen for SIGTERM")?;
    let mut interrupt = signal(SignalKind::interrupt()).context("cannot listen for SIGINT")?;
    tokio::spawn(async move {
        for second in [false, true] {
            tokio::select! {
                _ = term.recv() => {}
                _ = interrupt.recv() => {}
            }
            if second {
                tracing::error!("stopped at once: what was not stored yet is lost");
                std::process::exit(1);
            }
            tracing::info!("stopping: reading what is left");
            // The receiver lives as long as the daemon runs.
            let _ = stop.send(true);
        }
    });
    Ok(stopped)
}
