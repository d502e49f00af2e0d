//! Reads all CPUs' rings and tells what they hold.
//!
//! One sweep reads every ring until it is empty, or until it hands out records younger than the sweep. Loss marks,
//! sub-buffers that do not decode, and rings that cannot be read become gaps.

use super::instance::{TraceInstance, cpus};
use super::ring::{Got, Ring};
use kernel_bytes::{Events, Interner, Lost, Page, PageLayout};
use std::collections::BTreeMap;
use std::future::poll_fn;
use std::path::PathBuf;
use std::task::Poll;
use vocabulary::{Gap, Mono, Span, Witness};

/// A record gets its stamp shortly before it can be read, so the last instant before a sweep is not yet proven.
const SETTLING_NS: i64 = 1_000_000;
/// How often loss counts are compared and new CPUs looked for.
const CHECK_NS: i64 = 5_000_000_000;
/// How often an unreadable ring is tried again, and how long each piece of its gap is.
const RETRY_NS: i64 = 1_000_000_000;
/// Both events share the ring; the gap is named after the first.
const OF: &str = "mc_event";

/// What reading one sub-buffer, or finding a loss, told.
#[derive(Debug, Default)]
pub(super) struct Told {
    pub(super) witnesses: Vec<Witness>,
    pub(super) gaps: Vec<Gap>,
}

/// How a sweep over one ring goes on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Next {
    /// There may be more.
    More,
    /// This ring has given everything from before the sweep.
    Done,
}

pub(super) struct TraceReader {
    dir: PathBuf,
    layout: PageLayout,
    events: Events,
    interner: Interner,
    rings: Vec<Ring>,
    /// Rings that cannot be read, and up to when that is told.
    blind: BTreeMap<u32, Mono>,
    check_at: Mono,
    retry_at: Mono,
    /// Sub-buffers and records that did not decode.
    faults: u64,
    first_fault: Option<String>,
}

impl TraceReader {
    pub(super) fn new(instance: &TraceInstance) -> TraceReader {
        let mut reader = TraceReader {
            dir: instance.dir().to_owned(),
            layout: instance.layout(),
            events: instance.events().clone(),
            interner: Interner::new(),
            rings: Vec::new(),
            blind: BTreeMap::new(),
            check_at: Mono::default(),
            retry_at: Mono::default(),
            faults: 0,
            first_fault: None,
        };
        reader.open_new(instance.watched_from(), !instance.taken_over());
        reader
    }

    /// Waits until one ring has something.
    pub(super) async fn readable(&self) {
        poll_fn(|cx| {
            let any = self.rings.iter().any(|ring| ring.poll_readable(cx).is_ready());
            if any { Poll::Ready(()) } else { Poll::Pending }
        })
        .await;
    }

    pub(super) fn rings(&self) -> usize {
        self.rings.len()
    }

    /// Reads one sub-buffer of one ring, in a sweep that began at `started`.
    pub(super) fn step(&mut self, index: usize, started: Mono, told: &mut Told) -> Next {
        let Some(ring) = self.rings.get_mut(index) else { return Next::Done };
        match ring.read() {
            Ok(Got::Empty) if ring.failed() => Next::Done,
            Ok(Got::Empty) => {
                ring.good_until = ring.good_until.max(started.minus(SETTLING_NS));
                Next::Done
            }
            Ok(Got::Page) => self.take_page(index, started, told),
            Err(_) => {
                // Replaced at the next check; until then its gap is told piece by piece.
                self.blind.insert(ring.cpu(), ring.good_until);
                self.retry_at = Mono::default();
                Next::Done
            }
        }
    }

    fn take_page(&mut self, index: usize, started: Mono, told: &mut Told) -> Next {
        let Some(ring) = self.rings.get_mut(index) else { return Next::Done };
        let cpu = ring.cpu();
        let mut page = match Page::open(&self.layout, ring.page()) {
            Ok(page) => page,
            Err(fault) => {
                let gap = blind(ring.good_until, clocks::mono(), faulty(cpu));
                told.gaps.push(gap);
                self.note(fault.to_string());
                return Next::More;
            }
        };
        let (lost, begins) = (page.lost(), page.begins());
        let before = ring.good_until;
        let (mut first, mut last, mut faults) = (None, before, Vec::new());
        for record in &mut page {
            match record {
                Ok(record) => {
                    first = first.or(Some(record.t));
                    match self.events.witness(record.payload, record.t, &mut self.interner) {
                        Ok(witness) => told.witnesses.extend(witness),
                        Err(fault) => {
                            told.gaps.push(blind(last, record.t, faulty(cpu)));
                            faults.push(fault.to_string());
                        }
                    }
                    last = last.max(record.t);
                }
                Err(fault) => {
                    told.gaps.push(blind(last, clocks::mono(), faulty(cpu)));
                    faults.push(fault.to_string());
                }
            }
        }
        ring.good_until = last;
        if let Some(lost) = lost {
            let records = match lost {
                Lost::Count(n) => format!("{} records", ring.tell_lost(Some(n))),
                // A ring that was taken over may have lost them before its losses were counted here.
                Lost::Unknown => match ring.tell_lost(None) {
                    0 => "an unknown number of records".to_owned(),
                    most => format!("at most {most} records"),
                },
            };
            let why = format!("the trace ring of CPU {cpu} overran: {records} lost");
            told.gaps.push(blind(before, first.unwrap_or(begins), why));
        }
        for fault in faults {
            self.note(fault);
        }
        if begins > started { Next::Done } else { Next::More }
    }

    /// Now and then: losses that no sub-buffer told, CPUs that are new, rings that could not be read.
    pub(super) fn check(&mut self, started: Mono, now_anyway: bool, told: &mut Told) {
        self.rings.retain(|ring| !ring.failed());
        if now_anyway || started >= self.check_at {
            self.check_at = started.plus(CHECK_NS);
            for ring in &mut self.rings {
                if let Some((count, since)) = ring.untold_losses(started) {
                    let why = format!("the trace ring of CPU {} lost {count} records", ring.cpu());
                    told.gaps.push(blind(since, clocks::mono(), why));
                }
            }
            self.open_new(started, false);
        }
        if !self.blind.is_empty() && (now_anyway || started >= self.retry_at) {
            self.retry_at = started.plus(RETRY_NS);
            self.open_new(started, false);
            let still: Vec<u32> = self.rings.iter().map(Ring::cpu).collect();
            let now = clocks::mono();
            for (cpu, since) in &mut self.blind {
                told.gaps.push(blind(*since, now, format!("the trace ring of CPU {cpu} cannot be read")));
                *since = now;
            }
            self.blind.retain(|cpu, _| !still.contains(cpu));
        }
    }

    /// Up to when everything has been told by a sweep that began at `started`.
    pub(super) fn told_until(&self, started: Mono) -> Mono {
        self.blind.values().copied().fold(started.minus(SETTLING_NS), Mono::min)
    }

    /// How many sub-buffers and records did not decode so far.
    pub(super) fn faults(&self) -> u64 {
        self.faults
    }

    /// What was wrong with the first of them, once.
    pub(super) fn take_fault(&mut self) -> Option<String> {
        self.first_fault.take()
    }

    fn note(&mut self, fault: String) {
        if self.faults == 0 {
            self.first_fault = Some(fault);
        } else {
            tracing::debug!(faults = self.faults + 1, "{fault}");
        }
        self.faults += 1;
    }

    fn open_new(&mut self, good_until: Mono, fresh: bool) {
        for cpu in cpus(&self.dir) {
            if self.rings.iter().any(|ring| ring.cpu() == cpu) {
                continue;
            }
            match Ring::open(&self.dir, cpu, self.layout.page_size(), good_until, fresh) {
                Ok(ring) => self.rings.push(ring),
                Err(_) => {
                    self.blind.entry(cpu).or_insert(good_until);
                }
            }
        }
    }
}

fn faulty(cpu: u32) -> String {
    format!("a sub-buffer of CPU {cpu}'s trace ring does not decode")
}

fn blind(from: Mono, to: Mono, why: String) -> Gap {
    Gap { span: Span::new(from, to), of: OF.to_owned(), controller: None, why }
}
