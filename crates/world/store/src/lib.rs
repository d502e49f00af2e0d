//! The SQLite database of a run: schema, migrations, the one writer.
//!
//! [`Store`] is the writing side: one per database, held by the daemon on a thread of its own, since every call blocks
//! until the data is on disk. [`open_read`] is the asking side: it never creates and never changes anything, and any
//! number of askers may work while the daemon writes. The tables are in `schema.sql`, in words in `docs/database.md`.
//!
//! The crate stores answers and never makes any: what a shot's outcome is comes from pairing. It reads no clock; every
//! time is in the records. It asks no questions for people either: those are views and the crate `questions`.

mod checkpoint;
mod codec;
mod error;
#[cfg(test)]
mod full_disk_tests;
mod lock;
mod open;
mod rails;
mod record;
mod restore;
mod run;
mod schema;
mod totals;
mod write;

pub use checkpoint::Checkpoint;
pub use error::StoreError;
pub use open::{Store, open_read, quick_check};
pub use record::{Ack, CounterValue, Record};
pub use restore::{Numbers, OpenBefore, Restored, RestoredShot, RestoredWitness, Settled, shot_name};
pub use run::{Begun, Continued, RunKind, RunStart};
pub use schema::{APPLICATION_ID, SCHEMA_VERSION};
pub use totals::RECOUNT;
