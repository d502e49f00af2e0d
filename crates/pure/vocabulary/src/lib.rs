//! The words of flipwitness as types.
//!
//! Every other crate speaks in these: a [`Witness`] is one raw observation, a [`Shot`] one window in which lines were
//! really forced, a [`Gap`] an interval in which a source was not watching, a [`SlotBook`] the DIMM slots that a run
//! knows. The crate holds values and plain rules about them. It must never read a clock, a file or a socket.

mod answer;
mod dimm;
mod expected;
mod found_by;
mod gap;
mod hidden;
mod injection;
mod latency_cell;
mod machine;
mod mc_status;
mod reporting_limits;
mod severity;
mod signal;
mod slots;
mod time;
mod witness;

pub use answer::{LooksLike, Outcome, ReportAnswer, Role, ShotAnswer, Sighted};
pub use dimm::{Dimm, Layer};
pub use expected::{Expected, Foreseen, WHOLE_PPM};
pub use found_by::FoundBy;
pub use gap::Gap;
pub use hidden::hides;
pub use injection::{At, Force, Injection, Shot, ShotKey, forced};
pub use latency_cell::{LATENCY_CELL_PART, LatencyCell};
pub use machine::{ControllerName, MachineCounts, MachineSample, MachineSettings};
pub use mc_status::{Access, McStatus};
pub use reporting_limits::{
    COLLECTOR_THRESHOLD, COLLECTOR_THRESHOLD_INTEL, FIRMWARE_DUPLICATE_NS, FIRMWARE_DUPLICATES_KEPT, FIRMWARE_PRINT_NS,
    FIRMWARE_PRINTS, collector_hides,
};
pub use severity::{Class, Severity};
pub use signal::{Signal, SignalKind, SubChannel};
pub use slots::{Blame, SlotBook, SlotEntry, SlotId, UnknownSlot};
pub use time::{ClockPair, Mono, Span, Wall};
pub use witness::{Layers, MachineCheck, Source, Witness};
