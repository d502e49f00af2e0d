//! Watches the kernel: EDAC sysfs counters, an own tracefs instance, and what else the machine shows.
//!
//! Three tasks, [`run_counters`], [`run_trace`] and [`run_machine`], send [`KernelEvent`]s into one bounded channel. What they decode and
//! decide is in `kernel-bytes`; here are only files, waiting, and the order in which things are read. Both roots (`/sys`
//! and the tracefs mount) are given, so that a directory of plain files and FIFOs is a kernel too. The crate must never
//! write below EDAC's directory, never touch the machine's common trace buffer, and never stop for an error that a later
//! read can mend: what it could not see, it sends as a gap.

#[cfg(target_endian = "big")]
compile_error!("the trace ring is read as little-endian: see kernel-bytes");

pub mod edac;
mod event;
mod facts;
mod looks;
pub mod machine;
mod preflight_facts;
mod shutdown;
pub mod trace;

pub use edac::run_counters;
pub use event::{KernelEvent, WatchSource};
pub use facts::{FactsError, SystemFacts};
pub use kernel_bytes::{CounterValue, Start};
pub use machine::run_machine;
pub use preflight_facts::{Places, machine_facts};
pub use trace::run_trace;
