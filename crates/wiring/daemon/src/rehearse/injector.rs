//! The simulated injector: speaks to the daemon's feed as any injector would, by docs/feed.md and nothing else.
//!
//! It gives one order at a time and waits until it is accepted. Whether the lines are then forced, and what the machine
//! makes of that, is not its matter: `play` sees to it.

use super::scenario::{Fire, HOLD, Supply};
use anyhow::{Context, Result, bail};
use feed_lines::Reply;
use serde_json::{Value, json};
use std::path::Path;
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, Lines};
use tokio::net::UnixStream;
use tokio::net::unix::{OwnedReadHalf, OwnedWriteHalf};
use vocabulary::Mono;

/// The injector's name.
pub(super) const WHO: &str = "simulated-injector";
/// From one reading of its clock to the next.
const TICK_NS: i64 = 1_000_000_000;
/// How long an answer may take: a slow disk needs tenths of a second, a busy machine more.
const PATIENCE: Duration = Duration::from_secs(30);

/// A connection to the feed.
pub(super) struct Injector {
    replies: Lines<BufReader<OwnedReadHalf>>,
    orders: OwnedWriteHalf,
    /// When its clock began to count.
    switched_on: Mono,
    ticked: Mono,
}

impl Injector {
    /// Connects, says who it is and shows its clock.
    ///
    /// # Errors
    /// When the feed cannot be connected to.
    pub(super) async fn connect(feed: &Path) -> Result<Injector> {
        let stream = UnixStream::connect(feed).await;
        let (read, orders) = stream.context("the simulated injector cannot connect to the feed")?.into_split();
        let switched_on = clocks::mono();
        let mut injector = Injector { replies: BufReader::new(read).lines(), orders, switched_on, ticked: switched_on };
        injector.say(json!({ "type": "hello", "who": WHO, "unit": "us" })).await?;
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
        self.say(order).await?;
        let answer = tokio::time::timeout(PATIENCE, self.answer_to(id)).await;
        answer.with_context(|| format!("the daemon has not answered to injection {id}"))?
    }

    /// Tells of a supply.
    ///
    /// # Errors
    /// When the connection is broken.
    pub(super) async fn supply(&mut self, supply: Supply) -> Result<()> {
        let Supply { slot, millivolts, .. } = supply;
        self.say(json!({ "type": "rail", "name": "VDD", "slot": slot.label(), "millivolts": millivolts })).await
    }

    /// Says that nothing more will come.
    ///
    /// # Errors
    /// When the connection is broken.
    pub(super) async fn bye(mut self) -> Result<()> {
        self.say(json!({ "type": "bye", "why": "the rehearsal is over" })).await
    }

    async fn answer_to(&mut self, id: &str) -> Result<Mono> {
        loop {
            let line = self.replies.next_line().await?.context("the daemon has closed the feed")?;
            match serde_json::from_str(&line).with_context(|| format!("the daemon says {line:?}"))? {
                Reply::Accepted { id: of, t_ns, .. } if of == id => return Ok(t_ns),
                Reply::Accepted { .. } | Reply::Ping { .. } => {}
                Reply::Rejected { why, .. } => bail!("the daemon rejects injection {id}: {why}"),
            }
        }
    }

    async fn tick(&mut self, now: Mono) -> Result<()> {
        self.ticked = now;
        self.say(json!({ "type": "tick", "t": now.since(self.switched_on) / 1000 })).await
    }

    async fn say(&mut self, line: Value) -> Result<()> {
        let sent = self.orders.write_all(format!("{line}\n").as_bytes()).await;
        sent.context("the simulated injector's connection is broken")
    }
}

fn micros(duration: Duration) -> u64 {
    u64::try_from(duration.as_micros()).unwrap_or(u64::MAX)
}
