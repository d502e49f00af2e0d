//! The rehearsal: the whole, unchanged daemon on a simulated machine, with a simulated injector on its feed.
//!
//! Nothing of the daemon is replaced. It gets a temporary directory in the place of `/sys`, `/proc` and tracefs (`tree`), where
//! a machine that exists nowhere (`board`, `machine`) keeps its counters and writes raw trace pages; the injector
//! (`injector`) connects to its feed. What goes wrong is an invented list (`scenario`), drawn from a seed (`random`) and carried
//! out by `play`. What the machine really did is handed back (`truth`), so that everybody can hold the answers against it. The
//! command line calls this, and the tests of the pipeline do.

mod board;
mod injector;
mod machine;
mod play;
mod random;
mod scenario;
mod tree;
mod truth;

pub use truth::{ReportTruth, ShotTruth, SlotTruth, UnprovokedTruth};

use crate::config::{Config, FeedPart};
use crate::settings::Settings;
use crate::watch::Daemon;
use anyhow::{Context, Result, bail};
use injector::Injector;
use machine::Machine;
use play::{Played, is_stopped_within, play, stopped};
use questions::{RunRef, Snapshot};
use random::Random;
use scenario::Plan;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;
use store::RunKind;
use tokio::sync::watch;
use tree::Tree;

/// The shortest window: reports take up to 40 ms, and a busy machine some more.
const LEAST_WINDOW: Duration = Duration::from_millis(500);
/// How long the daemon may take to find the slots: it looks for them at once, but the machine may be busy.
const PATIENCE: Duration = Duration::from_secs(30);
/// Often, so that a rehearsal of some seconds shows what pings are good for.
const PING_MS: u64 = 1000;
/// For the ways between the daemon's tasks, on top of the time by which an answer is due.
const SLACK: Duration = Duration::from_millis(600);

/// What to rehearse. The defaults of [`RehearseOrder::new`] make the rehearsal that the documentation shows.
#[derive(Clone, Debug)]
pub struct RehearseOrder {
    /// The database, made if it is not there.
    pub db: PathBuf,
    /// The run's name; the date names it otherwise.
    pub run: Option<String>,
    /// How long injections are made, about; the answers need [`Rehearsal::settling`] more. One round of the scenario, which is
    /// two and a half windows, is the least.
    pub seconds: u64,
    /// Another seed is another list of the same habits.
    pub seed: u64,
    /// Where the JSON endpoint listens meanwhile.
    pub listen: SocketAddr,
    /// Where both streams are written in the replay format.
    pub capture: Option<PathBuf>,
    /// How long after a shot a report is still the shot's: half a second or more. All distances follow it.
    pub window: Duration,
    /// A report later than this is late.
    pub deadline: Option<Duration>,
}

impl RehearseOrder {
    /// Twenty seconds into this database, with seed 1, a window of 1 s, a deadline of 250 ms, and the endpoint on a free port
    /// of loopback.
    #[must_use]
    pub fn new(db: PathBuf) -> RehearseOrder {
        RehearseOrder {
            db,
            run: None,
            seconds: 20,
            seed: 1,
            listen: SocketAddr::from(([127, 0, 0, 1], 0)),
            capture: None,
            window: Duration::from_secs(1),
            deadline: Some(Duration::from_millis(250)),
        }
    }
}

/// What a rehearsal was, and what the simulated machine really did.
#[derive(Clone, PartialEq, Debug)]
pub struct Rehearsed {
    /// The run's name in the database.
    pub run: String,
    /// The database.
    pub db: PathBuf,
    /// Where the endpoint listened.
    pub endpoint: SocketAddr,
    /// What the answers depended on besides the inputs: a replay with these gives the same answers.
    pub settings: Settings,
    /// What happened at each slot, in the order of the slots.
    pub slots: Vec<SlotTruth>,
    /// What became of each shot, in order.
    pub shots: Vec<ShotTruth>,
    /// The reports that belong to no shot, in order.
    pub unprovoked: Vec<UnprovokedTruth>,
    /// Whether it was stopped early: shots whose window was still open are then unknowable.
    pub cut_short: bool,
}

/// A rehearsal that is set up and not yet running.
pub struct Rehearsal {
    daemon: Daemon,
    machine: Machine,
    plan: Plan,
    endpoint: SocketAddr,
    settings: Settings,
    db: PathBuf,
    tree: Tree,
    // The last field, so that everything else is gone when the directory is removed.
    root: tempfile::TempDir,
}

/// Opens a rehearsal and runs it.
///
/// # Errors
/// Those of [`Rehearsal::open`] and [`Rehearsal::run`].
pub async fn rehearse(order: &RehearseOrder, stop: watch::Receiver<bool>) -> Result<Rehearsed> {
    Rehearsal::open(order).await?.run(stop).await
}

impl Rehearsal {
    /// Makes the simulated machine and opens the daemon on it. Must be called inside a tokio runtime.
    ///
    /// # Errors
    /// When the window is too short, the database has a run of that name, or the daemon cannot be opened.
    pub async fn open(order: &RehearseOrder) -> Result<Rehearsal> {
        if order.window < LEAST_WINDOW {
            bail!("a rehearsal needs a window of {} ms or more", LEAST_WINDOW.as_millis());
        }
        let wall = clocks::wall();
        let name = order.run.clone().unwrap_or_else(|| format!("rehearsal-{}", wall.compact()));
        if has_run(&order.db, &name) {
            bail!("{} has a run named {name:?} already: a rehearsal is always a new run", order.db.display());
        }
        let root = tempfile::Builder::new().prefix("flipwitness-rehearsal-").tempdir();
        let root = root.context("cannot make a directory for the simulated machine")?;
        let mut config = Config::default();
        // The time tells boots apart; everything else comes from the order's seed.
        let tree = Tree::make(root.path(), &config.trace.instance, &boot_id(&mut Random::new(wall.0.unsigned_abs())))
            .context("cannot make the simulated machine's files")?;
        config.run.name = Some(name);
        config.database.path = order.db.clone();
        config.endpoint.listen = order.listen;
        (config.kernel.sys, config.kernel.tracefs, config.kernel.proc) = (tree.sys(), tree.tracefs(), tree.proc());
        config.pairing.window_ms = millis(order.window);
        config.pairing.deadline_ms = order.deadline.map(millis);
        config.capture.directory = order.capture.clone();
        let from = format!("unix:{}", tree.feed().display());
        config.feed = vec![FeedPart { name: Some("injector".to_owned()), ping_ms: PING_MS, ..FeedPart::of(from) }];
        let settings = config.settings()?;
        let machine = Machine::start(&tree, Random::new(order.seed))?;
        let daemon = Daemon::open(config, RunKind::Rehearse).await?;
        let endpoint = daemon.endpoint().context("the endpoint has no address")?;
        let plan = Plan {
            seed: order.seed,
            length: Duration::from_secs(order.seconds),
            window: order.window,
            deadline: order.deadline,
        };
        Ok(Rehearsal { daemon, machine, plan, endpoint, settings, db: order.db.clone(), tree, root })
    }

    /// The run's name.
    #[must_use]
    pub fn run_name(&self) -> &str {
        self.daemon.run_name()
    }

    /// Where the endpoint listens.
    #[must_use]
    pub fn endpoint(&self) -> SocketAddr {
        self.endpoint
    }

    /// How long after the last injection the last answer is due.
    #[must_use]
    pub fn settling(&self) -> Duration {
        let pairing = self.settings.pairing;
        let ns = pairing.window_ns.saturating_add(pairing.settle_ns());
        Duration::from_nanos(u64::try_from(ns).unwrap_or(0)) + scenario::HOLD + SLACK
    }

    /// Plays the scenario, waits until everything is settled, stops the daemon, and removes the simulated machine. When `stop`
    /// becomes true, it ends early in the same order, and without the waiting.
    ///
    /// # Errors
    /// When the daemon ends or refuses something, or a file cannot be written.
    pub async fn run(self, mut stop: watch::Receiver<bool>) -> Result<Rehearsed> {
        let settling = self.settling();
        let Rehearsal { daemon, mut machine, plan, endpoint, settings, db, tree, root } = self;
        let run = daemon.run_name().to_owned();
        let health = daemon.health();
        let (halt, halted) = watch::channel(false);
        let daemon = tokio::spawn(daemon.run(halted));
        let played = async {
            tokio::select! {
                ready = is_ready(health) => ready?,
                () = stopped(&mut stop) => return Ok(Played { cut_short: true, ..Played::default() }),
            }
            let mut injector = Injector::connect(&tree.feed()).await?;
            let mut played = play(plan, &mut injector, &mut machine, &mut stop).await?;
            injector.bye().await?;
            if !played.cut_short {
                played.cut_short = is_stopped_within(settling, &mut stop).await;
            }
            anyhow::Ok(played)
        }
        .await;
        // It may have ended by itself; then its reason is the one to tell, since the injector only saw the line break.
        let _ = halt.send(true);
        daemon.await.context("the daemon broke off")??;
        let played = played?;
        drop(machine);
        root.close().context("cannot remove the simulated machine's files")?;
        Ok(Rehearsed {
            run,
            db,
            endpoint,
            settings,
            slots: truth::by_slot(&played.shots, &played.unprovoked, &played.outside),
            shots: played.shots,
            unprovoked: played.unprovoked,
            cut_short: played.cut_short,
        })
    }
}

/// Whether the database has a run of that name. What is wrong with the database is told when it is opened.
fn has_run(db: &Path, name: &str) -> bool {
    store::open_read(db).is_ok_and(|open| Snapshot::of(&open, &RunRef::Name(name.to_owned())).is_ok())
}

/// Waits until the daemon has found the slots: an injection before that would name one that it does not know.
async fn is_ready(mut health: watch::Receiver<serde_json::Value>) -> Result<()> {
    let knows = |health: &serde_json::Value| {
        health.get("ready").and_then(serde_json::Value::as_bool) == Some(true)
            && health.get("slots").and_then(serde_json::Value::as_u64) == Some(board::SLOTS.len() as u64)
    };
    // Bound first, since the answer borrows the receiver.
    let waited = tokio::time::timeout(PATIENCE, health.wait_for(knows)).await.map(|seen| seen.is_ok());
    match waited {
        Ok(true) => Ok(()),
        Ok(false) => bail!("the daemon ended before it was ready"),
        Err(_) => bail!("the daemon does not get ready on the simulated machine; it says {}", *health.borrow()),
    }
}

/// A random UUID, as the kernel's `random/boot_id` is one.
fn boot_id(random: &mut Random) -> String {
    let (a, b) = (random.next(), random.next());
    format!(
        "{:08x}-{:04x}-4{:03x}-{:04x}-{:012x}",
        a >> 32,
        (a >> 16) & 0xffff,
        a & 0xfff,
        0x8000 | ((b >> 48) & 0x3fff),
        b & 0xffff_ffff_ffff
    )
}

fn millis(duration: Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn boot_ids_are_random_uuids() {
        // RFC 9562 section 5.4: version 4 in the third group, variant 8, 9, a or b in the fourth.
        let mut random = Random::new(3);
        for _ in 0..100 {
            let id = boot_id(&mut random);
            let groups: Vec<&str> = id.split('-').collect();
            assert_eq!(groups.iter().map(|g| g.len()).collect::<Vec<_>>(), [8, 4, 4, 4, 12]);
            assert!(groups[2].starts_with('4') && groups[3].starts_with(['8', '9', 'a', 'b']), "{id}");
        }
    }
}
