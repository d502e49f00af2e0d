//! Decodes what the kernel hands out: trace ring pages, event formats, EDAC attribute text.
//!
//! Bytes and text go in, values come out. The way of a trace event: [`Format`] and [`PageLayout`] are read once from the
//! kernel's own description files; [`Page`] walks one raw sub-buffer and yields records; [`McEventLayout`] and
//! [`MceRecordLayout`] turn a record into a borrowed value, and that into a `vocabulary::Witness`. The way of a counter:
//! [`edac_text`] parses attribute text, and a [`CounterBook`] turns readings into steps and gaps. [`build`] goes the
//! other way, for tests, benchmarks and the simulated machine.
//!
//! The crate must never open a file, read a clock, or know an offset that the kernel has not stated. Numbers are read
//! as little-endian, which all machines are that these events come from.

pub mod build;
mod counters;
pub mod edac_text;
mod events;
mod fields;
mod format;
mod interner;
mod mc_event;
mod mce_record;
mod page;
mod page_layout;
mod ring_stats;
pub mod totals;

pub use counters::{ControllerReading, CounterBook, CounterValue, FullReading, PerClass, PlaceReading, Start, Taken};
pub use events::Events;
pub use fields::DecodeError;
pub use format::{Field, Format, FormatError, Stored};
pub use interner::Interner;
pub use mc_event::{McEvent, McEventLayout};
pub use mce_record::{MceRecord, MceRecordLayout};
pub use page::{Lost, Page, PageError, RawRecord};
pub use page_layout::{LayoutError, PageLayout};
pub use ring_stats::RingStats;
