//! One controller's counters: what a new reading says against the last one.
//!
//! Three kinds of counter make up a controller's total: those of the objects, the kernel's own "no info" counter, and
//! what is in neither. The last kind is real: a driver that blames an empty slot moves the total and a counter that
//! sysfs does not show. It is told only once two readings agree on it, since the kernel moves the total first.

use super::{ControllerReading, CounterValue, FullReading, PLAUSIBLE, PerClass, PlaceReading, Taken};
use std::collections::BTreeMap;
use std::sync::Arc;
use vocabulary::{Class, Gap, Layers, Mono, Severity, Source, Span, Witness};

/// Every so many readings one is a full one, even if nothing seems to move.
const FULL_EVERY: u8 = 10;
/// Seconds by which `seconds_since_reset` may lag: it is cut to whole seconds, and jiffies have a grain.
const RESET_SLACK_S: i64 = 2;
const SECOND: i64 = 1_000_000_000;
const RESET: &str = "the controller's counters were reset, or its driver was loaded again";
const JUMP: &str = "a counter jumped further than errors can make it";

/// The part of the total that no readable counter holds.
#[derive(Clone, Copy, Debug, Default)]
struct Hidden {
    /// What has been told or was there at the start; none until a reading fitted together.
    accounted: Option<u32>,
    /// What the last fitting reading said, where it differed, and the read before it was first seen.
    pending: Option<(u32, Mono)>,
}

/// Which counter a step is of.
#[derive(Clone, Copy)]
struct Counter<'a> {
    class: Class,
    layers: Layers,
    label: Option<&'a Arc<str>>,
}

impl<'a> Counter<'a> {
    fn of(class: Class, place: &'a PlaceReading) -> Counter<'a> {
        Counter { class, layers: place.layers, label: Some(&place.label) }
    }

    fn placeless(class: Class) -> Counter<'a> {
        Counter { class, layers: Layers::UNKNOWN, label: None }
    }
}

#[derive(Clone, Debug)]
pub(super) struct Known {
    controller: u16,
    /// Start of the last good read: everything before is told.
    last: Mono,
    /// Start of the last full read.
    last_full: Mono,
    /// End of the gap that is already told, or `last`.
    told: Mono,
    since_reset_s: Option<u64>,
    totals: Option<PerClass<u32>>,
    places: BTreeMap<Layers, PerClass<u32>>,
    noinfo: Option<PerClass<u32>>,
    hidden: PerClass<Hidden>,
    /// From a baseline, until a fitting reading: what the total held beyond the objects, and when.
    stored_placeless: Option<(PerClass<u32>, Mono)>,
    quiet: u8,
    reset_suspected: bool,
}

impl Known {
    fn empty(controller: u16, last: Mono) -> Known {
        Known {
            controller,
            last,
            last_full: last,
            told: last,
            since_reset_s: None,
            totals: None,
            places: BTreeMap::new(),
            noinfo: None,
            hidden: PerClass::default(),
            stored_placeless: None,
            quiet: 0,
            reset_suspected: false,
        }
    }

    /// A controller as a baseline has it; never called without values.
    pub(super) fn stored(controller: u16, values: &[CounterValue]) -> Known {
        let read = values.iter().map(|v| v.read).min().unwrap_or_default();
        let mut known = Known::empty(controller, read);
        for v in values {
            if v.layers == Layers::UNKNOWN {
                let stored = known.stored_placeless.get_or_insert((PerClass::default(), read));
                *stored.0.get_mut(v.class) = v.value;
            } else {
                *known.places.entry(v.layers).or_default().get_mut(v.class) = v.value;
            }
        }
        known
    }

    /// A controller seen for the first time. If its driver was loaded after somebody last looked, everything that it has
    /// counted is new; otherwise what it holds is where counting begins.
    pub(super) fn arrived(
        reading: &ControllerReading,
        full: &FullReading,
        looked: Option<Mono>,
        out: &mut Taken,
    ) -> Known {
        let loaded = reading.since_reset_s.map(|s| reading.read.to.minus(seconds(s)));
        match (looked, loaded) {
            (Some(looked), Some(loaded)) if loaded >= looked => {
                let mut known = Known::empty(reading.controller, looked);
                known.restart(reading, full, out);
                known
            }
            _ => {
                let mut known = Known::empty(reading.controller, reading.read.from);
                known.places = full.places.iter().map(|p| (p.layers, p.values)).collect();
                known.noinfo = Some(full.noinfo);
                known.hidden_steps(reading, full, out);
                known.settle(reading);
                known
            }
        }
    }

    pub(super) fn wants_full(&self, totals: PerClass<u32>) -> bool {
        let settled = |c: &Class| {
            let hidden = self.hidden.get(*c);
            hidden.accounted.is_some() && hidden.pending.is_none()
        };
        self.reset_suspected
            || self.totals != Some(totals)
            || self.quiet + 1 >= FULL_EVERY
            || !PerClass::<u32>::CLASSES.iter().all(settled)
    }

    pub(super) fn told(&self) -> Mono {
        self.told
    }

    pub(super) fn take(&mut self, reading: &ControllerReading, out: &mut Taken) {
        let Some(full) = &reading.full else {
            // Totals that have not moved prove that nothing below them has, unless something is still to be settled.
            if !self.wants_full(reading.totals) {
                self.quiet += 1;
                self.last = reading.read.from;
                self.close_gap(reading.read.from, out);
            }
            return;
        };
        if self.reset_suspected {
            // Where counters stood at zero, a reset in a quiet stretch would not have shown in the totals.
            let blind = if self.totals == Some(PerClass::default()) { self.last_full } else { self.last };
            out.gaps.push(self.gap(Span::new(blind, reading.read.to), RESET));
            self.restart(reading, full, out);
        } else if self.looks_reset(reading, full) {
            // The kernel zeroes the counters one after the other: they are judged at the next reading.
            self.reset_suspected = true;
        } else {
            self.close_gap(reading.read.from, out);
            self.steps(reading, full, out);
        }
    }

    pub(super) fn unread(&mut self, now: Mono, piece_ns: i64, why: &str) -> Option<Gap> {
        if now.since(self.told) < piece_ns {
            return None;
        }
        let gap = self.gap(Span::new(self.told, now), why);
        self.told = now;
        Some(gap)
    }

    pub(super) fn values(&self) -> Vec<CounterValue> {
        let value =
            |layers, class, value| CounterValue { controller: self.controller, layers, class, value, read: self.last };
        let mut all = Vec::new();
        for class in PerClass::<u32>::CLASSES {
            let counted = self.noinfo.zip(self.hidden.get(class).accounted).map(|(n, h)| n.get(class).wrapping_add(h));
            let placeless = counted.or(self.stored_placeless.as_ref().map(|(stored, _)| *stored.get(class)));
            all.extend(placeless.map(|v| value(Layers::UNKNOWN, class, v)));
        }
        for (layers, values) in &self.places {
            all.extend(PerClass::<u32>::CLASSES.map(|class| value(*layers, class, *values.get(class))));
        }
        all
    }

    fn looks_reset(&self, reading: &ControllerReading, full: &FullReading) -> bool {
        let back = |old: &u32, new: &u32| new < old && new.wrapping_sub(*old) > PLAUSIBLE;
        let any_back = |old: &PerClass<u32>, new: &PerClass<u32>| {
            back(&old.corrected, &new.corrected) || back(&old.not_corrected, &new.not_corrected)
        };
        let by_clock = reading.since_reset_s.is_some_and(|now_s| {
            // After a restart of the daemon only this tells: the counters are younger than the last read of them.
            let elapsed_s = reading.read.from.since(self.last) / SECOND;
            self.since_reset_s.is_some_and(|before_s| now_s < before_s)
                || seconds(now_s) / SECOND + RESET_SLACK_S + elapsed_s / 1000 < elapsed_s
        });
        by_clock
            || self.totals.is_some_and(|old| any_back(&old, &reading.totals))
            || self.noinfo.is_some_and(|old| any_back(&old, &full.noinfo))
            || full.places.iter().any(|p| self.places.get(&p.layers).is_some_and(|old| any_back(old, &p.values)))
    }

    /// Begins anew from zero: what the counters hold was counted since the reset.
    fn restart(&mut self, reading: &ControllerReading, full: &FullReading, out: &mut Taken) {
        let youngest = reading.since_reset_s.map_or(self.last, |s| reading.read.to.minus(seconds(s)).minus(SECOND));
        let span = Span::new(self.last.max(youngest), reading.read.to);
        for class in PerClass::<u32>::CLASSES {
            for p in &full.places {
                self.step(0, *p.values.get(class), Counter::of(class, p), span, out);
            }
            self.step(0, *full.noinfo.get(class), Counter::placeless(class), span, out);
        }
        let from_zero = Hidden { accounted: Some(0), pending: None };
        self.hidden = PerClass { corrected: from_zero, not_corrected: from_zero };
        self.stored_placeless = None;
        self.places = full.places.iter().map(|p| (p.layers, p.values)).collect();
        self.noinfo = Some(full.noinfo);
        self.hidden_steps(reading, full, out);
        self.settle(reading);
    }

    /// The ordinary case: every counter against its last value.
    fn steps(&mut self, reading: &ControllerReading, full: &FullReading, out: &mut Taken) {
        let span = Span::new(self.last, reading.read.to);
        let mut places = BTreeMap::new();
        for p in &full.places {
            if let Some(old) = self.places.get(&p.layers).copied() {
                for class in PerClass::<u32>::CLASSES {
                    let (old, new) = (*old.get(class), *p.values.get(class));
                    self.step(old, new, Counter::of(class, p), span, out);
                }
            }
            places.insert(p.layers, p.values);
        }
        if !places.keys().eq(self.places.keys()) && self.stored_placeless.is_none() {
            // Objects came or went, and took their counts into or out of the hidden part.
            self.hidden = PerClass::default();
        }
        self.places = places;
        if let Some(old) = self.noinfo {
            for class in PerClass::<u32>::CLASSES {
                self.step(*old.get(class), *full.noinfo.get(class), Counter::placeless(class), span, out);
            }
        }
        if self.stored_placeless.is_none() || self.noinfo.is_some() {
            self.noinfo = Some(full.noinfo);
        }
        self.hidden_steps(reading, full, out);
        self.settle(reading);
    }

    /// What the totals hold beyond the readable counters.
    fn hidden_steps(&mut self, reading: &ControllerReading, full: &FullReading, out: &mut Taken) {
        if full.totals_after != reading.totals {
            return;
        }
        if let Some((stored, since)) = self.stored_placeless.take() {
            // The baseline has the "no info" counter and the hidden part as one number.
            let mut hidden = PerClass::<Hidden>::default();
            for class in PerClass::<u32>::CLASSES {
                let (old, new) = (*stored.get(class), placeless(reading, full, class));
                let grown = !is_less(new, old);
                if grown {
                    self.step(old, new, Counter::placeless(class), Span::new(since, reading.read.to), out);
                }
                let accounted = if grown { new } else { old }.wrapping_sub(*full.noinfo.get(class));
                *hidden.get_mut(class) = Hidden { accounted: Some(accounted), pending: None };
            }
            (self.hidden, self.noinfo) = (hidden, Some(full.noinfo));
            return;
        }
        for class in PerClass::<u32>::CLASSES {
            let now = placeless(reading, full, class).wrapping_sub(*full.noinfo.get(class));
            let Hidden { accounted, pending } = *self.hidden.get(class);
            let Some(accounted) = accounted else {
                *self.hidden.get_mut(class) = Hidden { accounted: Some(now), pending: None };
                continue;
            };
            let Some((before, since)) = pending else {
                let pending = (now != accounted).then_some((now, self.last));
                self.hidden.get_mut(class).pending = pending;
                continue;
            };
            // Two readings agree at least on the smaller of both steps up, or of both steps down.
            let settled = match (is_less(accounted, before), is_less(accounted, now)) {
                (true, true) => {
                    let agreed = if is_less(before, now) { before } else { now };
                    let span = Span::new(since, reading.read.to);
                    self.step(accounted, agreed, Counter::placeless(class), span, out);
                    agreed
                }
                (false, false) => {
                    if is_less(before, now) {
                        now
                    } else {
                        before
                    }
                }
                _ => accounted,
            };
            let pending = (now != settled).then_some((now, self.last));
            *self.hidden.get_mut(class) = Hidden { accounted: Some(settled), pending };
        }
    }

    fn step(&self, old: u32, new: u32, of: Counter<'_>, span: Span, out: &mut Taken) {
        let count = new.wrapping_sub(old);
        if count > PLAUSIBLE {
            out.gaps.push(self.gap(span, JUMP));
        } else if count > 0 {
            let severity = match of.class {
                Class::Corrected => Severity::Corrected,
                Class::NotCorrected => Severity::Uncorrected,
            };
            let mut w = Witness::new(Source::Counter, span, severity);
            w.controller = Some(self.controller);
            w.layers = of.layers;
            w.label = of.label.filter(|l| !l.is_empty()).cloned();
            w.count = count;
            out.witnesses.push(w);
        }
    }

    fn settle(&mut self, reading: &ControllerReading) {
        self.last = reading.read.from;
        self.last_full = self.last;
        self.told = self.told.max(self.last);
        self.since_reset_s = reading.since_reset_s;
        self.totals = Some(reading.totals);
        self.quiet = 0;
        self.reset_suspected = false;
    }

    /// A gap that was told in pieces ends here.
    fn close_gap(&mut self, now: Mono, out: &mut Taken) {
        if self.told > self.last && now > self.told {
            out.gaps.push(self.gap(Span::new(self.told, now), "the controller could not be read"));
        }
        self.told = self.told.max(now);
    }

    fn gap(&self, span: Span, why: &str) -> Gap {
        Gap { span, of: "counter".to_owned(), controller: Some(self.controller), why: why.to_owned() }
    }
}

/// The total without what the objects hold.
fn placeless(reading: &ControllerReading, full: &FullReading, class: Class) -> u32 {
    full.places.iter().fold(*reading.totals.get(class), |rest, p| rest.wrapping_sub(*p.values.get(class)))
}

/// Whether `a` is behind `b` on the circle of 32 bits.
fn is_less(a: u32, b: u32) -> bool {
    a != b && b.wrapping_sub(a) < 1 << 31
}

/// Seconds as nanoseconds, saturating.
fn seconds(s: u64) -> i64 {
    i64::try_from(s).unwrap_or(i64::MAX).saturating_mul(SECOND)
}
