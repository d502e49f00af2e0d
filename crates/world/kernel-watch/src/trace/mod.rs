//! The kernel's trace ring: an own tracefs instance, read in whole sub-buffers.
//!
//! Source: `Documentation/trace/ftrace.rst` and `kernel/trace/trace.c`.

mod instance;
mod reader;
mod ring;
mod setup;
mod task;

pub use instance::TraceInstance;
pub use setup::{TraceError, TraceSetup};
pub use task::run_trace;
