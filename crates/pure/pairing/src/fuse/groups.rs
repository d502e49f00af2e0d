//! Which tellings of the last reports are about one error.
//!
//! One error is told at most once in each [`Kind`]. A further telling joins the nearest report that it can be about and that
//! has no telling of its kind yet; therefore two errors on one page stay two reports, however alike they are.

use crate::Settings;
use crate::table::ReportSeq;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use vocabulary::{Class, FoundBy, Mono, Sighted, SlotId, Source};

/// How far a record and an event may be apart that have neither address nor syndrome in common, and how late a bank's record
/// may be after the event of its driver.
const NEAR_NS: i64 = 50_000_000;
/// How many reports can still be joined.
const RECENT: usize = 256;
/// Addresses are compared by pages of this many bits: a driver may tell the page only.
const PAGE_BITS: u32 = 12;

/// The ways in which one error can be told.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Kind {
    /// The record of a hardware bank.
    Record = 1,
    /// The event of the driver that decodes that record.
    Driver = 2,
    /// The event of the driver for firmware's records.
    Firmware = 4,
    /// The record that the kernel makes up from a firmware record.
    Synthetic = 8,
    /// The event of the driver that decodes that one.
    Decoded = 16,
}

impl Kind {
    pub(super) fn of_record(record: &Sighted) -> Kind {
        if record.synthetic { Kind::Synthetic } else { Kind::Record }
    }
}

/// Kinds that come from firmware.
const FROM_FIRMWARE: u8 = Kind::Firmware as u8 | Kind::Synthetic as u8 | Kind::Decoded as u8;
/// Kinds that are events.
const EVENTS: u8 = Kind::Driver as u8 | Kind::Firmware as u8 | Kind::Decoded as u8;

/// What is compared of a witness.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(super) struct Telling {
    at: Mono,
    page: Option<u64>,
    class: Class,
    syndrome: Option<u64>,
    place: Option<(u16, SlotId)>,
    from_firmware: bool,
}

impl Telling {
    pub(super) fn of(w: &Sighted) -> Telling {
        Telling {
            at: w.span.to,
            page: page(w),
            class: w.severity.class(),
            syndrome: w.syndrome,
            place: w.controller.zip(w.blame.exact()),
            from_firmware: w.found_by == FoundBy::Firmware,
        }
    }

    /// How far a record is from this event about the same error, in nanoseconds; nothing if it is about another.
    pub(super) fn apart_from_record(&self, record: &Sighted, settings: &Settings) -> Option<i64> {
        let record = Telling::of(record);
        if record.class != self.class || differ(record.syndrome, self.syndrome) || differ(record.page, self.page) {
            return None;
        }
        let alike =
            record.page.is_some() && self.page.is_some() || record.syndrome.is_some() && self.syndrome.is_some();
        let lag = self.at.since(record.at);
        let either_way = self.from_firmware || record.from_firmware;
        let most = if alike && (lag >= 0 || either_way) { settings.fuse_ns } else { NEAR_NS };
        let apart = lag.saturating_abs();
        (apart <= most).then_some(apart)
    }

    /// How far this event is from another driver's about the same error: both must know the address.
    fn apart_from_event(&self, other: &Telling, settings: &Settings) -> Option<i64> {
        let same = self.page.is_some() && self.page == other.page && self.class == other.class;
        // One driver names one slot for one error; two drivers have each their own objects for one slot.
        let elsewhere = self.place.zip(other.place).is_some_and(|(a, b)| a.0 == b.0 && a.1 != b.1);
        let apart = self.at.since(other.at).saturating_abs();
        (same && !elsewhere && !differ(self.syndrome, other.syndrome) && apart <= settings.fuse_ns).then_some(apart)
    }
}

fn page(w: &Sighted) -> Option<u64> {
    w.address.map(|a| a >> PAGE_BITS)
}

fn differ(a: Option<u64>, b: Option<u64>) -> bool {
    a.zip(b).is_some_and(|(a, b)| a != b)
}

/// Whether two witnesses have the same page.
pub(super) fn same_page(a: &Sighted, b: &Sighted) -> bool {
    page(a).is_some() && page(a) == page(b)
}

/// One report and how its error was told so far.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Group {
    report: ReportSeq,
    first: Telling,
    told: u8,
    /// How many errors the first telling stands for.
    count: u32,
    /// Whether a counter step was taken for it, for want of an event.
    counted: bool,
}

impl Group {
    pub(super) fn has(&self, kind: Kind) -> bool {
        self.told & kind as u8 != 0
    }

    fn add(&mut self, kind: Kind) {
        self.told |= kind as u8;
        self.first.from_firmware |= kind as u8 & FROM_FIRMWARE != 0;
    }

    /// How far a record about the same error is from it.
    pub(super) fn fits(&self, record: &Sighted, settings: &Settings) -> Option<i64> {
        self.first.apart_from_record(record, settings)
    }

    /// The kind in which an event tells this group's error, if it can. `waits` is the kind of the record that the event is
    /// most likely about and that no report has yet.
    fn kind_of(&self, event: &Sighted, waits: Option<Kind>) -> Option<Kind> {
        if waits.is_some_and(|kind| self.has(kind)) {
            return None;
        }
        let from_firmware = self.told & FROM_FIRMWARE != 0;
        let kind = match waits {
            _ if event.found_by == FoundBy::Firmware => Kind::Firmware,
            _ if !from_firmware => return None,
            Some(Kind::Record) => Kind::Driver,
            Some(_) => Kind::Decoded,
            None if event.count == 0 => Kind::Decoded,
            // What is not corrected is counted as one, whether a bank told of it or firmware.
            None if event.severity.class() == Class::NotCorrected && !self.has(Kind::Decoded) => Kind::Decoded,
            None => Kind::Driver,
        };
        (!self.has(kind)).then_some(kind)
    }
}

/// See the module's page.
#[derive(Default, Debug, Serialize, Deserialize)]
pub(super) struct Groups {
    recent: VecDeque<Group>,
    /// The last report that firmware has told of.
    from_firmware: Option<ReportSeq>,
}

impl Groups {
    /// A report that a witness has opened, with the kind of the record that joined it at once.
    pub(super) fn open(&mut self, w: &Sighted, report: ReportSeq, record: Option<Kind>) {
        let kind = match (w.source, record) {
            (Source::MceRecord, _) => Kind::of_record(w),
            _ if w.found_by == FoundBy::Firmware => Kind::Firmware,
            (_, Some(Kind::Synthetic)) => Kind::Decoded,
            _ => Kind::Driver,
        };
        let mut group = Group { report, first: Telling::of(w), told: 0, count: w.count, counted: false };
        group.add(kind);
        if let Some(record) = record {
            group.add(record);
        }
        self.from_firmware = self.from_firmware.max(group.first.from_firmware.then_some(report));
        self.recent.push_back(group);
        if self.recent.len() > RECENT {
            self.recent.pop_front();
        }
    }

    /// A report's error was told in one more way.
    pub(super) fn add(&mut self, report: ReportSeq, kind: Kind) {
        if let Some(group) = self.recent.iter_mut().rev().find(|group| group.report == report) {
            group.add(kind);
            self.from_firmware = self.from_firmware.max(group.first.from_firmware.then_some(report));
        }
    }

    /// Whether any report can be joined by this event: most machines tell nothing twice, and need not search.
    pub(super) fn may_have(&self, event: &Sighted) -> bool {
        let oldest = self.recent.front().map(|group| group.report);
        let told = self.from_firmware.is_some() && self.from_firmware >= oldest;
        event.address.is_some() && (told || event.found_by == FoundBy::Firmware)
    }

    /// The report about the error that an event tells once more.
    pub(super) fn copy(&mut self, event: &Sighted, waits: Option<Kind>, settings: &Settings) -> Option<ReportSeq> {
        let telling = Telling::of(event);
        let near = self.recent.iter().rev().filter_map(|group| {
            let kind = group.kind_of(event, waits)?;
            Some((telling.apart_from_event(&group.first, settings)?, kind, group.report))
        });
        let (_, kind, report) = near.min_by_key(|(apart, _, _)| *apart)?;
        self.add(report, kind);
        Some(report)
    }

    /// The report that a record belongs to.
    pub(super) fn record(&mut self, record: &Sighted, settings: &Settings) -> Option<ReportSeq> {
        let kind = Kind::of_record(record);
        let open = self.recent.iter().rev().filter(|group| !group.has(kind));
        let near = open.filter_map(|group| Some((group.fits(record, settings)?, group.report)));
        let (_, report) = near.min_by_key(|(apart, _)| *apart)?;
        self.add(report, kind);
        Some(report)
    }

    /// Lets reports of records without an event explain a counter step; answers the first that did.
    pub(super) fn counted(&mut self, step: &mut super::Step) -> Option<ReportSeq> {
        let over = super::counters::reach(step.witness.span);
        let class = step.witness.severity.class();
        let mut first = None;
        for group in self.recent.iter_mut().filter(|g| !g.counted && g.told & EVENTS == 0 && g.first.class == class) {
            if step.left > 0 && over.from <= group.first.at && group.first.at <= over.to {
                group.counted = true;
                step.left = step.left.saturating_sub(group.count.max(1));
                first = first.or(Some(group.report));
            }
        }
        first
    }

    /// A report that can still be joined.
    pub(super) fn get(&self, report: ReportSeq) -> Option<&Group> {
        self.recent.iter().rev().find(|group| group.report == report)
    }

    /// How many reports can still be joined.
    #[cfg(test)]
    pub(super) fn len(&self) -> usize {
        self.recent.len()
    }
}
