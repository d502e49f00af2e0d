//! The simulated injector: speaks to the daemon's feed as any injector would, by docs/feed.md and nothing else.
//!
//! It gives one order at a time and waits until it is accepted; meanwhile it answers pings. Whether the lines are then forced, and
//! what the machine makes of that, is not its matter: `play` sees to it.

use super::scenario::{Fire, HOLD, Supply};
use anyhow::{Context, Result, bail};
use feed_lines::Reply;
use serde_json::{Value, json};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, Lines};
use tokio::net::UnixStream;
use tokio::net::unix::{OwnedReadHalf, OwnedWriteHalf};
use tokio::sync::{Mutex, mpsc};
use tokio::task::JoinSet;
use vocabulary::Mono;

/// The injector's name.
pub(super) const WHO: &str = "simulated-injector";
/// From one reading of its clock to the next.
const TICK_NS: i64 = 1_000_000_000;
/// By how much its simulated crystal is fast, in parts per million.
const FAST_PPM: i64 = 12;
/// How long an answer may take: a slow disk needs tenths of a second, a busy machine more.
const PATIENCE: Duration = Duration::from_secs(30);
/// Answers that may wait to be read; there is one for each order.
const ANSWERS: usize = 16;

/// A connection to the feed.
pub(super) struct Injector {
    /// What was answered to orders.
    answers: mpsc::Receiver<Result<Reply>>,
    orders: Orders,
    ticked: Mono,
    /// Reads the replies and answers pings; ends with the injector.
    _reader: JoinSet<()>,
}

/// The injector's clock and its way to the daemon.
#[derive(Clone)]
struct Orders {
    line: Arc<Mutex<OwnedWriteHalf>>,
    /// When its clock began to count.
    switched_on: Mono,
}

impl Injector {
    /// Connects, says who it is and shows its clock.
    ///
    /// # Errors
    /// When the feed cannot be connected to.
    pub(super) async fn connect(feed: &Path) -> Result<Injector> {
        let stream = UnixStream::connect(feed).await;
        let (read, write) = stream.context("the simulated injector cannot connect to the feed")?.into_split();
        let switched_on = clocks::mono();
        let orders = Orders { line: Arc::new(Mutex::new(write)), switched_on };
        let (told, answers) = mpsc::channel(ANSWERS);
        let mut reader = JoinSet::new();
        reader.spawn(read_replies(BufReader::new(read).lines(), orders.clone(), told));
        let mut injector = Injector { answers, orders, ticked: switched_on, _reader: reader };
        injector.orders.say(|_| json!({ "type": "hello", "who": WHO, "unit": "us" })).await?;
        injector.tick(switched_on).await?;
        Ok(injector)
    }

    /// Gives an order, and answers with when the daemon says that it arrived.
    ///
    /// # Errors
    /// When the order is rejected, or no answer comes.
    pub(super) async fn order(&mut self, id: &str, fire: &Fire) -> Result<Mono> {
        let now = clocks::mono();
        if now.since(self.ticked) >= TICK_NS {
            self.tick(now).await?;
        }
        let mut order = json!({
            "type": "injection", "id": id, "at": fire.slot.label(), "lines": [fire.line], "force": "invert",
            "hold_us": micros(HOLD),
        });
        if let (true, Some(order)) = (fire.shots > 1, order.as_object_mut()) {
            order.insert("shots".to_owned(), fire.shots.into());
            order.insert("spacing_us".to_owned(), micros(fire.spacing).into());
        }
        self.orders.say(|_| order).await?;
        let answer = tokio::time::timeout(PATIENCE, self.answer_to(id)).await;
        answer.with_context(|| format!("the daemon has not answered to injection {id}"))?
    }

    /// Tells of a supply.
    ///
    /// # Errors
    /// When the connection is broken.
    pub(super) async fn supply(&mut self, supply: Supply) -> Result<()> {
        let Supply { slot, millivolts, .. } = supply;
        let reading = json!({ "type": "rail", "name": "VDD", "slot": slot.label(), "millivolts": millivolts });
        self.orders.say(|_| reading).await
    }

    /// Says that nothing more will come.
    ///
    /// # Errors
    /// When the connection is broken.
    pub(super) async fn bye(self) -> Result<()> {
        self.orders.say(|_| json!({ "type": "bye", "why": "the rehearsal is over" })).await
    }

    async fn answer_to(&mut self, id: &str) -> Result<Mono> {
        loop {
            match self.answers.recv().await.context("the daemon has closed the feed")?? {
                Reply::Accepted { id: of, t_ns, .. } if of == id => return Ok(t_ns),
                Reply::Accepted { .. } | Reply::Ping { .. } => {}
                Reply::Rejected { why, .. } => bail!("the daemon rejects injection {id}: {why}"),
            }
        }
    }

    async fn tick(&mut self, now: Mono) -> Result<()> {
        self.ticked = now;
        self.orders.say(|t| json!({ "type": "tick", "t": t })).await
    }
}

impl Orders {
    /// What the injector's clock shows.
    fn ticks(&self, now: Mono) -> i64 {
        let on = now.since(self.switched_on);
        (on + on / 1_000_000 * FAST_PPM) / 1000
    }

    /// Sends a line that is made with what the clock shows then: no other line goes out in between.
    async fn say(&self, line: impl FnOnce(i64) -> Value) -> Result<()> {
        let mut way = self.line.lock().await;
        let line = line(self.ticks(clocks::mono()));
        let sent = way.write_all(format!("{line}\n").as_bytes()).await;
        sent.context("the simulated injector's connection is broken")
    }
}

/// Answers pings at once, and hands everything else on, until the daemon closes the feed.
async fn read_replies(mut replies: Lines<BufReader<OwnedReadHalf>>, orders: Orders, told: mpsc::Sender<Result<Reply>>) {
    while let Ok(Some(line)) = replies.next_line().await {
        let received = orders.ticks(clocks::mono());
        let read = serde_json::from_str(&line).with_context(|| format!("the daemon says {line:?}"));
        let done = match read {
            Ok(Reply::Ping { n, .. }) => {
                let pong = |t| json!({ "type": "pong", "n": n, "received": received, "t": t });
                orders.say(pong).await.is_ok()
            }
            other => told.send(other).await.is_ok(),
        };
        if !done {
            return;
        }
    }
}

fn micros(duration: Duration) -> u64 {
    u64::try_from(duration.as_micros()).unwrap_or(u64::MAX)
}
