//! How the hub leaves a checkpoint, and how the next one in the same boot goes on from it.
//!
//! What makes that safe, and what must stay so:
//!
//! - **The disk holds a prefix of what the hub said.** A checkpoint is one of the hub's records, and records are stored in their
//!   order. So everything that an engine in a checkpoint on disk was given is on disk too.
//! - **An engine in a checkpoint has every witness numbered below `next_witness`, and no other.** The hub numbers a witness,
//!   records it and gives it to the engine in one go.
//! - **It has the shots of every injection numbered up to `last_injection`, and no other of this boot.** The store numbers injections
//!   in the order in which they come, and acknowledges them in that order; the hub gives them to the engine as they are
//!   acknowledged. An injection that was on disk but not acknowledged when the checkpoint was made has a greater number.
//!   A shot is known from its arrival on, before as after a restart, since the hub goes past no arrival that is not acknowledged.
//! - **A gap can be given twice.** It hides what it hid. So all gaps are given that reach to within the engine's memory of its horizon.
//! - **Answers come again, and change nothing.** An engine that is given the same inputs gives the same answers with the same report
//!   numbers; the store keeps of a shot and of a report what it was told first.
//! - **Supply rails need no checkpoint.** Their rows say all that is known of them, and are replaced with each telling; so they go on
//!   from the rows as they are on disk.
//! - **What a checkpoint's engine does not know ends the checkpoint.** A session that cannot go on from it numbers reports by itself,
//!   so it drops the checkpoint before it says anything. A run that is stopped settles everything that is open, and its last
//!   checkpoint keeps what was learned.
//!
//! Without a checkpoint the hub begins with a new engine, and with what of the boot can still matter to it: what was learned of
//! latencies and rates is then lost, and the run says so. `watch` calls [`left`] and [`Hub::resume`]; `Hub::advance` calls
//! [`Hub::checkpoint_if_due`].

use crate::hub::Hub;
use crate::settings::Settings;
use pairing::{Engine, Input, Order};
use store::{Begun, Checkpoint, Numbers, Record, Restored, Store, StoreError};
use vocabulary::{Gap, Mono, Source};

/// How often what the engine knows is kept, in time of the engine.
const EVERY_NS: i64 = 10_000_000_000;

/// What an earlier session of this boot left.
pub(crate) struct Left {
    /// What was stored and the engine must be given.
    restored: Restored,
    /// The engine that goes on; without it a new one begins.
    engine: Option<Engine>,
    /// Why what was learned is lost, if there was something to lose.
    lost: Option<String>,
    /// The supply rails as they were last told.
    rails: Vec<rails::Left>,
}

impl Left {
    /// Where numbering goes on.
    pub(crate) fn numbers(&self) -> Numbers {
        self.restored.numbers
    }
}

/// Reads what an earlier session of this boot left.
///
/// # Errors
/// When the database cannot be read, or a checkpoint that leads nowhere cannot be dropped.
pub(crate) fn left(store: &mut Store, begun: &Begun, settings: &Settings, now: Mono) -> Result<Left, StoreError> {
    let margin_ns = settings.pairing.memory_ns();
    let same_boot = begun.continued.as_ref().is_some_and(|c| c.same_boot);
    if !same_boot {
        let restored = Restored::nothing(store.numbers(begun.run)?);
        return Ok(Left { restored, engine: None, lost: None, rails: Vec::new() });
    }
    let rails = store.rails(begun.boot)?;
    let lost = match store.checkpoint(begun.boot)? {
        Some(checkpoint) => match engine_of(&checkpoint, settings, now) {
            Ok(engine) => {
                let restored = store.restore_after(begun.run, begun.boot, &checkpoint, margin_ns)?;
                return Ok(Left { restored, engine: Some(engine), lost: None, rails });
            }
            Err(why) => {
                store.forget_checkpoint(begun.boot)?;
                why
            }
        },
        None => "no checkpoint had been kept yet".to_owned(),
    };
    Ok(Left { restored: store.restore(begun.run, begun.boot, margin_ns)?, engine: None, lost: Some(lost), rails })
}

fn engine_of(checkpoint: &Checkpoint, settings: &Settings, now: Mono) -> Result<Engine, String> {
    if checkpoint.horizon > now {
        return Err("it was made at a time that has not come yet".to_owned());
    }
    let kept = pairing::Checkpoint {
        horizon: checkpoint.horizon,
        spacing_ns: checkpoint.spacing_ns,
        state: checkpoint.state.clone(),
    };
    Engine::resume(settings.pairing, &kept).map_err(|error| error.to_string())
}

impl<R> Hub<R> {
    /// Puts back what an earlier session of the run left, and marks the time since as a gap. `left` is what it left in this boot.
    pub(crate) fn resume(&mut self, slots: Vec<vocabulary::SlotEntry>, left: Option<Left>, gap: Option<Gap>) {
        let (restored, engine, lost, rails) = match left {
            Some(left) => (Some(left.restored), left.engine, left.lost, left.rails),
            None => (None, None, None, Vec::new()),
        };
        let goes_on = engine.is_some();
        if let Some(engine) = engine {
            self.engine = engine;
            self.kept_at = Some(self.engine.horizon());
        }
        for entry in slots {
            self.engine.know_slot(entry.id, entry.controller);
            self.book.restore(entry.clone());
            self.told_slots.push(entry);
        }
        self.book_changes = self.book.changes();
        self.rails.know(self.book.slots());
        self.rails.restore(rails);
        if let Some(why) = lost {
            let at = gap.as_ref().map_or_else(|| self.horizon(), |gap| gap.span.to);
            self.remark(at, false, format!("what pairing had learned before the restart is lost: {why}"));
        }
        if let Some(gap) = gap {
            self.gap(gap);
        }
        let Some(restored) = restored else { return };
        self.last_injection = restored.numbers.last_injection;
        for gap in restored.gaps {
            if gap.of != "feed" {
                self.engine.push(Input::Gap(gap));
            }
        }
        for shot in restored.shots {
            match shot.settled.filter(|_| !goes_on) {
                None => self.engine.push(Input::Shot(Order(shot.shot))),
                Some(s) => self.engine.push_settled(shot.shot, s.outcome, s.blamed, s.severity),
            }
        }
        for old in restored.witnesses {
            let sighted = self.sighted(old.id, old.known, &old.witness);
            match (old.report.filter(|_| !goes_on), sighted.source) {
                (None, _) if old.witness.is_memory_error() => self.engine.push(Input::Witness(sighted)),
                (Some(_), Source::McEvent) => self.engine.push_spent(&sighted),
                _ => {}
            }
        }
    }

    /// Keeps what the engine knows, if that was not done for a while.
    pub(super) fn checkpoint_if_due(&mut self) {
        let horizon = self.engine.horizon();
        match self.kept_at {
            // The first time that the engine has worked to: nothing was learned yet.
            None => self.kept_at = Some(horizon),
            Some(kept) if horizon.since(kept) >= EVERY_NS => self.checkpoint(),
            Some(_) => {}
        }
    }

    /// Keeps what the engine knows now.
    pub(super) fn checkpoint(&mut self) {
        let pairing::Checkpoint { horizon, spacing_ns, state } = self.engine.checkpoint();
        self.kept_at = Some(horizon);
        self.records.push(Record::Checkpoint(Box::new(Checkpoint {
            horizon,
            spacing_ns,
            next_witness: self.next_witness,
            last_injection: self.last_injection,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            state,
        })));
    }
}

#[cfg(test)]
#[path = "resume_tests.rs"]
mod tests;
