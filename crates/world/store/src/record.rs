//! What the daemon hands over to be kept, and what it gets back.

use crate::Checkpoint;
use injector_clock::{Exchange, Summary};
use std::sync::Arc;
use vocabulary::{
    Class, ClockPair, Foreseen, Gap, Injection, Layers, MachineSample, Mono, ReportAnswer, ShotAnswer, SlotEntry,
    SlotId, Span, Wall, Witness,
};

/// The last value read of one EDAC counter.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct CounterValue {
    /// The memory controller.
    pub controller: u16,
    /// The object's position; [`Layers::UNKNOWN`] is the controller's counter of errors without a place.
    pub layers: Layers,
    /// Which of the object's two counters.
    pub class: Class,
    /// What it held; the kernel's counters have 32 bits.
    pub value: u32,
    /// When it was read.
    pub read: Mono,
}

/// One thing to keep. All times are of the boot that [`crate::Store::begin`] was told.
#[derive(Clone, PartialEq, Debug)]
pub enum Record {
    /// An order from a feed, with all its shots, open. One that the same injector sent before in this run is kept once.
    Injection {
        /// The caller's own mark, which comes back in the [`Ack`].
        token: u64,
        /// The feed's name.
        feed: Arc<str>,
        /// Who injects: the `who` of its hello, or the feed's name.
        injector: Arc<str>,
        /// The order.
        injection: Box<Injection>,
        /// The slot that it names, looked up.
        slot: SlotId,
        /// What is worked out for it before it is fired.
        foreseen: Box<Foreseen>,
        /// When the line arrived.
        arrived: Mono,
        /// When the lines of the first shot began to be forced; shot k is `(k - 1) * spacing_us` later.
        first: Span,
        /// The line as it came.
        raw: Arc<str>,
    },
    /// A raw observation. One whose number is known already is left as it is.
    Witness {
        /// Its number, given by the caller and unique in the database: from [`crate::Numbers::next_witness`] on.
        id: i64,
        /// When the pipeline learned of it.
        known: Mono,
        /// The observation.
        witness: Arc<Witness>,
        /// The slot, where it names exactly one.
        slot: Option<SlotId>,
    },
    /// An interval in which a source was not watching.
    Gap(Gap),
    /// A slot and its EDAC objects, new or changed.
    Slot(SlotEntry),
    /// The ECC code that a slot is taken to have.
    Code {
        /// The slot, which was told of before.
        slot: SlotId,
        /// The code's name; nothing where nobody knows.
        code: Option<Arc<str>>,
    },
    /// Settles an open shot. A shot that is settled already is left as it is.
    Shot(Box<ShotAnswer>),
    /// Settles a report, and with it its witnesses. A report whose number is known already is left as it is.
    Report(Box<ReportAnswer>),
    /// A witness that belongs to no report of its own: not about memory, or explained by a report that was settled
    /// before. Its `report` becomes 0, so that it does not look open.
    Spent {
        /// Its number.
        witness: i64,
    },
    /// A measured pair of both clocks.
    Pair(ClockPair),
    /// Up to here everything was watched; an earlier time than the one kept changes nothing.
    Watched(Mono),
    /// Counter values, so that a restart knows what the counters held.
    Counters(Vec<CounterValue>),
    /// The injector's clock.
    Tick {
        /// Who injects.
        injector: Arc<str>,
        /// Its counter.
        ticks: i64,
        /// When the line arrived.
        arrived: Mono,
    },
    /// A ping that an injector answered.
    Exchange {
        /// Who injects.
        injector: Arc<str>,
        /// The four stamps.
        exchange: Exchange,
    },
    /// What is known of an injector's clock, in the place of what was known before in this boot.
    InjectorClock {
        /// Who injects.
        injector: Arc<str>,
        /// What is known.
        summary: Box<Summary>,
    },
    /// The numbers of a supply rail as they are now, in the place of those told before.
    Rail(Box<rails::Told>),
    /// What the run must say about itself, such as "counters only".
    Remark {
        /// When.
        at: Mono,
        /// Whether it limits what the numbers prove.
        warning: bool,
        /// In plain words.
        text: String,
    },
    /// What the pairing engine knows, in the place of what it knew before.
    Checkpoint(Box<Checkpoint>),
    /// What the machine showed beside its reports. A look whose time is kept already is left as it is.
    Machine(MachineSample),
    /// The run was stopped on purpose.
    RunEnded {
        /// When, for people.
        wall: Wall,
    },
}

/// What the caller is told once the batch is on disk.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Ack {
    /// An injection is durable: `accepted` may be sent.
    Injection {
        /// The caller's mark.
        token: u64,
        /// The injection's number in the database.
        number: i64,
        /// Whether it was kept now, and not before.
        is_new: bool,
    },
}
