//! What the watching tasks send.

use crate::edac::Controller;
use kernel_bytes::CounterValue;
use vocabulary::{Dimm, Gap, MachineSample, Mono, Witness};

/// Which task speaks.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum WatchSource {
    /// The trace ring.
    Trace,
    /// The EDAC counters.
    Counters,
}

/// One message from a watching task.
#[derive(Clone, PartialEq, Debug)]
pub enum KernelEvent {
    /// New observations; within one batch in order of time. Machine-check records that are not about memory are among
    /// them.
    Witnesses(Vec<Witness>),
    /// A source was blind. Pieces of one long gap touch each other and have the same text.
    Gap(Gap),
    /// All `dimm` and `rank` objects: at first sight, and whenever an object or a label changed.
    Inventory(Vec<Dimm>),
    /// All memory controllers: sent before the inventory that belongs to them.
    Controllers(Vec<Controller>),
    /// Something that whoever reads the run's numbers must know.
    Remark {
        /// Whether it makes the numbers doubtful.
        warning: bool,
        /// In plain words.
        text: String,
    },
    /// Everything of this source up to `to` has been sent: no later witness or gap of it begins before.
    Progress {
        /// Which source.
        source: WatchSource,
        /// Up to when.
        to: Mono,
    },
    /// Every counter's last value: after each change (following the witnesses that the change made), and every few
    /// seconds for the time of reading. Stored together with those witnesses, a restart counts nothing twice.
    CounterValues(Vec<CounterValue>),
    /// What the machine shows beside its reports, whenever some of it has changed. It says nothing about progress.
    Machine(MachineSample),
}
