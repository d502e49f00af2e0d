//! What the machine shows beside its reports: the interrupts of the machine-check layer, what the collector of corrected
//! errors took, and how everything is set. A missed shot is looked into with these.
//!
//! `sampler` reads, `task` waits and sends. Reading must cost next to nothing, and must never keep the trace ring waiting.

mod sampler;
mod task;

pub use sampler::MachineSampler;
pub use task::{MachineConfig, run_machine};
