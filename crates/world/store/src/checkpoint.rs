//! What the pairing engine left behind in a boot, and what came after it.
//!
//! The store keeps a checkpoint as it is given and never looks into its state. It is written in its turn among the other
//! records: once it is on disk, so is everything that was handed over before it. Which inputs an engine that goes on from it must
//! be given again follows from its numbers ([`Store::restore_after`]); the daemon's module `resume` says why that is enough.

use crate::restore::{self, Restored};
use crate::{Store, StoreError};
use rusqlite::{OptionalExtension, params};
use vocabulary::Mono;

/// The newest checkpoint of a boot.
#[derive(Clone, PartialEq, Debug)]
pub struct Checkpoint {
    /// Up to when the engine had worked.
    pub horizon: Mono,
    /// The shortest time between two shots at one slot, in nanoseconds, at which their reports are told apart; nothing while
    /// too little is known.
    pub spacing_ns: Option<i64>,
    /// The engine has every witness of the boot with a smaller number.
    pub next_witness: i64,
    /// The engine has the shots of every injection of the boot up to this number.
    pub last_injection: i64,
    /// The version of the program that made it.
    pub version: String,
    /// The engine, in a form of its own.
    pub state: Vec<u8>,
}

impl Store {
    /// The newest checkpoint of a boot, if one was kept.
    ///
    /// # Errors
    /// What kept it from being read.
    pub fn checkpoint(&self, boot: i64) -> Result<Option<Checkpoint>, StoreError> {
        let read = |r: &rusqlite::Row<'_>| {
            Ok(Checkpoint {
                horizon: Mono(r.get(0)?),
                spacing_ns: r.get(1)?,
                next_witness: r.get(2)?,
                last_injection: r.get(3)?,
                version: r.get(4)?,
                state: r.get(5)?,
            })
        };
        let sql = "SELECT horizon_ns, spacing_ns, next_witness, last_injection, version, state FROM checkpoint WHERE boot = ?1";
        self.conn.query_row(sql, [boot], read).optional().map_err(|e| StoreError::sort(&self.path, e))
    }

    /// Drops the checkpoint of a boot that goes on without it: what is numbered from now on is not what the checkpoint's engine
    /// would number.
    ///
    /// # Errors
    /// What kept it from being stored.
    pub fn forget_checkpoint(&mut self, boot: i64) -> Result<(), StoreError> {
        let done = self.conn.execute("DELETE FROM checkpoint WHERE boot = ?1", [boot]);
        done.map(drop).map_err(|e| StoreError::sort(&self.path, e))
    }

    /// What an engine that goes on from the checkpoint has not been given: shots and witnesses that came after it, settled since
    /// or not, and all gaps that reach to within `margin_ns` of its horizon. Reads only what is new, however long the boot is.
    ///
    /// # Errors
    /// What kept it from being read.
    pub fn restore_after(
        &self,
        run: i64,
        boot: i64,
        checkpoint: &Checkpoint,
        margin_ns: i64,
    ) -> Result<Restored, StoreError> {
        let ask = || -> rusqlite::Result<Restored> {
            let tx = self.conn.unchecked_transaction()?;
            Ok(Restored {
                shots: restore::shots(&tx, "h.injection > ?2", params![boot, checkpoint.last_injection])?,
                witnesses: restore::witnesses(&tx, "witness >= ?2", params![boot, checkpoint.next_witness])?,
                gaps: restore::gaps(&tx, boot, checkpoint.horizon.minus(margin_ns))?,
                numbers: restore::numbers(&tx, run)?,
            })
        };
        ask().map_err(|e| StoreError::sort(&self.path, e))
    }
}
