//! All controllers of a machine, which come and go.

use super::controller::Known;
use super::{ControllerReading, CounterValue, PerClass, Taken};
use std::collections::BTreeMap;
use vocabulary::{Gap, Mono};

/// How long an unreadable controller may be so before it becomes a gap, and then how long each piece of the gap is.
const GAP_PIECE_NS: i64 = 1_000_000_000;

/// What the counters of the first round mean.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Start {
    /// A run begins: what was counted before is not part of it.
    Fresh,
    /// A run goes on after a reboot: everything that this boot has counted is part of it.
    Boot,
    /// A run goes on within a boot: these values are known, and what came on top since is part of it.
    Baseline(Vec<CounterValue>),
}

/// Remembers every counter's last value and tells what each new reading means.
#[derive(Clone, Debug)]
pub struct CounterBook {
    known: BTreeMap<u16, Known>,
    /// A controller seen for the first time was not there at this instant. None: nobody has looked yet.
    looked: Option<Mono>,
}

impl CounterBook {
    /// A book for a run that begins or goes on.
    #[must_use]
    pub fn new(start: Start) -> CounterBook {
        let values = match start {
            Start::Fresh => return CounterBook { known: BTreeMap::new(), looked: None },
            Start::Boot => return CounterBook { known: BTreeMap::new(), looked: Some(Mono(0)) },
            Start::Baseline(values) => values,
        };
        let looked = values.iter().map(|v| v.read).max();
        let mut by_controller = BTreeMap::<u16, Vec<CounterValue>>::new();
        for value in values {
            by_controller.entry(value.controller).or_default().push(value);
        }
        let known = by_controller.into_iter().map(|(c, values)| (c, Known::stored(c, &values))).collect();
        CounterBook { known, looked }
    }

    /// Whether the next reading of this controller must be a full one: when its totals moved, while what lies below does
    /// not add up to them, and on every tenth reading anyway.
    #[must_use]
    pub fn wants_full(&self, controller: u16, totals: PerClass<u32>) -> bool {
        self.known.get(&controller).is_none_or(|k| k.wants_full(totals))
    }

    /// Takes in a reading.
    pub fn take(&mut self, reading: &ControllerReading) -> Taken {
        let mut taken = Taken::default();
        match self.known.get_mut(&reading.controller) {
            Some(known) => known.take(reading, &mut taken),
            None => {
                if let Some(full) = &reading.full {
                    let known = Known::arrived(reading, full, self.looked, &mut taken);
                    self.known.insert(reading.controller, known);
                }
            }
        }
        taken
    }

    /// Takes in that a known controller could not be read at `now`. A gap is told in pieces of a second, which touch each
    /// other and have the same text, so that whoever stores them can join them.
    pub fn unread(&mut self, controller: u16, now: Mono, why: &str) -> Option<Gap> {
        self.known.get_mut(&controller)?.unread(now, GAP_PIECE_NS, why)
    }

    /// The controllers that were ever read or are in the baseline, in order.
    pub fn controllers(&self) -> impl Iterator<Item = u16> {
        self.known.keys().copied()
    }

    /// Ends a round of readings that began at `started`: no later witness or gap will begin before the returned instant.
    pub fn end_round(&mut self, started: Mono) -> Mono {
        self.looked = Some(started);
        self.known.values().map(Known::told).fold(started, Mono::min)
    }

    /// Every counter's last value, in order of controller and position.
    #[must_use]
    pub fn values(&self) -> Vec<CounterValue> {
        self.known.values().flat_map(Known::values).collect()
    }
}
