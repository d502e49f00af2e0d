//! EDAC in sysfs: which controllers and DIMMs there are, and what they have counted.
//!
//! Source of the names: `drivers/edac/edac_mc_sysfs.c` and `Documentation/ABI/testing/sysfs-devices-edac`. Only `dimm*`
//! and `rank*` objects are read; the older csrow nodes are gone from new kernels and say nothing more.

mod reader;
mod task;
mod tree;

pub use reader::{CounterReader, Unread};
pub use task::{CounterWatch, CountersConfig, run_counters};
pub use tree::{Controller, EdacError, EdacTree, Inventory};
